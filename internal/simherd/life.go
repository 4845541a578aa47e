package simherd

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

const infertility = "infertility" // the word that settles a last service as failed

// animal is one female of the herd.
type animal struct {
	number int // Individual in the truth
	name   string
	dam    string
	sire   string // her sire's code, and her dam's sire's; "" where nobody knows
	grand  string
	breed  *Breed
	born   event.Date
	calved event.Date // last calving
	pen    int
	at     int // index in sim.present
	atCow  int // index in sim.cows
	gone   bool
	way    Reason // how she leaves, once it is drawn

	// What is so. The counts tell which of her planned deeds still hold.
	parity    int32
	cycle     int32 // heats planned so far
	carried   int32 // pregnancies so far
	conceived event.Date
	mate      string // code of the bull that she conceived to, if known
	semen     string // and the semen
	twins     bool
	lossSeen  float64
	pregnancy int // index into the truth, -1 if it is not there
	heatOn    event.Date

	// What the people of the herd believe.
	services    int // in this lactation
	lastBred    event.Date
	undiagnosed bool
	service     int  // the last one, index into the truth, -1 if it is not there
	known       bool // pregnant
	believed    event.Date
	recheck     int
	dry         bool
	stopped     bool       // for good
	held        bool       // for a while
	leaving     bool       // sold, goes tomorrow
	frame       float64    // her weight over what one of her breed and age weighs; 0 before she is weighed
	small       bool       // weighed and not big enough to be bred
	run         event.Date // begin of the run with a bull that she is in
}

func (a *animal) barred() bool { return a.stopped || a.held }

// lactation is the index of the factors of conception.
func (a *animal) lactation() int { return int(a.parity) }

// enter adds an animal to the herd.
func (s *sim) enter(a *animal) *animal {
	s.born++
	a.number = s.born
	a.pregnancy, a.service = -1, -1
	if a.name == "" {
		a.name = s.number(a.parity == 0)
	}
	if a.breed == nil {
		a.breed = &s.p.Breeds[pick(s.life, s.p.Breeds, func(b *Breed) float64 { return b.Share })]
	}
	a.at = len(s.present)
	s.present = append(s.present, a)
	if a.parity > 0 {
		s.join(a)
	}
	s.pens[a.pen].heads++
	return a
}

func (s *sim) number(young bool) string {
	s.tags++
	if young && s.p.Renumber {
		return fmt.Sprintf("h%04d", s.tags)
	}
	return fmt.Sprintf("%04d", s.tags)
}

// join puts a cow that has calved among the cows.
func (s *sim) join(a *animal) {
	a.atCow = len(s.cows)
	s.cows = append(s.cows, a)
}

func (s *sim) depart(a *animal, how, reason string) {
	s.writeDeparture(a, how, reason)
	a.gone = true
	last := s.present[len(s.present)-1]
	s.present[a.at], last.at = last, a.at
	s.present = s.present[:len(s.present)-1]
	if a.parity > 0 {
		last = s.cows[len(s.cows)-1]
		s.cows[a.atCow], last.atCow = last, a.atCow
		s.cows = s.cows[:len(s.cows)-1]
		s.left++
	}
	s.pens[a.pen].heads--
	if a.conceived != 0 && a.pregnancy >= 0 {
		s.truth.Pregnancies[a.pregnancy].LeftOn = s.today
	}
	if s.recording() {
		s.truth.Departures = append(s.truth.Departures, Left{
			Individual: a.number, Animal: a.name, On: s.today, Lactation: a.lactation(), How: how, Reason: reason,
		})
	}
}

func (s *sim) move(a *animal, to int) {
	if a.pen == to {
		return
	}
	s.pens[a.pen].heads--
	s.pens[to].heads++
	a.pen = to
	s.writeMove(a)
}

