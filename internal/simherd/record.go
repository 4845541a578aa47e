package simherd

import (
	"fmt"
	"math"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// Codes of those who are no technicians.
const (
	examiner = "v1"
	keeper   = "s1"
)

// blank begins an event about an animal (nil for the herd) of today.
func (s *sim) blank(k event.Kind, a *animal, by string) *event.Event {
	name := ""
	if a != nil {
		name = a.name
	}
	e := event.New(k, s.herd, name, s.today)
	e.ID = s.newID()
	e.By = by
	return e
}

// technician is one of them, for readings.
func (s *sim) technician() string {
	return s.p.Technicians[pick(s.ink, s.p.Technicians, func(w *Worker) float64 { return w.Share })].Code
}

func (s *sim) clock(hour, hours int) string {
	return fmt.Sprintf("%02d:%02d", hour+s.ink.IntN(hours), s.ink.IntN(60))
}

// walk decides which pens are walked today and writes it down.
func (s *sim) walk() {
	for i := range s.pens {
		p := &s.pens[i]
		p.walked = p.walk && p.heads > 0 && s.chance(s.p.Reading.Walked)
		if !p.walked || !s.recording() {
			continue
		}
		e := s.blank(event.KindWalk, nil, s.technician())
		e.At = s.clock(5, 2)
		e.Data = &event.Walk{Pen: p.name, Seen: event.Int(p.heads)}
		s.page = append(s.page, e)
	}
}

func (s *sim) writeHeat(a *animal, shown Shown) {
	if !s.recording() {
		return
	}
	d := &event.Heat{Verdict: event.Suspect, Chalk: event.Disturbed, FoundBy: "chalk"}
	if shown == Obvious {
		d.Verdict, d.Chalk = event.InHeat, event.Rubbed
		if s.ink.Float64() < 0.3 {
			d.Chalk = event.Gone
		}
		switch draw := s.ink.Float64(); {
		case draw < s.p.Reading.Watching:
			d.FoundBy, d.Chalk, d.Signs = "watching", "", []string{"standing"}
		case draw < s.p.Reading.Watching+s.p.Reading.Sensor:
			d.FoundBy, d.Chalk, d.Signs = "sensor", "", []string{"restless"}
		}
	}
	if s.ink.Float64() < 0.15 {
		d.Signs = append(d.Signs, "mucus")
	}
	e := s.blank(event.KindHeat, a, s.technician())
	e.Half = event.AM
	e.Data = d
	s.record(e, a)
}

func (s *sim) writePalpation(a *animal, verdict string) {
	if !s.recording() {
		return
	}
	d := &event.Palpation{Verdict: verdict}
	ovary := &event.Ovary{}
	switch verdict {
	case event.InHeat:
		d.Tone, d.Mucus = "strong", "clear"
		ovary.CorpusLuteum, ovary.FollicleMM = event.No, event.Int(14+s.ink.IntN(7))
	case event.NotInHeat, event.Pregnant:
		d.Tone, d.Mucus = "none", "none"
		ovary.CorpusLuteum = event.Yes
	default:
		d.Tone = "some"
		ovary.FollicleMM = event.Int(8 + s.ink.IntN(6))
	}
	if s.ink.IntN(2) == 0 {
		d.Left = ovary
	} else {
		d.Right = ovary
	}
	e := s.blank(event.KindPalpation, a, s.technician())
	e.At = s.clock(8, 1)
	e.Data = d
	s.record(e, a)
}

func (s *sim) writeBreeding(a *animal, tech *Worker, sire *Sire, semen string, found Found) uuid.UUID {
	if !s.recording() {
		return uuid.Nil
	}
	e := s.blank(event.KindBreeding, a, tech.Code)
	e.At = s.clock(9, 3)
	basis := event.ByHeat
	if found == FoundTimed {
		basis = event.Timed
	}
	e.Data = &event.Breeding{
		Basis: basis, Method: event.AI, Semen: semen, Sire: sire.Code,
		Straw: fmt.Sprintf("%s/%03d", sire.Code, s.ink.IntN(1000)),
	}
	s.record(e, a)
	return e.ID
}

// writeRun notes a run with a bull that ends today.
func (s *sim) writeRun(a *animal) uuid.UUID {
	if !s.recording() {
		return uuid.Nil
	}
	e := s.blank(event.KindBreeding, a, keeper)
	e.On = max(a.run, s.p.First)
	e.Data = &event.Breeding{Method: event.Natural, Sire: s.p.Breeding.Bull.Code, Until: s.today}
	s.record(e, a)
	return e.ID
}

func (s *sim) writeDiagnosis(a *animal, method, result string) {
	if !s.recording() {
		return
	}
	d := &event.PregnancyDiagnosis{Method: method, Result: result}
	if result == event.Pregnant {
		since := a.conceived
		if since == 0 { // a wrong finding: the examiner goes by the last service
			since = a.lastBred
		}
		if days := int(s.today-since) + s.ink.IntN(5) - 2; since != 0 && days >= 0 {
			d.DaysPregnant = event.Int(min(days, 330))
		}
		if method == event.Ultrasound && a.conceived != 0 {
			d.Fetuses = event.Int(1)
			if a.twins {
				d.Fetuses = event.Int(2)
			}
		}
	}
	e := s.blank(event.KindPregnancyDiagnosis, a, examiner)
	e.Data = d
	s.record(e, a)
}

func (s *sim) writeLoss(a *animal) {
	if !s.recording() {
		return
	}
	days := int(s.today - a.conceived)
	d := &event.PregnancyLoss{DaysPregnant: event.Int(days), Seen: "abortion"}
	if days < 45 {
		d.Seen = "embryo_loss"
	}
	e := s.blank(event.KindPregnancyLoss, a, keeper)
	e.Data = d
	s.remark(e, "found membranes in the stall", "sent a sample", "no other cow affected")
	s.record(e, a)
}

func (s *sim) writeCalving(a *animal, calves []calf) {
	if !s.recording() {
		return
	}
	d := &event.Calving{Parity: event.Int(a.lactation() + 1), Ease: event.Int(1)}
	if s.ink.Float64() < nth(s.p.Calving.Assisted, d.Parity.N) {
		d.Ease = event.Int(2 + int(min(s.ink.ExpFloat64()/2, 3)))
	}
	for _, c := range calves {
		row := event.Calf{Outcome: c.fate, Sex: event.Male}
		if c.female {
			row.Sex = event.Female
		}
		if c.kept != nil {
			row.Tag = c.kept.name
		}
		d.Calves = append(d.Calves, row)
	}
	e := s.blank(event.KindCalving, a, keeper)
	e.Data = d
	s.remark(e, "calf drank well", "helped with both hands", "afterbirth came within six hours", "calf small but lively")
	s.record(e, a)
}

// remark adds a note to some events. The salt is drawn like everything else, so
// that the bytes of an invented herd are always the same.
func (s *sim) remark(e *event.Event, texts ...string) {
	n := s.noise.IntN(len(texts))
	if s.noise.Float64() >= s.p.Noise.Noted {
		return
	}
	e.Note = texts[n]
	var salt event.Salt
	for i := range salt {
		salt[i] = byte(s.noise.IntN(256))
	}
	salt[0] |= 1 // never all zero, which would mean no salt
	e.Seal(salt)
}

func (s *sim) writeDryOff(a *animal) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindDryOff, a, keeper)
	s.record(e, a)
}

