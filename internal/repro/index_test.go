package repro_test

import (
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func TestKeysAreDefined(t *testing.T) {
	h := constructed(t)
	seen := map[string]bool{}
	for _, d := range repro.Keys() {
		if seen[d.Key] || d.ID != d.Key+"/"+d.Version || d.Title == "" || d.TradeName == "" || len(d.Text) < 40 || len(d.Sources) == 0 || d.Groups == nil {
			t.Errorf("%s: %+v", d.Key, d)
		}
		seen[d.Key] = true
		for _, by := range d.Groups {
			p := repro.Params{From: day("2023-10-01"), On: day("2024-07-31"), To: day("2024-07-31"), By: by}
			a := ask(t, h, d.Key, p)
			if len(a.Rows) == 0 {
				t.Errorf("%s by %s has no rows", d.Key, by)
			}
		}
	}
	for _, key := range []string{ // indices.md section 0
		"pregnancy_risk_21d", "insemination_risk_21d", "conception_risk", "first_service_conception_risk", "days_to_first_service",
		"days_open", "services_per_conception", "calving_interval", "inter_service_interval", "return_interval_share",
		"pregnancy_loss_risk", "pregnant_per_month", "non_return_56d", "pregnant_by_vwp30", "in_calf_by_100d", "in_calf_by_200d",
		"heat_reading_yield", "conception_by_how_found", "cost_of_open_days", "projected_calvings",
	} {
		if !seen[key] {
			t.Errorf("%s is not computed", key)
		}
	}
}

func TestBadParameters(t *testing.T) {
	h := constructed(t)
	on := day("2024-07-31")
	for name, p := range map[string]repro.Params{
		"on":            {},
		"from":          {On: on, From: on, To: on - 1},
		"exposure_days": {On: on, Exposure: 22},
		"merge_days":    {On: on, Merge: 4},
		"maturity_days": {On: on, Maturity: 366},
		"strata":        {On: on, Strata: "bulls"},
		"by":            {On: on, By: "moon"},
	} {
		_, err := h.Index("conception_risk", p)
		if !errors.Is(err, repro.ErrBadParameter) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := h.Index("luck", repro.Params{On: on}); !errors.Is(err, repro.ErrUnknownIndex) {
		t.Errorf("unknown key: %v", err)
	}
}

func TestParamsAreFilledOnce(t *testing.T) {
	p, err := repro.Params{On: day("2024-07-31"), Merge: repro.Zero}.Fill()
	if err != nil {
		t.Fatal(err)
	}
	again, err := p.Fill()
	if err != nil || again != p {
		t.Errorf("%+v became %+v (%v)", p, again, err)
	}
	want := `{"from":"2023-08-02","to":"2024-07-31","on":"2024-07-31","anchor":"2024-01-01","exposure_days":11,"merge_days":0,"maturity_days":70,"by":"","strata":"cows"}`
	if got, _ := json.Marshal(p); string(got) != want {
		t.Errorf("filled: %s, want %s", got, want)
	}
}

// Groups by technician of the constructed herd, counted by hand from its
// services: those dated 03-04 to 05-05, in the order of the file by cow,
// alternate between t1 and t2.
func TestGroups(t *testing.T) {
	h := constructed(t)
	p := between("2024-03-04", "2024-05-05")
	by := func(key, group string) map[string][2]int {
		p := p
		p.By = group
		out := map[string][2]int{}
		num, den := 0, 0
		a := ask(t, h, key, p)
		for _, r := range a.Rows {
			out[r.Label] = [2]int{*r.Numerator, *r.Denominator}
			num, den = num+*r.Numerator, den+*r.Denominator
		}
		counts(t, key+" by "+group+", all rows", a.Numerator, a.Denominator, num, den)
		return out
	}
	same := func(what string, got, want map[string][2]int) {
		t.Helper()
		if len(got) != len(want) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
		for k, v := range want {
			if got[k] != v {
				t.Errorf("%s %s: %v, want %v", what, k, got[k], v)
			}
		}
	}
	// A-1 open, A-2 pregnant; B-1 open, B-2 pregnant; C-1 pregnant; E unknown;
	// F-2 pregnant; G-1 open, G-2 pregnant; H-1 open, H-2 pregnant; K-5 pregnant.
	same("service number", by("conception_risk", repro.ByServiceNumber), map[string][2]int{"1": {1, 5}, "2": {5, 5}, "4+": {1, 1}})
	// First lactation A B H, second C F, third and later E G K.
	same("lactation", by("conception_risk", repro.ByLactationGroup), map[string][2]int{"1": {3, 6}, "2": {2, 2}, "3+": {2, 3}})
	same("month", by("conception_risk", repro.ByMonth), map[string][2]int{"2024-03": {3, 6}, "2024-04": {4, 5}})
	// Eligible cow-windows (18) of X1 to X3 by lactation: A B H; D; E G J K. F (2nd): one.
	same("windows", by("pregnancy_risk_21d", repro.ByLactationGroup), map[string][2]int{"1": {3, 6}, "2": {1, 3}, "3+": {2, 9}})
}

// Heifers are a stratum of their own: they start at an age, and are never
// pooled with cows.
func TestHeifers(t *testing.T) {
	s := tell(t)
	born := day("2022-12-01")
	for _, c := range []string{"1", "2"} {
		s.born(c, born.String())
	}
	ready := born + 396
	s.bred("1", (ready+5).String()).pregnant("1", (ready + 40).String(), 35)
	s.add("3", "2023-01-01", &event.Arrival{How: event.Purchased, Parity: event.Int(0)}) // birth not known
	s.calved("4", "2023-11-01")
	h := s.until("2024-12-01").herd()
	p := repro.Params{From: ready, To: ready + 20, On: day("2024-12-01"), Anchor: ready, Strata: repro.StrataHeifers}
	a := ask(t, h, "pregnancy_risk_21d", p)
	counts(t, "heifers", a.Numerator, a.Denominator, 1, 2)
	if len(a.Excluded) != 1 || a.Excluded[0].Reason != "birth_unknown" {
		t.Errorf("excluded %+v", a.Excluded)
	}
	cr := ask(t, h, "conception_risk", p)
	counts(t, "heifers' conception", cr.Numerator, cr.Denominator, 1, 1)
	p.Strata = repro.StrataCows
	a = ask(t, h, "pregnancy_risk_21d", p)
	counts(t, "cows", a.Numerator, a.Denominator, 0, 1)
	cr = ask(t, h, "conception_risk", p)
	counts(t, "cows' conception", cr.Numerator, cr.Denominator, 0, 0)
	p.Strata = repro.StrataHeifers
	if do := ask(t, h, "days_open", p); do.Value != nil || do.NullReason != "cows_only" {
		t.Errorf("days open of heifers: %v %q", do.Value, do.NullReason)
	}
}

// Fewer than ten in the denominator: the value is given and flagged.
func TestSmall(t *testing.T) {
	_, _, nine := windowAndConception(t, oneWindow(t, 9, 9, 3))
	_, _, ten := windowAndConception(t, oneWindow(t, 10, 10, 3))
	if !nine.Small || nine.Value == nil || ten.Small {
		t.Errorf("small: 9 %v, 10 %v", nine.Small, ten.Small)
	}
	if ten.Interval == nil || ten.Interval.Method != "wilson" || ten.Interval.Level != 0.95 {
		t.Errorf("interval %+v", ten.Interval)
	}
}

// Gross and net: a loss stays in the window of conception.
func TestLossStaysInItsWindow(t *testing.T) {
	h := constructed(t)
	a := ask(t, h, "pregnancy_risk_21d", between("2024-02-12", "2024-03-03")) // no conception in it
	counts(t, "the window of F's loss itself", a.Numerator, a.Denominator, 0, *a.Denominator)
	p := between("2024-01-22", "2024-02-11")
	a = ask(t, h, "pregnancy_risk_21d", p)
	equal(t, "F conceived", *a.Numerator, 1)
	number(t, "lost later", a.Measures["lost_later"], 1, 0)
	number(t, "net", a.Measures["net_of_losses"], 0, 0)
	// As of the day before the loss nobody knew of it.
	p.On = day("2024-04-19")
	a = ask(t, h, "pregnancy_risk_21d", p)
	equal(t, "F conceived, as of 04-19", *a.Rows[0].Numerator, 1)
	number(t, "lost later, as of 04-19", a.Measures["lost_later"], 0, 0)
}

// Any number may read at once; run with -race.
func TestConcurrentReaders(t *testing.T) {
	h := constructed(t)
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			on := day("2024-07-31") - event.Date(i*30)
			for range 5 {
				for _, d := range repro.Keys() {
					if _, err := h.Index(d.Key, repro.Params{On: on, Merge: 1 + i%3}); err != nil {
						t.Error(err)
					}
				}
				h.Animal("A", on)
				h.Eligibility("B", on)
				h.Findings(on)
				h.Clone().Size()
				if i%2 == 0 {
					h.Shed()
				}
			}
		})
	}
	wg.Wait()
}

