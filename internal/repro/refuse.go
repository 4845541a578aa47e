package repro

import (
	"fmt"
	"slices"

	"byrelog.example/internal/event"
)

// Codes of refusals: the rules of indices.md section 4 that are marked E.
const (
	RefuseAfterLeaving   = "after_departure"
	RefuseBeforeBirth    = "before_birth"
	RefuseNumberInUse    = "number_in_use"
	RefuseYoungHeifer    = "heifer_too_young"
	RefuseSecondCalving  = "calving_too_soon"
	RefuseMaleDam        = "dam_male"
	RefuseUnknownDam     = "dam_unknown"
	RefuseMaleReproduces = "not_female"
	RefuseUnknownAnimal  = "unknown_animal"
)

const (
	heiferAgeMin       = 270 // R10: nine months
	calvingIntervalMin = 240 // R17
)

// Asked is what the request that brings an event says beyond it.
type Asked struct {
	Unknown string // UnknownRefuse or UnknownBegin; "" = as the policy of the event's day says
	Pen     string // the pen that whoever recorded it stood in, if it is known
}

// Refusal tells whether an event cannot be right, given what the log holds; it
// is nil for an event that may be recorded. Voids and herd-level events never
// are refused here. An event of a number that nobody ever bore is refused unless an
// arrival brings it, the request lets it begin a history, or the policy does.
func (h *Herd) Refusal(e *event.Event, asked Asked) (refusal *Refusal) {
	if e.Animal == "" || e.Kind == event.KindVoid {
		return nil
	}
	names := []string{e.Animal}
	switch d := e.Data.(type) {
	case *event.Arrival:
		names = append(names, d.Dam)
	case *event.Renumber:
		names = append(names, d.To)
	}
	h.around(func(f *folded) {
		refusal = (&lookup{h: h, on: e.On, last: e.On, f: f}).refusal(e, &asked) // all that is known, also of later days
	}, names...)
	if refusal != nil && refusal.Code == RefuseUnknownAnimal {
		refusal.Text += h.nearText(e, asked.Pen) // no second look around within the first
	}
	return refusal
}

func (k *lookup) refusal(e *event.Event, asked *Asked) *Refusal {
	l, all := k.find(e.Animal)
	if e.Kind == event.KindArrival {
		return k.refuseArrival(e, l)
	}
	if len(all) == 0 {
		begins := asked.Unknown
		if begins == "" {
			begins = k.h.policies.On(e.On).UnknownAnimals
		}
		if begins == UnknownBegin {
			return nil
		}
		return refuse(RefuseUnknownAnimal, true, "no animal %s is recorded", e.Animal)
	}
	if l == nil {
		if all[0].in > e.On && all[0].born > e.On {
			return refuse(RefuseBeforeBirth, false, "%s was born on %s", e.Animal, all[0].born)
		}
		return nil
	}
	switch {
	case l.out != 0 && e.On > l.out:
		return refuse(RefuseAfterLeaving, false, "%s left the herd on %s and has not come back by a recorded arrival", e.Animal, l.out)
	case l.out != 0 && e.Kind == event.KindDeparture:
		return refuse(RefuseAfterLeaving, false, "%s left the herd on %s already", e.Animal, l.out)
	case l.born != 0 && e.On < l.born:
		return refuse(RefuseBeforeBirth, false, "%s was born on %s", e.Animal, l.born)
	}
	if l.sex == male && femaleOnly(e.Kind) {
		return refuse(RefuseMaleReproduces, true, "%s is recorded as male", e.Animal)
	}
	switch d := e.Data.(type) {
	case *event.Breeding:
		if lac := &l.lactations[l.lactationOn(e.On)]; l.born != 0 && lac.number <= 0 && lac.calved == 0 && e.On-l.born < heiferAgeMin {
			return refuse(RefuseYoungHeifer, false, "%s is %d days old; no heifer is bred before %d days", e.Animal, e.On-l.born, heiferAgeMin)
		}
	case *event.Calving:
		return k.refuseCalving(e, l)
	case *event.Renumber:
		if other, _ := k.find(d.To); other != nil && other != l && other.present(e.On) && k.h.words.text(other.name(e.On)) == d.To {
			return refuse(RefuseNumberInUse, false, "another animal bears the number %s; give that one another number first", d.To)
		}
	}
	return nil
}

// femaleOnly tells whether an event can only befall a female.
func femaleOnly(k event.Kind) bool {
	return slices.Contains([]event.Kind{
		event.KindCalving, event.KindPregnancyLoss, event.KindPregnancyDiagnosis, event.KindBreeding, event.KindDryOff,
	}, k)
}

func refuse(code string, onImport bool, format string, args ...any) *Refusal {
	return &Refusal{Code: code, Text: fmt.Sprintf(format, args...), FindingOnImport: onImport}
}

func (k *lookup) refuseArrival(e *event.Event, l *life) *Refusal {
	d, ok := e.Data.(*event.Arrival)
	if !ok {
		return nil
	}
	if l != nil && l.present(e.On) && l.how != 0 && l.in <= e.On {
		return refuse(RefuseNumberInUse, true, "%s came on %s and has not left", e.Animal, l.in)
	}
	if d.How != event.Born || d.Dam == "" {
		return nil
	}
	dam, _ := k.find(d.Dam)
	switch {
	case dam == nil:
		return refuse(RefuseUnknownDam, true, "nothing is recorded of a dam %s by that day", d.Dam)
	case dam.sex == male:
		return refuse(RefuseMaleDam, true, "the dam %s is recorded as male", d.Dam)
	}
	return nil
}

// refuseCalving holds a calving against her others. Two within a week are two
// reports of the same one: that is a finding.
func (k *lookup) refuseCalving(e *event.Event, l *life) *Refusal {
	for i := range l.lactations {
		other := l.lactations[i].calved
		if other == 0 {
			continue
		}
		if gap := max(other-e.On, e.On-other); gap > sameCalving && gap < calvingIntervalMin && !lostBetween(l, min(other, e.On), max(other, e.On)) {
			return refuse(RefuseSecondCalving, true, "%s calved on %s: %d days lie between, and no loss", e.Animal, other, gap)
		}
	}
	return nil
}

func lostBetween(l *life, from, to event.Date) bool {
	for i := range l.pregnancies {
		if on := l.pregnancies[i].lostOn; on > from && on <= to {
			return true
		}
	}
	return false
}
