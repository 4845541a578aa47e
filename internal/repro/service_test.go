package repro_test

import (
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func TestServiceOutcomes(t *testing.T) {
	for _, w := range []struct {
		name, on, want string
		s              *story
	}{
		{"too recent", "2024-04-01", "2024-03-01 immature (no_result)", tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").until("2024-04-01")},
		{
			"records that end early make it no older", "2024-12-01", "2024-03-01 immature (no_result)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").until("2024-05-09"),
		},
		{"70 days old", "2024-12-01", "2024-03-01 unknown (no_result)", tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").until("2024-05-10")},
		{
			"bred again", "2024-12-01", "2024-03-01 open (bred_again); 2024-03-22 unknown (no_result)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-22").until("2024-12-01"),
		},
		{
			"diagnosed open before bred again", "2024-12-01", "2024-03-01 open (diagnosed_open); 2024-04-12 unknown (no_result)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-04-12").open("1", "2024-04-05").until("2024-12-01"),
		},
		{
			"diagnosed open too early to count", "2024-12-01", "2024-03-01 unknown (no_result)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").open("1", "2024-03-26").until("2024-12-01"),
		},
		{
			"the stage names the first of two services", "2024-12-01", "2024-03-01 pregnant (diagnosed_pregnant); 2024-03-22 unknown (bred_while_pregnant)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-22").pregnant("1", "2024-04-30", 60).until("2024-12-01"),
		},
		{
			"the stage lies in the middle of two: the later", "2024-12-01", "2024-03-01 open (bred_again); 2024-03-21 pregnant (diagnosed_pregnant)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-21").pregnant("1", "2024-04-30", 50).until("2024-12-01"),
		},
		{
			"without a stage: the latest service old enough", "2024-12-01", "2024-03-01 pregnant (diagnosed_pregnant); 2024-03-22 unknown (bred_while_pregnant)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-22").pregnant("1", "2024-04-05", 0).until("2024-12-01"),
		},
		{
			"left for infertility", "2024-12-01", "2024-03-01 open (bred_again); 2024-03-22 open (left_infertile)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-22").left("1", "2024-06-01", "Infertility").until("2024-12-01"),
		},
		{
			"left for something else", "2024-12-01", "2024-03-01 unknown (left_undiagnosed)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").left("1", "2024-06-01", "lameness").until("2024-12-01"),
		},
		{
			"calved to the service that fits", "2024-12-20", "2024-03-01 open (bred_again); 2024-03-22 pregnant (calved)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-22").calved("1", "2024-12-20").until("2024-12-20"),
		},
		{
			"calved too soon for her only service", "2024-12-20", "2024-06-01 unknown (bred_while_pregnant)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-06-01").calved("1", "2024-12-20").until("2024-12-20"),
		},
		{
			"lost and conceived again", "2024-12-01", "2024-03-01 lost (diagnosed_pregnant); 2024-05-20 pregnant (diagnosed_pregnant)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).open("1", "2024-05-10").
				bred("1", "2024-05-20").pregnant("1", "2024-07-01", 42).until("2024-12-01"),
		},
		{
			"an abortion proves a pregnancy that nobody had diagnosed", "2024-12-01", "2024-03-01 lost (loss_recorded)",
			func() *story {
				s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").until("2024-12-01")
				s.add("1", "2024-06-01", &event.PregnancyLoss{Seen: "abortion"})
				return s
			}(),
		},
		{
			"two breedings of one heat, the second counts for conception", "2024-12-01", "2024-03-01 pregnant (diagnosed_pregnant)",
			tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-02").pregnant("1", "2024-04-06", 35).until("2024-12-01"),
		},
	} {
		t.Run(w.name, func(t *testing.T) {
			equal(t, "services", outcomes(look(t, w.s.herd(), "1", w.on)), w.want)
		})
	}
}

func TestMergedServiceConceivesOnItsLastDay(t *testing.T) {
	h := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01", "2024-03-02").pregnant("1", "2024-04-06", 35).until("2024-12-01").herd()
	v := look(t, h, "1", "2024-12-01")
	equal(t, "conceived", v.Pregnant.ConceivedOn, day("2024-03-02"))
	equal(t, "breedings", v.Services[0].Breedings, 2)
	equal(t, "first service", *v.Lactations[0].FirstService, 60)
}

