package repro_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// Two recorders, by code or by system, side by side (R20; S94: plus or minus
// 7 days).
func TestPairs(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01")
	add := func(on, by, source string, d event.Data) {
		e := s.add("1", on, d)
		e.By, e.Source = by, source
	}
	add("2024-01-04", "", "co-op", &event.Calving{Ease: event.Int(2)})
	add("2024-03-01", "t1", "", &event.Breeding{Method: event.AI, Sire: "b1"})
	add("2024-03-02", "t1", "co-op", &event.Breeding{Method: event.AI, Sire: "b2"})
	add("2024-04-10", "v1", "", &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant, DaysPregnant: event.Int(40)})
	add("2024-04-17", "v2", "", &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant, DaysPregnant: event.Int(47)})
	add("2024-04-18", "v2", "", &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Unclear})
	add("2024-05-20", "t1", "", &event.PregnancyLoss{Seen: "abortion"})
	add("2024-05-27", "v1", "", &event.PregnancyLoss{Seen: "reabsorbed"})
	h := s.until("2024-06-01").herd()
	var got []string
	for _, f := range h.Findings(day("2024-06-01")) {
		if f.Pair == nil {
			continue
		}
		p := f.Pair
		if f.Rule != "R20" || f.Seqs[0] != p.First.Seq || f.Seqs[1] != p.Second.Seq || p.First.ID == p.Second.ID || f.Severity != repro.SeverityDoubtful {
			t.Errorf("%+v", f)
		}
		got = append(got, fmt.Sprintf("%s %s %s/%s %s", f.Code, p.First.Kind, p.First.On, p.Second.On, strings.Join(p.Differ, ",")))
	}
	want := []string{
		"calving_twice calving 2024-01-01/2024-01-04 on,source,ease",
		"maybe_recorded_twice breeding 2024-03-01/2024-03-02 on,source,sire",
		"maybe_recorded_twice pregnancy_diagnosis 2024-04-10/2024-04-17 on,by,days_pregnant",
		"maybe_recorded_twice pregnancy_loss 2024-05-20/2024-05-27 on,by,seen",
	}
	if !slices.Equal(got, want) {
		t.Errorf("pairs:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if n := len(look(t, h, "1", "2024-06-01").Lactations); n != 1 { // the second report begins none, and nothing is corrected
		t.Errorf("%d lactations", n)
	}
}

// Bounds of indices.md sections 4 and 6, on both sides.
func TestMoreFindings(t *testing.T) {
	plus := func(on string, n int) string { return (day(on) + event.Date(n)).String() }
	pregnant := func() *story {
		return tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35)
	}
	male := tell(t)
	male.add("1", "2024-01-01", &event.Arrival{How: event.Purchased, Sex: event.Male})
	held := func(until string) *story {
		s := tell(t).calved("1", "2024-01-01")
		s.add("1", "2024-02-01", &event.Treatment{Class: "antibiotic", MeatWithheldUntil: day(until)})
		return s.left("1", "2024-02-10", "")
	}
	died := pregnant()
	died.add("1", plus("2024-03-01", 260), &event.Departure{How: event.Died})
	alone := func(stage int) *story { return tell(t).calved("1", "2023-01-01").pregnant("1", "2024-01-01", stage) }
	many := func(n int) *story {
		s := tell(t).calved("1", "2023-01-01")
		for i := range n {
			s.bred("1", plus("2023-03-01", 21*i))
		}
		return s
	}
	for _, w := range []struct {
		name, code, severity string
		want                 bool
		s                    *story
	}{
		{"R10 269 days (from memory)", "heifer_bred_very_young", repro.SeveritySerious, true, tell(t).born("1", "2023-01-01").bred("1", plus("2023-01-01", 269))},
		{"R10 270 days", "heifer_bred_very_young", "", false, tell(t).born("1", "2023-01-01").bred("1", plus("2023-01-01", 270))},
		{"R12 stage of 34 days alone (S24)", "stage_alone", repro.SeverityDoubtful, true, alone(34)},
		{"R12 stage of 35 days alone", "stage_alone", "", false, alone(35)},
		{"R12 stage of 122 days alone", "stage_alone", "", false, alone(122)},
		{"R12 stage of 123 days alone", "stage_alone", repro.SeverityDoubtful, true, alone(123)},
		{"R15 ten services", "many_services", "", false, many(10)},
		{"R15 eleven services", "many_services", repro.SeverityDoubtful, true, many(11)},
		{"R15 fifteen services", "too_many_services", "", false, many(15)},
		{"R15 sixteen services (S32)", "too_many_services", repro.SeveritySerious, true, many(16)},
		{"R21 a male is bred", "not_female", repro.SeveritySerious, true, male.bred("1", "2024-02-01")},
		{"section 6: sold on day 251", "left_late_pregnant", "", false, pregnant().left("1", plus("2024-03-01", 251), "")},
		{"section 6: sold on day 252 of 280 (S116)", "left_late_pregnant", repro.SeveritySerious, true, pregnant().left("1", plus("2024-03-01", 252), "")},
		{"section 6: died in late pregnancy", "left_late_pregnant", "", false, died},
		{"section 6: sold on the last day of withdrawal", "left_withheld", repro.SeveritySerious, true, held("2024-02-10")},
		{"section 6: sold a day after", "left_withheld", "", false, held("2024-02-09")},
	} {
		t.Run(w.name, func(t *testing.T) {
			found := w.s.until("2024-12-20").herd().Findings(day("2024-12-20"))
			i := slices.IndexFunc(found, func(f repro.Finding) bool { return f.Code == w.code })
			equal(t, "found", i >= 0, w.want)
			if i >= 0 {
				equal(t, "severity", found[i].Severity, w.severity)
			}
		})
	}
}

// Every finding says what it was held against, by whom, and what to ask; and
// findings are narrowed by animal and by the events that they are about.
func TestFindingsAreNarrowed(t *testing.T) {
	s := tell(t).calved("1", "2023-01-01", "2023-07-01").calved("2", "2024-05-01").bred("2", "2024-05-06").until("2024-06-01")
	h := s.herd()
	on := day("2024-06-01")
	all := h.Findings(on)
	for _, f := range all {
		if f.Bound == "" || f.Ask == "" || len(f.Sources) == 0 || f.Severity == "" || f.Rule == "" {
			t.Errorf("%+v", f)
		}
	}
	of := func(filter repro.FindingFilter) string {
		var out []string
		for _, f := range h.FindingsOf(on, filter) {
			out = append(out, f.Animal+":"+f.Code)
		}
		return strings.Join(out, " ")
	}
	equal(t, "of 2", of(repro.FindingFilter{Animal: "2"}), "2:no_arrival 2:bred_very_soon")
	equal(t, "of nobody", of(repro.FindingFilter{Animal: "3"}), "")
	equal(t, "about the breeding, seq 4", of(repro.FindingFilter{About: func(seq int64) bool { return seq == 4 }}), "2:bred_very_soon")
	equal(t, "serious ones", of(repro.FindingFilter{Keep: func(f *repro.Finding) bool { return f.Severity == repro.SeveritySerious }}), "1:calving_too_soon 2:bred_very_soon")
}
