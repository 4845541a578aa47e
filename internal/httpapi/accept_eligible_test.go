package httpapi_test

import (
	"fmt"
	"strings"
	"testing"

	"byrelog.example/api"
)

// The rules of this file are common practice, no source, where no other is
// named: indices.md 1.0 (the cow is eligible on the day on which her days in
// milk reach the waiting period), 1.14 and section 4.

// barn is a herd of one cow for each thing that bears on breeding today. The
// first lactation waits 60 days, later ones 50.
func barn(t *testing.T) *farm {
	t.Helper()
	f := newFarm(t, serve(t), "barn", `{"wait_first_days":60,"wait_later_days":50,"heifer_first_breeding_days":396}`)
	const today = barnDay
	cow := func(name string, milk int) {
		f.add(name, after(today, -milk-60), "arrival", `{"how":"purchased","sex":"female","parity":1,"pen":"pen-1"}`)
		f.calved(name, after(today, -milk))
	}
	first := func(name string, milk int) {
		f.add(name, after(today, -milk-60), "arrival", `{"how":"purchased","sex":"female","parity":0,"pen":"pen-2"}`)
		f.calved(name, after(today, -milk))
	}
	cow("dim-49", 49)
	cow("dim-50", 50)
	first("first-59", 59)
	first("first-60", 60)
	for _, n := range []int{0, 1, 5, 17, 18, 20, 24, 25, 30, 40, 60} {
		name := fmt.Sprint("bred-", n)
		cow(name, 120)
		f.bred(name, after(today, -n))
	}
	cow("found-open", 120)
	f.bred("found-open", after(today, -40)).open("found-open", after(today, -5))
	cow("pregnant", 150)
	f.bred("pregnant", after(today, -60)).pregnant("pregnant", after(today, -25), 35)
	cow("lost", 200)
	f.bred("lost", after(today, -100)).pregnant("lost", after(today, -65), 35).add("lost", after(today, -10), "pregnancy_loss", `{"seen":"abortion"}`)
	cow("stopped", 100)
	f.add("stopped", after(today, -10), "breeding_stop", fmt.Sprintf(`{"reason":"lame","until":%q}`, after(today, 10)))
	cow("stopped-for-good", 100)
	f.add("stopped-for-good", after(today, -10), "breeding_stop", `{"reason":"to be culled"}`)
	cow("resumed", 100)
	f.add("resumed", after(today, -30), "breeding_stop", `{}`).add("resumed", after(today, -1), "breeding_resume", `{}`)
	cow("sold", 100)
	f.add("sold", after(today, -3), "departure", `{"how":"sold"}`)
	cow("dry", 300)
	f.add("dry", after(today, -4), "dry_off", `{}`)
	for _, n := range []int{395, 396} {
		f.add(fmt.Sprint("heifer-", n), after(today, -n), "arrival", fmt.Sprintf(`{"how":"born","sex":"female","born_on":%q}`, after(today, -n)))
	}
	f.add("bull", after(today, -700), "arrival", `{"how":"purchased","sex":"male"}`)
	return f
}

const barnDay = "2026-05-20"

// verdict writes an answer as the tests hold it: the verdict and the codes of
// the reasons that bear on it.
func verdict(e *api.Eligibility) string {
	var codes []string
	for _, r := range e.Reasons {
		if r.Verdict != nil {
			codes = append(codes, r.Code)
		}
	}
	return string(e.Verdict) + " " + strings.Join(codes, " ")
}

