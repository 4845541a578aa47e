package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
)

// large is an export of an invented herd, enough for some ten transactions of an
// import, for any herd's name.
type large struct {
	export string
	events int64
}

var (
	largeOnce sync.Once
	largeMade large
)

// largeExport makes it once: an undisturbed passage, which the others are held
// against.
func largeExport(t *testing.T) large {
	t.Helper()
	s := work(t)
	largeOnce.Do(func() {
		herd := s.herd(t, "kill-source")
		c := s.call("events", "append", herd, "-")
		c.in = strings.NewReader(invent(t, herd, "380", "3"))
		c.must(t)
		l := large{export: s.call("export", herd).must(t)}
		l.events = int64(len(stated(t, l.export)) - 2)
		largeMade = l
	})
	if largeMade.events < 20_000 {
		t.Fatalf("only %d events could be made", largeMade.events)
	}
	return largeMade
}

// of is the export as one of another herd.
func (l large) of(herd string) string {
	return strings.ReplaceAll(l.export, ",kill-source,", ","+herd+",")
}

func (s *server) seq(ctx context.Context, herd string) (int64, error) {
	code, body, err := s.ask(ctx, "/v1/herds/"+herd+"/head")
	if err != nil {
		return 0, err
	}
	var head struct{ Seq *int64 }
	if err := json.Unmarshal(body, &head); err != nil || head.Seq == nil {
		return 0, fmt.Errorf("head: %d %s", code, body)
	}
	return *head.Seq, nil
}

// importJob is what the service says of an import.
type importJob struct {
	State      string
	Error      *string
	FinishedAt *string `json:"finished_at"`
	Problems   []struct {
		Line           int
		Column, Detail string
	}
	Counts tally
}

func (s *server) imports(t *testing.T, herd string) []importJob {
	t.Helper()
	var list struct{ Items []importJob }
	parse(t, string(s.get(t, "/v1/herds/"+herd+"/imports")), &list)
	return list.Items
}

// settled waits until no import of the herd is under way.
func (s *server) settled(t *testing.T, herd string) []importJob {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		list := s.imports(t, herd)
		if !slices.ContainsFunc(list, func(j importJob) bool { return j.FinishedAt == nil }) {
			return list
		}
		if time.Now().After(deadline) {
			t.Fatalf("after a minute the imports are %+v\n%s", list, s.told())
		}
	}
}

func number64(t *testing.T, name string, otherwise int64) int64 {
	t.Helper()
	v := os.Getenv(name)
	if v == "" {
		return otherwise
	}
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return n
}

// SIGKILL in the middle of an import, at a random point: nothing is lost, nothing
// doubled, and the service goes on with the import by itself.
//
// BYRELOG_KILL_TRIALS sets how often, BYRELOG_KILL_SEED the points.
func TestKillDuringImport(t *testing.T) {
	t.Parallel()
	l := largeExport(t)
	seed := number64(t, "BYRELOG_KILL_SEED", time.Now().UnixNano()%1_000_000)
	t.Logf("BYRELOG_KILL_SEED=%d", seed)
	random := rand.New(rand.NewPCG(uint64(seed), 1))
	dir := filepath.Join(folder(t), "killed")
	s := mustServe(t, dir)
	token := s.token
	for i := range number64(t, "BYRELOG_KILL_TRIALS", 3) {
		herd := fmt.Sprintf("kill-%d", i)
		s.herd(t, herd)
		file := write(t, t.TempDir(), "large.csv", l.of(herd))
		// One trial in four falls into the upload or the very beginning; an import is
		// over some 3,000 events after the last one that is waited for.
		from := int64(random.Float64()*float64(l.events)) - l.events/4
		pause := time.Duration(random.IntN(80)) * time.Millisecond
		if i == 0 {
			from = max(from, 1) // at least one is killed among its events
		}
		seen := s.killImport(t, herd, file, from, pause)
		t.Logf("trial %d: killed %v after %d events were in, wanted from %d on", i, pause, seen, from)

		s = mustServe(t, dir)
		s.token = token
		jobs := s.settled(t, herd)
		there, err := s.seq(t.Context(), herd)
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case there < seen:
			t.Errorf("trial %d: %d events were in the log before the kill, %d after", i, seen, there)
		case len(jobs) == 0:
			if there != 0 {
				t.Errorf("trial %d: %d events of no import", i, there)
			}
		case len(jobs) > 1:
			t.Errorf("trial %d: one file was sent, the imports are %+v", i, jobs)
		case jobs[0].State == "done":
			if want := (tally{Rows: l.events, Events: l.events, Appended: l.events}); jobs[0].Counts != want || there != l.events {
				t.Errorf("trial %d: the import went on to %+v, with %d events in the log; the file has %d", i, jobs[0], there, l.events)
			}
		case jobs[0].State == "failed":
			if there != 0 || jobs[0].Error == nil || !strings.Contains(*jobs[0].Error, "send the file again") {
				t.Errorf("trial %d: an upload that broke off is told as %+v, with %d events in the log", i, jobs[0], there)
			}
		default:
			t.Errorf("trial %d: %+v", i, jobs)
		}

		again := s.takeIn(t, 0, herd, file)
		if again.Appended != l.events-there || again.AlreadyThere != there {
			t.Errorf("trial %d: %d events were there, the file sent again gave %+v", i, there, again)
		}
		s.same(t, l, herd)
	}
}

