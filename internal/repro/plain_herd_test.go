package repro_test

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"strings"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// told is the order of events within an animal: date, time of day, kind, and a hash of
// the id (32-bit FNV-1a). Arrivals and renumberings come first in their day.
func told(a, b *event.Event) int {
	minute := func(e *event.Event) int {
		if e.Kind == event.KindArrival || e.Kind == event.KindRenumber {
			return -1
		}
		return e.Minute()
	}
	mark := func(e *event.Event) uint32 {
		hash := fnv.New32a()
		_, _ = hash.Write(e.ID[:])
		return hash.Sum32()
	}
	return cmp.Or(cmp.Compare(a.On, b.On), cmp.Compare(minute(a), minute(b)), cmp.Compare(a.Kind, b.Kind), cmp.Compare(mark(a), mark(b)))
}

// nasty invents small herds with everything that records of real herds have:
// late, doubled, voided, replaced and misplaced events, numbers used again,
// changed and exchanged, losses seen and unseen, runs with a bull, stops,
// departures, heifers, walks. Every event is one that the log takes.
type nasty struct {
	r      *rand.Rand
	events []*event.Event
	names  []string
	last   event.Date
}

func nastyHerd(seed uint64) ([]*event.Event, repro.Policies) {
	n := &nasty{r: rand.New(rand.NewPCG(seed, 77)), last: lastDay}
	cows := 1 + n.r.IntN(4)
	for i := range cows {
		n.names = append(n.names, fmt.Sprint(i+1))
	}
	if n.one(0.15) { // nothing but nonsense, day upon day
		from := firstDay + n.day(0, 500)
		for range 20 + n.r.IntN(40) {
			n.nonsense(from, from+500)
		}
	} else {
		for _, a := range n.names {
			n.cow(a, firstDay+n.day(0, 300))
		}
	}
	n.spoil()
	if n.one(0.5) {
		n.add("", lastDay-n.day(0, 90), &event.Walk{Pen: "p1"})
	}
	n.r.Shuffle(len(n.events), func(i, j int) { n.events[i], n.events[j] = n.events[j], n.events[i] })
	n.withdraw()
	return n.events, n.policies()
}

func (n *nasty) one(p float64) bool          { return n.r.Float64() < p }
func (n *nasty) day(lo, hi int) event.Date   { return event.Date(lo + n.r.IntN(hi-lo+1)) }
func (n *nasty) pick(words ...string) string { return words[n.r.IntN(len(words))] }
func (n *nasty) stage(days event.Date) event.OptInt {
	switch k := int(days) + n.r.IntN(9) - 4; {
	case n.one(0.4) || k < 1 || k > 300:
		return event.OptInt{}
	case n.one(0.08):
		return event.Int(1 + n.r.IntN(120))
	default:
		return event.Int(k)
	}
}

func (n *nasty) id() uuid.UUID {
	var id uuid.UUID
	for i := range id {
		id[i] = byte(n.r.Uint32())
	}
	return id
}

var kindOf = func() map[string]event.Kind {
	kinds := map[string]event.Kind{}
	for _, s := range event.Specs() {
		kinds[fmt.Sprintf("%T", event.New(s.Kind, "nasty", "1", firstDay).Data)] = s.Kind
	}
	return kinds
}()

// add keeps an event if the log would take it.
func (n *nasty) add(animal string, on event.Date, d event.Data) {
	if on > n.last || on < firstDay {
		return
	}
	e := event.New(kindOf[fmt.Sprintf("%T", d)], "nasty", animal, on)
	e.ID, e.Data = n.id(), d
	switch n.r.IntN(6) {
	case 0:
		e.Half = n.pick(event.AM, event.PM)
	case 1:
		e.At = fmt.Sprintf("%02d:%02d", n.r.IntN(24), n.r.IntN(60))
	}
	if e.Validate(n.last) == nil {
		n.events = append(n.events, e)
	}
}

func (n *nasty) exam(a string, on, conceived event.Date, result string) {
	switch {
	case n.one(0.15) && result == event.Pregnant:
		n.add(a, on, &event.Palpation{Verdict: event.Pregnant})
	case result == event.Pregnant:
		n.add(a, on, &event.PregnancyDiagnosis{Method: n.pick(event.Ultrasound, event.Ultrasound, event.ByPalpation, event.Blood, event.Milk), Result: result, DaysPregnant: n.stage(on - conceived)})
	default:
		n.add(a, on, &event.PregnancyDiagnosis{Method: n.pick(event.Ultrasound, event.ByPalpation, event.Blood, event.Milk), Result: result})
	}
}

