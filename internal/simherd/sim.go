package simherd

import (
	"hash/fnv"
	"iter"
	"math"
	"math/rand/v2"
	"slices"

	"byrelog.example/internal/event"
)

// Fixed bounds of the biology that the parameters move within.
const (
	firstLoss = 28  // a service has taken when she is pregnant on this day
	lastLoss  = 260 // a pregnancy that ends later ends in a calving
	warmUp    = 2 * 365
	timedLead = 10 // days from the first step of a timed service to the service
)

// earliest keeps the births of the oldest cows on the first day within the
// range of a Date.
var earliest = event.NewDate(1920, 1, 1)

// Herd is an invented herd. It is not safe for concurrent use.
type Herd struct {
	params Params
	name   string
	truth  *Truth
}

// New prepares a herd of the given name. The error tells what the parameters
// or the name lack.
func New(p Params, herd string) (*Herd, error) {
	var c check
	c.must(event.ValidHerdName(herd), "herd", "name %q is not 2 to 40 of a-z, 0-9 and -", herd)
	if err := p.Check(); err != nil {
		c = append(c, err)
	}
	if len(c) > 0 {
		return nil, c[0]
	}
	return &Herd{params: p, name: herd}, nil
}

// Name is the herd's name.
func (h *Herd) Name() string { return h.name }

// Params are the parameters that the herd is made from.
func (h *Herd) Params() Params { return h.params }

// Events simulates the herd from the first day on and gives each event with the
// day on which it is recorded; the days never decrease. Every event is valid on
// that day, sealed if it has a note, and may be kept by the caller. What would
// be recorded after the last day is not there yet. The memory used does not
// grow with the events.
//
// The herd is at a steady state from the first day: the animals of that day
// come in as arrivals with their past. A dry cow's dry-off is recorded on that
// day too, for the log has no place for an older one.
func (h *Herd) Events() iter.Seq2[event.Date, *event.Event] {
	return func(yield func(event.Date, *event.Event) bool) {
		s := newSim(&h.params, h.name)
		h.truth = &s.truth
		s.populate()
		for ; s.today <= s.p.Last; s.today++ {
			if s.today == s.p.First {
				s.open()
			}
			s.live()
			for _, e := range s.page {
				if !yield(s.today, e) {
					return
				}
			}
			s.page = s.page[:0]
		}
	}
}

// Truth is what happened in the latest run of Events, as far as it went. It is
// nil before the first.
func (h *Herd) Truth() *Truth { return h.truth }

// Generate runs a herd to its end and keeps all of it.
func Generate(p Params, herd string) ([]*event.Event, *Truth, error) {
	h, err := New(p, herd)
	if err != nil {
		return nil, nil, err
	}
	var events []*event.Event
	for _, e := range h.Events() {
		events = append(events, e)
	}
	return events, h.Truth(), nil
}

// sim is one run. Life, ink and noise draw from streams of their own, so that
// recording noise never changes what happens to a cow.
type sim struct {
	p     *Params
	herd  string
	truth Truth
	today event.Date
	begin event.Date

	life, ink, noise, ids *rand.Rand

	agenda  [][]action // by day since begin
	present []*animal
	cows    []*animal // those of present that have calved
	pens    []pen
	// Where in pens they are. Fresh and pregnant cows stand among the milking ones if
	// they have no pens of their own.
	fresh, milking, pregnant group
	dry, calves, young, bull int

	left    int     // cows since the last balance
	outflow float64 // cows that leave in a month, of late
	born    int     // individuals so far
	tags    int     // numbers given so far

	page  []*event.Event // what is recorded today
	later map[event.Date][]*event.Event
}

// group is a range of pens.
type group struct{ from, to int }

type pen struct {
	name   string
	walk   bool
	walked bool // today
	heads  int
}

func newSim(p *Params, herd string) *sim {
	s := &sim{p: p, herd: herd, begin: p.First - warmUp, later: map[event.Date][]*event.Event{}}
	s.today = s.begin
	s.truth = Truth{Services: []Service{}}
	for i, to := range []**rand.Rand{&s.life, &s.ink, &s.noise, &s.ids} {
		h := fnv.New64a()
		_, _ = h.Write([]byte(herd))
		_, _ = h.Write([]byte{byte(i)})
		*to = rand.New(rand.NewPCG(p.Seed, h.Sum64())) //nolint:gosec // an invented herd must be repeatable
	}
	s.agenda = make([][]action, p.Last-s.begin+1)
	add := func(walk bool, names ...string) group {
		from := len(s.pens)
		for _, name := range names {
			s.pens = append(s.pens, pen{name: name, walk: walk})
		}
		return group{from, len(s.pens)}
	}
	s.milking = add(true, p.Pens.Milking...)
	s.pregnant = add(true, p.Pens.Pregnant...)
	s.young = add(true, p.Pens.Young).from
	s.dry = add(false, p.Pens.Dry).from
	s.calves = add(false, p.Pens.Calves).from
	if p.Pens.Fresh != "" {
		s.fresh = add(false, p.Pens.Fresh)
	}
	if p.Breeding.Bull.Code != "" {
		s.bull = add(false, p.Breeding.Bull.Pen).from
	}
	s.outflow = float64(p.Cows) / 36 // a third in a year, until it is known better
	return s
}

