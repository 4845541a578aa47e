package simherd

import (
	"math"

	"byrelog.example/internal/event"
)

// heat is one true heat of hers.
func (s *sim) heat(a *animal) {
	carrying := a.conceived != 0
	if !carrying {
		s.nextHeat(a, s.cycleLength(a))
	}
	a.heatOn = s.today
	h := Heat{
		Individual: a.number, Animal: a.name, On: s.today, Lactation: a.lactation(),
		Walked: s.pens[a.pen].walked, Eligible: s.eligible(a), Pregnant: carrying,
	}
	_, signs := s.summer()
	switch draw := s.life.Float64(); {
	case draw < s.p.Reading.Obvious*signs:
		h.Shown = Obvious
	case draw < (s.p.Reading.Obvious+s.p.Reading.Suspect)*signs:
		h.Shown = Suspect
	}
	if a.run != 0 && !carrying {
		s.cover(a)
	}
	if h.Walked {
		h.Served = s.read(a, h.Shown, true)
	}
	if s.recording() {
		s.truth.Heats = append(s.truth.Heats, h)
	}
}

// eligible tells whether she may be bred for all that is known of her.
func (s *sim) eligible(a *animal) bool {
	if a.known || a.barred() || a.dry || a.lastBred == s.today || a.small || a.run != 0 {
		return false
	}
	if a.parity == 0 {
		return s.today-a.born >= event.Date(s.p.Rearing.BreedAt)
	}
	return s.today-a.calved >= event.Date(s.p.WaitDays) && !s.tooOften(a)
}

// tooOften: she is not bred again in this lactation.
func (s *sim) tooOften(a *animal) bool {
	n := s.p.Breeding.StopNumber
	return n > 0 && a.parity > 0 && a.services >= n
}

// read is what the walker makes of a mark; it tells whether she was served.
func (s *sim) read(a *animal, shown Shown, inHeat bool) bool {
	switch {
	case shown == Missed:
		return false
	case a.known && !a.dry:
		return s.readCarrying(a, shown, inHeat)
	case !s.eligible(a):
		if shown == Obvious && !a.dry && a.lastBred != s.today && s.chance(s.p.Reading.NotedWaiting) {
			s.writeHeat(a, shown)
		}
		return false
	}
	s.writeHeat(a, shown)
	found := FoundObvious
	if shown == Suspect {
		if !s.chance(s.p.Reading.Examined) || !s.feel(a, inHeat) {
			return false
		}
		found = FoundSuspect
	}
	if !s.chance(s.p.Reading.Served) {
		return false
	}
	s.serve(a, found, inHeat)
	return true
}

// readCarrying: she is known to be pregnant and yet marked. She is examined
// before anything else, unless this herd is careless.
func (s *sim) readCarrying(a *animal, shown Shown, inHeat bool) bool {
	s.writeHeat(a, shown)
	if shown == Obvious && s.chance(s.p.Reading.ServePregnant) {
		s.serve(a, FoundObvious, inHeat)
		return true
	}
	if s.chance(s.p.Reading.Examined) {
		method := event.ByPalpation
		if s.today-a.believed < 35 { // too early for the hand
			method = event.Ultrasound
		}
		s.diagnose(a, method, false)
	}
	return false
}

// feel is the examination of a suspect; it tells whether she is found in heat.
func (s *sim) feel(a *animal, inHeat bool) bool {
	felt := s.p.Reading.FeltFalse
	if inHeat && a.conceived == 0 {
		felt = s.p.Reading.FeltInHeat
	}
	verdict := event.NotInHeat
	switch draw := s.life.Float64(); {
	case a.conceived != 0 && s.today-a.conceived >= 35: // felt from about this day on
		verdict = event.Pregnant
	case draw < felt:
		verdict = event.InHeat
	case inHeat && draw < felt+(1-felt)/2:
		verdict = event.Unclear
	}
	s.writePalpation(a, verdict)
	if verdict == event.Pregnant { // whoever found her open may have erred: the examiner sees her again
		a.undiagnosed = true
	}
	return verdict == event.InHeat
}

// misread gives the day's marks of cows that are not in heat: one cow rode
// another, a brush, rain.
func (s *sim) misread() {
	for _, m := range []struct {
		share float64
		shown Shown
	}{{s.p.Reading.FalseSuspect, Suspect}, {s.p.Reading.FalseObvious, Obvious}} {
		for i := s.skip(m.share); i < len(s.present); i += 1 + s.skip(m.share) {
			if a := s.present[i]; s.pens[a.pen].walked && a.heatOn != s.today && a.lastBred != s.today {
				s.read(a, m.shown, false)
			}
		}
	}
}