func TestAcceptEligibility(t *testing.T) {
	t.Parallel()
	f := barn(t).send()
	for animal, want := range map[string]string{
		"dim-49": "no waiting_period", "dim-50": "when_in_heat no_heat_reading", // VWP - 1 and VWP
		"first-59": "no waiting_period", "first-60": "when_in_heat no_heat_reading",
		"bred-0": "no same_heat", "bred-1": "no same_heat",
		"bred-5": "examine_first short_return", "bred-17": "examine_first short_return",
		"bred-18": "examine_first normal_return", "bred-20": "examine_first normal_return", "bred-24": "examine_first normal_return",
		"bred-25": "examine_first bred_result_unknown", "bred-30": "examine_first bred_result_unknown",
		"bred-40": "examine_first off_return", "bred-60": "examine_first bred_result_unknown",
		"found-open": "when_in_heat no_heat_reading", "pregnant": "no pregnant", "lost": "no after_loss",
		"stopped": "no stopped", "stopped-for-good": "no stopped", "resumed": "when_in_heat no_heat_reading",
		"sold": "no gone", "dry": "no dry", "heifer-395": "no too_young", "heifer-396": "when_in_heat no_heat_reading", "bull": "no not_female",
	} {
		e := f.eligibility(animal, barnDay)
		same(t, animal, verdict(e), want)
		for _, r := range e.Reasons {
			if r.Text == "" || strings.Contains(r.Text, "%!") {
				t.Errorf("%s: reason %s in these words: %q", animal, r.Code, r.Text)
			}
		}
		if e.Verdict == api.ExamineFirst && len(e.Examine) == 0 {
			t.Errorf("%s: examine what?", animal)
		}
		if e.Verdict != api.No && len(e.Caution) == 0 {
			t.Errorf("%s: no caution for those who examine or breed", animal)
		}
	}
	until := func(animal string) string { return shown(f.eligibility(animal, barnDay).Reasons[0].Until) }
	same(t, "last day of the waiting period", until("dim-49"), barnDay)
	same(t, "last day of the stop", until("stopped"), after(barnDay, 10))
	same(t, "the day after the stop", verdict(f.eligibility("stopped", after(barnDay, 11))), "when_in_heat no_heat_reading")
	same(t, "the day before she left", string(f.eligibility("sold", after(barnDay, -4)).Verdict), "when_in_heat")
	same(t, "how we know", f.eligibility("pregnant", barnDay).Reasons[0].Text[:len("she is recorded as pregnant: diagnosed pregnant on "+after(barnDay, -25))],
		"she is recorded as pregnant: diagnosed pregnant on "+after(barnDay, -25))

	for _, ask := range []func() error{
		func() error {
			_, err := f.c.GetEligibilityWithResponse(t.Context(), f.name, "no-such-cow", nil)
			return err
		},
		func() error {
			_, err := f.c.GetAnimalWithResponse(t.Context(), f.name, "no-such-cow", nil)
			return err
		},
	} {
		if err := ask(); !api.IsProblem(err, "animal-not-found") {
			t.Errorf("an unknown animal: %v, want animal-not-found", err)
		}
	}
}

// In heat today: she is bred unless something speaks against it.
func TestAcceptEligibilityInHeat(t *testing.T) {
	t.Parallel()
	f := barn(t)
	want := map[string]string{
		"dim-49": "no waiting_period", "dim-50": "yes in_heat", "bred-1": "no same_heat",
		"bred-5": "examine_first short_return", "bred-20": "yes normal_return in_heat", "bred-30": "examine_first bred_result_unknown",
		"stopped": "no stopped", "dry": "no dry", "heifer-395": "no too_young", "heifer-396": "yes in_heat", "found-open": "yes in_heat",
		// V20: Thomas and Dobson 1989 (S65), 5.7 % of pregnant cows show heat;
		// R11: the sign does not end the pregnancy.
		"pregnant": "examine_first pregnant heat_while_pregnant",
	}
	for animal := range want {
		f.heat(animal, barnDay, "in_heat")
	}
	f.send()
	for animal, w := range want {
		e := f.eligibility(animal, barnDay)
		var codes []string
		for _, r := range e.Reasons {
			if r.Verdict != nil && (e.Verdict != api.ExamineFirst || r.Code != "in_heat") {
				codes = append(codes, r.Code)
			}
		}
		same(t, animal+" in heat", string(e.Verdict)+" "+strings.Join(codes, " "), w)
	}
	v := f.cow("pregnant", barnDay)
	if v.Pregnant == nil || v.Status.Code != "pregnant" {
		t.Errorf("a heat ended a pregnancy: %+v", v.Status)
	}
}

// A suspect heat says examine first, and what to feel for, where a clear one would
// not be no; it never says breed, whatever else is known of her.
func TestAcceptSuspectIsExaminedFirst(t *testing.T) {
	t.Parallel()
	f := barn(t)
	want := map[string]api.EligibilityVerdict{
		"dim-50": api.ExamineFirst, "first-60": api.ExamineFirst, "found-open": api.ExamineFirst,
		"bred-5": api.ExamineFirst, "bred-20": api.ExamineFirst, "bred-30": api.ExamineFirst, "pregnant": api.ExamineFirst, "heifer-396": api.ExamineFirst,
		// A doubtful mark lifts nothing that a clear one would not.
		"dim-49": api.No, "bred-1": api.No, "stopped": api.No, "dry": api.No, "heifer-395": api.No, "lost": api.No,
	}
	for animal := range want {
		f.heat(animal, barnDay, "suspect")
	}
	f.send()
	for animal, w := range want {
		e := f.eligibility(animal, barnDay)
		same(t, animal+" suspect", e.Verdict, w)
		words := strings.Join(e.Examine, "; ")
		for _, need := range []string{"pregnant", "tone", "mucus"} {
			if w == api.ExamineFirst && !strings.Contains(words, need) {
				t.Errorf("%s suspect: examine %q, want %s in it", animal, words, need)
			}
		}
		found := false
		for _, r := range e.Reasons {
			found = found || r.Code == "suspect_heat" || r.Code == "heat_while_pregnant"
		}
		if !found {
			t.Errorf("%s suspect: the reasons do not say so: %s", animal, verdict(e))
		}
	}
	// The examination decides: in heat, she is bred; pregnant, she is not.
	f.add("dim-50", barnDay, "palpation", `{"verdict":"in_heat","tone":"strong","mucus":"clear"}`)
	f.add("found-open", barnDay, "palpation", `{"verdict":"not_in_heat"}`)
	f.add("lost", barnDay, "palpation", `{"verdict":"pregnant"}`).send()
	same(t, "found in heat", verdict(f.eligibility("dim-50", barnDay)), "yes palpated_in_heat")
	same(t, "found not in heat", verdict(f.eligibility("found-open", barnDay)), "no palpated_not_in_heat")
	same(t, "found pregnant", f.eligibility("lost", barnDay).Verdict, api.No)
	same(t, "tomorrow, nobody having looked again", f.eligibility("first-60", after(barnDay, 1)).Verdict, api.ExamineFirst)
}

