package repro_test

import (
	"slices"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func codes(e repro.Eligibility) string {
	out := make([]string, len(e.Reasons))
	for i, r := range e.Reasons {
		out[i] = r.Code
	}
	return strings.Join(out, " ")
}

func TestEligibility(t *testing.T) {
	fresh := func() *story { return tell(t).calved("1", "2024-01-01") } // waiting period of 50 days: to 02-19
	withheld := func(s *story) *story {
		s.add("1", "2024-03-30", &event.Treatment{Class: "antibiotic", MilkWithheldUntil: day("2024-04-03")})
		return s
	}
	lostAt := func(on string) *story {
		return fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).open("1", on)
	}
	programmed := func(s *story, on string) *story {
		s.add("1", on, &event.Treatment{Class: "gnrh", Program: "plan a", Step: "1"})
		return s
	}
	dry := func(s *story, on string) *story { s.add("1", on, &event.DryOff{}); return s }
	for _, w := range []struct {
		name, on string
		s        *story
		verdict  repro.Verdict
		codes    string
	}{
		{"within the waiting period", "2024-02-19", fresh(), repro.No, "waiting_period"},
		{"past the waiting period", "2024-02-20", fresh(), repro.WhenInHeat, "no_heat_reading"},
		{"in heat", "2024-04-01", fresh().heat("1", "2024-04-01", event.InHeat), repro.Yes, "in_heat"},
		{"in heat yesterday, not bred", "2024-04-02", fresh().heat("1", "2024-04-01", event.InHeat), repro.Yes, "in_heat"},
		{"suspect", "2024-04-01", fresh().heat("1", "2024-04-01", event.Suspect), repro.ExamineFirst, "suspect_heat"},
		{"suspect yesterday, nobody looked", "2024-04-02", fresh().heat("1", "2024-04-01", event.Suspect), repro.ExamineFirst, "suspect_heat"},
		{"suspect two days ago", "2024-04-03", fresh().heat("1", "2024-04-01", event.Suspect), repro.WhenInHeat, "no_heat_reading"},
		{"suspect yesterday, in heat today", "2024-04-02", fresh().heat("1", "2024-04-01", event.Suspect).heat("1", "2024-04-02", event.InHeat), repro.Yes, "in_heat"},
		{"suspect, examined: in heat", "2024-04-01", fresh().heat("1", "2024-04-01", event.Suspect).palpated("1", "2024-04-01", event.InHeat), repro.Yes, "palpated_in_heat"},
		{"suspect, examined: not", "2024-04-01", fresh().heat("1", "2024-04-01", event.Suspect).palpated("1", "2024-04-01", event.NotInHeat), repro.No, "palpated_not_in_heat"},
		{"suspect, examined: unclear", "2024-04-01", fresh().heat("1", "2024-04-01", event.Suspect).palpated("1", "2024-04-01", event.Unclear), repro.ExamineFirst, "palpated_unclear"},
		{"suspect within the waiting period", "2024-02-01", fresh().heat("1", "2024-02-01", event.Suspect), repro.No, "waiting_period suspect_heat"},
		{"read not in heat", "2024-04-01", fresh().heat("1", "2024-04-01", event.NotInHeat), repro.WhenInHeat, "read_not_in_heat"},
		{"bred today", "2024-04-01", fresh().bred("1", "2024-04-01"), repro.No, "same_heat"},
		{"bred yesterday", "2024-04-02", fresh().bred("1", "2024-04-01"), repro.No, "same_heat"},
		{"bred 10 days ago", "2024-04-11", fresh().bred("1", "2024-04-01"), repro.ExamineFirst, "short_return no_heat_reading"},
		{"bred 17 days ago, in heat", "2024-04-18", fresh().bred("1", "2024-04-01").heat("1", "2024-04-18", event.InHeat), repro.ExamineFirst, "short_return in_heat"},
		{"bred 18 days ago, in heat", "2024-04-19", fresh().bred("1", "2024-04-01").heat("1", "2024-04-19", event.InHeat), repro.Yes, "normal_return in_heat"},
		{"bred 21 days ago, suspect", "2024-04-22", fresh().bred("1", "2024-04-01").heat("1", "2024-04-22", event.Suspect), repro.ExamineFirst, "normal_return suspect_heat"},
		{"bred 24 days ago, in heat", "2024-04-25", fresh().bred("1", "2024-04-01").heat("1", "2024-04-25", event.InHeat), repro.Yes, "normal_return in_heat"},
		{"bred 25 days ago, in heat", "2024-04-26", fresh().bred("1", "2024-04-01").heat("1", "2024-04-26", event.InHeat), repro.ExamineFirst, "bred_result_unknown in_heat"},
		{"bred 40 days ago", "2024-05-11", fresh().bred("1", "2024-04-01"), repro.ExamineFirst, "off_return no_heat_reading"},
		{"bred 60 days ago, palpated in heat", "2024-05-31", fresh().bred("1", "2024-04-01").palpated("1", "2024-05-31", event.InHeat), repro.Yes, "bred_result_unknown palpated_in_heat"},
		{"bred, then diagnosed open", "2024-05-10", fresh().bred("1", "2024-04-01").open("1", "2024-05-05"), repro.WhenInHeat, "open no_heat_reading"},
		{"pregnant", "2024-06-01", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34), repro.No, "pregnant"},
		{"pregnant, suspect", "2024-06-01", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).heat("1", "2024-06-01", event.Suspect), repro.ExamineFirst, "pregnant heat_while_pregnant suspect_heat"},
		{"pregnant, in heat", "2024-06-01", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).heat("1", "2024-06-01", event.InHeat), repro.ExamineFirst, "pregnant heat_while_pregnant in_heat"},
		{"pregnant, palpated in heat", "2024-06-01", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).palpated("1", "2024-06-01", event.InHeat), repro.No, "pregnant felt_in_heat_while_pregnant"},
		{"palpated pregnant today, too early for a diagnosis", "2024-04-22", fresh().bred("1", "2024-04-01").heat("1", "2024-04-22", event.InHeat).palpated("1", "2024-04-22", event.Pregnant), repro.No, "palpated_pregnant diagnosis_too_early normal_return"},
		{"lost", "2024-06-10", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).open("1", "2024-06-01"), repro.No, "after_loss"},
		{"dry", "2024-11-10", dry(fresh().bred("1", "2024-04-01"), "2024-11-01"), repro.No, "dry bred_result_unknown"},
		{"gone", "2024-04-02", fresh().left("1", "2024-04-02", ""), repro.No, "gone"},
		{"milk withheld", "2024-04-01", withheld(fresh()), repro.WhenInHeat, "milk_withheld no_heat_reading"},
		{"heifer of 395 days", "2025-01-30", tell(t).born("1", "2024-01-01"), repro.No, "too_young"},
		{"heifer of 396 days", "2025-01-31", tell(t).born("1", "2024-01-01"), repro.WhenInHeat, "size_unknown no_heat_reading"},
		{"heifer big enough", "2025-01-31", sized(sized(tell(t).born("1", "2024-01-01"), "2025-01-20", event.No), "2025-01-31", event.Yes), repro.WhenInHeat, "no_heat_reading"},
		{"heifer too small, in heat", "2025-02-10", sized(sized(tell(t).born("1", "2024-01-01"), "2025-01-10", event.Yes), "2025-02-09", event.No).heat("1", "2025-02-10", event.InHeat), repro.No, "too_small"},
		{"heifer weighed, not judged", "2025-01-31", sized(tell(t).born("1", "2024-01-01"), "2025-01-20", event.OptBool{}), repro.WhenInHeat, "size_unknown no_heat_reading"},
		{"lost, and rested", "2024-07-01", lostAt("2024-06-01"), repro.WhenInHeat, "lost no_heat_reading"},
		{"lost, in heat while she rests", "2024-06-30", lostAt("2024-06-01").heat("1", "2024-06-30", event.InHeat), repro.No, "after_loss"},
		{"lost early", "2024-05-20", lostAt("2024-05-11"), repro.ExamineFirst, "after_loss no_heat_reading"},
		{"lost early, felt in heat", "2024-05-20", lostAt("2024-05-11").palpated("1", "2024-05-20", event.InHeat), repro.Yes, "after_loss palpated_in_heat"},
		{"lost, and bred since", "2024-07-20", lostAt("2024-06-01").bred("1", "2024-07-10"), repro.ExamineFirst, "short_return no_heat_reading"},
		{"far in calf, suspect", "2024-07-10", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).heat("1", "2024-07-10", event.Suspect), repro.No, "pregnant heat_while_pregnant suspect_heat"},
		{"pregnant, suspect and felt: not in heat", "2024-06-01", fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34).heat("1", "2024-06-01", event.Suspect).palpated("1", "2024-06-01", event.NotInHeat), repro.No, "pregnant"},
		{"felt in heat yesterday, not bred", "2024-04-02", fresh().palpated("1", "2024-04-01", event.InHeat), repro.Yes, "in_heat"},
		{"bred 60 days ago, felt in heat yesterday", "2024-05-31", fresh().bred("1", "2024-04-01").palpated("1", "2024-05-30", event.InHeat), repro.Yes, "bred_result_unknown in_heat"},
		{"a repeat breeder", "2024-06-04", fresh().bred("1", "2024-04-01").bred("1", "2024-04-22").bred("1", "2024-05-14").heat("1", "2024-06-04", event.InHeat), repro.Yes, "normal_return repeat_breeder in_heat"},
		{"in a programme", "2024-04-08", programmed(fresh(), "2024-04-01"), repro.WhenInHeat, "in_a_programme no_heat_reading"},
		{"bred in the programme", "2024-04-11", programmed(fresh(), "2024-04-01").bred("1", "2024-04-11"), repro.No, "same_heat"},
		{"a programme long ago", "2024-04-16", programmed(fresh(), "2024-04-01"), repro.WhenInHeat, "no_heat_reading"},
		{"dry and past due, in heat", "2025-01-20", dry(fresh().bred("1", "2024-04-01").pregnant("1", "2024-05-05", 34), "2024-11-01").heat("1", "2025-01-20", event.InHeat), repro.No, "pregnant heat_while_pregnant dry calving_missing"},
	} {
		t.Run(w.name, func(t *testing.T) {
			e, ok := w.s.until(w.on).herd().Eligibility("1", day(w.on))
			if !ok {
				t.Fatal("not found")
			}
			equal(t, "verdict", e.Verdict, w.verdict)
			equal(t, "reasons", codes(e), w.codes)
			suspected := strings.Contains(w.codes, "suspect_heat") && w.verdict != repro.No
			if want := suspected || w.verdict == repro.ExamineFirst; (len(e.Examine) == 3) != want {
				t.Errorf("examine %v", e.Examine)
			}
			if suspected && !strings.Contains(e.Reasons[len(e.Reasons)-1].Text, "pregnant? uterine tone? mucus?") {
				t.Errorf("text %q", e.Reasons[len(e.Reasons)-1].Text)
			}
			if w.verdict != repro.No && len(e.Caution) == 0 {
				t.Error("no caution")
			}
		})
	}
}