func (s *sim) writeMove(a *animal) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindMove, a, keeper)
	e.Data = &event.Move{Pen: s.pens[a.pen].name}
	s.record(e, a)
}

func (s *sim) writeStop(a *animal, reason string) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindBreedingStop, a, keeper)
	e.Data = &event.BreedingStop{Reason: reason}
	s.record(e, a)
}

func (s *sim) writeResume(a *animal) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindBreedingResume, a, keeper)
	e.Data = &event.BreedingResume{Reason: "clean"}
	s.record(e, a)
}

func (s *sim) writeCure(a *animal) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindTreatment, a, examiner)
	e.Data = &event.Treatment{Class: "antibiotic", MilkWithheldUntil: s.today + 4, MeatWithheldUntil: s.today + 14}
	s.record(e, a)
}

func (s *sim) writeTimedStep(a *animal) {
	if !s.recording() {
		return
	}
	d := &event.Treatment{Program: "timed", Class: "gnrh", Step: "1"}
	switch s.p.Breeding.TimedAt - int(s.today-a.calved) {
	case 3:
		d.Class, d.Step = "prostaglandin", "2"
	case 1:
		d.Step = "3"
	}
	e := s.blank(event.KindTreatment, a, s.technician())
	e.Data = d
	s.record(e, a)
}

func (s *sim) writeDeparture(a *animal, how, reason string) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindDeparture, a, keeper)
	e.Data = &event.Departure{How: how, Reason: reason}
	s.page = append(s.page, e)
}

func (s *sim) writeRenumber(a *animal, to string) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindRenumber, a, keeper)
	e.Data = &event.Renumber{To: to}
	s.page = append(s.page, e)
}

func (s *sim) writeBirth(a *animal) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindArrival, a, keeper)
	e.Data = &event.Arrival{
		How: event.Born, BornOn: a.born, Breed: a.breed.Name, Dam: a.dam, Sire: a.sire, DamSire: a.grand, Pen: s.pens[a.pen].name, Sex: event.Female,
		OfficialID: s.transponder(a),
	}
	s.page = append(s.page, e)
}

// writeSize notes whether a heifer is big enough to be bred, and what she weighs
// unless kg is 0.
func (s *sim) writeSize(a *animal, kg int) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindSize, a, keeper)
	d := &event.Size{BigEnough: event.Yes}
	if kg > 0 {
		d.WeightKG = event.Int(kg)
	}
	if a.small {
		d.BigEnough = event.No
	}
	e.Data = d
	s.page = append(s.page, e)
}