func TestPoolOfNothing(t *testing.T) {
	if a := repro.Pool(nil); a.Value != nil || a.NullReason == "" {
		t.Errorf("%+v", a)
	}
}

// The median of a pool is over all days, not the mean of medians.
func TestPoolMedian(t *testing.T) {
	a := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").calved("2", "2024-01-01").bred("2", "2024-03-02").calved("3", "2024-01-01").bred("3", "2024-03-03").until("2024-12-01").herd()
	b := tell(t).calved("1", "2024-01-01").bred("1", "2024-06-01").until("2024-12-01").herd()
	p := repro.Params{On: day("2024-12-01")}
	got := repro.Pool([]repro.Answer{ask(t, a, "days_to_first_service", p), ask(t, b, "days_to_first_service", p)})
	number(t, "median of 60 61 62 152", got.Value, 61.5, 0)
	equal(t, "n", *got.Denominator, 4)
}

func TestCurrenciesDoNotAdd(t *testing.T) {
	euro := repro.DefaultPolicy()
	euro.Cost.Currency = "EUR"
	s := tell(t).calved("1", "2024-01-01").until("2024-12-01")
	p := repro.Params{On: day("2024-12-01")}
	x, y := ask(t, s.herd(), "cost_of_open_days", p), ask(t, s.herd().WithPolicies(repro.Policies{{Policy: euro}}), "cost_of_open_days", p)
	if got := repro.Pool([]repro.Answer{x, y}); got.Value != nil || got.NullReason != "currencies_differ" {
		t.Errorf("%+v", got)
	}
}

