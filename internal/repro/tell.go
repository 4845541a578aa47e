package repro

import (
	"byrelog.example/internal/event"
)

// teller turns the records of one individual into her history.
//
// It goes through them in order once, so that every conclusion is one that
// the records up to then allow; later records may withdraw it, by rules that
// are written where they are applied (pregnancy.go). When all are told, the
// outcome of every service follows (service.go).
type teller struct {
	h     *Herd
	l     *life
	merge int
	carry int // index of the pregnancy that she carries, or -1
}

func (t *teller) tell() {
	l := t.l
	t.carry = -1
	t.room()
	t.start()
	for i := range l.recs {
		r := &l.recs[i]
		switch r.kind {
		case event.KindArrival:
			t.arrival(r)
		case event.KindCalving:
			t.calving(r)
		case event.KindPregnancyLoss:
			t.loss(r)
		case event.KindHeat:
			if r.a == inHeat && t.carries(r.on) {
				t.note(noteHeatPregnant, r)
			}
		case event.KindPalpation:
			switch {
			case r.a == pregnant:
				t.positive(r)
			case r.a == inHeat && t.carries(r.on):
				t.note(noteHeatPregnant, r)
			}
		case event.KindPregnancyDiagnosis:
			switch r.a {
			case pregnant:
				t.positive(r)
			case open:
				t.negative(r)
			}
		case event.KindBreedingStop:
			t.stop(r)
		case event.KindBreedingResume:
			t.resume(r.on)
		case event.KindBreeding:
			t.breeding(i)
		case event.KindDryOff:
			if lac := t.lactation(); lac.dried == 0 {
				lac.dried = r.on
			}
		case event.KindMove:
			t.move(r.text, r.on)
		case event.KindRenumber, event.KindDeparture: // told by the folder
		case event.KindTreatment, event.KindSize: // asked for when it is needed
		case event.KindWalk, event.KindVoid: // not of an animal
		}
	}
	t.settle()
}

// room makes room for what is sure to be told of, in one piece each.
func (t *teller) room() {
	if cap(t.l.lactations) > 0 { // the memory of an earlier life: mostly enough
		return
	}
	var calvings, breedings, pens int
	for i := range t.l.recs {
		switch t.l.recs[i].kind {
		case event.KindCalving:
			calvings++
		case event.KindBreeding:
			breedings++
		case event.KindMove, event.KindArrival:
			pens++
		default:
		}
	}
	t.l.lactations = make([]lactation, 0, calvings+1)
	if breedings > 0 {
		t.l.services = make([]service, 0, breedings)
	}
	if pens > 0 {
		t.l.pens = make([]stay, 0, pens)
	}
}

func (t *teller) note(code noteCode, r *rec) {
	t.l.notes = append(t.l.notes, note{code, r.on, r.seq})
}

// start opens the time before her first calving recorded here. What she was
// then is told by her arrival, or by the number of that calving.
func (t *teller) start() {
	l := t.l
	first := lactation{number: unknownParity, brought: true}
	for i := range l.recs {
		r := &l.recs[i]
		if r.kind == event.KindArrival {
			if p := &t.l.side.pasts[r.text]; p.parity >= 0 {
				first.number = p.parity
				break
			} else if p.calved == 0 && p.how == bornHere {
				first.number = 0
				break
			}
		}
		if r.kind == event.KindCalving {
			if r.num > 0 {
				first.number = r.num - 1
			}
			break
		}
	}
	if first.number == 0 {
		first.brought = false
	}
	l.lactations = append(l.lactations, first)
}

func (t *teller) lactation() *lactation { return &t.l.lactations[len(t.l.lactations)-1] }

// arrival takes over what she brought. A second arrival of the same animal
// adds what the first left out.
func (t *teller) arrival(r *rec) {
	l, p := t.l, &t.l.side.pasts[r.text]
	set := func(at *event.Date, v event.Date) {
		if *at == 0 {
			*at = v
		}
	}
	set(&l.born, p.born)
	if l.born == 0 && p.how == bornHere {
		l.born = r.on
	}
	if l.breed == 0 {
		l.breed = p.breed
	}
	for _, w := range [...]struct {
		at *word
		v  word
	}{{&l.dam, p.dam}, {&l.sire, p.sire}, {&l.damSire, p.damSire}} {
		if *w.at == 0 {
			*w.at = w.v
		}
	}
	if l.officialID == 0 {
		l.officialID, l.scheme = p.officialID, p.scheme
	}
	if l.sex == 0 {
		l.sex = p.sex
	}
	t.move(p.pen, r.on)
	if len(l.lactations) > 1 {
		return
	}
	lac := t.lactation()
	if p.calved != 0 && lac.number != 0 && lac.calved == 0 {
		lac.calved, lac.seq, lac.brought = p.calved, r.seq, true
	}
	if p.bred != 0 && len(l.services) == 0 && p.bred >= lac.calved {
		l.services = append(l.services, service{
			first: p.bred, last: p.bred, number: 1, method: ai, brought: true, pregnancy: -1,
			from: -1, to: -1, breedings: 1,
		})
		lac.service[1] = 1
	}
	if p.conceived != 0 && t.carry < 0 && p.conceived >= lac.calved {
		s := t.serviceNear(p.conceived, r.on, 0)
		t.conceive(pregnancy{conceived: p.conceived, how: byStatement, service: s, confirmed: r.on, lastSeen: r.on, seq: r.seq, method: byArrival})
	}
}

func (t *teller) move(pen word, on event.Date) {
	l := t.l
	if pen == 0 {
		return
	}
	if n := len(l.pens); n > 0 {
		if l.pens[n-1].pen == pen {
			return
		}
		if l.pens[n-1].from == on { // moved twice in a day: the last holds
			l.pens[n-1].pen = pen
			return
		}
	}
	l.pens = append(l.pens, stay{pen, on})
}

// stop begins a stop, or replaces the one in force.
func (t *teller) stop(r *rec) {
	t.resume(r.on)
	t.l.stops = append(t.l.stops, stop{r.on, r.until, r.text})
}

// resume ends the stop in force: the day of resuming is no longer part of it.
func (t *teller) resume(on event.Date) {
	n := len(t.l.stops)
	if n == 0 {
		return
	}
	s := &t.l.stops[n-1]
	if s.to != 0 && s.to < on {
		return
	}
	if s.from >= on {
		t.l.stops = t.l.stops[:n-1]
		return
	}
	s.to = on - 1
}

// calving ends a lactation and begins the next.
func (t *teller) calving(r *rec) {
	l := t.l
	lac := t.lactation()
	if lac.calved != 0 && r.on-lac.calved <= sameCalving {
		t.note(noteCalvingTwice, r)
		return
	}
	t.calved(r)
	lac.end = r.on
	next := lactation{number: unknownParity, calved: r.on, seq: r.seq}
	switch {
	case lac.number >= 0:
		next.number = lac.number + 1
		if r.num > 0 && r.num != next.number {
			t.note(noteParity, r)
		}
	case r.num > 0:
		next.number = r.num
	}
	n := int32(len(l.services))
	next.service = [2]int32{n, n}
	l.lactations = append(l.lactations, next)
	t.carry = -1
}

// sameCalving is how many days apart two reports of a calving are taken for
// the same one (indices.md R20).
const sameCalving = 7