func (s *sim) writePurchase(a *animal) {
	if !s.recording() {
		return
	}
	e := s.blank(event.KindArrival, a, keeper)
	e.Data = &event.Arrival{
		How: event.Purchased, BornOn: a.born, Breed: a.breed.Name, Pen: s.pens[a.pen].name, Sex: event.Female,
		Parity: event.Int(0), LastBredOn: a.lastBred, ConceivedOn: a.conceived, OfficialID: s.transponder(a),
	}
	s.page = append(s.page, e)
}

// writeOpening brings in an animal that was there before the record began. It
// says no more than the herd knows: a service without a diagnosis is a service.
func (s *sim) writeOpening(a *animal) {
	e := s.blank(event.KindArrival, a, keeper)
	e.At = "00:00"
	d := &event.Arrival{
		How: event.Transferred, BornOn: a.born, Breed: a.breed.Name, Dam: a.dam, Sire: a.sire, DamSire: a.grand, Pen: s.pens[a.pen].name, Sex: event.Female,
		Parity: event.Int(a.lactation()), LastCalvedOn: a.calved, LastBredOn: a.lastBred, OfficialID: s.transponder(a),
	}
	if a.known {
		d.ConceivedOn = a.believed
	}
	e.Data = d
	s.page = append(s.page, e)
	if a.dry {
		s.page = append(s.page, s.blank(event.KindDryOff, a, keeper))
	}
	if a.parity == 0 && a.pen == s.young {
		s.writeSize(a, 0)
	}
	if a.barred() {
		e := s.blank(event.KindBreedingStop, a, keeper)
		e.Data = &event.BreedingStop{Reason: "stopped before the record began"}
		s.page = append(s.page, e)
	}
}

// transponder is a code of the series 999, which is set aside for tests and
// names no country.
func (s *sim) transponder(a *animal) *event.OfficialID {
	if !s.p.OfficialIDs {
		return nil
	}
	return &event.OfficialID{Scheme: "std.iso.11785", ID: fmt.Sprintf("999%012d", a.number)}
}

// record writes an event down with what goes wrong on the way. Each kind of
// noise is drawn for each event, so that a share stays what it says.
func (s *sim) record(e *event.Event, a *animal) {
	n := &s.p.Noise
	unwritten := n.Missing
	if e.Kind == event.KindCalving {
		unwritten = n.Uncalved
	}
	missing, swapped, corrected := s.mishap(unwritten), s.mishap(n.Swapped), s.mishap(n.Corrected)
	late, doubled := s.mishap(n.Late), s.mishap(n.Doubled)
	delay := event.Date(1 + s.noise.IntN(max(n.LateMax, 1)))
	other := s.noise.IntN(math.MaxInt32)
	repeatable := e.Kind == event.KindHeat || e.Kind == event.KindBreeding || e.Kind == event.KindPregnancyDiagnosis
	if missing {
		return
	}
	if swapped && repeatable && a.parity > 0 {
		e.Animal = s.cows[other%len(s.cows)].name
	}
	on := s.today
	if late {
		on += delay
	}
	switch {
	case corrected && (e.Kind == event.KindBreeding || e.Kind == event.KindPregnancyDiagnosis):
		s.correct(e, on, delay)
	default:
		s.file(on, e)
	}
	if doubled && repeatable {
		twin := *e
		twin.ID, twin.Replaces = s.newNoiseID(), uuid.Nil
		twin.By = s.p.Technicians[other%len(s.p.Technicians)].Code
		if twin.Kind == event.KindPregnancyDiagnosis {
			twin.By = keeper
		}
		s.file(on, &twin)
	}
}

func (s *sim) mishap(p float64) bool { return s.noise.Float64() < p }

// file puts an event on the page of the day on which it is recorded.
func (s *sim) file(on event.Date, e *event.Event) {
	switch {
	case on == s.today:
		s.page = append(s.page, e)
	case on <= s.p.Last:
		s.later[on] = append(s.later[on], e)
	}
}

// correct records the event wrongly first, and delay days later the withdrawal
// and the right version, which keeps the event's own id.
func (s *sim) correct(e *event.Event, on, delay event.Date) {
	wrong := *e
	wrong.ID = s.newNoiseID()
	switch d := e.Data.(type) {
	case *event.Breeding:
		w := *d
		w.Sire, w.Straw = s.p.Sires[s.noise.IntN(len(s.p.Sires))].Code, ""
		wrong.Data = &w
	case *event.PregnancyDiagnosis:
		w := *d
		w.Result, w.DaysPregnant, w.Fetuses = event.Unclear, event.OptInt{}, event.OptInt{}
		wrong.Data = &w
	}
	s.file(on, &wrong)
	void := event.New(event.KindVoid, s.herd, "", on+delay)
	void.ID, void.By = s.newNoiseID(), e.By
	void.Data = &event.Void{Event: wrong.ID, Reason: "written wrongly"}
	s.file(on+delay, void)
	e.Replaces = wrong.ID
	s.file(on+delay, e)
}

func (s *sim) newNoiseID() uuid.UUID { return freeID(s.noise) }
