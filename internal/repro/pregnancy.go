package repro

import (
	"math"

	"byrelog.example/internal/event"
)

// Bounds of the rules below, in days; sources in indices.md section 4.
const (
	gestationMin   = 260 // R3: a calving is attributed to a conception 260 to 302 days before
	gestationMax   = 302
	gestationUsual = 18 // R3: three standard deviations of 6 days around the breed's mean
	stageSlip      = 10 // R12: stage and service agree within ten days
	stageReach     = 21 // derived: one cycle; a service further away is not the one examined
	lossMin        = 20 // derived: no loss is seen before the cow could have been known pregnant
)

// tooEarly tells whether a diagnosis so many days after conception or service
// proves nothing: before the herd's own days for the method, or before the
// published ones (R13: ultrasound 26, palpation 35, blood and milk 28) where
// the herd's are later, since those also serve to time its work lists.
func (t *teller) tooEarly(r *rec, since event.Date) bool {
	p := t.h.policies.On(r.on)
	var days int
	switch r.b {
	case byUltrasound:
		days = min(p.DiagnoseUltrasound, 26)
	case byBlood, byMilk:
		days = min(p.DiagnoseBlood, 28)
		if r.b == byMilk {
			days = min(p.DiagnoseMilk, 28)
		}
		if c := t.lactation().calved; r.a == pregnant && c != 0 && int(r.on-c) < p.DiagnoseAfterCalving {
			return true // the test still finds the last pregnancy
		}
	default:
		days = min(p.DiagnosePalpation, 35)
	}
	return int(r.on-since) < days
}

// carries tells whether she is known to be pregnant on a day at this point of
// the telling.
func (t *teller) carries(on event.Date) bool {
	return t.carry >= 0 && t.l.pregnancies[t.carry].begins() < on
}

// conceive begins a pregnancy.
func (t *teller) conceive(p pregnancy) {
	l := t.l
	p.lactation = int16(len(l.lactations) - 1)
	t.carry = len(l.pregnancies)
	if p.service >= 0 {
		l.services[p.service].pregnancy = int32(t.carry)
	}
	l.pregnancies = append(l.pregnancies, p)
}

// distance is how far a conception on a day would lie from a service.
func (s *service) distance(on event.Date) int {
	switch {
	case on < s.first:
		return int(s.first - on)
	case on > s.last:
		return int(on - s.last)
	case s.run:
		return 0
	}
	return int(s.last - on) // within a merged service: its end counts
}

// serviceNear finds the service of this lactation that lies nearest to a
// conception on the target day, begun before the day of the exam and at most
// reach days away; of two at the same distance the later. -1 = none.
func (t *teller) serviceNear(target, exam event.Date, reach int) int32 {
	lac := t.lactation()
	best, far := int32(-1), reach
	for i := lac.service[0]; i < lac.service[1]; i++ {
		s := &t.l.services[i]
		if s.first >= exam {
			continue
		}
		if d := s.distance(target); d <= far {
			best, far = i, d
		}
	}
	return best
}

// conceptionIn is the conception date that a service gives, when an exam
// points to the target day (0 = to none in particular).
func conceptionIn(s *service, target, exam event.Date) (event.Date, conception) {
	if !s.run {
		return s.last, byService
	}
	last := min(s.last, exam-1)
	if target == 0 {
		return s.first + (last-s.first)/2, byRun
	}
	return min(max(target, s.first), last), byRun
}

// positive tells a diagnosis of pregnancy.
func (t *teller) positive(r *rec) {
	if t.carry >= 0 { // also of the same day: diagnosed twice
		t.confirm(r)
		return
	}
	p, ok := t.read(r)
	if !ok {
		return
	}
	if t.reinstate(r, p) {
		return
	}
	t.conceive(p)
}

