package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

// The last morning of the demo's herds, whatever day it is: nothing is refused, some
// work is done and some left, in the largest herd on every list, and the round has an order (who is felt
// was read, and who was suspect is bred only when felt).
func TestMorning(t *testing.T) {
	t.Parallel()
	days := []event.Date{event.NewDate(2026, 1, 1), event.NewDate(2027, 12, 31), event.NewDate(2028, 2, 29), event.NewDate(2028, 7, 1)}
	for d := range event.Date(10) { // all days of the week
		days = append(days, event.NewDate(2026, 11, 27)+d)
	}
	if testing.Short() {
		days = days[2:6]
	}
	for _, last := range days {
		for _, named := range simherd.Demo() {
			p := named.Params
			p.First, p.Last = last-120, last
			if p.Cows > 1000 && last%3 != 0 {
				continue // takes longest
			}
			sim, err := simherd.New(p, named.Herd)
			if err != nil {
				t.Fatal(err)
			}
			policy := repro.DefaultPolicy()
			policy.WaitFirst, policy.WaitLater = p.WaitDays, p.WaitDays
			fold := repro.NewHerd(named.Herd, repro.Policies{{From: p.First, Policy: policy}})
			seqs, seq := map[uuid.UUID]int64{}, int64(0)
			var batch []repro.Fact
			done, suspect, felt := map[event.Kind]int{}, map[string]bool{}, map[string]bool{}
			for e := range untilNoon(sim.Events(), last) {
				seq++
				seqs[e.ID] = seq
				f := repro.Fact{Event: e, Seq: seq, RecordedAt: last.Time()}
				if v, ok := e.Data.(*event.Void); ok {
					f.Voids = seqs[v.Event]
				}
				if e.On < last {
					batch = append(batch, f)
					continue
				}
				fold.Apply(batch)
				batch = batch[:0]
				if r := fold.Refusal(e, repro.Asked{}); r != nil {
					t.Errorf("%s on %s: %s: %s", named.Herd, last, r.Text, e.Canonical())
				}
				if err := e.Validate(last); err != nil || e.At >= "12:00" {
					t.Errorf("%s on %s: %v: %s", named.Herd, last, err, e.Canonical())
				}
				done[e.Kind]++
				switch d := e.Data.(type) {
				case *event.Heat:
					suspect[e.Animal] = d.Verdict == event.Suspect
				case *event.Palpation:
					felt[e.Animal] = true
					if !suspect[e.Animal] {
						t.Errorf("%s on %s: felt though nobody read her: %s", named.Herd, last, e.Canonical())
					}
				case *event.Breeding:
					if suspect[e.Animal] && !felt[e.Animal] {
						t.Errorf("%s on %s: bred though nobody felt her: %s", named.Herd, last, e.Canonical())
					}
				}
				fold.Apply([]repro.Fact{f})
			}
			lists := map[string]int{}
			for _, name := range []string{repro.ListWalk, repro.ListExamine, repro.ListBreed, repro.ListDiagnose} {
				l, err := fold.List(name, last, repro.ListOptions{})
				if err != nil {
					t.Fatal(err)
				}
				lists[name] = len(l.Rows)
			}
			t.Logf("%s %s: done %v, left %v", last, named.Herd, done, lists)
			for name, n := range lists { // on some mornings nobody of a small herd is in heat
				if n == 0 && (p.Cows > 1000 || name == repro.ListWalk || name == repro.ListDiagnose) {
					t.Errorf("%s on %s: the list %s is empty", named.Herd, last, name)
				}
			}
			if done[event.KindWalk] == 0 || p.Cows > 1000 && (done[event.KindHeat] == 0 || done[event.KindPalpation] == 0 || done[event.KindBreeding] == 0) {
				t.Errorf("%s on %s: done are %v", named.Herd, last, done)
			}
			if p.Diagnosis.Before == 0 && done[event.KindPregnancyDiagnosis] == 0 {
				t.Errorf("%s on %s: the examiner was not there", named.Herd, last)
			}
		}
	}
}