// R11: neither a heat nor a service ends a recorded pregnancy.
func TestHeatAndServiceWhilePregnant(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35)
	h := s.heat("1", "2024-05-01", event.InHeat).bred("1", "2024-05-01").until("2024-05-20").herd()
	v := look(t, h, "1", "2024-05-20")
	equal(t, "status", v.Status.Code, repro.StatusPregnant)
	equal(t, "conceived", v.Pregnant.ConceivedOn, day("2024-03-01"))
	equal(t, "finding of the heat", finds(v, "heat_while_pregnant"), true)
	equal(t, "finding of the service", finds(v, "bred_while_pregnant"), true)
	equal(t, "losses", len(v.Losses), 0)
}

// A diagnosis that dates her from the later service shows that the earlier
// pregnancy was lost unseen.
func TestLossImpliedByALaterConception(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).bred("1", "2024-05-20")
	h := s.pregnant("1", "2024-07-10", 50).until("2024-12-01").herd()
	v := look(t, h, "1", "2024-12-01")
	equal(t, "conceived", v.Pregnant.ConceivedOn, day("2024-05-20"))
	if len(v.Losses) != 1 || v.Losses[0].How != "conceived_again" || v.Losses[0].DetectedOn != day("2024-05-19") || v.Losses[0].LastSeenOn != day("2024-04-05") {
		t.Errorf("losses %+v", v.Losses)
	}
	equal(t, "services", outcomes(v), "2024-03-01 lost (diagnosed_pregnant); 2024-05-20 pregnant (diagnosed_pregnant)")
}

func TestLossImpliedByCalving(t *testing.T) {
	// Diagnosed from 03-01; calves 280 days after 05-20: 360 after 03-01.
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).bred("1", "2024-05-20")
	h := s.calved("1", "2025-02-24").until("2025-03-01").herd()
	v := look(t, h, "1", "2025-03-01")
	equal(t, "services", outcomes(v), "2024-03-01 lost (diagnosed_pregnant); 2024-05-20 pregnant (calved)")
	equal(t, "how", v.Losses[0].How, "calved_later")
}

// Found open and then calving to term: she never lost it.
func TestErroneousOpenIsWithdrawn(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).open("1", "2024-05-10")
	h := s.calved("1", "2024-12-06").until("2025-01-01").herd()
	equal(t, "lost, before she calves", len(look(t, h, "1", "2024-06-01").Losses), 1)
	v := look(t, h, "1", "2025-01-01")
	equal(t, "losses", len(v.Losses), 0)
	equal(t, "services", outcomes(v), "2024-03-01 pregnant (diagnosed_pregnant)")
	equal(t, "it is a finding", finds(v, "open_then_pregnant"), true)
}

func TestConceptionEstimatedFromCalving(t *testing.T) {
	for _, w := range []struct {
		breed, conceived string
	}{{"Holstein", "2024-03-17"}, {"brown swiss", "2024-03-08"}, {"", "2024-03-16"}} { // 279, 288 and 280 days (V13; S23)
		s := tell(t)
		s.add("1", "2023-12-01", &event.Arrival{How: event.Purchased, Parity: event.Int(1), Breed: w.breed})
		h := s.calved("1", "2024-01-01", "2024-12-21").until("2025-01-01").herd()
		a := ask(t, h, "days_open", repro.Params{From: day("2024-01-01"), To: day("2024-12-01"), On: day("2025-01-01")})
		if len(a.Evidence) != 1 || a.Evidence[0].To != day(w.conceived) {
			t.Errorf("%q: %+v, want conceived %s", w.breed, a.Evidence, w.conceived)
		}
		number(t, "estimated", a.Measures["estimated"], 1, 0)
	}
}

func TestCalvingWithoutServices(t *testing.T) {
	h := tell(t).calved("1", "2024-01-01").until("2024-12-01").herd()
	p := repro.Params{From: day("2024-01-01"), To: day("2024-12-01"), On: day("2024-12-01")}
	a := ask(t, h, "days_to_first_service", p)
	if a.Value != nil || a.NullReason == "" || len(a.Excluded) != 1 || a.Excluded[0].Reason != "not_served" {
		t.Errorf("days to first service: %+v", a)
	}
	a = ask(t, h, "conception_risk", p)
	if a.Value != nil || a.NullReason != "empty_denominator" || *a.Denominator != 0 {
		t.Errorf("conception risk: %+v", a)
	}
	equal(t, "status", look(t, h, "1", "2024-12-01").Status.Code, repro.StatusOpen)
}