// emptiest is the pen of a group with the fewest animals.
func (s *sim) emptiest(g group) int {
	best := g.from
	for i := g.from; i < g.to; i++ {
		if s.pens[i].heads < s.pens[best].heads {
			best = i
		}
	}
	return best
}

func (s *sim) recording() bool { return s.today >= s.p.First }

// deed is something that befalls an animal on a day; deeds of one day are done
// in this order, so that an animal that leaves has nothing else that day.
type deed uint8

const (
	leave deed = iota
	sell
	giveUp
	lose
	calve
	dryOff
	grow
	weigh
	mingle // leaves the fresh pen
	runEnd
	hold
	release
	stop
	timedStep
	timedService
	heat
	heatCarrying
)

// action is a deed on the agenda. It is void when the animal's own count has
// moved past gen meanwhile: which count depends on the deed.
type action struct {
	a    *animal
	what deed
	gen  int32
}

func (s *sim) plan(on event.Date, a *animal, what deed, gen int32) {
	if i := int(on - s.begin); i > int(s.today-s.begin) && i < len(s.agenda) {
		s.agenda[i] = append(s.agenda[i], action{a, what, gen})
	}
}

// live does one day.
func (s *sim) live() {
	s.page = append(s.page, s.later[s.today]...)
	delete(s.later, s.today)
	i := s.today - s.begin
	deeds := s.agenda[i]
	s.agenda[i] = nil
	slices.SortStableFunc(deeds, func(x, y action) int { return int(x.what) - int(y.what) })
	n := 0
	for n < len(deeds) && deeds[n].what < heat {
		s.do(deeds[n])
		n++
	}
	s.walk()
	for ; n < len(deeds); n++ {
		s.do(deeds[n])
	}
	s.misread()
	if b := &s.p.Breeding.Bull; b.Code != "" && int(i)%b.Every == 0 {
		s.startRun()
	}
	if int(s.p.Last-s.today)%s.p.Diagnosis.Every == s.p.Diagnosis.Before {
		s.visit()
	}
	if _, _, day := s.today.Civil(); day == 1 && !s.p.Leaving.Free {
		s.balance()
	}
}

func (s *sim) do(x action) {
	a := x.a
	if a.gone {
		return
	}
	switch x.what {
	case leave:
		if a.parity == x.gen {
			s.depart(a, a.way.How, a.way.Text)
		}
	case sell:
		if a.parity == x.gen && a.stopped {
			s.depart(a, event.Sold, infertility)
		}
	case giveUp:
		s.giveUpHeifer(a)
	case lose:
		if a.conceived != 0 && a.carried == x.gen {
			s.lose(a)
		}
	case calve:
		if a.conceived != 0 && a.carried == x.gen {
			s.calve(a)
		}
	case dryOff:
		if a.carried == x.gen && a.known && !a.dry {
			s.dryOff(a)
		}
	case grow:
		s.move(a, s.young)
		s.measure(a)
	case weigh:
		s.measure(a)
	case mingle:
		if a.parity == x.gen {
			s.place(a)
		}
	case runEnd:
		if a.run != 0 {
			s.endRun(a)
		}
	case hold:
		if a.parity == x.gen {
			s.hold(a)
		}
	case release:
		if a.parity == x.gen && a.held {
			s.release(a)
		}
	case stop:
		if a.parity == x.gen {
			s.considerStop(a)
		}
	case timedStep, timedService:
		if a.parity == x.gen && a.services == 0 && !a.barred() {
			s.timed(a, x.what == timedService)
		}
	case heat:
		if a.cycle == x.gen {
			s.heat(a)
		}
	case heatCarrying:
		if a.conceived != 0 && a.carried == x.gen {
			s.heat(a)
		}
	}
}

// summer gives the factors of the day on conception and on the signs of heat.
func (s *sim) summer() (conception, signs float64) {
	h := &s.p.Summer
	if _, m, _ := s.today.Civil(); h.From == 0 || m < h.From || m > h.To {
		return 1, 1
	}
	return h.Conception, h.Signs
}

// Draws.

func (s *sim) chance(p float64) bool { return s.life.Float64() < p }

// around draws from a normal distribution cut off at lo and hi.
func (s *sim) around(mean, sd, lo, hi float64) int {
	return int(math.Round(min(max(mean+sd*s.life.NormFloat64(), lo), hi)))
}

// pick draws an index by weight.
func pick[T any](r *rand.Rand, list []T, weight func(*T) float64) int {
	total := 0.0
	for i := range list {
		total += weight(&list[i])
	}
	at := r.Float64() * total
	for i := range list {
		if at -= weight(&list[i]); at < 0 {
			return i
		}
	}
	return len(list) - 1
}

// nth gives entry n, counted from 1, of a list whose last entry holds for all
// that follow.
func nth(list []float64, n int) float64 { return list[min(n, len(list))-1] }