// read finds what a positive diagnosis says of conception. With a stage: the
// nearest service, or the stage itself where no service lies within a cycle
// of it. Without: the latest service old enough for the method. It is false
// if the diagnosis comes too early to count.
func (t *teller) read(r *rec) (pregnancy, bool) {
	l := t.l
	p := pregnancy{service: -1, confirmed: r.on, lastSeen: r.on, seq: r.seq, method: r.b}
	if r.kind == event.KindPregnancyDiagnosis {
		p.fetuses = r.c
	}
	lac := t.lactation()
	if r.num > 0 {
		target := r.on - event.Date(r.num)
		p.service = t.serviceNear(target, r.on, stageReach)
		if p.service < 0 {
			p.conceived, p.how = target, byStageAlone
			if lac.calved != 0 && target <= lac.calved {
				p.conceived, p.how = 0, conceptionUnknown
			}
			t.note(noteNoService, r)
		} else {
			s := &l.services[p.service]
			p.conceived, p.how = conceptionIn(s, target, r.on)
			if !s.run {
				p.how = byStage
			}
			if s.distance(target) > stageSlip {
				t.note(noteStageOff, r)
			}
		}
		since := p.conceived
		if since == 0 {
			since = target
		}
		if t.tooEarly(r, since) {
			return p, t.early(r, p.service)
		}
		return p, true
	}
	for i := lac.service[1] - 1; i >= lac.service[0]; i-- {
		s := &l.services[i]
		since := s.last
		if s.run {
			since = s.first
		}
		if s.first < r.on && !t.tooEarly(r, since) {
			p.service = i
			p.conceived, p.how = conceptionIn(s, 0, r.on)
			return p, true
		}
	}
	if lac.service[1] > lac.service[0] {
		return p, t.early(r, lac.service[1]-1)
	}
	if since := lac.calved; since != 0 && t.tooEarly(r, since) {
		return p, t.early(r, -1)
	}
	t.note(noteNoService, r)
	return p, true
}

// early notes a diagnosis that does not count; it is always false.
func (t *teller) early(r *rec, service int32) bool {
	t.note(noteEarlyPositive, r)
	if service >= 0 {
		t.l.services[service].early = true
	}
	return false
}

// confirm tells a further diagnosis of a cow known to be pregnant. With a
// stage that points to a later service than the one she conceived to, the
// first pregnancy was lost unseen and she conceived again; one that points to
// an earlier service corrects a date that was taken without a stage. Anything
// else confirms what is known.
func (t *teller) confirm(r *rec) {
	l := t.l
	cur := &l.pregnancies[t.carry]
	if r.kind == event.KindPregnancyDiagnosis && r.c > cur.fetuses {
		cur.fetuses = r.c
	}
	if r.num > 0 && cur.conceived == 0 {
		if p, ok := t.read(r); ok && p.conceived != 0 {
			cur.conceived, cur.how, cur.service = p.conceived, p.how, p.service
			if p.service >= 0 {
				l.services[p.service].pregnancy = int32(t.carry)
			}
		}
	} else if r.num > 0 {
		target := r.on - event.Date(r.num)
		near := t.serviceNear(target, r.on, stageReach)
		off := int(target - cur.conceived)
		switch {
		case near < 0 || near == cur.service || (off >= -stageSlip && off <= stageSlip):
			if off < -stageSlip || off > stageSlip {
				t.note(noteConceptions, r)
			}
		case l.services[near].first > cur.conceived && l.services[near].first > cur.lastSeen:
			t.lose(cur, l.services[near].first-1, r.seq, lossLater)
			p := pregnancy{service: near, confirmed: r.on, lastSeen: r.on, seq: r.seq, method: r.b, how: byStage}
			p.conceived, _ = conceptionIn(&l.services[near], target, r.on)
			t.conceive(p)
			return
		case cur.how == byService:
			l.services[cur.service].pregnancy = -1
			cur.service, cur.how = near, byStage
			cur.conceived, _ = conceptionIn(&l.services[near], target, r.on)
			l.services[near].pregnancy = int32(t.carry)
		default:
			t.note(noteConceptions, r)
		}
	}
	cur.lastSeen = r.on
}

// reinstate withdraws a loss that only a diagnosis of open implied, when a
// later diagnosis finds the same pregnancy.
func (t *teller) reinstate(r *rec, p pregnancy) bool {
	l := t.l
	n := len(l.pregnancies)
	if n == 0 {
		return false
	}
	last := &l.pregnancies[n-1]
	if last.lostHow != lossOpen || int(last.lactation) != len(l.lactations)-1 {
		return false
	}
	same := p.service >= 0 && p.service == last.service
	if p.service < 0 && p.conceived != 0 {
		off := int(p.conceived - last.conceived)
		same = off >= -stageSlip && off <= stageSlip
	}
	if !same {
		return false
	}
	last.lostOn, last.lostHow, last.lostSeq = 0, notLost, 0
	last.lastSeen = r.on
	t.carry = n - 1
	t.note(noteReinstated, r)
	return true
}