// Standing again in the same heat: the herd's own choice, by the hours between.
func TestStandingAgain(t *testing.T) {
	for _, w := range []struct {
		name         string
		after        int
		bredAt, seen string // times of day; "" = not known
		signs        []string
		verdict      repro.Verdict
		code         string
	}{
		{"never", 0, "07:00", "18:00", []string{"standing"}, repro.No, "same_heat"},
		{"late enough", 24, "07:00", "07:00", []string{"standing"}, repro.Yes, "standing_again"},
		{"too soon", 25, "07:00", "07:59", []string{"standing"}, repro.No, "same_heat"},
		{"a time not known counts days", 24, "", "06:00", []string{"standing"}, repro.Yes, "standing_again"},
		{"chalk alone is no standing heat", 20, "07:00", "18:00", nil, repro.No, "same_heat"},
	} {
		s := tell(t).calved("1", "2024-01-01").bred("1", "2024-04-01")
		s.events[len(s.events)-1].At = w.bredAt
		s.add("1", "2024-04-02", &event.Heat{Verdict: event.InHeat, Signs: w.signs, FoundBy: "chalk"}).At = w.seen
		p := repro.DefaultPolicy()
		p.RebreedAfterHours = w.after
		h := s.until("2024-04-02").herd().WithPolicies(repro.Policies{{Policy: p}})
		e, _ := h.Eligibility("1", day("2024-04-02"))
		equal(t, w.name, e.Verdict, w.verdict)
		equal(t, w.name+": reason", e.Reasons[0].Code, w.code)
		equal(t, w.name+": on the list", len(list(t, h, repro.ListBreed, "2024-04-02", "", 0).Rows), map[repro.Verdict]int{repro.Yes: 1}[w.verdict])
	}
}