// cow lives one animal from a day on.
func (n *nasty) cow(a string, on event.Date) {
	breed := n.pick("", "Holstein", "jersey", "local")
	heifer := n.one(0.3)
	born := on
	switch {
	case n.one(0.1): // never recorded as arriving
		heifer = false
	case heifer:
		d := &event.Arrival{How: event.Born, Breed: breed, Sex: n.pick("", event.Female, event.Female, event.Female, event.Female, event.Male)}
		if n.one(0.7) {
			born = on - n.day(0, 420)
			d.BornOn = born
			d.How = n.pick(event.Born, event.Purchased)
			d.Parity = event.Int(0)
		}
		n.add(a, on, d)
	default:
		d := &event.Arrival{How: n.pick(event.Purchased, event.Transferred), Breed: breed, Pen: "p1"}
		if n.one(0.7) {
			d.Parity = event.Int(n.r.IntN(4))
		}
		if n.one(0.5) && (!d.Parity.Set || d.Parity.N > 0) {
			d.LastCalvedOn = on - n.day(0, 200)
		}
		if n.one(0.3) {
			d.LastBredOn = on - n.day(0, 80)
		}
		if n.one(0.25) {
			d.ConceivedOn = on - n.day(0, 150)
			if n.one(0.6) && d.LastBredOn != 0 {
				d.ConceivedOn = d.LastBredOn
			}
		}
		n.add(a, on, d)
	}
	calved := on
	if heifer {
		calved = born + 396 - 60
	} else if n.one(0.8) {
		calved = on + n.day(0, 120)
		n.add(a, calved, n.calf())
	}
	for calved < n.last {
		next := n.lactate(a, calved)
		if next == 0 {
			return
		}
		calved = next
	}
}

func (n *nasty) calf() *event.Calving {
	d := &event.Calving{}
	if n.one(0.2) {
		d.Parity = event.Int(1 + n.r.IntN(4))
	}
	return d
}

// lactate goes on to the next calving; 0 if there is none.
func (n *nasty) lactate(a string, calved event.Date) event.Date {
	d := calved + n.day(20, 110)
	for tries := 0; tries < 9 && d < n.last; tries++ {
		if n.one(0.06) {
			return n.leave(a, d)
		}
		if n.one(0.08) {
			s := &event.BreedingStop{Reason: "feet"}
			if n.one(0.5) {
				s.Until = d + n.day(0, 60)
			}
			n.add(a, d+n.day(-5, 5), s)
			if n.one(0.6) {
				n.add(a, d+n.day(0, 40), &event.BreedingResume{})
			}
		}
		if n.one(0.5) {
			n.add(a, d-n.day(0, 1), &event.Heat{Verdict: n.pick(event.InHeat, event.Suspect, event.NotInHeat), FoundBy: n.pick("", "chalk")})
		}
		conceived := d
		switch {
		case n.one(0.1):
			until := d + n.day(1, 60)
			conceived = d + n.day(0, int(until-d))
			if until <= n.last {
				n.add(a, d, &event.Breeding{Method: event.Natural, Sire: "b9", Until: until})
			}
		case n.one(0.06): // served, and never written down
		default:
			n.add(a, d, &event.Breeding{Method: n.pick(event.AI, event.AI, event.AI, event.AI, event.Natural, event.Embryo), Sire: n.pick("b1", "b2"), Basis: n.pick("", event.ByHeat, event.Timed)})
			if n.one(0.15) {
				conceived = d + n.day(0, 4)
				n.add(a, conceived, &event.Breeding{Method: event.AI, Sire: n.pick("b1", "b2")})
			}
		}
		if !n.one(0.42) { // not pregnant
			if n.one(0.4) {
				n.exam(a, conceived+n.day(15, 60), conceived, event.Open)
			} else if n.one(0.08) {
				n.exam(a, conceived+n.day(15, 40), conceived, n.pick(event.Pregnant, event.Unclear)) // wrongly
			}
			d = conceived + n.day(17, 50)
			continue
		}
		if next, lost := n.carry(a, conceived); !lost {
			return next
		} else if next != 0 {
			d = next
		}
	}
	if n.one(0.6) {
		return n.leave(a, d+n.day(0, 60))
	}
	return 0
}