// skip draws how many trials of chance p fail before the next success.
func (s *sim) skip(p float64) int {
	u := 1 - s.life.Float64() // above 0
	if p <= 0 {
		return math.MaxInt32
	}
	return int(min(math.Log(u)/math.Log1p(-min(p, 0.999999)), math.MaxInt32))
}

// serve breeds her.
func (s *sim) serve(a *animal, found Found, inHeat bool) {
	a.services++
	c := &s.p.Conception
	tech := &s.p.Technicians[pick(s.life, s.p.Technicians, func(w *Worker) float64 { return w.Share })]
	semen := "conventional"
	p := c.Heifer
	if a.parity > 0 {
		p = nth(c.ByService, a.services) * nth(c.ByLactation, a.lactation())
	}
	beef := s.p.Breeding.BeefFrom > 0 && a.parity > 0 && a.services >= s.p.Breeding.BeefFrom
	sire := s.sire(a, beef)
	switch sexed := s.chance(s.p.Breeding.SexedYoung); {
	case sire.Beef:
		semen = "beef"
	case sexed && a.parity == 0:
		semen = "sexed_female"
		p *= c.Sexed
	}
	switch found {
	case FoundSuspect:
		p *= c.Suspect
	case FoundTimed:
		p *= c.Timed
	case FoundObvious, FoundByBull: // the base
	}
	summer, _ := s.summer()
	p = min(p*tech.Factor*sire.Factor*summer, 0.95)
	carrying := a.conceived != 0
	if carrying || !inHeat {
		p = 0
	}
	took := s.chance(p)
	a.lastBred, a.undiagnosed = s.today, true
	if a.known { // whoever serves her has dropped the belief
		a.known = false
	}
	record := s.writeBreeding(a, tech, sire, semen, found)
	pregnancy := -1
	switch {
	case took:
		s.carry(a, s.today)
		a.mate, a.semen = sire.Code, semen
		pregnancy = s.note(a)
	case inHeat && !carrying && s.chance(s.p.Cycle.LateReturn):
		s.nextHeat(a, s.p.Cycle.LateMin+s.life.IntN(s.p.Cycle.LateMax-s.p.Cycle.LateMin+1))
	}
	a.service = -1
	if s.recording() {
		a.service = len(s.truth.Services)
		s.truth.Services = append(s.truth.Services, Service{
			Individual: a.number, Animal: a.name, On: s.today, Event: record, Lactation: a.lactation(), Number: a.services,
			Technician: tech.Code, Sire: sire.Code, Semen: semen, Found: found, TrueHeat: inHeat, Pregnant: carrying,
			Probability: p, Conceived: took, Pregnancy: pregnancy,
		})
	}
}

// sire draws a bull for her, a beef one if wanted and there is one. Her own sire and
// her dam's are passed over for the next of the list, if there is another.
func (s *sim) sire(a *animal, beef bool) *Sire {
	weight := func(want bool) func(*Sire) float64 {
		return func(b *Sire) float64 {
			if b.Beef == want {
				return 1
			}
			return 0
		}
	}
	i := pick(s.life, s.p.Sires, weight(beef))
	if s.p.Sires[i].Beef != beef {
		i = pick(s.life, s.p.Sires, weight(false))
	}
	drawn := &s.p.Sires[i]
	for next := range len(s.p.Sires) {
		b := &s.p.Sires[(i+next)%len(s.p.Sires)]
		if b.Beef == drawn.Beef && b.Code != a.sire && b.Code != a.grand {
			return b
		}
	}
	return drawn
}

// startRun puts the heifers that are old enough and open for all that is known to
// the bull.
func (s *sim) startRun() {
	b := &s.p.Breeding.Bull
	for _, a := range s.present {
		if a.parity == 0 && a.pen == s.young && !a.known && !a.undiagnosed && !a.leaving && !a.small && a.sire != b.Code && s.today-a.born >= event.Date(b.FromAge) {
			a.run = s.today
			s.move(a, s.bull)
			s.plan(s.today+event.Date(b.Days), a, runEnd, 0)
		}
	}
}

// cover is a heat in a run with the bull.
func (s *sim) cover(a *animal) {
	b := &s.p.Breeding.Bull
	summer, _ := s.summer()
	if s.chance(min(s.p.Conception.Heifer*b.Factor*summer, 0.95)) {
		s.carry(a, s.today)
		a.mate = b.Code
		s.note(a)
	}
}