// fate draws when and why she leaves for another reason than infertility in this
// lactation: the hazard is a step higher in the first days after the calving.
func (s *sim) fate(a *animal) {
	reasons := s.p.Leaving.Reasons
	total := 0.0
	for _, r := range reasons {
		total += r.PerYear
	}
	if total == 0 {
		return
	}
	l := &s.p.Leaving
	hazard := total / 365 * nth(l.ByLactation, a.lactation())
	days := s.life.ExpFloat64() / hazard
	if fresh := float64(l.FreshDays) - float64(s.today-a.calved); fresh > 0 { // days of these count for Fresh each
		days = min(days/l.Fresh, fresh) + max(days-fresh*l.Fresh, 0)
	}
	a.way = reasons[pick(s.life, reasons, func(r *Reason) float64 { return r.PerYear })]
	s.plan(s.today+event.Date(min(1+days, 1e5)), a, leave, a.parity)
}

// populate fills the herd at the start of the warm-up with a rough mixture that
// two years of life bring to its steady state.
func (s *sim) populate() {
	const cycleDays, openDays = 390, 120
	for range s.p.Cows {
		parity := 1
		for parity < 9 && s.chance(0.68) {
			parity++
		}
		stage := event.Date(s.life.IntN(cycleDays))
		a := s.enter(&animal{
			parity: int32(parity), calved: s.today - stage, pen: s.emptiest(s.milking),
			born: s.today - stage - event.Date(720+(parity-1)*cycleDays+s.life.IntN(60)),
		})
		s.fate(a)
		s.plan(a.calved+event.Date(s.p.Breeding.StopAfter), a, stop, a.parity)
		s.place(a)
		s.plan(a.calved+event.Date(s.p.Pens.FreshDays), a, mingle, a.parity)
		if stage < openDays {
			s.nextHeat(a, 1+s.life.IntN(22))
			continue
		}
		s.carry(a, a.calved+openDays)
		a.services, a.lastBred, a.undiagnosed = 1, a.conceived, true
		if stage > openDays+45 {
			s.believe(a)
		}
	}
	const reared = 0.36 // heifers that calve, a year and cow
	conceives := s.p.Rearing.BreedAt + 60
	for range int(math.Round(float64(s.p.Cows) * reared * float64(conceives+280) / 365)) {
		age := s.life.IntN(conceives + 260)
		a := s.enter(&animal{born: s.today - event.Date(age), pen: s.calves})
		if age < conceives {
			s.rear(a)
			continue
		}
		s.move(a, s.young)
		s.carry(a, a.born+event.Date(conceives))
		a.services, a.lastBred, a.undiagnosed = 1, a.conceived, true
	}
}

// rear plans a heifer's way to her first breeding.
func (s *sim) rear(a *animal) {
	breed := a.born + event.Date(s.p.Rearing.BreedAt)
	if s.chance(s.p.Rearing.Lost) {
		a.way = Reason{How: event.Died, Text: "illness as a calf"}
		s.plan(a.born+2+event.Date(s.life.IntN(s.p.Rearing.BreedAt)), a, leave, 0)
	}
	if ready := breed - 14; ready > s.today {
		s.plan(ready, a, grow, 0)
	} else {
		s.move(a, s.young)
	}
	s.plan(a.born+event.Date(s.p.Rearing.GiveUpAt), a, giveUp, 0)
	s.nextHeat(a, max(int(breed-s.today), 0)+1+s.life.IntN(21))
}

// measure judges whether a heifer is big enough to be bred, by eye or by weight. She
// weighs what a heifer that grows evenly to 59 % of her mature weight in 13 months
// does (common practice, no source), times a frame of her own.
func (s *sim) measure(a *animal) {
	r := &s.p.Rearing
	if r.BigAt == 0 {
		s.writeSize(a, 0)
		return
	}
	if a.frame == 0 {
		a.frame = 1 + float64(s.around(0, 50, -150, 150))/1000
	}
	grown := 0.06 + 0.53*float64(s.today-a.born)/396
	kg := int(math.Round(a.breed.MatureKG * grown * a.frame))
	a.small = float64(kg) < r.BigAt*a.breed.MatureKG
	s.writeSize(a, kg)
	if a.small {
		s.plan(s.today+28, a, weigh, 0)
	}
}

