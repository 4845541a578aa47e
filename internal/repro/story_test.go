package repro_test

import (
	"fmt"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// story is a log in the making, for tests of single rules.
type story struct {
	t      *testing.T
	events []*event.Event
}

func tell(t *testing.T) *story { t.Helper(); return &story{t: t} }

func (s *story) add(animal, on string, d event.Data) *event.Event {
	s.t.Helper()
	kind := map[string]event.Kind{
		"*event.Arrival": event.KindArrival, "*event.Renumber": event.KindRenumber, "*event.Calving": event.KindCalving,
		"*event.PregnancyLoss": event.KindPregnancyLoss, "*event.Walk": event.KindWalk, "*event.Heat": event.KindHeat,
		"*event.Palpation": event.KindPalpation, "*event.PregnancyDiagnosis": event.KindPregnancyDiagnosis,
		"*event.BreedingStop": event.KindBreedingStop, "*event.BreedingResume": event.KindBreedingResume,
		"*event.Treatment": event.KindTreatment, "*event.Breeding": event.KindBreeding, "*event.DryOff": event.KindDryOff,
		"*event.Size": event.KindSize, "*event.Move": event.KindMove, "*event.Departure": event.KindDeparture,
	}[fmt.Sprintf("%T", d)]
	e := event.New(kind, "story", animal, day(on))
	e.ID, e.Data = uuid.NewSHA1(uuid.Nil, fmt.Appendf(nil, "%d", len(s.events))), d
	if err := e.Validate(day("2030-01-01")); err != nil {
		s.t.Fatal(err)
	}
	s.events = append(s.events, e)
	return e
}

func (s *story) born(animal, on string) *story {
	s.add(animal, on, &event.Arrival{How: event.Born, BornOn: day(on), Sex: event.Female})
	return s
}

func (s *story) calved(animal string, days ...string) *story {
	for _, d := range days {
		s.add(animal, d, &event.Calving{})
	}
	return s
}

func (s *story) bred(animal string, days ...string) *story {
	for _, d := range days {
		s.add(animal, d, &event.Breeding{Method: event.AI})
	}
	return s
}

func (s *story) pregnant(animal, on string, stage int) *story {
	d := &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant}
	if stage > 0 {
		d.DaysPregnant = event.Int(stage)
	}
	s.add(animal, on, d)
	return s
}

func (s *story) open(animal, on string) *story {
	s.add(animal, on, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Open})
	return s
}

func (s *story) heat(animal, on, verdict string) *story {
	s.add(animal, on, &event.Heat{Verdict: verdict})
	return s
}

func (s *story) palpated(animal, on, verdict string) *story {
	s.add(animal, on, &event.Palpation{Verdict: verdict})
	return s
}

func (s *story) left(animal, on, reason string) *story {
	s.add(animal, on, &event.Departure{How: event.Sold, Reason: reason})
	return s
}

// until makes sure that records tell up to a day.
func (s *story) until(on string) *story {
	s.add("", on, &event.Walk{Pen: "end"})
	return s
}

func (s *story) herd() *repro.Herd {
	p := repro.DefaultPolicy()
	p.WaitFirst, p.WaitLater = 50, 50
	return fold(s.events, repro.Policies{{Policy: p}})
}

// look is the animal's page.
func look(t *testing.T, h *repro.Herd, animal, on string) *repro.CowView {
	t.Helper()
	v, ok := h.Animal(animal, day(on))
	if !ok {
		t.Fatalf("nobody bears the number %s on %s", animal, on)
	}
	return v
}

// outcomes writes what became of every service.
func outcomes(v *repro.CowView) string {
	out := ""
	for i, s := range v.Services {
		if i > 0 {
			out += "; "
		}
		out += fmt.Sprintf("%s %s (%s)", s.On, s.Outcome, s.Why)
	}
	return out
}

func finds(v *repro.CowView, code string) bool {
	for _, f := range v.Findings {
		if f.Code == code {
			return true
		}
	}
	return false
}

func equal[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}