func TestBullRun(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01")
	s.add("1", "2024-04-01", &event.Breeding{Method: event.Natural, Sire: "b", Until: day("2024-05-30")})
	h := s.until("2024-06-15").herd()
	v := look(t, h, "1", "2024-06-15")
	// Cows go to a bull without a heat seen: the run proves nothing of the service before it.
	equal(t, "services", outcomes(v), "2024-03-01 unknown (no_result); 2024-04-01 immature (no_result)")
	e, _ := h.Eligibility("1", day("2024-06-15"))
	equal(t, "after the run", e.Verdict, repro.ExamineFirst)
	equal(t, "reason", e.Reasons[0].Code, repro.ReasonBullRun)

	s.pregnant("1", "2024-07-10", 80) // 2024-04-21
	h = s.until("2024-12-01").herd()
	v = look(t, h, "1", "2024-12-01")
	equal(t, "conceived in the run", v.Pregnant.ConceivedOn, day("2024-04-21"))
	equal(t, "estimated", v.Pregnant.Estimated, true)
	p := repro.Params{From: day("2024-01-01"), To: day("2024-12-01"), On: day("2024-12-01")}
	a := ask(t, h, "conception_risk", p)
	// The service failed, since she conceived later; the run itself is no service.
	counts(t, "conception risk", a.Numerator, a.Denominator, 0, 1)
	p.Anchor = day("2024-04-15")
	pr, ir := ask(t, h, "pregnancy_risk_21d", p), ask(t, h, "insemination_risk_21d", p)
	for i, r := range pr.Rows {
		if r.From == day("2024-04-15") {
			counts(t, "pregnant in the run's window", r.Numerator, r.Denominator, 1, 1)
			counts(t, "inseminated in the run's window", ir.Rows[i].Numerator, ir.Rows[i].Denominator, 0, 1)
			equal(t, "exposed to the bull", r.Counts["exposed_to_bull"], 1)
		}
	}
}

func TestArrivalWithAPast(t *testing.T) {
	s := tell(t)
	s.add("1", "2024-03-01", &event.Arrival{
		How: event.Purchased, Parity: event.Int(2), LastCalvedOn: day("2023-11-01"), LastBredOn: day("2024-01-15"), ConceivedOn: day("2024-01-15"),
	})
	s.add("2", "2024-03-01", &event.Arrival{How: event.Purchased, Parity: event.Int(2)})
	h := s.until("2024-06-01").herd()
	v := look(t, h, "1", "2024-06-01")
	equal(t, "lactation", *v.Lactation, 2)
	equal(t, "days in milk", *v.DaysInMilk, int(day("2024-06-01")-day("2023-11-01")))
	equal(t, "due", v.Pregnant.DueOn, day("2024-01-15")+280)
	equal(t, "how", v.Pregnant.ConceivedHow, "stated_on_arrival")
	p := repro.Params{From: day("2023-10-01"), To: day("2024-06-01"), On: day("2024-06-01")}
	for _, key := range []string{"conception_risk", "days_open", "pregnant_per_month"} {
		if a := ask(t, h, key, p); a.Numerator != nil && *a.Numerator != 0 || key == "days_open" && *a.Denominator != 0 {
			t.Errorf("%s counts what happened elsewhere: %+v", key, a.Evidence)
		}
	}
	a := ask(t, h, "pregnancy_risk_21d", p)
	if len(a.Excluded) != 1 || a.Excluded[0].Reason != "calving_unknown" {
		t.Errorf("excluded %+v, want cow 2 for her unknown calving", a.Excluded)
	}
	e, _ := h.Eligibility("2", day("2024-06-01"))
	equal(t, "calving unknown", e.Verdict, repro.ExamineFirst)
}

func TestEarlyPositiveDoesNotCount(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-03-20", 0)
	h := s.until("2024-04-01").herd()
	v := look(t, h, "1", "2024-04-01")
	equal(t, "status", v.Status.Code, repro.StatusBred)
	equal(t, "finding", finds(v, "diagnosis_too_early"), true)
	e, _ := h.Eligibility("1", day("2024-04-01"))
	equal(t, "verdict", e.Verdict, repro.ExamineFirst)
	v = look(t, s.pregnant("1", "2024-04-10", 0).until("2024-04-20").herd(), "1", "2024-04-20")
	equal(t, "status after a second", v.Status.Code, repro.StatusPregnant)
	equal(t, "conceived", v.Pregnant.ConceivedOn, day("2024-03-01"))
}