// nextHeat plans her next heat and cancels any other.
func (s *sim) nextHeat(a *animal, days int) {
	a.cycle++
	s.plan(s.today+event.Date(days), a, heat, a.cycle)
}

func (s *sim) cycleLength(a *animal) int {
	mean := s.p.Cycle.CowDays
	if a.parity <= 1 {
		mean = s.p.Cycle.HeiferDays
	}
	return s.around(mean, s.p.Cycle.SD, 17, 27)
}

// carry makes her pregnant since the day given, today or before, and plans how
// it ends. A loss that would lie before today did not happen.
func (s *sim) carry(a *animal, since event.Date) {
	a.cycle++
	a.carried++
	a.conceived, a.pregnancy, a.lossSeen, a.mate, a.semen = since, -1, 0, "", ""
	lived := int(s.today - since)
	mean := a.breed.GestationCow
	if a.parity == 0 {
		mean = a.breed.GestationHeifer
	}
	a.twins = s.chance(s.p.Calving.Twins)
	if a.twins {
		mean -= s.p.Calving.TwinsDays
	}
	sd := a.breed.GestationStdDays
	ends, lost := max(s.around(mean, sd, mean-3*sd, mean+3*sd), lived+1), false
	for _, l := range s.p.Losses {
		day := l.From + s.life.IntN(l.To-l.From)
		if s.chance(l.Share) && !lost && day > lived {
			ends, lost, a.lossSeen = day, true, l.Seen
		}
	}
	if lost {
		s.plan(since+event.Date(ends), a, lose, a.carried)
	} else {
		s.plan(since+event.Date(ends), a, calve, a.carried)
	}
	if s.chance(s.p.Cycle.WhilePregnant) {
		if day := 20 + s.life.IntN(220); day < ends-10 {
			s.plan(since+event.Date(day), a, heatCarrying, a.carried)
		}
	}
}

func (s *sim) lose(a *animal) {
	seen := s.chance(a.lossSeen) && a.known
	if a.pregnancy >= 0 {
		p := &s.truth.Pregnancies[a.pregnancy]
		p.LostOn, p.LossSeen = s.today, seen
	}
	if seen {
		s.writeLoss(a)
	}
	a.conceived, a.pregnancy = 0, -1
	s.nextHeat(a, 7+s.life.IntN(18))
	if seen {
		s.disbelieve(a)
	}
}

// place puts her where a cow of her stage stands. One that stays in her group stays
// in her pen.
func (s *sim) place(a *animal) {
	group := s.milking
	switch {
	case a.parity == 0:
		return
	case a.dry:
		s.move(a, s.dry)
		return
	case s.p.Pens.Fresh != "" && s.today-a.calved < event.Date(s.p.Pens.FreshDays):
		group = s.fresh
	case a.known && a.recheck >= len(s.p.Diagnosis.Recheck) && len(s.p.Pens.Pregnant) > 0:
		group = s.pregnant
	}
	if a.pen < group.from || a.pen >= group.to {
		s.move(a, s.emptiest(group))
	}
}

func (s *sim) calve(a *animal) {
	young := a.parity == 0
	if young && s.p.Renumber {
		to := s.number(false)
		s.writeRenumber(a, to)
		a.name = to
	}
	calves := s.deliver(a)
	s.writeCalving(a, calves)
	if a.pregnancy >= 0 {
		s.truth.Pregnancies[a.pregnancy].CalvedOn = s.today
	}
	a.parity++
	if s.recording() {
		s.truth.Calvings = append(s.truth.Calvings, Born{
			Individual: a.number, Animal: a.name, On: s.today, Lactation: a.lactation(),
			Gestation: int(s.today - a.conceived), Calves: len(calves),
		})
	}
	if young {
		s.join(a)
	}
	a.calved, a.conceived, a.pregnancy = s.today, 0, -1
	a.services, a.lastBred, a.undiagnosed = 0, 0, false
	a.known, a.dry, a.stopped, a.held = false, false, false, false
	a.small, a.run = false, 0
	s.place(a)
	s.plan(s.today+event.Date(s.p.Pens.FreshDays), a, mingle, a.parity)
	for _, c := range calves {
		if c.kept != nil {
			s.enter(c.kept)
			s.writeBirth(c.kept)
			s.rear(c.kept)
		}
	}
	s.lactate(a)
}