// carry goes from a conception to the calving, or (lost) to the next heat.
func (n *nasty) carry(a string, c event.Date) (next event.Date, lost bool) {
	if n.one(0.85) {
		n.exam(a, c+n.day(20, 70), c, event.Pregnant)
	}
	for n.one(0.3) {
		n.exam(a, c+n.day(25, 200), c, n.pick(event.Pregnant, event.Pregnant, event.Pregnant, event.Unclear))
	}
	if n.one(0.1) { // bred, or found in heat, while pregnant
		n.add(a, c+n.day(18, 120), &event.Breeding{Method: event.AI, Sire: "b3"})
	}
	switch {
	case n.one(0.15):
		on := c + n.day(10, 200)
		switch n.r.IntN(4) {
		case 0:
			n.exam(a, on, c, event.Open)
		case 1, 2:
			n.add(a, on, &event.PregnancyLoss{DaysPregnant: n.stage(on - c)})
			if n.one(0.3) {
				n.add(a, on+n.day(0, 9), &event.PregnancyLoss{DaysPregnant: n.stage(on - c)})
			}
			if n.one(0.2) {
				n.exam(a, on+n.day(-3, 9), c, event.Open)
			}
		}
		return on + n.day(0, 40), true
	case n.one(0.05):
		return n.leave(a, c+n.day(40, 270)), false
	}
	calved := c + n.day(272, 288)
	if n.one(0.08) {
		calved = c + n.day(225, 315)
	}
	if n.one(0.7) {
		n.add(a, calved-n.day(30, 80), &event.DryOff{})
	}
	n.add(a, calved, n.calf())
	if n.one(0.05) {
		n.add(a, calved+n.day(0, 9), n.calf())
	}
	return calved, false
}

// leave records a departure, and sometimes somebody else under her number.
func (n *nasty) leave(a string, on event.Date) event.Date {
	n.add(a, on, &event.Departure{How: n.pick(event.Sold, event.Culled, event.Died), Reason: n.pick("", "infertility", "feet")})
	if n.one(0.5) {
		n.cow(a, on+n.day(0, 60))
	}
	return 0
}

// spoil adds what goes wrong between the cow and the record.
func (n *nasty) spoil() {
	for _, e := range slices.Clone(n.events) {
		switch {
		case n.one(0.03): // written down by two, not quite alike
			n.add(e.Animal, e.On+n.day(-2, 2), e.Data)
		case n.one(0.01): // written to another animal
			e.Animal = n.names[n.r.IntN(len(n.names))]
		case n.one(0.01): // or to another day
			if on := e.On + n.day(-25, 25); on <= n.last && on >= firstDay {
				e.On = on
				if e.Validate(n.last) != nil {
					e.On = firstDay + 500
				}
			}
		}
	}
	n.events = slices.DeleteFunc(n.events, func(e *event.Event) bool { return n.one(0.02) || e.Validate(n.last) != nil })
	if n.one(0.3) {
		for range 1 + n.r.IntN(3) {
			from, to := n.names[n.r.IntN(len(n.names))], n.pick(append([]string{"71", "72", "73"}, n.names...)...)
			on := firstDay + n.day(0, int(n.last-firstDay))
			n.add(from, on, &event.Renumber{To: to})
			if n.one(0.3) { // exchanged
				n.add(to, on, &event.Renumber{To: from})
			}
			for _, e := range n.events { // most of what follows comes under the new number
				if e.Animal == from && e.On >= on && e.Kind != event.KindRenumber && n.one(0.9) {
					e.Animal = to
				}
			}
		}
	}
	if n.one(0.25) { // and sheer nonsense
		for range n.r.IntN(12) {
			n.nonsense(firstDay, n.last)
		}
	}
}