func TestEligibilityOfOthers(t *testing.T) {
	s := tell(t)
	s.add("1", "2024-01-01", &event.Arrival{How: event.Purchased, Sex: event.Male})
	h := s.until("2024-02-01").herd()
	e, ok := h.Eligibility("1", day("2024-02-01"))
	equal(t, "male", e.Verdict, repro.No)
	equal(t, "male, reasons", codes(e), "not_female")
	equal(t, "male, found", ok, true)
	e, ok = h.Eligibility("99", day("2024-02-01"))
	equal(t, "unknown", e.Verdict, repro.No)
	equal(t, "unknown, reasons", codes(e), "unknown_animal")
	equal(t, "unknown, found", ok, false)
	e, ok = h.Eligibility("1", day("2023-12-31"))
	equal(t, "before she came", codes(e), "unknown_animal")
	equal(t, "before she came, found", ok, false)
}

// A policy holds from its date on; the days before keep the old one.
func TestDatedPolicy(t *testing.T) {
	short, long := repro.DefaultPolicy(), repro.DefaultPolicy()
	short.WaitFirst, short.WaitLater = 50, 50
	long.WaitFirst, long.WaitLater = 80, 80
	s := tell(t).calved("1", "2024-01-01").calved("2", "2024-02-01").until("2024-12-01")
	h := fold(s.events, repro.Policies{{From: day("2023-01-01"), Policy: short}, {From: day("2024-03-01"), Policy: long}})
	for on, want := range map[string]repro.Verdict{
		"2024-02-19": repro.No, "2024-02-20": repro.WhenInHeat, "2024-02-29": repro.WhenInHeat, // under the old policy
		"2024-03-01": repro.No, "2024-03-20": repro.No, "2024-03-21": repro.WhenInHeat, // day 80 under the new one
	} {
		e, _ := h.Eligibility("1", day(on))
		equal(t, on, e.Verdict, want)
	}
	p := repro.Params{From: day("2024-02-12"), To: day("2024-03-24"), On: day("2024-12-01"), Anchor: day("2024-02-12")}
	a := ask(t, h, "insemination_risk_21d", p)
	var got []string
	for _, e := range a.Evidence {
		got = append(got, e.Animal+":"+e.From.String()+":"+show(e.Days))
	}
	// 1 was at risk from 02-20 to 02-29 (10 days), which is less than half of
	// the window, and from 03-21 to 03-24 (4 days of the next).
	want := []string{"1:2024-02-12:10", "1:2024-03-04:4"}
	if !slices.Equal(got, want) {
		t.Errorf("risk days %v, want %v", got, want)
	}
}