// lactate plans the lactation that begins.
func (s *sim) lactate(a *animal) {
	c := &s.p.Cycle
	first := s.around(c.FirstHeat, c.FirstHeatSD, 12, 365)
	if s.chance(c.Silent) {
		first += c.SilentDays
	}
	s.nextHeat(a, first)
	s.fate(a)
	s.plan(s.today+event.Date(s.p.Breeding.StopAfter), a, stop, a.parity)
	if s.chance(s.p.Breeding.Held) {
		s.plan(s.today+event.Date(18+s.life.IntN(20)), a, hold, a.parity)
	}
	if s.chance(s.p.Breeding.Timed) {
		at := s.today + event.Date(s.p.Breeding.TimedAt)
		for _, before := range []event.Date{timedLead, 3, 1} {
			s.plan(at-before, a, timedStep, a.parity)
		}
		s.plan(at, a, timedService, a.parity)
	}
}

// calf is one calf at birth; kept is set for a heifer that is reared.
type calf struct {
	female bool
	fate   string
	kept   *animal
}

func (s *sim) deliver(a *animal) []calf {
	n := 1
	if a.twins {
		n = 2
	}
	calves := make([]calf, n)
	bull, female, stillborn := false, s.p.Calving.Female, nth(s.p.Calving.Stillborn, a.lactation()+1)
	if a.semen == "sexed_female" {
		female = s.p.Calving.FemaleSexed
	}
	for i := range calves {
		calves[i].female = s.chance(female)
		bull = bull || !calves[i].female
		calves[i].fate = event.Alive
		switch draw := s.life.Float64() / max(stillborn, 1e-9); {
		case draw < 0.75:
			calves[i].fate = event.Stillborn
		case draw < 1:
			calves[i].fate = event.Died24h
		}
	}
	for i := range calves {
		c := &calves[i]
		// A heifer born twin to a bull calf is mostly sterile: she is not reared.
		if c.female && c.fate == event.Alive && !(n > 1 && bull) && a.semen != "beef" && s.chance(s.p.Rearing.Kept) {
			c.kept = &animal{name: s.number(true), breed: a.breed, born: s.today, dam: a.name, sire: a.mate, grand: a.sire, pen: s.calves}
		}
	}
	return calves
}

func (s *sim) dryOff(a *animal) {
	a.dry = true
	s.writeDryOff(a)
	s.move(a, s.dry)
}

// considerStop: she is late in milk. A cow that is bred and not yet diagnosed
// gets her diagnosis first.
func (s *sim) considerStop(a *animal) {
	switch {
	case a.known || a.stopped:
	case a.undiagnosed:
		s.plan(s.today+event.Date(s.p.Diagnosis.Every), a, stop, a.parity)
	case !s.foundPregnant(a):
		s.stop(a)
	}
}

// foundPregnant is the last look at an animal that was found open and is to go for
// it: examiners err.
func (s *sim) foundPregnant(a *animal) bool {
	if a.services > 0 {
		s.diagnose(a, s.p.Diagnosis.Method, false)
	}
	return a.known
}

func (s *sim) stop(a *animal) {
	if a.stopped {
		return
	}
	a.stopped, a.held = true, false
	s.writeStop(a, "open too long")
	s.plan(s.today+event.Date(s.p.Breeding.SellAfter), a, sell, a.parity)
}