func TestPolicyValidate(t *testing.T) {
	good := repro.DefaultPolicy()
	if err := good.Validate(); err != nil {
		t.Fatalf("the default policy: %v", err)
	}
	for pointer, spoil := range map[string]func(p *repro.Policy){
		"/wait_first_days":             func(p *repro.Policy) { p.WaitFirst = -1 },
		"/wait_later_days":             func(p *repro.Policy) { p.WaitLater = 366 },
		"/heifer_first_breeding_days":  func(p *repro.Policy) { p.HeiferFirstBreedingDays = 100 },
		"/diagnose_ultrasound_days":    func(p *repro.Policy) { p.DiagnoseUltrasound = 10 },
		"/diagnose_palpation_days":     func(p *repro.Policy) { p.DiagnosePalpation = 10 },
		"/diagnose_blood_days":         func(p *repro.Policy) { p.DiagnoseBlood = 10 },
		"/diagnose_milk_days":          func(p *repro.Policy) { p.DiagnoseMilk = 1000 },
		"/diagnose_after_calving_days": func(p *repro.Policy) { p.DiagnoseAfterCalving = -1 },
		"/gestation_days":              func(p *repro.Policy) { p.GestationDays = 200 },
		"/gestation_by_breed/Big~1cow": func(p *repro.Policy) {
			p.GestationByBreed = map[string]repro.BreedGestation{"Big/cow": {Heifer: 280, Cow: 280}}
		},
		"/gestation_by_breed/jersey": func(p *repro.Policy) {
			p.GestationByBreed = map[string]repro.BreedGestation{"jersey": {Heifer: 280}}
		},
		"/wait_after_loss_days":        func(p *repro.Policy) { p.WaitAfterLoss = 121 },
		"/rebreed_after_hours":         func(p *repro.Policy) { p.RebreedAfterHours = 49 },
		"/repeat_breeder_from":         func(p *repro.Policy) { p.RepeatBreederFrom = 1 },
		"/report_calvings_before_days": func(p *repro.Policy) { p.ReportCalvingsBefore = 291 },
		"/unknown_animals":             func(p *repro.Policy) { p.UnknownAnimals = "ask" },
		"/dry_off_before_days":         func(p *repro.Policy) { p.DryOffBefore = 151 },
		"/last_breeding_days":          func(p *repro.Policy) { p.LastBreedingDays = 10 },
		"/monthly_pregnant_target":     func(p *repro.Policy) { p.MonthlyPregnantTarget = 8 },
		"/open_cost/currency":          func(p *repro.Policy) { p.Cost.Currency = "" },
		"/open_cost/after_days":        func(p *repro.Policy) { p.Cost.AfterDays = -1 },
		"/open_cost/high":              func(p *repro.Policy) { p.Cost.Low = 4 },
		"/open_cost/curve/1/days": func(p *repro.Policy) {
			p.Cost.Curve = []repro.CurvePoint{{Days: 10}, {Days: 10}}
		},
		"/open_mark": func(p *repro.Policy) { p.OpenMark = strings.Repeat("x", 33) },
	} {
		p := repro.DefaultPolicy()
		spoil(&p)
		var ps event.Problems
		if err := p.Validate(); !errors.As(err, &ps) || len(ps) != 1 || ps[0].Pointer != pointer || ps[0].Detail == "" {
			t.Errorf("%s: %v", pointer, err)
		}
	}
}