func TestStatus(t *testing.T) {
	s := tell(t).born("1", "2022-01-01").bred("1", "2023-03-01").pregnant("1", "2023-04-05", 35).calved("1", "2023-12-05")
	s.bred("1", "2024-02-20").pregnant("1", "2024-03-26", 35)
	s.add("1", "2024-10-01", &event.DryOff{})
	h := s.left("1", "2024-12-20", "").until("2024-12-31").herd()
	for on, want := range map[string]string{
		"2022-06-01": repro.StatusCalf, "2023-02-01": repro.StatusHeifer, "2023-03-15": repro.StatusBred, "2023-05-01": repro.StatusPregnant,
		"2023-12-05": repro.StatusFresh, "2024-01-23": repro.StatusFresh, "2024-01-24": repro.StatusOpen, "2024-02-20": repro.StatusBred,
		"2024-04-01": repro.StatusPregnant, "2024-10-01": repro.StatusDry, "2024-12-19": repro.StatusDry, "2024-12-20": repro.StatusGone,
	} {
		equal(t, on, look(t, h, "1", on).Status.Code, want)
	}
	equal(t, "the list says the same", h.Animals(day("2024-04-01"))[0].Status.Code, repro.StatusPregnant)
	v := look(t, h, "1", "2024-04-01")
	var next []string
	for _, n := range v.Next {
		next = append(next, n.What+" "+n.On.String())
	}
	// 2024-02-20 + 60; + 280 - 60; + 280.
	if want := []string{"confirm 2024-04-20", "dry_off 2024-09-27", "calve 2024-11-26"}; !slices.Equal(next, want) {
		t.Errorf("next %v, want %v", next, want)
	}
}

// sized records what was judged of heifer 1 on a day.
func sized(s *story, on string, big event.OptBool) *story {
	s.add("1", on, &event.Size{BigEnough: big, WeightKG: event.Int(360)})
	return s
}