func (t *teller) lose(p *pregnancy, on event.Date, seq int64, how lossHow) {
	p.lostOn, p.lostSeq, p.lostHow = on, seq, how
	t.carry = -1
}

// negative tells a diagnosis of open. Of a cow known to be pregnant it means
// that the pregnancy is lost, detected on that day; a heat or a service never
// does (R11). Of services it settles those old enough for the method.
func (t *teller) negative(r *rec) {
	l := t.l
	if t.carry >= 0 {
		p := &l.pregnancies[t.carry]
		if t.tooEarly(r, p.begins()) {
			t.note(noteEarlyOpen, r)
			return
		}
		t.lose(p, r.on, r.seq, lossOpen)
	}
	lac := t.lactation()
	for i := lac.service[0]; i < lac.service[1]; i++ {
		s := &l.services[i]
		if s.pregnancy >= 0 || s.why == whyOpen || s.last >= r.on {
			continue
		}
		if t.tooEarly(r, s.last) {
			t.note(noteEarlyOpen, r)
			continue
		}
		s.why, s.whyOn, s.whySeq, s.answered = whyOpen, r.on, r.seq, true
	}
}

// loss tells a recorded loss. It proves the pregnancy where nothing else did.
func (t *teller) loss(r *rec) {
	l := t.l
	defer func() { // whatever she was bred to before, she carries nothing now
		for i := t.lactation().service[0]; i < t.lactation().service[1]; i++ {
			if s := &l.services[i]; s.last < r.on {
				s.answered = true
			}
		}
	}()
	if t.carry >= 0 {
		t.lose(&l.pregnancies[t.carry], r.on, r.seq, lossSeen)
		return
	}
	p := pregnancy{service: -1, confirmed: r.on, lastSeen: r.on, seq: r.seq, method: byLoss}
	t.dateLoss(&p, r)
	if n := len(l.pregnancies); n > 0 {
		// Not bred since the last loss, nor pregnant from later by the stage: it is
		// that loss, reported again or after the diagnosis that implied it.
		last := &l.pregnancies[n-1]
		if int(last.lactation) == len(l.lactations)-1 && last.lostOn != 0 && t.nothingSince(last.lostOn) &&
			(r.num <= 0 || r.on-event.Date(r.num) <= last.lostOn) {
			if last.lostHow == lossOpen {
				last.lostHow, last.lostSeq = lossSeen, r.seq
			}
			if last.conceived == 0 && r.num > 0 {
				last.conceived, last.how, last.service = p.conceived, p.how, p.service
				if p.service >= 0 {
					l.services[p.service].pregnancy = int32(n - 1)
				}
			}
			return
		}
	}
	if p.service < 0 && r.num <= 0 {
		t.note(noteNothingLost, r)
	}
	t.conceive(p)
	t.lose(&l.pregnancies[t.carry], r.on, r.seq, lossSeen)
}

// dateLoss finds what a loss says of conception. With a stage: the service
// nearest to it, or the stage itself where none lies within a cycle of it.
// Without: the latest service old enough. Services that another pregnancy came
// of are not asked.
func (t *teller) dateLoss(p *pregnancy, r *rec) {
	l, lac := t.l, t.lactation()
	target, begun, reach := r.on-lossMin, r.on-lossMin, math.MaxInt
	if r.num > 0 {
		target, begun, reach = r.on-event.Date(r.num), r.on-1, stageReach
	}
	for i := lac.service[0]; i < lac.service[1]; i++ {
		s := &l.services[i]
		if d := s.distance(target); s.pregnancy < 0 && s.first <= begun && d <= reach {
			p.service, reach = i, d
		}
	}
	switch {
	case p.service >= 0 && r.num > 0:
		p.conceived, p.how = conceptionIn(&l.services[p.service], target, r.on)
	case p.service >= 0:
		p.conceived, p.how = conceptionIn(&l.services[p.service], 0, r.on)
	case r.num > 0 && (lac.calved == 0 || target > lac.calved):
		p.conceived, p.how = target, byStageAlone
	}
}

// nothingSince tells whether she was not bred after a day. A run may outlast
// the services that follow its beginning.
func (t *teller) nothingSince(on event.Date) bool {
	for i := range t.l.services {
		if t.l.services[i].last > on {
			return false
		}
	}
	return true
}