// R13: a blood or milk test within 60 days of calving still finds the last
// pregnancy.
func TestBloodTestSoonAfterCalving(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01").bred("1", "2024-01-30")
	s.add("1", "2024-02-28", &event.PregnancyDiagnosis{Method: event.Blood, Result: event.Pregnant})
	equal(t, "day 58", look(t, s.until("2024-03-10").herd(), "1", "2024-03-10").Status.Code, repro.StatusBred)
	s.add("1", "2024-03-01", &event.PregnancyDiagnosis{Method: event.Blood, Result: event.Pregnant})
	equal(t, "day 60", look(t, s.herd(), "1", "2024-03-10").Status.Code, repro.StatusPregnant)
}

// What led to a service, as readings of that day or the day before tell it.
func TestHowFound(t *testing.T) {
	at := func(s *story, clock string) *story { s.events[len(s.events)-1].At = clock; return s }
	cow := func() *story { return tell(t).calved("1", "2024-01-01") }
	seen := func(s *story, on, verdict, by string) *story {
		s.add("1", on, &event.Heat{Verdict: verdict, FoundBy: by})
		return s
	}
	for _, w := range []struct {
		want string
		s    *story
	}{
		{"in_heat:chalk", seen(cow(), "2024-03-10", event.InHeat, "chalk").bred("1", "2024-03-10")},
		{"in_heat:sensor", seen(cow(), "2024-03-09", event.InHeat, "sensor").bred("1", "2024-03-10")},
		{"in_heat:watching", at(seen(cow(), "2024-03-10", event.InHeat, "watching").bred("1", "2024-03-10"), "07:30")},
		{"unrecorded", seen(cow(), "2024-03-08", event.InHeat, "chalk").bred("1", "2024-03-10")},
		{"suspect_examined", seen(cow(), "2024-03-10", event.Suspect, "chalk").palpated("1", "2024-03-10", event.InHeat).bred("1", "2024-03-10")},
		{"suspect_not_examined", seen(cow(), "2024-03-10", event.Suspect, "chalk").bred("1", "2024-03-10")},
		{"palpation", cow().palpated("1", "2024-03-10", event.InHeat).bred("1", "2024-03-10")},
	} {
		h := w.s.until("2024-12-01").herd()
		equal(t, "service", look(t, h, "1", "2024-12-01").Services[0].FoundBy, w.want)
		a := ask(t, h, "conception_by_how_found", repro.Params{On: day("2024-12-01")})
		if len(a.Rows) != 1 || a.Rows[0].Label != w.want {
			t.Errorf("rows %+v, want %s", a.Rows, w.want)
		}
	}
	s := cow()
	s.add("1", "2024-03-10", &event.Breeding{Method: event.AI, Basis: event.Timed})
	equal(t, "timed", look(t, s.heat("1", "2024-03-10", event.InHeat).until("2024-12-01").herd(), "1", "2024-12-01").Services[0].FoundBy, "timed")
}

// The chain from readings to pregnancies, each step counted by hand.
func TestYield(t *testing.T) {
	s := tell(t)
	for _, c := range []string{"1", "2", "3", "4", "5"} {
		s.calved(c, "2024-01-01")
	}
	d := "2024-03-10"
	s.heat("1", d, event.InHeat).bred("1", d).pregnant("1", "2024-04-20", 41)
	s.heat("2", d, event.InHeat) // not bred
	s.heat("3", d, event.Suspect).palpated("3", d, event.InHeat).bred("3", "2024-03-11").open("3", "2024-04-20")
	s.heat("4", d, event.Suspect).palpated("4", "2024-03-11", event.NotInHeat)
	s.heat("5", d, event.NotInHeat)
	s.heat("5", "2024-03-11", event.Suspect)
	h := s.until("2024-12-01").herd()
	a := ask(t, h, "heat_reading_yield", repro.Params{On: day("2024-12-01")})
	counts(t, "found of read", a.Numerator, a.Denominator, 3, 6)
	for i, want := range [][2]int{{6, 6}, {2, 6}, {3, 6}, {2, 3}, {1, 2}, {3, 6}, {2, 3}, {1, 2}} {
		counts(t, a.Rows[i].Label, a.Rows[i].Numerator, a.Rows[i].Denominator, want[0], want[1])
	}
	number(t, "conception of obvious heats", a.Measures["conception_of_obvious_heats"], 1, 0)
	number(t, "conception of suspects", a.Measures["conception_of_suspects"], 0, 0)
	number(t, "never examined", a.Measures["suspects_never_examined"], 1, 0)
}

