package report_test

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/report"
	"byrelog.example/internal/repro"
)

func day(s string) event.Date {
	d, err := event.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// herd makes a fold of cows that calved, each in a pen and in one of the
// states that the lists tell apart.
func herd(names []string, pen string) *repro.Herd {
	p := repro.DefaultPolicy()
	p.OpenMark, p.BredMark = "yellow", "blue"
	h := repro.NewHerd("alder-row", repro.Policies{{Policy: p}})
	var facts []repro.Fact
	add := func(kind event.Kind, animal, on string, d event.Data) {
		e := event.New(kind, "alder-row", animal, day(on))
		e.ID, e.Data = uuid.NewSHA1(uuid.Nil, fmt.Append(nil, len(facts))), d
		facts = append(facts, repro.Fact{Event: e, Seq: int64(len(facts) + 1)})
	}
	for i, c := range names {
		add(event.KindArrival, c, "2026-01-01", &event.Arrival{How: event.Purchased, Pen: pen, Parity: event.Int(1)})
		add(event.KindCalving, c, "2026-08-01", &event.Calving{})
		switch i % 5 {
		case 0:
			add(event.KindHeat, c, "2026-11-25", &event.Heat{Verdict: event.InHeat})
		case 1:
			add(event.KindBreeding, c, "2026-11-04", &event.Breeding{Method: event.AI, Sire: "S-1"})
		case 2:
			add(event.KindBreeding, c, "2026-10-01", &event.Breeding{Method: event.AI})
		case 3:
			add(event.KindHeat, c, "2026-11-25", &event.Heat{Verdict: event.Suspect, Chalk: event.Disturbed})
		default:
			add(event.KindBreeding, c, "2026-10-01", &event.Breeding{Method: event.AI})
			add(event.KindPregnancyDiagnosis, c, "2026-11-10", &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant, DaysPregnant: event.Int(40)})
		}
	}
	h.Apply(facts)
	return h
}

// move puts a cow into another pen after all that is recorded.
func move(h *repro.Herd, animal, pen string) {
	e := event.New(event.KindMove, "alder-row", animal, day("2026-11-25"))
	e.ID, e.Data = uuid.NewSHA1(uuid.Nil, fmt.Append(nil, animal, pen)), &event.Move{Pen: pen}
	h.Apply([]repro.Fact{{Event: e, Seq: h.Seq() + 1}})
}

func print(t interface{ Fatal(...any) }, h *repro.Herd, name string) (string, *repro.List) {
	l, err := h.List(name, day("2026-11-25"), repro.ListOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := report.List(&b, &l, report.Options{AsOf: "log up to seq 12"}); err != nil {
		t.Fatal(err)
	}
	return b.String(), &l
}

// The walk of a day on the screen, written out.
func TestWalk(t *testing.T) {
	got, _ := print(t, herd([]string{"0412", "0388", "7", "12", "31"}, "south"), repro.ListWalk)
	want := `alder-row: heat walk, Wednesday 2026-11-25, all pens
open cows are marked yellow; bred cows are marked blue; log up to seq 12

                             days  times               days                         if read
number  pen    lactation  in milk   bred  last bred   since  mark    why            in heat
7       south          2      116      1  2026-10-01     55  blue    state unknown  examine first
12      south          2      116                            yellow  open           breed
31      south          2      116      1  2026-10-01     55  blue    pregnant       examine first
0388    south          2      116      1  2026-11-04     21  blue    return 18-24   breed
0412    south          2      116                            yellow  open           breed

5 animals.
`
	if !strings.HasPrefix(got, want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Every list fits the screen, names every animal in full, and carries title, date and
// cautions once.
func TestListsFitTheScreen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[0-9]{1,4}|[A-Z][a-zé -]{0,30}[0-9]`), 1, 150, rapid.ID).Draw(t, "names")
		h := herd(names, rapid.SampledFrom([]string{"", "south", strings.Repeat("north ", 5) + "é"}).Draw(t, "pen"))
		for _, d := range repro.Lists() {
			got, l := print(t, h, d.Name)
			if !strings.HasPrefix(got, "alder-row: "+strings.ToLower(d.Title)+", Wednesday 2026-11-25") {
				t.Fatalf("%s:\n%s", d.Name, got)
			}
			for line := range strings.Lines(got) {
				if utf8.RuneCountInString(line) > report.Width+1 {
					t.Fatalf("%s: a line of %d: %s", d.Name, utf8.RuneCountInString(line), line)
				}
			}
			for _, r := range l.Rows {
				if r.Animal != "" && !strings.Contains(got, "\n"+r.Animal) {
					t.Fatalf("%s: %s is missing or cut:\n%s", d.Name, r.Animal, got)
				}
			}
			flat := strings.Join(strings.Fields(got), " ")
			for _, c := range l.Caution {
				if strings.Count(flat, strings.Join(strings.Fields(c), " ")) != 1 {
					t.Fatalf("%s: not once the caution %q:\n%s", d.Name, c, got)
				}
			}
		}
	})
}

func TestEmptyList(t *testing.T) {
	got, _ := print(t, herd(nil, ""), repro.ListCalve)
	for _, want := range []string{"alder-row: due to calve, ", "No animals.", "Caution: Calvings and abortions"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}