// calved closes the pregnancy that a calving ends.
//
// The one that she is known to carry, if the gestation is within three
// standard deviations of her breed's mean. If it is not, the service of this
// lactation that lies 260 to 302 days before the calving and nearest to the
// mean: then the known pregnancy was lost unseen. Without such a service the
// known pregnancy is kept unless its gestation is longer than any (a shorter
// one is a premature calving), and else the conception is estimated as the
// calving less the mean.
func (t *teller) calved(r *rec) {
	l, lac := t.l, t.lactation()
	mean := t.h.policies.On(r.on).Gestation(t.h.words.text(l.breed), lac.heifer())
	if t.carry >= 0 {
		p := &l.pregnancies[t.carry]
		if p.conceived == 0 {
			p.service, p.conceived, p.how = t.calvingService(r.on, mean)
			if p.service >= 0 {
				l.services[p.service].pregnancy = int32(t.carry)
			}
			p.calved, p.calvedSeq = r.on, r.seq
			return
		}
		days := int(r.on-p.conceived) + l.embryoAge(p)
		service := int32(-1)
		if days < mean-gestationUsual || days > mean+gestationUsual {
			t.note(noteGestation, r)
			service, _, _ = t.calvingService(r.on, mean)
		}
		later := service >= 0 && service != p.service && l.services[service].last > p.conceived
		if !later && days <= gestationMax {
			p.calved, p.calvedSeq = r.on, r.seq
			return
		}
		begun := r.on - event.Date(mean)
		if later {
			begun = l.services[service].first
		}
		t.lose(p, max(begun-1, p.lastSeen), r.seq, lossCalving)
	}
	service, on, how := t.calvingService(r.on, mean)
	if service < 0 && t.notLost(r, mean) {
		return
	}
	p := pregnancy{service: service, conceived: on, how: how, confirmed: r.on, lastSeen: r.on, seq: r.seq, method: byCalving, calved: r.on, calvedSeq: r.seq}
	t.conceive(p)
}

// notLost withdraws the loss of the last pregnancy of this lactation if the
// calving fits its conception and no service since: then it was not lost.
func (t *teller) notLost(r *rec, mean int) bool {
	l := t.l
	n := len(l.pregnancies)
	if n == 0 {
		return false
	}
	p := &l.pregnancies[n-1]
	days := int(r.on-p.conceived) + l.embryoAge(p)
	if int(p.lactation) != len(l.lactations)-1 || p.conceived == 0 || p.lostHow == lossCalving ||
		days < mean-gestationUsual || days > mean+gestationUsual {
		return false
	}
	p.lostOn, p.lostHow, p.lostSeq = 0, notLost, 0
	p.lastSeen, p.calved, p.calvedSeq = r.on, r.on, r.seq
	t.note(noteReinstated, r)
	return true
}

// transferAge is how old an embryo is when it is transferred (common practice;
// indices.md R4 reckons with six days less from transfer to calving).
const transferAge = 7

// embryoAge is how many days before her service she conceived: none, unless an
// embryo was transferred.
func (l *life) embryoAge(p *pregnancy) int {
	if p.service >= 0 && l.services[p.service].method == embryo {
		return transferAge
	}
	return 0
}

// calvingService finds the service that fits a calving, or else estimates the
// conception. Services that another pregnancy came of are not asked.
func (t *teller) calvingService(on event.Date, mean int) (int32, event.Date, conception) {
	l, lac := t.l, t.lactation()
	target := on - event.Date(mean)
	best, far := int32(-1), math.MaxInt
	for i := lac.service[0]; i < lac.service[1]; i++ {
		s := &l.services[i]
		age := event.Date(0)
		if s.method == embryo {
			age = transferAge
		}
		if s.pregnancy >= 0 || int(on-s.first+age) < gestationMin || int(on-s.last+age) > gestationMax {
			continue
		}
		if d := s.distance(target + age); d <= far {
			best, far = i, d
		}
	}
	if best >= 0 {
		s := &l.services[best]
		if s.run {
			c, how := conceptionIn(s, target, on)
			return best, c, how
		}
		return best, s.last, byCalvingService
	}
	if lac.calved != 0 && target <= lac.calved {
		return -1, 0, conceptionUnknown
	}
	return -1, target, byCalvingAlone
}
