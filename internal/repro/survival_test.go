package repro_test

import (
	"encoding/csv"
	"os"
	"reflect"
	"strconv"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/stats"
)

// The medians of X10 and X11 as R's survival package has them; how they were
// made is told beside the table.
func TestSurvivalOfConstructedHerd(t *testing.T) {
	f, err := os.Open("../stats/testdata/survival/median.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }() // only read
	table, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	byR := map[string][]string{}
	for _, r := range table {
		byR[r[0]] = r
	}
	h := constructed(t)
	for set, key := range map[string]string{"constructed_first_service": "days_to_first_service", "constructed_days_open": "days_open"} {
		r := byR[set]
		if r == nil {
			t.Fatalf("R has no %s", set)
		}
		a := ask(t, h, key, between("2023-10-01", "2024-07-31"))
		for i, name := range []string{"survival_median", "survival_median_low", "survival_median_high"} {
			got, ok := a.Measures[name]
			if !ok {
				t.Errorf("%s: no %s", key, name)
			}
			if r[3+i] == "NA" {
				if got != nil {
					t.Errorf("%s %s: %v, R has none", key, name, *got)
				}
				continue
			}
			want, err := strconv.ParseFloat(r[3+i], 64)
			if err != nil {
				t.Fatal(err)
			}
			number(t, key+" "+name, got, want, 1e-4)
		}
		number(t, key+" events", a.Measures["survival_events"], atof(t, r[2]), 0)
		number(t, key+" censored", a.Measures["survival_censored"], atof(t, r[1])-atof(t, r[2]), 0)
		curve, _, ok := a.Survival()
		if !ok || curve.N != 10 || len(curve.Steps) != 10 {
			t.Errorf("%s: curve %+v", key, curve)
		}
	}
}

func atof(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// ended is who leaves the survival view when, as days and whether by the event.
func ended(t *testing.T, h *repro.Herd, key, on string) []stats.Step {
	t.Helper()
	a := ask(t, h, key, repro.Params{From: day("2024-01-01"), To: day(on), On: day(on)})
	curve, _, ok := a.Survival()
	if !ok {
		t.Fatalf("%s has no survival view", key)
	}
	var out []stats.Step
	for _, s := range curve.Steps {
		out = append(out, stats.Step{Days: s.Days, Events: s.Events, Censored: s.Censored})
	}
	return out
}

func steps(of ...[3]int) []stats.Step {
	var out []stats.Step
	for _, s := range of {
		out = append(out, stats.Step{Days: s[0], Events: s[1], Censored: s[2]})
	}
	return out
}

func TestSurvivalCensoring(t *testing.T) {
	s := tell(t)
	for _, a := range []string{"1", "2", "3", "4", "5", "6", "7"} {
		s.calved(a, "2024-01-01")
	}
	s.bred("1", "2024-03-11")                                                                  // day 70
	s.left("2", "2024-02-20", "lameness")                                                      // day 50, not served
	s.add("3", "2024-03-21", &event.Breeding{Method: event.Natural, Until: day("2024-04-30")}) // a bull from day 80
	s.pregnant("4", "2024-05-10", 40)                                                          // conceived on day 90, no service recorded
	s.calved("5", "2024-10-20")                                                                // conceived on day 13 by the calving, no service recorded
	s.bred("6", "2024-03-01").left("6", "2024-03-11", "udder")                                 // served on day 60, left open on day 70
	s.bred("7", "2024-04-10").pregnant("7", "2024-05-20", 40)                                  // day 100; lost: the clock runs on
	s.add("7", "2024-06-20", &event.PregnancyLoss{})
	s.until("2024-12-31")
	h := s.herd()

	// Cow 5 calves in the period twice: the second time she is open to the end, day 72.
	equalSteps(t, "served", ended(t, h, "days_to_first_service", "2024-12-31"),
		steps([3]int{13, 0, 1}, [3]int{50, 0, 1}, [3]int{60, 1, 0}, [3]int{70, 1, 0}, [3]int{72, 0, 1}, [3]int{80, 0, 1}, [3]int{90, 0, 1}, [3]int{100, 1, 0}))
	// 1, 3 and 7 are open after 365 days, 2 and 6 left.
	equalSteps(t, "open", ended(t, h, "days_open", "2024-12-31"),
		steps([3]int{13, 1, 0}, [3]int{50, 0, 1}, [3]int{70, 0, 1}, [3]int{72, 0, 1}, [3]int{90, 1, 0}, [3]int{365, 0, 3}))
	// A day asked for beyond the records adds no follow-up.
	equalSteps(t, "served, asked later", ended(t, h, "days_to_first_service", "2025-06-30"), ended(t, h, "days_to_first_service", "2024-12-31"))
	equalSteps(t, "open, asked later", ended(t, h, "days_open", "2025-06-30"), ended(t, h, "days_open", "2024-12-31"))
	// As of an earlier day, what came after is not known: on day 75 neither the
	// run nor any later service.
	equalSteps(t, "served, as of day 75", ended(t, h, "days_to_first_service", "2024-03-16"),
		steps([3]int{50, 0, 1}, [3]int{60, 1, 0}, [3]int{70, 1, 0}, [3]int{75, 0, 4}))
}

func equalSteps(t *testing.T, what string, got, want []stats.Step) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s:\n%+v\nwant\n%+v", what, got, want)
	}
}

// Grouped rows carry their own figures, and pooled herds are counted together.
func TestSurvivalOfRowsAndPools(t *testing.T) {
	one := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").calved("2", "2024-02-01").until("2024-12-31").herd()
	two := tell(t).calved("3", "2024-01-01").bred("3", "2024-03-11").calved("4", "2024-01-01").bred("4", "2024-03-21").until("2024-12-31").herd()
	p := repro.Params{From: day("2024-01-01"), To: day("2024-12-31"), On: day("2024-12-31"), By: repro.ByMonth}
	a := repro.Pool([]repro.Answer{ask(t, one, "days_to_first_service", p), ask(t, two, "days_to_first_service", p)})
	curve, rows, ok := a.Survival()
	if !ok || curve.N != 4 || curve.Events != 3 || len(rows) != 2 || rows[0].Label != "2024-01" || rows[0].Curve.N != 3 || rows[1].Curve.Censored != 1 {
		t.Fatalf("%+v by %+v", curve, rows)
	}
	number(t, "January", a.Rows[0].Measures["survival_median"], 70, 0)
	if m := a.Rows[1].Measures; m["survival_median"] != nil || *m["survival_events"] != 0 || *m["survival_censored"] != 1 {
		t.Errorf("February: %v", m)
	}
	number(t, "all", a.Measures["survival_median"], 75, 0) // on one half between days 70 and 80
	a = ask(t, one, "conception_risk", repro.Params{On: day("2024-12-31")})
	if _, _, ok := a.Survival(); ok {
		t.Error("the conception risk has a survival curve")
	}
}