// hold stops a cow for a while after calving, with a treatment.
func (s *sim) hold(a *animal) {
	if a.barred() || a.services > 0 {
		return
	}
	a.held = true
	s.writeStop(a, "uterus not clean")
	s.writeCure(a)
	s.plan(s.today+event.Date(30+s.life.IntN(20)), a, release, a.parity)
}

func (s *sim) release(a *animal) {
	a.held = false
	s.writeResume(a)
}

func (s *sim) giveUpHeifer(a *animal) {
	switch {
	case a.parity > 0 || a.known:
	case a.undiagnosed || a.run != 0:
		s.plan(s.today+event.Date(s.p.Diagnosis.Every), a, giveUp, 0)
	case !s.foundPregnant(a):
		s.depart(a, event.Sold, infertility)
	}
}

// balance keeps the number of cows near the herd's own. Surplus cows go, the longest
// open first, or heifers in calf where the herd sells those. In-calf heifers are
// bought when those that are to calve will not make up for the cows that leave.
func (s *sim) balance() {
	const ahead, carried = 130, 280 // days
	slack := max(2, s.p.Cows/50)
	s.outflow += (float64(s.left) - s.outflow) / 12
	s.left = 0
	excess := len(s.cows) - s.p.Cows
	var due []*animal
	for _, a := range s.present {
		if a.parity == 0 && a.known && !a.leaving && s.today-a.believed >= carried-ahead {
			due = append(due, a)
		}
	}
	coming := excess + len(due) - int(math.Round(s.outflow*12*ahead/365))
	if s.p.Leaving.Heifers {
		s.sellHeifers(due, coming-slack)
		excess -= 2 * slack // cows only where that was not enough
	}
	for ; excess > slack; excess-- {
		var worst *animal
		for _, a := range s.cows {
			if a.known || a.undiagnosed || a.leaving || s.today-a.calved < 150 {
				continue
			}
			if worst == nil || a.calved < worst.calved || a.calved == worst.calved && a.number < worst.number {
				worst = a
			}
		}
		if worst == nil {
			return
		}
		s.sellSurplus(worst)
	}
	for ; coming < -slack; coming++ {
		since := s.today - event.Date(carried-ahead+s.life.IntN(90))
		a := s.enter(&animal{born: since - event.Date(s.p.Rearing.BreedAt+s.life.IntN(90)), pen: s.young})
		s.carry(a, since)
		a.services, a.lastBred = 1, since
		s.believe(a)
		s.note(a)
		s.writePurchase(a)
	}
}

// sellHeifers sells so many of those that are due, the last to calve first, and none
// in the last tenth of her pregnancy, who is not fit for the road (Regulation (EC)
// 1/2005, annex I, from memory).
func (s *sim) sellHeifers(due []*animal, surplus int) {
	const road = 245
	due = slices.DeleteFunc(due, func(a *animal) bool { return s.today-a.believed > road })
	slices.SortFunc(due, func(x, y *animal) int {
		return cmp.Or(cmp.Compare(y.believed, x.believed), cmp.Compare(x.number, y.number))
	})
	for _, a := range due[:min(max(surplus, 0), len(due))] {
		s.sellSurplus(a)
	}
}

func (s *sim) sellSurplus(a *animal) {
	a.leaving, a.way = true, Reason{How: event.Sold, Text: "surplus"}
	s.plan(s.today+1, a, leave, a.parity)
}

// open records the herd as it stands on the first day.
func (s *sim) open() {
	for _, a := range s.present {
		s.writeOpening(a)
		if a.conceived != 0 {
			s.note(a)
		}
	}
}

func (s *sim) newID() uuid.UUID { return freeID(s.ids) }

// freeID makes a UUID of the free form, version 8.
func freeID(r *rand.Rand) uuid.UUID {
	var id uuid.UUID
	binary.LittleEndian.PutUint64(id[:8], r.Uint64())
	binary.LittleEndian.PutUint64(id[8:], r.Uint64())
	id[6] = id[6]&0x0f | 0x80
	id[8] = id[8]&0x3f | 0x80
	return id
}