func TestLastBreedingDay(t *testing.T) {
	p := repro.DefaultPolicy()
	p.LastBreedingDays = 300
	s := tell(t).calved("1", "2024-01-01").until("2024-12-31")
	h := fold(s.events, repro.Policies{{Policy: p}})
	for on, want := range map[event.Date]repro.Verdict{day("2024-01-01") + 300: repro.WhenInHeat, day("2024-01-01") + 301: repro.No} {
		e, _ := h.Eligibility("1", on)
		equal(t, on.String(), e.Verdict, want)
	}
}

func TestNumbersInNaturalOrder(t *testing.T) {
	s := tell(t)
	for _, c := range []string{"10", "9", "a2", "007", "7", "a10"} {
		s.calved(c, "2024-01-01")
	}
	got := ""
	for _, a := range s.until("2024-02-01").herd().Animals(day("2024-02-01")) {
		got += a.Name + " "
	}
	equal(t, "order", got, "007 7 9 10 a2 a10 ")
}

func TestSizeAndDates(t *testing.T) {
	h := repro.NewHerd("empty", nil)
	if h.LastDate() != 0 || h.FirstDate() != 0 || len(h.Animals(0)) != 0 || h.Seq() != 0 {
		t.Error("an empty herd has dates or animals")
	}
	if _, ok := h.Animal("1", day("2024-01-01")); ok {
		t.Error("an empty herd knows a cow")
	}
	for _, d := range repro.Keys() {
		a := ask(t, h, d.Key, repro.Params{})
		if a.Value != nil && *a.Value != 0 {
			t.Errorf("%s of an empty herd: %v", d.Key, *a.Value)
		}
	}
	small := h.Size()
	c := constructed(t)
	if c.Size() <= small || c.LastDate() != day("2024-07-31") || c.FirstDate() != day("2023-09-01") || c.Seq() != 52 {
		t.Errorf("constructed herd: %d bytes, %s to %s, seq %d", c.Size(), c.FirstDate(), c.LastDate(), c.Seq())
	}
}