func TestInCalfBy(t *testing.T) {
	s := tell(t)
	for c, d := range map[string]int{"80": 80, "100": 100, "101": 101, "180": 180} {
		s.calved(c, "2024-01-01").bred(c, (day("2024-01-01")+event.Date(d)).String()).pregnant(c, (day("2024-01-01") + event.Date(d+40)).String(), 40)
	}
	s.calved("never", "2024-01-01").calved("left", "2024-01-01").left("left", "2024-03-01", "").calved("late", "2024-09-01")
	h := s.until("2024-12-01").herd()
	p := repro.Params{From: day("2024-01-01"), On: day("2024-12-01")}
	for key, want := range map[string][2]int{"in_calf_by_100d": {2, 5}, "in_calf_by_200d": {4, 5}, "pregnant_by_vwp30": {1, 5}} { // 50 + 30
		a := ask(t, h, key, p)
		counts(t, key, a.Numerator, a.Denominator, want[0], want[1])
		equal(t, key+" provisional", a.Provisional, true) // the late calver
		equal(t, key+" excluded", len(a.Excluded), 2)
	}
}

func TestCalvingInterval(t *testing.T) {
	s := tell(t).calved("1", "2023-01-01", "2024-01-15").calved("2", "2023-02-01", "2024-03-07").calved("3", "2024-02-01").left("3", "2024-06-01", "")
	s.born("4", "2022-01-01").calved("4", "2024-02-01") // her first: no interval
	h := s.until("2024-12-01").herd()
	a := ask(t, h, "calving_interval", repro.Params{From: day("2024-01-01"), On: day("2024-12-01")})
	number(t, "median of 379 and 400", a.Value, 389.5, 0)
	equal(t, "n", *a.Denominator, 2)
	number(t, "left", a.Measures["left"], 1, 0)
	if len(a.Excluded) != 2 || a.Excluded[1].Reason != "previous_calving_unknown" || a.Excluded[1].Count != 1 {
		t.Errorf("excluded %+v", a.Excluded)
	}
}

func TestServicesPerConception(t *testing.T) {
	a := ask(t, constructed(t), "services_per_conception", between("2024-03-04", "2024-05-05"))
	counts(t, "known services over conceptions", a.Numerator, a.Denominator, 11, 7)
	number(t, "value", a.Value, 11.0/7, 1e-12)
	// A2 B2 C1 F2 G2 H2 K5: 16 services of the 7 that conceived.
	number(t, "of cows that conceived", a.Measures["of_cows_that_conceived"], 16.0/7, 1e-12)
	if iv := a.Interval; iv == nil || iv.Low > *a.Value || iv.High < *a.Value {
		t.Errorf("interval %+v around %v", iv, *a.Value)
	}
}

func TestEmbryoTransfer(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01")
	s.add("1", "2024-03-10", &event.Breeding{Method: event.Embryo})
	h := s.pregnant("1", "2024-04-20", 0).until("2024-05-01").herd()
	v := look(t, h, "1", "2024-05-01")
	equal(t, "due, a week sooner", v.Pregnant.DueOn, day("2024-03-10")+273)
	equal(t, "gestation", v.Pregnant.Gestation, 273)
	h = s.calved("1", (day("2024-03-10") + 256).String()).until("2025-01-01").herd()
	equal(t, "calved to it", look(t, h, "1", "2025-01-01").Services[0].Outcome, repro.OutcomePregnant)
}

func TestCalvingReportedTwice(t *testing.T) {
	h := tell(t).born("1", "2020-01-01").calved("1", "2022-01-01", "2022-01-04").until("2022-03-01").herd()
	v := look(t, h, "1", "2022-03-01")
	equal(t, "lactation", *v.Lactation, 1)
	equal(t, "calved", v.CalvedOn, day("2022-01-01"))
	equal(t, "finding", finds(v, "calving_twice"), true)
}

func TestStops(t *testing.T) {
	s := tell(t).calved("1", "2024-01-01")
	s.add("1", "2024-03-01", &event.BreedingStop{Until: day("2024-03-31"), Reason: "lame"})
	s.add("1", "2024-05-01", &event.BreedingStop{})
	s.add("1", "2024-05-10", &event.BreedingResume{})
	h := s.until("2024-06-01").herd()
	for on, want := range map[string]repro.Verdict{
		"2024-02-29": repro.WhenInHeat, "2024-03-01": repro.No, "2024-03-31": repro.No, "2024-04-01": repro.WhenInHeat,
		"2024-05-01": repro.No, "2024-05-09": repro.No, "2024-05-10": repro.WhenInHeat,
	} {
		e, _ := h.Eligibility("1", day(on))
		equal(t, on, e.Verdict, want)
	}
}