func (n *nasty) nonsense(from, to event.Date) {
	a := n.names[n.r.IntN(len(n.names))]
	on := from + n.day(0, int(to-from))
	switch n.r.IntN(14) {
	case 0:
		n.add(a, on, &event.Arrival{How: n.pick(event.Born, event.Purchased), BornOn: on - n.day(0, 900)})
	case 1:
		n.add(a, on, n.calf())
	case 2:
		n.add(a, on, &event.PregnancyLoss{DaysPregnant: n.stage(n.day(1, 200))})
	case 3, 4:
		n.exam(a, on, on-n.day(1, 90), n.pick(event.Pregnant, event.Open, event.Unclear))
	case 5, 6:
		n.add(a, on, &event.Breeding{Method: n.pick(event.AI, event.Embryo, event.Natural)})
		if n.one(0.5) { // and again, with a bull perhaps
			n.nonsenseAround(a, on)
		}
	case 7:
		n.nonsenseAround(a, on)
	case 8:
		n.add(a, on, &event.Departure{How: event.Sold, Reason: "infertility"})
	case 9:
		n.add(a, on, &event.DryOff{})
	case 10:
		n.add(a, on, &event.Renumber{To: n.pick(append([]string{"71"}, n.names...)...)})
	case 11:
		n.add(a, on, &event.BreedingStop{Until: on + n.day(0, 60)})
	case 12:
		n.add(a, on, &event.BreedingResume{})
	case 13:
		n.add(a, on, &event.Arrival{How: event.Purchased, Parity: event.Int(n.r.IntN(3)), ConceivedOn: on - n.day(0, 90), LastBredOn: on - n.day(0, 90)})
	}
}

// nonsenseAround has her bred again about the same day.
func (n *nasty) nonsenseAround(a string, on event.Date) {
	for range 1 + n.r.IntN(3) {
		if n.one(0.5) {
			n.add(a, on+n.day(0, 2), &event.Breeding{Method: event.Natural, Until: min(n.last, on+2+n.day(0, 50))})
		} else {
			n.add(a, on+n.day(0, 4), &event.Breeding{Method: event.AI})
		}
	}
}

// withdraw voids some events, and restates some of those.
func (n *nasty) withdraw() {
	for _, e := range slices.Clone(n.events) {
		if !n.one(0.04) {
			continue
		}
		v := event.New(event.KindVoid, "nasty", "", e.On)
		v.ID, v.Data = n.id(), &event.Void{Event: e.ID, Reason: "mistake"}
		n.events = append(n.events, v)
		if n.one(0.7) {
			again := *e
			again.ID, again.Replaces = n.id(), e.ID
			if on := e.On + n.day(-3, 3); on >= firstDay && on <= n.last {
				again.On = on
			}
			if again.Validate(n.last) == nil {
				n.events = append(n.events, &again)
			}
		}
	}
}

func (n *nasty) policies() repro.Policies {
	one := func() repro.Policy {
		p := repro.DefaultPolicy()
		p.WaitFirst, p.WaitLater = 40+n.r.IntN(40), 40+n.r.IntN(40)
		p.HeiferFirstBreedingDays = 360 + n.r.IntN(80)
		p.DiagnoseUltrasound, p.DiagnosePalpation, p.DiagnoseBlood = 24+n.r.IntN(12), 30+n.r.IntN(12), 26+n.r.IntN(9)
		p.DiagnoseMilk, p.DiagnoseAfterCalving = 26+n.r.IntN(9), 50+n.r.IntN(40)
		return p
	}
	ps := repro.Policies{{From: firstDay, Policy: one()}}
	for range n.r.IntN(3) {
		ps = append(ps, repro.DatedPolicy{From: ps[len(ps)-1].From + n.day(1, 500), Policy: one()})
	}
	return ps
}

// params asks a question of a herd, often an odd one.
func (n *nasty) params() repro.Params {
	p := repro.Params{From: firstDay, To: lastDay, On: lastDay, Anchor: firstDay + n.day(0, 40)}
	if n.one(0.3) {
		p.On = lastDay - n.day(0, 700)
	}
	if n.one(0.2) {
		p.On = lastDay + n.day(0, 100)
	}
	if n.one(0.3) {
		p.From = firstDay + n.day(0, 500)
		p.To = p.From + n.day(20, 600)
	}
	if n.one(0.3) {
		p.Exposure = 1 + n.r.IntN(21)
	}
	if n.one(0.3) {
		p.Merge = []int{repro.Zero, 2, 3}[n.r.IntN(3)]
	}
	if n.one(0.3) {
		p.Maturity = 30 + n.r.IntN(60)
	}
	if n.one(0.2) {
		p.Strata = repro.StrataHeifers
	}
	return p
}

// written is a log for reading, when two implementations differ over it.
func written(log []*event.Event) string {
	log = slices.Clone(log)
	slices.SortFunc(log, told)
	var b strings.Builder
	for _, e := range log {
		fmt.Fprintf(&b, "%s\n", e.Canonical())
	}
	return b.String()
}
