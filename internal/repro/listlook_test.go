package repro_test

import (
	"errors"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// Who should be in heat every three weeks and was not seen so. A normal interval is 18
// to 24 days (S52); the waiting period of the stories is 50 days.
func TestNotSeenList(t *testing.T) {
	const on = "2024-04-22"
	fresh := func() *story { return tell(t).calved("1", "2024-01-01") }
	stopped := fresh()
	stopped.add("1", "2024-02-01", &event.BreedingStop{})
	dry := fresh()
	dry.add("1", "2024-04-01", &event.DryOff{})
	lost := fresh().bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35)
	lost.add("1", "2024-04-10", &event.PregnancyLoss{})
	for _, w := range []struct {
		name, rows, left string
		days             int
		s                *story
	}{
		{"never", "1:no_heat_ever", "", 0, fresh()},
		{"the last day of the waiting period", "", "", 0, tell(t).calved("1", "2024-03-04")},
		{"the first day after it", "1:no_heat_ever", "", 0, tell(t).calved("1", "2024-03-03")},
		{"a heat 23 days ago", "", "", 0, fresh().heat("1", "2024-03-30", event.InHeat)},
		{"a heat 24 days ago", "1:no_heat_since", "", 0, fresh().heat("1", "2024-03-29", event.InHeat)},
		{"felt in heat 23 days ago", "", "", 0, fresh().palpated("1", "2024-03-30", event.InHeat)},
		{"suspect yesterday", "1:no_heat_ever", "", 0, fresh().heat("1", "2024-04-21", event.Suspect)},
		{"within 40 days", "", "", 40, fresh().heat("1", "2024-03-29", event.InHeat)},
		{"a heat of the lactation before", "1:no_heat_ever", "", 200, tell(t).heat("1", "2023-12-20", event.InHeat).calved("1", "2024-01-01")},
		{"bred, result not known", "", "", 0, fresh().bred("1", "2024-03-01")},
		{"bred and pregnant", "", "", 0, fresh().bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35)},
		{"bred and open", "", "open_not_seen=1", 0, fresh().bred("1", "2024-03-01").open("1", "2024-04-05")},
		{"bred and lost", "", "open_not_seen=1", 0, lost},
		{"not to be bred", "", "stopped_not_seen=1", 0, stopped},
		{"dry", "", "", 0, dry},
		{"a heifer of 396 days", "1:no_heat_ever", "", 0, tell(t).born("1", "2023-03-23")},
		{"a heifer of 395 days", "", "", 0, tell(t).born("1", "2023-03-24")},
		{"calving not recorded", "", "wait_not_known=1", 0, tell(t).heat("1", "2024-01-01", event.NotInHeat)},
	} {
		t.Run(w.name, func(t *testing.T) {
			l := list(t, w.s.until(on).herd(), repro.ListNotSeen, on, "", w.days)
			equal(t, "rows", rows(l), w.rows)
			equal(t, "left out", left(l), w.left)
		})
	}
	r := list(t, fresh().heat("1", "2024-03-29", event.InHeat).until(on).herd(), repro.ListNotSeen, on, "", 0).Rows[0]
	equal(t, "text", r.Text, "112 days in milk, and last seen in heat 24 days ago (2024-03-29)")
	equal(t, "last heat", r.Since, day("2024-03-29"))
}

// From the fourth service on, unless the herd says otherwise: common practice.
func TestRepeatList(t *testing.T) {
	const on = "2024-06-30"
	services := []string{"2024-03-01", "2024-03-22", "2024-04-12", "2024-06-10"}
	bred := func(n int) *story { return tell(t).calved("1", "2024-01-01").bred("1", services[:n]...) }
	stopped := bred(4)
	stopped.add("1", "2024-06-20", &event.BreedingStop{})
	for _, w := range []struct {
		name, rows, left string
		days, from       int
		s                *story
	}{
		{"three, result not known", "", "", 0, 4, bred(3)},
		{"three did not hold", "1:repeat_open", "", 0, 4, bred(3).open("1", "2024-05-20")},
		{"two did not hold", "", "", 0, 4, bred(2).open("1", "2024-05-20")},
		{"four, result not known", "1:repeat_bred", "", 0, 4, bred(4)},
		{"four, the policy says the third", "1:repeat_bred", "", 0, 3, bred(3)},
		{"four, the policy says the fifth", "", "", 0, 5, bred(4)},
		{"pregnant to the third", "", "", 0, 4, bred(3).pregnant("1", "2024-05-20", 38)},
		{"not to be bred", "", "stopped_repeat=1", 0, 4, stopped},
		{"bred within 20 days", "1:repeat_bred", "", 20, 4, bred(4)},
		{"bred within 19 days", "", "bred_before=1", 19, 4, bred(4)},
		{"of the lactation before", "", "", 0, 4, bred(4).calved("1", "2024-06-29")},
	} {
		t.Run(w.name, func(t *testing.T) {
			p := repro.DefaultPolicy()
			p.RepeatBreederFrom = w.from
			l := list(t, w.s.until(on).herd().WithPolicies(repro.Policies{{Policy: p}}), repro.ListRepeat, on, "", w.days)
			equal(t, "rows", rows(l), w.rows)
			equal(t, "left out", left(l), w.left)
		})
	}
	r := list(t, bred(4).until(on).herd(), repro.ListRepeat, on, "", 0).Rows[0]
	equal(t, "text", r.Text, "bred 4 times in this lactation, last 20 days ago (2024-06-10), result not known")
	r = list(t, bred(3).open("1", "2024-05-20").until(on).herd(), repro.ListRepeat, on, "", 0).Rows[0]
	equal(t, "text", r.Text, "bred 3 times in this lactation, last on 2024-04-12, and not pregnant: diagnosed open (2024-05-20); the next is her 4th service")
}