// killImport starts an import, kills the service once so many events are in, and a
// little later, and tells how many were seen.
func (s *server) killImport(t *testing.T, herd, file string, from int64, pause time.Duration) (seen int64) {
	t.Helper()
	cmd := s.call("import", herd, file).command(t.Context())
	errs := newOutput()
	cmd.Stdout, cmd.Stderr = errs, errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(time.Minute); seen < from; {
		if jobs := s.imports(t, herd); len(jobs) > 0 && jobs[0].FinishedAt != nil {
			if jobs[0].Counts.Refused > 0 {
				t.Fatalf("the import took not all: %.2000s", fmt.Sprintf("%+v", jobs))
			}
			break // it was quicker
		}
		n, err := s.seq(t.Context(), herd)
		if err != nil {
			t.Fatal(err)
		}
		seen = n
		if time.Now().After(deadline) {
			t.Fatalf("after a minute %d events are in, %d are wanted; %+v\n%s%s", seen, from, s.imports(t, herd), errs.String(), s.told())
		}
		time.Sleep(time.Millisecond)
	}
	time.Sleep(pause)
	s.kill()
	if cmd.Wait() == nil {
		return seen // the import had ended before
	}
	broken := strings.Contains(errs.String(), "appends only what is missing")
	if seen == 0 {
		broken = broken || strings.Contains(errs.String(), "no service answers") // killed before it was asked
	}
	if !broken || strings.Count(errs.String(), "\n") != 1 {
		t.Errorf("the command says\n%s", errs.String())
	}
	return seen
}

// same holds a herd's log against the undisturbed one: the same events in the same
// order under the same numbers, and a sound chain.
func (s *server) same(t *testing.T, l large, herd string) {
	t.Helper()
	contains(t, s.call("verify", "--herd", herd).must(t), fmt.Sprintf("is sound: %d events of %s", l.events, herd))
	got, want := stated(t, s.call("export", herd).must(t)), stated(t, l.of(herd))
	if len(got) != len(want) {
		t.Fatalf("%d records, and %d of an undisturbed import", len(got), len(want))
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("record %d is\n%q\nand of an undisturbed import\n%q", i, got[i], want[i])
		}
	}
}

// post appends one event and tells whether the service said that it is stored.
func (s *server) post(ctx context.Context, herd string, id uuid.UUID) (bool, error) {
	body := fmt.Sprintf(`{"id":%q,"kind":"move","on":"2026-01-01","animal":"1","data":{"pen":"a"}}`, id)
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.base+"/v1/herds/"+herd+"/events?unknown_animals=begin", strings.NewReader(body))
	if err != nil {
		return false, err
	}
	req.Header.Set("Authorization", "Bearer "+s.token)
	req.Header.Set("Content-Type", "application/json")
	rsp, err := (&http.Client{}).Do(req)
	if err != nil {
		return false, err
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end
	if _, err := io.Copy(io.Discard, rsp.Body); err != nil {
		return false, err
	}
	return rsp.StatusCode == http.StatusCreated, nil
}

// SIGTERM while events are appended and a file comes in: code 0 within 25 seconds,
// every append that was acknowledged is in the log, the import goes on at the next start.
func TestTerminate(t *testing.T) {
	t.Parallel()
	l := largeExport(t)
	dir := filepath.Join(folder(t), "terminated")
	s := mustServe(t, dir)
	token := s.token
	herd, filed := s.herd(t, "term-herd"), s.herd(t, "term-filed")
	file := write(t, t.TempDir(), "large.csv", l.of(filed))
	cmd := s.call("import", filed, file).command(t.Context())
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var (
		mu    sync.Mutex
		acked []uuid.UUID
		count atomic.Int64
		tasks sync.WaitGroup
	)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for range 4 {
		tasks.Go(func() {
			for {
				id := uuid.New()
				ok, err := s.post(ctx, herd, id)
				if err != nil {
					return // the service has stopped
				}
				if ok {
					mu.Lock()
					acked = append(acked, id)
					mu.Unlock()
					count.Add(1)
				}
			}
		})
	}
	for count.Load() < 50 && ctx.Err() == nil {
		time.Sleep(5 * time.Millisecond)
	}
	code, took := s.stop(t)
	if code != 0 || took > 25*time.Second {
		t.Errorf("exit code %d after %v\n%s", code, took, s.errs)
	}
	tasks.Wait()
	_ = cmd.Wait() // its answer may have been cut off
	t.Logf("%d appends were acknowledged; stopped in %v", len(acked), took)
	if len(acked) < 50 {
		t.Fatalf("only %d appends were acknowledged", len(acked))
	}

	s = mustServe(t, dir)
	s.token = token
	in := map[string]int{}
	for line := range strings.Lines(s.call("events", "list", herd, "--all").must(t)) {
		var e struct{ ID string }
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		in[e.ID]++
	}
	for _, id := range acked {
		if in[id.String()] != 1 {
			t.Errorf("%s was acknowledged and is %d times in the log", id, in[id.String()])
		}
	}
	contains(t, s.call("verify", "--herd", herd).must(t), "is sound")
	s.settled(t, filed)
	s.takeIn(t, 0, filed, file)
	s.same(t, l, filed)
}