// A correction of the last day is left out whole: its void alone would leave a
// restatement of an event that stands, which the log refuses.
func TestUntilNoon(t *testing.T) {
	t.Parallel()
	const last = event.Date(9000)
	add := func(k event.Kind, on event.Date) *event.Event {
		e := event.New(k, "hazel-end", "17", on)
		e.ID = uuid.New()
		return e
	}
	correct := func(wrong *event.Event, on event.Date) (void, right *event.Event) {
		void, right = event.New(event.KindVoid, "hazel-end", "", on), add(wrong.Kind, wrong.On)
		void.ID, void.Data = uuid.New(), &event.Void{Event: wrong.ID, Reason: "another cow"}
		right.Replaces = wrong.ID
		return void, right
	}
	early, late := add(event.KindHeat, last-3), add(event.KindHeat, last-1)
	void1, right1 := correct(early, last-2)
	void2, right2 := correct(late, last)
	walk, stands := event.New(event.KindWalk, "hazel-end", "", last), add(event.KindArrival, last-9)
	walk.Data, stands.Data = &event.Walk{Pen: "p1"}, &event.Arrival{Pen: "p1"}
	morning, bred := add(event.KindHeat, last), add(event.KindBreeding, last)
	morning.Data, bred.Data = &event.Heat{}, &event.Breeding{}
	other := add(event.KindCalving, last)
	void3, right3 := correct(morning, last)
	list := []*event.Event{stands, early, void1, right1, late, void2, right2, walk, morning, bred, other, void3, right3}
	var got []*event.Event
	for e := range untilNoon(func(yield func(event.Date, *event.Event) bool) {
		for _, e := range list {
			if !yield(last, e) {
				return
			}
		}
	}, last) {
		got = append(got, e)
	}
	if want := []*event.Event{stands, early, void1, right1, late, walk, morning}; !slices.Equal(got, want) {
		t.Errorf("%d events, want %d", len(got), len(want))
	}
}

// tourCommands are the command lines of the printed tour: what is indented by
// two.
func tourCommands(tour string) []string {
	var list []string
	for l := range strings.Lines(tour) {
		if c, ok := strings.CutPrefix(l, "  "); ok {
			list = append(list, strings.TrimSpace(c))
		}
	}
	return list
}

// Everything that the tour prints works when it is pasted, in one shell, in the
// order printed.
func TestTour(t *testing.T) { //nolint:paralleltest // it records and takes back a round, which others would see come and go
	s := demo(t)
	tour := s.out.String()
	_, tour, ok := strings.Cut(tour, "byrelog runs at ")
	if !ok {
		t.Fatalf("no tour in\n%s", s.out)
	}
	contains(t, tour, "alder-row, mill-lane, north-meadow", s.dir, s.base+"/docs", s.base+"/openapi.yaml")
	commands := tourCommands(tour)
	if len(commands) < 11 {
		t.Fatalf("only %d commands in the tour\n%s", len(commands), tour)
	}
	// The tour's own folder is the clone: bin/byrelog lies in it.
	dir := t.TempDir()
	link := exec.Command("ln", "-s", filepath.Dir(binary), filepath.Join(dir, "bin"))
	if out, err := link.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var script strings.Builder
	for i, c := range commands {
		if strings.HasPrefix(c, "curl ") {
			c = strings.Replace(c, "curl ", "curl --fail ", 1)
			if _, err := exec.LookPath("curl"); err != nil {
				continue // TestTourAddresses asks for the same
			}
		}
		script.WriteString(c + "\ncode=$?\necho \"== " + string(rune('A'+i)) + " $code\"\n[ $code = 0 ] || exit 1\n")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	bash := exec.CommandContext(ctx, "bash")
	bash.Dir, bash.Env, bash.Stdin = dir, cleanEnv(), strings.NewReader(script.String())
	out, err := bash.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s\n%s", err, script.String(), out)
	}
	if !strings.Contains(tour, "felt in heat") || !strings.Contains(tour, "straw 17") {
		t.Errorf("the tour's round has no cow\n%s", tour)
	}
	contains(t, string(out), "events would be recorded", "events recorded, 0 there already", "withdrawn: ", "walk.html is written", "diagnose.csv is written", "pregnancy_risk_21d", "days_open", "0 events would be appended", "alder-row.csv is sound", "service", `"animal":`)
	cow := regexp.MustCompile(`animal show alder-row (\S+)`).FindStringSubmatch(tour)
	if cow == nil || cow[1] == "…" {
		t.Fatalf("the tour names no cow:\n%s", tour)
	}
	contains(t, string(out), cow[1]+" of alder-row on ")
	period := regexp.MustCompile(`indices alder-row (--from \S+ --to \S+)\n`).FindStringSubmatch(tour)
	if period == nil {
		t.Fatalf("the tour asks for no indices:\n%s", tour)
	}
	for _, h := range []string{"alder-row", "mill-lane", "north-meadow"} {
		if text := s.call(strings.Fields("indices " + h + " " + period[1] + " --json")...).must(t); strings.Contains(text, `"provisional": true`) || strings.Contains(text, `"provisional":true`) || !strings.Contains(text, `"provisional"`) {
			t.Errorf("figures of %s are provisional in the tour's period, %s", h, period[1])
		}
	}
}