// Losses that nobody has looked at.
func TestLossesList(t *testing.T) {
	const on = "2024-06-30"
	carried := func() *story {
		return tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35)
	}
	seen := func() *story {
		s := carried()
		s.add("1", "2024-06-01", &event.PregnancyLoss{Seen: "abortion"})
		return s
	}
	for _, w := range []struct {
		name, rows, left string
		days             int
		s                *story
	}{
		{"recorded", "1:loss_recorded", "", 0, seen()},
		{"recorded 29 days ago, of 29 days", "1:loss_recorded", "", 29, seen()},
		{"of 28 days", "", "lost_before=1", 28, seen()},
		{"examined that day", "", "examined_since_loss=1", 0, seen().palpated("1", "2024-06-01", event.Unclear)},
		{"diagnosed since", "", "examined_since_loss=1", 0, seen().open("1", "2024-06-10")},
		{"bred since", "", "bred_since_loss=1", 0, seen().bred("1", "2024-06-20")},
		{"concluded", "1:loss_concluded", "", 0, carried().open("1", "2024-06-05")},
		{"concluded and examined since", "", "examined_since_loss=1", 0, carried().open("1", "2024-06-05").palpated("1", "2024-06-06", event.NotInHeat)},
		{"still pregnant", "", "", 0, carried()},
		{"calved since", "", "", 0, seen().calved("1", "2024-06-29")},
		{"gone", "", "", 0, seen().left("1", "2024-06-15", "other")},
	} {
		t.Run(w.name, func(t *testing.T) {
			l := list(t, w.s.until(on).herd(), repro.ListLosses, on, "", w.days)
			equal(t, "rows", rows(l), w.rows)
			equal(t, "left out", left(l), w.left)
		})
	}
	r := list(t, seen().until(on).herd(), repro.ListLosses, on, "", 0).Rows[0]
	equal(t, "text", r.Text, "she conceived and lost it 29 days ago (2024-06-01, recorded), and was not examined or bred since; it was 92 days old")
	if c := strings.Join(r.Caution, " "); !strings.Contains(c, "Pregnant women") || !strings.Contains(c, "must be reported") {
		t.Errorf("cautions %s", c)
	}
}

// Only who is due by the method asked for; of the others nothing is said.
func TestDiagnoseByMethod(t *testing.T) {
	by := func(s *story, on, method string, days int) string {
		t.Helper()
		l, err := s.until(on).herd().List(repro.ListDiagnose, day(on), repro.ListOptions{Method: method, Days: days})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range l.Rows {
			if len(r.Methods) != 1 || r.Methods[0].Method != method {
				t.Errorf("by %s on %s: %+v", method, on, r.Methods)
			}
		}
		return rows(l)
	}
	cow := func() *story { return tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01") }
	equal(t, "ultrasound on day 28", by(cow(), "2024-03-29", event.Ultrasound, 0), "1:result_unknown")
	equal(t, "by hand on day 28", by(cow(), "2024-03-29", event.ByPalpation, 0), "")
	equal(t, "by hand a week ahead", by(cow(), "2024-03-29", event.ByPalpation, 7), "1:result_unknown")
	equal(t, "second check by blood", by(cow().pregnant("1", "2024-04-05", 35), "2024-04-30", event.Blood, 0), "1:confirm")
	heifer := func() *story { return tell(t).born("1", "2022-01-01").bred("1", "2024-03-01") }
	equal(t, "milk of a heifer", by(heifer(), "2024-04-05", event.Milk, 0), "")
	equal(t, "second check by milk of a heifer", by(heifer().pregnant("1", "2024-04-05", 35), "2024-04-30", event.Milk, 0), "")
}

// The short form leaves out and counts those for whom a mark means simply no, and
// keeps every other cow of the list, in its order.
func TestShortWalk(t *testing.T) {
	const on = "2024-06-30"
	s := tell(t).calved("1", "2024-01-01"). // open
						calved("2", "2024-06-01").                                                         // waiting: a mark dates her next heat
						calved("3", "2024-01-01").bred("3", "2024-03-01").pregnant("3", "2024-04-10", 40). // 121 days: simply no
						calved("4", "2024-01-01").bred("4", "2024-05-01").pregnant("4", "2024-06-10", 40). // 60 days: examine first
						calved("5", "2024-01-01").bred("5", "2024-06-29").                                 // the same heat
						calved("6", "2024-01-01")
	s.add("6", "2024-02-01", &event.BreedingStop{})
	h := s.until(on).herd()
	whole := list(t, h, repro.ListWalk, on, "", 0)
	l, err := h.List(repro.ListWalk, day(on), repro.ListOptions{Short: true})
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "rows", rows(l), "1:open 2:waiting_period 4:pregnant")
	equal(t, "left out", left(l), "short_pregnant=1 short_same_heat=1 short_stopped=1")
	equal(t, "all", len(whole.Rows), 6)
	for _, w := range []struct {
		list string
		o    repro.ListOptions
	}{{repro.ListBreed, repro.ListOptions{Short: true}}, {repro.ListWalk, repro.ListOptions{Method: event.Blood}}, {repro.ListDiagnose, repro.ListOptions{Method: "guess"}}} {
		if _, err := h.List(w.list, day(on), w.o); !errors.Is(err, repro.ErrBadParameter) {
			t.Errorf("%s with %+v: %v", w.list, w.o, err)
		}
	}
}
