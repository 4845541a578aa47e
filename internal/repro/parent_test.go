package repro_test

import (
	"fmt"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func parents(t *testing.T, h *repro.Herd, animal, on string) string {
	t.Helper()
	v, ok := h.Animal(animal, day(on))
	if !ok {
		t.Fatalf("no animal %s", animal)
	}
	say := func(b *repro.BullView) string {
		if b == nil {
			return "-"
		}
		return b.Code + " " + b.From + ", " + b.Text
	}
	return say(v.Sire) + "; " + say(v.DamSire)
}

// kin lists the findings about a service by a forebear.
func kin(h *repro.Herd, on string) string {
	var out []string
	for _, f := range h.Findings(day(on)) {
		if strings.HasPrefix(f.Code, "bred_by_") {
			out = append(out, fmt.Sprintf("%s %s %s %s %v: %s", f.Animal, f.On, f.Code, f.Severity, f.Seqs, f.Text))
		}
	}
	return strings.Join(out, "\n")
}

// A sire is the one stated, or that of the service from which the calf came, if one
// bull alone served then; a dam's sire is known in the same ways. To breed her by
// either is a finding.
func TestParents(t *testing.T) {
	s := tell(t)
	s.add("G", "2018-01-01", &event.Arrival{How: event.Born, Sire: "b1"})
	s.add("D", "2020-01-01", &event.Arrival{How: event.Purchased, BornOn: day("2018-01-01"), Dam: "G", Parity: event.Int(0)})
	s.add("D", "2020-06-01", &event.Breeding{Method: event.AI, Sire: "b2"})
	s.add("D", "2021-03-08", &event.Calving{}) // 280 days
	s.add("C", "2021-03-09", &event.Arrival{How: event.Born, BornOn: day("2021-03-09"), Dam: "D", Sex: event.Female})
	s.add("D", "2021-06-01", &event.Breeding{Method: event.AI, Sire: "b3"})
	s.add("D", "2021-06-02", &event.Breeding{Method: event.AI, Sire: "b4"})
	s.add("D", "2022-03-08", &event.Calving{})
	s.add("E", "2022-03-08", &event.Arrival{How: event.Born, Dam: "D", Sex: event.Female, DamSire: "b9"})
	s.add("D", "2022-06-01", &event.Breeding{Method: event.Embryo, Sire: "b5"})
	s.add("D", "2023-03-08", &event.Calving{})
	s.add("F", "2023-03-08", &event.Arrival{How: event.Born, Dam: "D", Sex: event.Female})
	s.add("H", "2023-05-01", &event.Arrival{How: event.Born, Dam: "nobody", Sex: event.Female})
	s.add("C", "2022-06-01", &event.Breeding{Method: event.AI, Sire: "b1"}) // of her dam's dam: neither
	s.add("C", "2022-06-25", &event.Breeding{Method: event.AI, Sire: "b2"})
	s.add("C", "2022-07-18", &event.Breeding{Method: event.Natural, Sire: "b7"})
	s.add("E", "2023-06-01", &event.Breeding{Method: event.AI, Sire: "b3"}) // which of the two it was is not known
	s.add("E", "2023-06-24", &event.Breeding{Method: event.AI, Sire: "b9"})
	s.add("E", "2023-07-17", &event.Breeding{Method: event.Embryo, Sire: "b9"}) // no kin of the embryo
	h := s.herd()
	for _, c := range []struct{ animal, want string }{
		{"G", "b1 stated, as stated when she came; -"},
		{"D", "-; b1 stated, as stated when her dam G came"}, // nothing is recorded of the service
		{"C", "b2 service, the bull of the service of D on 2020-06-01; -"},
		{"E", "-; b9 stated, as stated when she came"},
		{"F", "b5 service, the bull of the service of D on 2022-06-01; -"}, // an embryo: D is not her dam by descent
		{"H", "-; -"},
	} {
		equal(t, c.animal, parents(t, h, c.animal, "2023-12-31"), c.want)
	}
	equal(t, "findings", kin(h, "2023-12-31"), `C 2022-06-25 bred_by_sire doubtful [15]: bred by b2, her own sire (the bull of the service of D on 2020-06-01)
E 2023-06-24 bred_by_dams_sire doubtful [18]: bred by b9, the sire of her dam (as stated when she came)`)
	s.add("K", "2023-12-01", &event.Arrival{How: event.Born, Dam: "C", Sex: event.Female})
	equal(t, "the dam's sire, derived", parents(t, s.herd(), "K", "2023-12-31"), "-; b2 service, the bull of the service of D on 2020-06-01")
}

// Sizes are shown as they were recorded.
func TestSizes(t *testing.T) {
	s := tell(t).born("H", "2024-01-01")
	s.add("H", "2025-02-01", &event.Size{BigEnough: event.No, WeightKG: event.Int(310)})
	s.add("H", "2025-03-01", &event.Size{WeightKG: event.Int(340), HeightCM: event.Int(126)})
	s.add("H", "2025-03-20", &event.Size{BigEnough: event.Yes})
	h := s.herd()
	v, _ := h.Animal("H", day("2025-03-19"))
	var out []string
	for _, x := range v.Sizes {
		part := x.On.String()
		if x.BigEnough != nil {
			part += fmt.Sprint(" ", *x.BigEnough)
		}
		if x.WeightKG != nil {
			part += fmt.Sprint(" ", *x.WeightKG, " kg")
		}
		if x.HeightCM != nil {
			part += fmt.Sprint(" ", *x.HeightCM, " cm")
		}
		out = append(out, part)
	}
	equal(t, "up to the day", strings.Join(out, "; "), "2025-02-01 false 310 kg; 2025-03-01 340 kg 126 cm")
}

// An animal answers to her official identity where nobody ever bore that as a number.
func TestOfficialIdentity(t *testing.T) {
	s := tell(t)
	own := func(id string) *event.OfficialID { return &event.OfficialID{Scheme: "herd.own", ID: id} }
	come := func(animal, on, id string) {
		s.add(animal, on, &event.Arrival{How: event.Purchased, OfficialID: own(id)})
	}
	come("1", "2020-01-01", "999000000000001")
	come("1", "2020-02-01", "999000000000101") // a second tag
	come("2", "2020-01-01", "3")
	come("3", "2020-01-01", "AB 12")
	come("4", "2020-01-01", "X9")
	s.left("4", "2021-01-01", "")
	come("4", "2022-01-01", "X9") // back again
	come("5", "2020-01-01", "Y7")
	come("6", "2020-01-01", "Y7")
	s.add("1", "2023-01-01", &event.Renumber{To: "11"})
	come("1", "2023-02-01", "Z1") // another one
	h := s.herd()
	for _, c := range []struct{ text, on, want string }{
		{"999000000000001", "2022-06-01", "1 999000000000001"},
		{"999 000 000 000 001", "2023-06-01", "11 999000000000001"},
		{"999000000000101", "2023-06-01", "11 999000000000001"},
		{"999000000000001", "2019-06-01", "nobody"},
		{"999000000000101", "2020-01-15", "nobody"},
		{"3", "2022-06-01", "3 AB 12"}, // a number goes before
		{"AB 12", "2023-06-01", "3 AB 12"},
		{"Z1", "2023-06-01", "1 Z1"},
		{"X9", "2023-06-01", "4 X9"},
		{"X9", "2021-06-01", "4 X9"},
		{"Y7", "2023-06-01", "the official identity Y7 is recorded of several animals: 5, 6; ask by number"},
		{"herd.own", "2023-06-01", "nobody"},
		{"", "2023-06-01", "nobody"},
	} {
		v, err := h.AnimalCalled(c.text, day(c.on))
		e, errOf := h.EligibilityCalled(c.text, day(c.on))
		got := "nobody"
		switch {
		case err != nil:
			got = err.Error()
			equal(t, "eligibility of "+c.text, fmt.Sprint(errOf), got)
		case v != nil:
			got = v.Name + " " + v.OfficialID.ID
			equal(t, "eligibility of "+c.text, e.Animal, v.Name)
		default:
			equal(t, "eligibility of "+c.text, e == nil && errOf == nil, true)
		}
		equal(t, c.text+" on "+c.on, got, c.want)
	}
	var both []string
	for _, a := range h.Identified("Y7", day("2023-06-01")) {
		both = append(both, a.Name)
	}
	equal(t, "of one identity", strings.Join(both, " "), "5 6")
	r := h.Refusal(tell(t).add("999000000000001", "2023-06-01", &event.Heat{Verdict: event.Suspect}), repro.Asked{})
	if r == nil || !strings.Contains(r.Text, "no animal 999000000000001 is recorded; it is the official identity of 11: events name her by number") {
		t.Errorf("%+v", r)
	}
}
