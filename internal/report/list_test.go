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

// The page of a day's walk, written out.
func TestWalkPage(t *testing.T) {
	got, _ := print(t, herd([]string{"0412", "0388", "7", "12", "31"}, "south"), repro.ListWalk)
	want := `alder-row | HEAT WALK | Wednesday 2026-11-25 | all pens                              page 1 of 1
open cows are marked yellow; bred cows are marked blue; log up to seq 12

    number  pen    lact  milk  last bred   days  mark    why            if rubbed
------------------------------------------------------------------------------------------------
[ ] 7       south     2   116  2026-10-01    55  blue    state unknown  EXAMINE FIRST
[ ] 12      south     2   116                    yellow  open           breed
[ ] 31      south     2   116  2026-10-01    55  blue    pregnant       EXAMINE FIRST
[ ] 0388    south     2   116  2026-11-04    21  blue    return 18-24   breed
[ ] 0412    south     2   116                    yellow  open           breed
------------------------------------------------------------------------------------------------
5 animals.
`
	if !strings.HasPrefix(got, want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if n := strings.Count(got, "\n"); n > report.Height {
		t.Errorf("%d lines do not fit on a sheet", n)
	}
}

// Every list fits the paper, names every animal in full, and carries title,
// date and cautions.
func TestPagesFitThePaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[0-9]{1,4}|[A-Z][a-zé -]{0,30}[0-9]`), 1, 150, rapid.ID).Draw(t, "names")
		h := herd(names, rapid.SampledFrom([]string{"", "south", strings.Repeat("north ", 5) + "é"}).Draw(t, "pen"))
		for _, d := range repro.Lists() {
			got, l := print(t, h, d.Name)
			pages := strings.Split(got, "\f\n")
			for i, page := range pages {
				lines := strings.Split(strings.TrimSuffix(page, "\n"), "\n")
				if len(lines) > report.Height || !strings.HasPrefix(page, "alder-row | "+strings.ToUpper(d.Title)) || !strings.Contains(page, "2026-11-25") ||
					!strings.Contains(page, fmt.Sprintf("page %d of %d", i+1, len(pages))) {
					t.Fatalf("%s, page %d of %d lines:\n%s", d.Name, i+1, len(lines), page)
				}
				for _, line := range lines {
					if utf8.RuneCountInString(line) > report.Width {
						t.Fatalf("%s: a line of %d: %s", d.Name, utf8.RuneCountInString(line), line)
					}
				}
			}
			for _, r := range l.Rows {
				if r.Animal != "" && !strings.Contains(got, "[ ] "+r.Animal) {
					t.Fatalf("%s: %s is missing or cut:\n%s", d.Name, r.Animal, got)
				}
			}
			flat := strings.Join(strings.Fields(got), " ")
			for _, c := range l.Caution {
				if !strings.Contains(flat, strings.Join(strings.Fields(c), " ")) && len(pages) == 1 {
					t.Fatalf("%s: no caution %q:\n%s", d.Name, c, got)
				}
			}
		}
	})
}

func TestEmptyPage(t *testing.T) {
	got, _ := print(t, herd(nil, ""), repro.ListCalve)
	for _, want := range []string{"DUE TO CALVE", "No animals.", "! Calvings and abortions"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}