// endRun takes a heifer from the bull; only now the run is written down.
func (s *sim) endRun(a *animal) {
	a.services++
	a.lastBred, a.undiagnosed, a.service = s.today, true, -1
	record := s.writeRun(a)
	if s.recording() {
		a.service = len(s.truth.Services)
		x := Service{
			Individual: a.number, Animal: a.name, On: max(a.run, s.p.First), Event: record, Number: a.services, Technician: keeper,
			Sire: s.p.Breeding.Bull.Code, Found: FoundByBull, Conceived: a.conceived >= a.run, Pregnancy: -1,
		}
		if x.Conceived {
			x.Pregnancy = a.pregnancy
		}
		s.truth.Services = append(s.truth.Services, x)
	}
	a.run = 0
	s.move(a, s.young)
}

// note enters her pregnancy into the truth.
func (s *sim) note(a *animal) int {
	if !s.recording() {
		return -1
	}
	a.pregnancy = len(s.truth.Pregnancies)
	s.truth.Pregnancies = append(s.truth.Pregnancies, Pregnancy{
		Individual: a.number, Animal: a.name, On: a.conceived, Lactation: a.lactation(),
	})
	return a.pregnancy
}

// timed is a step of a service by appointment, or the service itself.
func (s *sim) timed(a *animal, service bool) {
	if !service {
		s.writeTimedStep(a)
		return
	}
	s.nextHeat(a, s.cycleLength(a))
	s.serve(a, FoundTimed, true)
}

// visit is the examiner's round.
func (s *sim) visit() {
	for i := 0; i < len(s.present); i++ {
		a := s.present[i]
		d := &s.p.Diagnosis
		switch {
		case !a.known:
			if a.undiagnosed && s.today-a.lastBred >= event.Date(d.After) {
				s.diagnose(a, d.Method, true)
			}
		case a.recheck < len(d.Recheck) && s.today-a.believed >= event.Date(d.Recheck[a.recheck]),
			s.today-a.believed > 300: // she should have calved
			s.diagnose(a, d.Method, false)
		}
	}
}

// diagnose examines her for pregnancy; the first examination after a service
// may leave it open.
func (s *sim) diagnose(a *animal, method string, first bool) {
	d := &s.p.Diagnosis
	right := d.Sensitivity
	if a.conceived == 0 {
		right = d.Specificity
	}
	pregnant := s.chance(right) == (a.conceived != 0)
	if first && s.chance(d.Unclear) {
		s.writeDiagnosis(a, method, event.Unclear)
		return
	}
	if first && a.service >= 0 && s.truth.Services[a.service].DiagnosedOn == 0 {
		x := &s.truth.Services[a.service]
		x.DiagnosedOn, x.Diagnosis = s.today, event.Open
		if pregnant {
			x.Diagnosis = event.Pregnant
		}
	}
	if !pregnant {
		s.writeDiagnosis(a, method, event.Open)
		s.disbelieve(a)
		return
	}
	s.writeDiagnosis(a, method, event.Pregnant)
	switch {
	case !a.known:
		s.believe(a)
	case a.recheck < len(d.Recheck) && s.today-a.believed >= event.Date(d.Recheck[a.recheck]):
		a.recheck++
	}
	s.place(a)
}

// believe: from now on she counts as pregnant.
func (s *sim) believe(a *animal) {
	a.known, a.undiagnosed, a.recheck = true, false, 0
	a.believed = a.lastBred
	if a.conceived != 0 {
		a.believed = a.conceived
	}
	for a.recheck < len(s.p.Diagnosis.Recheck) && s.today-a.believed+10 >= event.Date(s.p.Diagnosis.Recheck[a.recheck]) {
		a.recheck++
	}
	if a.held {
		s.release(a)
	}
	if a.parity > 0 {
		due := a.believed + event.Date(math.Round(a.breed.GestationCow))
		on := due - event.Date(s.p.DryBefore) + event.Date(s.around(0, 4, -10, 10))
		s.plan(max(on, s.today+1), a, dryOff, a.carried)
	}
}

// disbelieve: from now on she counts as open.
func (s *sim) disbelieve(a *animal) {
	a.known, a.undiagnosed = false, false
	switch {
	case a.parity == 0:
		if s.today-a.born >= event.Date(s.p.Rearing.GiveUpAt) {
			s.plan(s.today+1, a, giveUp, 0)
		}
	case a.dry || s.today-a.calved >= event.Date(s.p.Breeding.StopAfter) || s.tooOften(a):
		s.stop(a)
	}
	s.place(a)
}
