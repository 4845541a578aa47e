package repro_test

import (
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func TestNumberReusedAfterDeparture(t *testing.T) {
	s := tell(t).born("7", "2020-01-01").calved("7", "2022-01-01").bred("7", "2022-03-01").left("7", "2022-06-01", "lameness")
	s.born("7", "2022-08-01").until("2024-01-01")
	h := s.herd()
	v := look(t, h, "7", "2023-12-01")
	equal(t, "status of the second", v.Status.Code, repro.StatusHeifer)
	equal(t, "services of the second", len(v.Services), 0)
	equal(t, "others", len(v.Others), 1)
	v = look(t, h, "7", "2022-05-01")
	equal(t, "services of the first", len(v.Services), 1)
	v = look(t, h, "7", "2022-07-01")
	equal(t, "between the two", v.Status.Code, repro.StatusGone)
	equal(t, "individuals", len(h.Animals(day("2024-01-01"))), 2)
}

func TestNumberReusedTheSameDay(t *testing.T) {
	s := tell(t).born("7", "2020-01-01").calved("7", "2022-01-01").left("7", "2022-06-01", "").born("7", "2022-06-01").until("2022-07-01")
	h := s.herd()
	v := look(t, h, "7", "2022-06-15")
	equal(t, "status", v.Status.Code, repro.StatusCalf)
	equal(t, "born", v.BornOn, day("2022-06-01"))
	equal(t, "individuals", len(h.Animals(day("2022-07-01"))), 2)
}

// A calf given the number of a cow that nobody recorded as leaving can only be
// another animal.
func TestNumberReusedWithoutDeparture(t *testing.T) {
	s := tell(t).born("7", "2018-01-01").calved("7", "2020-01-01").born("7", "2022-06-01").until("2022-07-01")
	h := s.herd()
	all := h.Animals(day("2022-07-01"))
	equal(t, "individuals", len(all), 2)
	equal(t, "the cow is gone from", all[0].LeftOn, day("2022-06-01"))
	v := look(t, h, "7", "2022-05-01")
	equal(t, "the cow, before", v.Status.Code, repro.StatusOpen)
	before := look(t, h, "7", "2022-06-02")
	equal(t, "the calf", before.Status.Code, repro.StatusCalf)
}

func TestSecondArrivalOfThePresent(t *testing.T) {
	s := tell(t).calved("7", "2022-01-01")
	s.add("7", "2022-02-01", &event.Arrival{How: event.Purchased, Breed: "jersey"})
	h := s.until("2022-03-01").herd()
	v := look(t, h, "7", "2022-03-01")
	equal(t, "individuals", len(h.Animals(day("2022-03-01"))), 1)
	equal(t, "breed", v.Breed, "jersey")
	equal(t, "calvings", len(v.Lactations), 1)
	equal(t, "it is a finding", finds(v, "arrived_twice"), true)
	equal(t, "first seen is a finding", finds(v, "no_arrival"), true)
}

func TestRenumberCarriesHistory(t *testing.T) {
	s := tell(t).born("12", "2020-01-01").calved("12", "2022-01-01").bred("12", "2022-03-10")
	s.add("12", "2022-04-01", &event.Renumber{To: "512"})
	s.pregnant("512", "2022-04-20", 41)
	s.born("12", "2022-04-01") // the number is given to a calf the same day
	h := s.until("2022-05-01").herd()
	v := look(t, h, "512", "2022-05-01")
	equal(t, "status", v.Status.Code, repro.StatusPregnant)
	equal(t, "conceived", v.Pregnant.ConceivedOn, day("2022-03-10"))
	equal(t, "numbers", len(v.Numbers), 2)
	equal(t, "first number until", v.Numbers[0].To, day("2022-03-31"))
	equal(t, "the calf", look(t, h, "12", "2022-05-01").Status.Code, repro.StatusCalf)
	equal(t, "the cow under her old number", look(t, h, "12", "2022-03-20").Status.Code, repro.StatusBred)
	a := ask(t, h, "conception_risk", repro.Params{From: day("2022-01-01"), To: day("2022-05-01"), On: day("2022-05-01")})
	if len(a.Evidence) != 1 || a.Evidence[0].Animal != "12" {
		t.Errorf("evidence %+v, want her service under the number she bore that day", a.Evidence)
	}
}

func TestNumbersExchanged(t *testing.T) {
	s := tell(t).calved("1", "2022-01-01").calved("2", "2022-02-01")
	s.add("1", "2022-03-01", &event.Renumber{To: "2"})
	s.add("2", "2022-03-01", &event.Renumber{To: "1"})
	h := s.until("2022-03-10").herd()
	equal(t, "2 calved", look(t, h, "2", "2022-03-05").CalvedOn, day("2022-01-01"))
	equal(t, "1 calved", look(t, h, "1", "2022-03-05").CalvedOn, day("2022-02-01"))
	equal(t, "1 before", look(t, h, "1", "2022-02-28").CalvedOn, day("2022-01-01"))
	equal(t, "individuals", len(h.Animals(day("2022-03-10"))), 2)
}

func TestEventUnderTheOldNumber(t *testing.T) {
	s := tell(t).calved("1", "2022-01-01")
	s.add("1", "2022-02-01", &event.Renumber{To: "2"})
	h := s.bred("1", "2022-03-10").until("2022-04-01").herd()
	v := look(t, h, "2", "2022-04-01")
	equal(t, "services", len(v.Services), 1)
	equal(t, "it is a finding", finds(v, "old_number"), true)
	equal(t, "individuals", len(h.Animals(day("2022-04-01"))), 1)
}

func TestRenumberOfOneThatIsNotThere(t *testing.T) {
	s := tell(t).calved("1", "2022-01-01").left("1", "2022-02-01", "")
	s.add("1", "2022-03-01", &event.Renumber{To: "2"})
	h := s.until("2022-04-01").herd()
	equal(t, "individuals", len(h.Animals(day("2022-04-01"))), 1)
	equal(t, "it is a finding", finds(look(t, h, "1", "2022-04-01"), "after_leaving"), true)
	s = tell(t)
	s.add("1", "2022-03-01", &event.Renumber{To: "2"}) // the first that is heard of her
	h = s.bred("2", "2022-03-02").until("2022-04-01").herd()
	v := look(t, h, "2", "2022-04-01")
	equal(t, "her services", len(v.Services), 1)
	equal(t, "her numbers", len(v.Numbers), 2)
	equal(t, "individuals", len(h.Animals(day("2022-04-01"))), 1)
}

func TestAfterLeaving(t *testing.T) {
	h := tell(t).calved("1", "2022-01-01").left("1", "2022-03-01", "").bred("1", "2022-04-01").until("2022-05-01").herd()
	v := look(t, h, "1", "2022-05-01")
	equal(t, "services", len(v.Services), 0)
	equal(t, "it is a finding", finds(v, "after_departure") || finds(v, "after_leaving"), true)
}

// Presence ends the day before she leaves, and in a leap year February has 29
// days: 2024-01-10 to 2024-03-01 are 51 days.
func TestLeapDay(t *testing.T) {
	s := tell(t).calved("1", "2024-01-10").bred("1", "2024-02-29").pregnant("1", "2024-04-04", 35).until("2025-06-01")
	h := s.herd()
	v := look(t, h, "1", "2024-03-01")
	equal(t, "days in milk", *v.DaysInMilk, 51)
	e, _ := h.Eligibility("1", day("2024-02-28")) // day 49
	equal(t, "the day before the waiting period ends", e.Verdict, repro.No)
	e, _ = h.Eligibility("1", day("2024-02-29")) // bred that day
	equal(t, "bred today", e.Reasons[0].Code, repro.ReasonSameHeat)
	v = look(t, h, "1", "2024-05-01")
	equal(t, "due", v.Pregnant.DueOn, day("2024-02-29")+280)
	equal(t, "due, written out", v.Pregnant.DueOn.String(), "2024-12-05")
	a := ask(t, h, "pregnant_per_month", repro.Params{From: day("2024-02-01"), To: day("2024-02-29"), On: day("2025-06-01")})
	equal(t, "days of February", a.Rows[0].Counts["days"], 29)
	counts(t, "February", a.Numerator, a.Denominator, 1, 1)
}

func TestWalkReadsTheUnnamed(t *testing.T) {
	s := tell(t)
	for _, c := range []string{"1", "2", "3", "4"} {
		s.add(c, "2024-01-01", &event.Arrival{How: event.Purchased, Parity: event.Int(1), Pen: "a"})
	}
	s.add("4", "2024-01-10", &event.Move{Pen: "b"})
	s.left("3", "2024-01-12", "")
	s.heat("1", "2024-01-11", event.Suspect)
	for _, d := range []string{"2024-01-11", "2024-01-12"} {
		s.add("", d, &event.Walk{Pen: "a"})
	}
	s.add("", "2024-01-12", &event.Walk{Pen: "a"}) // walked twice a day, read once
	h := s.until("2024-01-20").herd()
	a := ask(t, h, "heat_reading_yield", repro.Params{From: day("2024-01-01"), To: day("2024-01-20"), On: day("2024-01-20")})
	// 11 January: 1 read as suspect, 2 and 3 unnamed. 12 January: 1 and 2
	// unnamed, 3 has left. 4 stands in the other pen.
	counts(t, "read", a.Numerator, a.Denominator, 0, 5)
	equal(t, "suspects", *a.Rows[2].Numerator, 1)
	number(t, "never examined", a.Measures["suspects_never_examined"], 1, 0)
	e, _ := h.Eligibility("2", day("2024-01-12"))
	found := false
	for _, r := range e.Reasons {
		found = found || r.Code == repro.ReasonNotInHeat
	}
	equal(t, "the walk is a reading of 2", found, true)
}

func TestRefusal(t *testing.T) {
	s := tell(t).born("1", "2020-01-01").calved("1", "2022-01-01").left("1", "2022-06-01", "")
	s.born("2", "2022-01-01")
	s.add("3", "2020-01-01", &event.Arrival{How: event.Purchased, Sex: event.Male})
	s.calved("4", "2022-01-01").until("2023-01-01")
	h := s.herd()
	event1 := func(animal, on string, d event.Data) *event.Event { return tell(t).add(animal, on, d) }
	for _, w := range []struct {
		name, code string
		onImport   bool
		e          *event.Event
	}{
		{"after she left", repro.RefuseAfterLeaving, false, event1("1", "2022-07-01", &event.Breeding{Method: event.AI})},
		{"on the day she left", "", false, event1("1", "2022-06-01", &event.Heat{Verdict: event.Suspect})},
		{"left twice", repro.RefuseAfterLeaving, false, event1("1", "2022-06-01", &event.Departure{How: event.Died})},
		{"comes back", "", false, event1("1", "2022-07-01", &event.Arrival{How: event.Purchased})},
		{"before birth", repro.RefuseBeforeBirth, false, event1("2", "2021-12-01", &event.Heat{Verdict: event.Suspect})},
		{"heifer of eight months", repro.RefuseYoungHeifer, false, event1("2", "2022-09-01", &event.Breeding{Method: event.AI})},
		{"heifer of nine months", "", false, event1("2", "2022-09-28", &event.Breeding{Method: event.AI})},
		{"number in use", repro.RefuseNumberInUse, true, event1("2", "2022-09-01", &event.Arrival{How: event.Purchased})},
		{"given a number in use", repro.RefuseNumberInUse, false, event1("2", "2022-09-01", &event.Renumber{To: "4"})},
		{"given a free number", "", false, event1("2", "2022-09-01", &event.Renumber{To: "40"})},
		{"a bull calves", repro.RefuseMaleReproduces, true, event1("3", "2022-01-01", &event.Calving{})},
		{"calving after 100 days", repro.RefuseSecondCalving, true, event1("4", "2022-04-11", &event.Calving{})},
		{"calving after 240 days", "", false, event1("4", "2022-08-29", &event.Calving{})},
		{"the same calving again", "", false, event1("4", "2022-01-03", &event.Calving{})},
		{"calf of a bull", repro.RefuseMaleDam, true, event1("9", "2022-01-01", &event.Arrival{How: event.Born, Dam: "3"})},
		{"calf of nobody", repro.RefuseUnknownDam, true, event1("9", "2022-01-01", &event.Arrival{How: event.Born, Dam: "99"})},
		{"calf of a cow", "", false, event1("9", "2022-01-01", &event.Arrival{How: event.Born, Dam: "4"})},
		{"an animal never heard of", repro.RefuseUnknownAnimal, true, event1("5", "2022-01-01", &event.Calving{})},
	} {
		got := ""
		r := h.Refusal(w.e, repro.Asked{})
		if r != nil {
			got = r.Code
			if r.Text == "" || r.FindingOnImport != w.onImport {
				t.Errorf("%s: %+v", w.name, r)
			}
		}
		equal(t, w.name, got, w.code)
	}
}