// The addresses of the tour answer.
func TestTourAddresses(t *testing.T) {
	t.Parallel()
	s := demo(t)
	found := regexp.MustCompile(`http://[^\s"]+/[^\s"]+`).FindAllString(s.out.String(), -1)
	if len(found) != 4 {
		t.Fatalf("4 addresses are expected in the tour, found %q", found)
	}
	for _, u := range found {
		if body := s.get(t, strings.TrimPrefix(u, s.base)); len(body) == 0 {
			t.Errorf("%s is empty", u)
		}
	}
}

// A second demo on the same folder is told who has it; the first goes on.
func TestDemoTwice(t *testing.T) {
	t.Parallel()
	s := demo(t)
	r := call{args: []string{"demo", "--years", "2", "--data-dir", s.dir, "--listen", "127.0.0.1:0"}}.run(t)
	if r.code != exitRefused {
		t.Errorf("exit code %d", r.code)
	}
	contains(t, r.err, "is in use by process", "stop that one first, or give another folder")
	s.call("herd", "list").must(t)
}

// A demo that was killed while its herds were made goes on with them, and one
// that is started again makes none twice.
func TestDemoGoesOn(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("makes the herds of the demo a second time")
	}
	whole := demo(t)
	dir := filepath.Join(folder(t), "demo")
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	args := []string{"demo", "--years", "2", "--data-dir", dir, "--listen", "127.0.0.1:0"}
	first := call{args: args}.command(ctx)
	out := newOutput()
	first.Stdout, first.Stderr = out, out
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	for !strings.Contains(out.String(), "Inventing mill-lane") {
		select {
		case <-out.news:
		case <-ctx.Done():
			t.Fatalf("the demo does not begin\n%s", out)
		}
	}
	time.Sleep(300 * time.Millisecond)
	_ = first.Process.Kill()
	_ = first.Wait()

	second, err := launch(call{args: args}, dir, tourBase, func(s *server) *output { return s.out })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(second.kill)
	if strings.Contains(second.out.String(), "Inventing alder-row") {
		t.Errorf("alder-row was made twice\n%s", second.out)
	}
	second.token = tourToken.FindStringSubmatch(second.out.String())[1]
	// What the undisturbed one said it made: a round of the tour may have come to it since.
	got := second.seqs(t)
	made := regexp.MustCompile(`Inventing (\S+): .* (\d+) events in`).FindAllStringSubmatch(whole.out.String(), -1)
	if len(made) != 3 {
		t.Fatalf("the demo made %q", made)
	}
	for _, m := range made {
		if fmt.Sprint(got[m[1]]) != m[2] {
			t.Errorf("%s: the interrupted demo has %d events, an undisturbed one %s", m[1], got[m[1]], m[2])
		}
	}
	contains(t, second.call("verify", "--herd", "mill-lane").must(t), "is sound")
	if code, took := second.stop(t); code != 0 || took > 25*time.Second {
		t.Errorf("SIGTERM: exit code %d after %v", code, took)
	}
}

// seqs are how far the logs have come.
func (s *server) seqs(t *testing.T) map[string]int64 {
	t.Helper()
	var answer struct {
		Heads []struct {
			Herd string
			Seq  int64
		}
	}
	parse(t, s.call("herd", "list", "--json").must(t), &answer)
	m := map[string]int64{}
	for _, h := range answer.Heads {
		m[h.Herd] = h.Seq
	}
	return m
}

func parse(t *testing.T, text string, into any) {
	t.Helper()
	dec := json.NewDecoder(bytes.NewReader([]byte(text)))
	if err := dec.Decode(into); err != nil {
		t.Fatalf("%v in\n%.500s", err, text)
	}
	if dec.More() {
		t.Fatalf("more than one JSON value in\n%.500s", text)
	}
}
