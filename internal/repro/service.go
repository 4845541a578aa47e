package repro

import (
	"strings"

	"byrelog.example/internal/event"
)

// breeding adds a breeding to the service of the same heat, or begins one.
// Runs with a bull stand alone: they have no heat that they belong to.
func (t *teller) breeding(i int) {
	l, r := t.l, &t.l.recs[i]
	if t.carries(r.on) {
		t.note(noteBredPregnant, r)
	}
	run := r.a == natural && r.until != 0
	lac := t.lactation()
	n := len(l.services)
	for n > int(lac.service[0]) && l.services[n-1].run {
		n-- // a run that begins in between does not part the breedings of a heat
	}
	if n > int(lac.service[0]) && !run {
		s := &l.services[n-1]
		if !s.brought && int(r.on-s.last) <= t.merge {
			s.last, s.to = r.on, int32(i+1)
			s.breedings++
			s.siresDiffer = s.siresDiffer || s.sire != r.text
			s.sire, s.by, s.method, s.semen, s.basis = r.text, t.h.recorders[r.who].by, r.a, r.b, r.c
			return
		}
	}
	s := service{
		first: r.on, last: r.on, run: run,
		lactation: int16(len(l.lactations) - 1),
		number:    int16(len(l.services) - int(lac.service[0]) + 1),
		from:      int32(i), to: int32(i + 1), breedings: 1, pregnancy: -1,
		sire: r.text, by: t.h.recorders[r.who].by, method: r.a, semen: r.b, basis: r.c,
	}
	if run {
		s.last = r.until
	}
	l.services = append(l.services, s)
	lac.service[1] = int32(len(l.services))
}

// found is what led to a service.
type found uint8

const (
	foundUnrecorded found = iota // no reading that day or the day before
	foundObvious                 // read in heat
	foundExamined                // a suspect, found in heat by palpation
	foundPalpation               // found in heat by palpation, without a reading
	foundSuspect                 // a suspect, bred without examination
	foundTimed                   // bred by the clock
	foundRun                     // a run with a bull
)

var foundCodes = []string{"unrecorded", "in_heat", "suspect_examined", "palpation", "suspect_not_examined", "timed", "bull_run"}

var foundTexts = []string{
	"no reading of the day or the day before is recorded", "read in heat", "read as suspect, then found in heat by palpation",
	"found in heat by palpation without a reading", "read as suspect and bred without examination",
	"bred by the clock", "run with a bull",
}

// find tells from the readings of the day and of the day before what led to a
// service.
func (t *teller) find(s *service) {
	switch {
	case s.run:
		s.found = foundRun
		return
	case s.basis == 2:
		s.found = foundTimed
		return
	case s.brought:
		return
	}
	// The whole day counts: the time of a reading is often left out, and then
	// it stands at noon.
	var obvious, suspected, felt bool
	i := int(s.from)
	for i > 0 && t.l.recs[i-1].on >= s.first-1 {
		i--
	}
	for ; i < len(t.l.recs) && t.l.recs[i].on <= s.first; i++ {
		switch r := &t.l.recs[i]; {
		case r.kind == event.KindHeat && r.a == inHeat:
			if !obvious || r.c != 0 {
				s.foundBy = r.c
			}
			obvious = true
		case r.kind == event.KindHeat && r.a == suspect:
			suspected = true
			if s.foundBy == 0 {
				s.foundBy = r.c
			}
		case r.kind == event.KindPalpation && r.a == inHeat:
			felt = true
		}
	}
	switch {
	case obvious:
		s.found = foundObvious
	case suspected && felt:
		s.found = foundExamined
	case felt:
		s.found = foundPalpation
	case suspected:
		s.found = foundSuspect
	}
}

// settle gives every service its outcome.
//
// In this order: she conceived to it; she was pregnant already, so that it had
// no chance; or the earliest proof that she did not conceive to it: bred again
// (by a later service that is no run with a bull: cows are put to a bull
// without having been seen in heat), diagnosed open, conceived later to
// something else, left for infertility. Else it stays undecided.
func (t *teller) settle() {
	l := t.l
	for i := range l.services {
		s := &l.services[i]
		t.find(s)
		if s.pregnancy >= 0 {
			t.settlePregnant(s, &l.pregnancies[s.pregnancy])
			continue
		}
		if p := t.pregnantAt(s); p != nil {
			s.outcome, s.why, s.whyOn, s.whySeq = undecided, whyWasPregnant, s.first, p.seq
			continue
		}
		t.settleFailed(i, s)
	}
}

func (t *teller) settlePregnant(s *service, p *pregnancy) {
	s.outcome, s.whyOn, s.whySeq = conceived, p.confirmed, p.seq
	switch p.method {
	case byCalving:
		s.why = whyCalved
	case byLoss:
		s.why = whyLossSeen
	case byArrival:
		s.why = whyStated
	default:
		s.why = whyDiagnosed
	}
	if p.lostOn != 0 {
		s.outcome = lost
	}
}

// pregnantAt is the pregnancy that she carried when the service was made.
func (t *teller) pregnantAt(s *service) *pregnancy {
	for i := range t.l.pregnancies {
		p := &t.l.pregnancies[i]
		if p.lactation == s.lactation && p.begins() < s.first && (p.lostOn == 0 || s.first <= p.lostOn) {
			return p
		}
	}
	return nil
}

func (t *teller) settleFailed(i int, s *service) {
	l := t.l
	fail := func(w why, on event.Date, seq int64) {
		if s.outcome != failed || on < s.whyOn {
			s.outcome, s.why, s.whyOn, s.whySeq = failed, w, on, seq
		}
	}
	if s.why == whyOpen { // noted by negative
		fail(whyOpen, s.whyOn, s.whySeq)
	}
	lac := &l.lactations[s.lactation]
	for k := i + 1; k < int(lac.service[1]); k++ {
		if n := &l.services[k]; !n.run && n.first > s.last {
			fail(whyBredAgain, n.first, l.recs[n.from].seq)
			break
		}
	}
	for k := range l.pregnancies {
		if p := &l.pregnancies[k]; p.lactation == s.lactation && p.conceived > s.last {
			fail(whyLaterConceived, p.confirmed, p.seq)
			break
		}
	}
	if s.outcome == failed {
		return
	}
	switch last := l.services[lac.service[1]-1]; {
	case lac.end != 0:
		// She calved and it was not to this service: the calving is too soon or
		// too late for it. Nobody knows what became of it.
		s.why, s.whyOn, s.whySeq = whyCalvedElse, lac.end, l.lactations[s.lactation+1].seq
	case l.out != 0 && s.first == last.first && infertile(t.h.words.text(l.outReason)):
		fail(whyInfertile, l.out, l.outSeq)
	case l.out != 0:
		s.why, s.whyOn, s.whySeq = whyLeft, l.out, l.outSeq
	}
}

// infertile tells whether a reason of leaving says infertility, in the word
// that the log documents.
func infertile(reason string) bool {
	return strings.Contains(strings.ToLower(reason), "infertil")
}