// A walk of a pen reads every cow that stands in it: those that nothing is
// noted of are read as not in heat.
func TestAcceptWalkReadsTheUnnamed(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "pens", shortWait)
	for i, pen := range []string{"a", "a", "a", "a", "b"} {
		f.add(cows(i), "2026-01-01", "arrival", fmt.Sprintf(`{"how":"purchased","sex":"female","parity":1,"pen":%q}`, pen))
		f.calved(cows(i), "2026-02-01")
	}
	day := "2026-05-20"
	f.heat("1", day, "in_heat").heat("2", day, "suspect")
	f.add("", day, "walk", `{"pen":"a","seen":4}`).send()
	q := question{from: day, to: day, on: day}
	a := f.index("heat_reading_yield", q)
	counted(t, "readings and heats", a.Numerator, a.Denominator, 1, 4)
	counted(t, "readings", row(t, a, "readings").Numerator, row(t, a, "readings").Denominator, 4, 4)
	counted(t, "suspects", row(t, a, "suspects").Numerator, row(t, a, "suspects").Denominator, 1, 4)
	rows := f.evidence("heat_reading_yield", q)
	same(t, "read not in heat, unnamed", told(rows, because("read_not_in_heat")), "31 41") // cows 3 and 4, a day each
	has := func(animal, code string) bool {
		for _, r := range f.eligibility(animal, day).Reasons {
			if r.Code == code {
				return true
			}
		}
		return false
	}
	for animal, want := range map[string]bool{"1": false, "2": false, "3": true, "4": true, "5": false} {
		same(t, "cow "+animal+" read as not in heat", has(animal, "read_not_in_heat"), want)
	}
	same(t, "cow 5 stands in a pen that nobody walked", has("5", "no_heat_reading"), true)
	// Day after day: a second walk reads them again, a second the same day not.
	f.add("", day, "walk", `{"pen":"a"}`).add("", after(day, 1), "walk", `{"pen":"a"}`).send()
	a = f.index("heat_reading_yield", question{from: day, to: after(day, 1), on: after(day, 1)})
	counted(t, "over two days", a.Numerator, a.Denominator, 1, 8)
}

// The cow's own page: what is recorded of her, in the trade's words.
func TestAcceptCowPage(t *testing.T) {
	t.Parallel()
	f := barn(t).send()
	for animal, w := range map[string]struct {
		status string
		milk   any
	}{
		"dim-49": {"fresh", 49}, "dim-50": {"open", 50}, "bred-20": {"bred", 120}, "pregnant": {"pregnant", 150}, "found-open": {"open", 120},
		"dry": {"dry", nil}, "sold": {"gone", nil}, "heifer-395": {"calf", nil}, "heifer-396": {"heifer", nil},
	} {
		v := f.cow(animal, barnDay)
		var milk any
		if v.DaysInMilk != nil {
			milk = *v.DaysInMilk
		}
		same(t, animal+" days in milk", milk, w.milk)
		same(t, animal+" status", v.Status.Code, w.status)
		if v.Status.Text == "" {
			t.Errorf("%s: her status has no words", animal)
		}
	}
	v := f.cow("pregnant", barnDay)
	s := v.Services[0]
	if s.Outcome != "pregnant" || shown(s.Conceived) != after(barnDay, -60) || shown(s.DaysAfterCalving) != "90" || s.WhyText == "" {
		t.Errorf("pregnant: her service %+v", s)
	}
	same(t, "days pregnant", shown(v.Pregnant.DaysPregnant), "60")
	same(t, "due", shown(v.Pregnant.DueOn), after(barnDay, -60+280))
	same(t, "dry off", shown(v.Pregnant.DryOffOn), after(barnDay, -60+280-60))
	v = f.cow("found-open", barnDay)
	if len(v.Services) != 1 || v.Services[0].Outcome != "open" || v.Services[0].Why != "diagnosed_open" {
		t.Errorf("found open: %+v", v.Services)
	}
	v = f.cow("lost", barnDay)
	if v.Pregnant != nil || len(v.Losses) != 1 {
		t.Errorf("lost: pregnant %+v, losses %+v", v.Pregnant, v.Losses)
	}
}
