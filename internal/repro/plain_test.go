package repro_test

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// This is the second implementation of the main indices, straight from the
// definitions: events in, figures out, a day at a time, with no fold, no cache
// and nothing shared with the package under test but the policy's numbers. It
// is slow and plain on purpose. plain_test.go tells who is who and what
// happened to her, plain_index_test.go counts, plain_compare_test.go compares.

// rules are the numbers and choices of the definitions. A test changes one to
// see that the comparison would notice (TestPlainCanFail).
type rules struct {
	reach        int // a stage points to a service at most so many days away
	agree        int // and agrees with it within so many
	lossAge      int // no loss is seen earlier after the service
	gestationMin int
	gestationMax int
	usual        int // days around the mean of the breed
	sameCalving  int // two reports of one calving
	window       int
	lossDayFree  bool // at risk again on the very day of the loss
	shortens     bool // a conception in the window shortens the exposure
	bullServes   bool // a run with a bull counts as a first service
	openAtAll    bool // an examination too early counts all the same
	dryAtRisk    bool
	lossCloses   bool // a pregnancy lost closes the days open
	startToStart bool // intervals from first breeding to first breeding
}

func definitions() rules {
	return rules{reach: 21, agree: 10, lossAge: 20, gestationMin: 260, gestationMax: 302, usual: 18, sameCalving: 7, window: 21}
}

// plainHerd is a herd as the plain implementation has it.
type plainHerd struct {
	rules
	policies repro.Policies
	merge    int
	last     event.Date // the day up to which records tell
	cows     []*plainCow
}

// plainCow is one individual.
type plainCow struct {
	numbers  []plainNumber
	in, out  event.Date
	why      string // of her leaving
	events   []*event.Event
	born     event.Date
	breed    string
	sex      string
	times    []*plainTime
	services []*plainService
	carried  []*plainPregnancy
	now      *plainPregnancy // that she is known to carry
}

type plainNumber struct {
	number string
	from   event.Date
}

// plainTime is her time as a heifer, or one lactation.
type plainTime struct {
	number      int // -1 = not known
	before      bool
	calved, end event.Date // end: the next calving
	dry         event.Date
}

type plainService struct {
	time   *plainTime
	days   []event.Date // of its breedings
	until  event.Date   // of a run with a bull
	before bool         // she came
	embryo bool
	number int
	open   event.Date // found open
	came   *plainPregnancy
}

func (s *plainService) bull() bool        { return s.until != 0 }
func (s *plainService) first() event.Date { return s.days[0] }
func (s *plainService) last() event.Date {
	if s.bull() {
		return s.until
	}
	return s.days[len(s.days)-1]
}

// away is how many days a service lies from a day: a service of several
// breedings is dated by its last, a run with a bull covers all of its days.
func (s *plainService) away(d event.Date) int {
	switch {
	case d < s.first():
		return int(s.first() - d)
	case d > s.last():
		return int(d - s.last())
	case s.bull():
		return 0
	}
	return int(s.last() - d)
}

type plainPregnancy struct {
	time    *plainTime
	service *plainService
	begun   event.Date // 0 = not known
	proven  event.Date
	seen    event.Date // last known pregnant
	lost    event.Date
	calved  event.Date
	proof   string // diagnosed_pregnant, calved, loss_recorded, stated_on_arrival
	lostBy  string // seen, open, later, calving
	noStage bool   // dated by a diagnosis without a stage
}

// since is the conception, or where that is not known the first proof.
func (p *plainPregnancy) since() event.Date {
	if p.begun != 0 {
		return p.begun
	}
	return p.proven
}

// plainly works out the histories of a herd from its log, as of a day.
func plainly(log []*event.Event, policies repro.Policies, on event.Date, merge int, r rules) *plainHerd {
	h := &plainHerd{rules: r, policies: policies, merge: merge}
	var all []*event.Event
	for _, e := range log {
		gone := e.Kind == event.KindVoid
		for _, v := range log {
			if d, ok := v.Data.(*event.Void); ok && d.Event == e.ID {
				gone = true
			}
		}
		if gone {
			continue
		}
		h.last = max(h.last, e.On)
		if e.On <= on && e.Kind != event.KindWalk {
			all = append(all, e)
		}
	}
	h.last = min(h.last, on)
	slices.SortFunc(all, told)
	h.whoIsWho(all)
	for _, c := range h.cows {
		slices.SortFunc(c.events, told)
		h.live(c)
	}
	return h
}

// whoIsWho gives each event to an individual, a day at a time.
func (h *plainHerd) whoIsWho(all []*event.Event) {
	holder := map[string]*plainCow{} // who bears a number, or last bore it
	bears := map[*plainCow]string{}
	held := func(n string) bool { return holder[n] != nil && bears[holder[n]] == n && holder[n].out == 0 }
	begin := func(n string, day event.Date) *plainCow {
		c := &plainCow{in: day, numbers: []plainNumber{{n, day}}}
		h.cows = append(h.cows, c)
		holder[n], bears[c] = c, n
		return c
	}
	leave := func(c *plainCow, e *event.Event) {
		c.out, c.why = e.On, is[*event.Departure](e).Reason
		c.events = append(c.events, e)
	}
	// supplanted: her number goes to another while she is here.
	supplant := func(n string, day event.Date) { holder[n].out, holder[n].why = day, "" }

	for len(all) > 0 {
		day, k := all[0].On, 0
		for k < len(all) && all[k].On == day {
			k++
		}
		today := all[:k]
		all = all[k:]
		done := map[*event.Event]bool{}
		of := func(kind event.Kind) []*event.Event {
			var out []*event.Event
			for _, e := range today {
				if e.Kind == kind && !done[e] {
					out = append(out, e)
				}
			}
			slices.SortStableFunc(out, func(a, b *event.Event) int {
				return cmp.Or(cmp.Compare(len(a.Animal), len(b.Animal)), cmp.Compare(a.Animal, b.Animal))
			})
			return out
		}
		// A number that is freed and given anew in one day is freed first.
		for _, a := range of(event.KindArrival) {
			for _, d := range of(event.KindDeparture) {
				if d.Animal == a.Animal && held(a.Animal) {
					done[d] = true
					leave(holder[a.Animal], d)
				}
			}
		}
		// Renumberings of those that are there, all at once, then those that these
		// make possible.
		rename := func() {
			for {
				var now []*event.Event
				for _, e := range of(event.KindRenumber) {
					if held(e.Animal) {
						now = append(now, e)
					}
				}
				if len(now) == 0 {
					return
				}
				who := map[*event.Event]*plainCow{}
				for _, e := range now {
					who[e] = holder[e.Animal]
					done[e] = true
				}
				for _, e := range now {
					bears[who[e]] = ""
				}
				for _, e := range now {
					to := is[*event.Renumber](e).To
					if held(to) && holder[to] != who[e] {
						supplant(to, day)
					}
					holder[to], bears[who[e]] = who[e], to
					who[e].numbers = append(who[e].numbers, plainNumber{to, day})
				}
			}
		}
		rename()
		for _, e := range of(event.KindArrival) {
			d, c := is[*event.Arrival](e), holder[e.Animal]
			switch {
			case !held(e.Animal):
				c = begin(e.Animal, day)
			case c.in < day && (d.How == event.Born || d.BornOn > c.in): // she cannot be the one who is here
				supplant(e.Animal, day)
				c = begin(e.Animal, day)
			}
			c.events = append(c.events, e)
			done[e] = true
		}
		rename()
		for _, e := range of(event.KindRenumber) {
			if done[e] { // made possible by one before
				continue
			}
			if holder[e.Animal] == nil {
				begin(e.Animal, day)
				rename1(e, holder, bears, held, supplant)
			}
			done[e] = true
		}
		for _, e := range today {
			if done[e] {
				continue
			}
			c := holder[e.Animal]
			if c == nil {
				c = begin(e.Animal, day)
			}
			if c.out != 0 && (day > c.out || e.Kind == event.KindDeparture) {
				continue // after she left
			}
			if e.Kind == event.KindDeparture {
				leave(c, e)
				continue
			}
			c.events = append(c.events, e)
		}
	}
}

// rename1 renumbers an animal first heard of by her renumbering.
// is gives the data of an event whose kind is known; the wrong kind would be a
// mistake of this file.
func is[T event.Data](e *event.Event) T {
	d, ok := e.Data.(T)
	if !ok {
		panic(fmt.Sprintf("%T", e.Data))
	}
	return d
}

func rename1(e *event.Event, holder map[string]*plainCow, bears map[*plainCow]string, held func(string) bool, supplant func(string, event.Date)) {
	c, to := holder[e.Animal], is[*event.Renumber](e).To
	if held(to) && holder[to] != c {
		supplant(to, e.On)
	}
	holder[to], bears[c] = c, to
	c.numbers = append(c.numbers, plainNumber{to, e.On})
}

// number is what she is called on a day.
func (c *plainCow) number(on event.Date) string {
	n := c.numbers[0].number
	for _, x := range c.numbers[1:] {
		if x.from <= on {
			n = x.number
		}
	}
	return n
}

func (c *plainCow) here(on event.Date) bool { return c.in <= on && (c.out == 0 || on < c.out) }

func (c *plainCow) time() *plainTime { return c.times[len(c.times)-1] }

// in lists her services of a time.
func (c *plainCow) inTime(t *plainTime) []*plainService {
	var out []*plainService
	for _, s := range c.services {
		if s.time == t {
			out = append(out, s)
		}
	}
	return out
}

func (c *plainCow) pregnanciesIn(t *plainTime) []*plainPregnancy {
	var out []*plainPregnancy
	for _, p := range c.carried {
		if p.time == t {
			out = append(out, p)
		}
	}
	return out
}

// live tells her events in order.
func (h *plainHerd) live(c *plainCow) {
	c.times = []*plainTime{firstTime(c.events)}
	for day := c.in; day <= h.last; day++ {
		for _, e := range c.events {
			if e.On != day {
				continue
			}
			switch d := e.Data.(type) {
			case *event.Arrival:
				h.came(c, d, day)
			case *event.Calving:
				h.calving(c, d, day)
			case *event.PregnancyLoss:
				h.loss(c, day, d.DaysPregnant.N)
			case *event.Palpation:
				if d.Verdict == event.Pregnant {
					h.positive(c, day, event.ByPalpation, 0)
				}
			case *event.PregnancyDiagnosis:
				switch d.Result {
				case event.Pregnant:
					h.positive(c, day, d.Method, d.DaysPregnant.N)
				case event.Open:
					h.negative(c, day, d.Method)
				}
			case *event.Breeding:
				h.bred(c, d, day)
			case *event.DryOff:
				if c.time().dry == 0 {
					c.time().dry = day
				}
			}
		}
	}
}

// firstTime is what she was before the first calving recorded here: as stated
// on arrival, or else by the number of that calving.
func firstTime(events []*event.Event) *plainTime {
	t := &plainTime{number: -1, before: true}
scan:
	for _, e := range events {
		switch d := e.Data.(type) {
		case *event.Arrival:
			if d.Parity.Set {
				t.number = d.Parity.N
				break scan
			}
			if d.How == event.Born && d.LastCalvedOn == 0 {
				t.number = 0
				break scan
			}
		case *event.Calving:
			if d.Parity.N > 0 {
				t.number = d.Parity.N - 1
			}
			break scan
		}
	}
	t.before = t.number != 0
	return t
}

func (h *plainHerd) came(c *plainCow, d *event.Arrival, day event.Date) {
	if c.born == 0 {
		c.born = d.BornOn
	}
	if c.born == 0 && d.How == event.Born {
		c.born = day
	}
	c.breed, c.sex = cmp.Or(c.breed, d.Breed), cmp.Or(c.sex, d.Sex)
	if len(c.times) > 1 {
		return
	}
	t := c.time()
	if t.number != 0 && t.calved == 0 && d.LastCalvedOn != 0 {
		t.calved, t.before = d.LastCalvedOn, true
	}
	if d.LastBredOn != 0 && len(c.services) == 0 && d.LastBredOn >= t.calved {
		c.services = append(c.services, &plainService{time: t, days: []event.Date{d.LastBredOn}, before: true, number: 1})
	}
	if d.ConceivedOn != 0 && c.now == nil && d.ConceivedOn >= t.calved {
		p := &plainPregnancy{begun: d.ConceivedOn, proven: day, seen: day, proof: "stated_on_arrival"}
		for _, s := range c.inTime(t) {
			if s.away(d.ConceivedOn) == 0 && s.first() < day {
				p.service = s
			}
		}
		h.conceive(c, p)
	}
}

// bred adds a breeding to the service of the same heat, or begins one.
func (h *plainHerd) bred(c *plainCow, d *event.Breeding, day event.Date) {
	mine := c.inTime(c.time())
	run := d.Method == event.Natural && d.Until != 0
	if !run {
		for i := len(mine) - 1; i >= 0; i-- {
			s := mine[i]
			if s.bull() {
				continue // a run has no heat that it belongs to
			}
			if !s.before && int(day-s.last()) <= h.merge {
				s.days, s.embryo = append(s.days, day), d.Method == event.Embryo
				return
			}
			break
		}
	}
	s := &plainService{time: c.time(), days: []event.Date{day}, number: len(mine) + 1, embryo: d.Method == event.Embryo}
	if run {
		s.until = d.Until
	}
	c.services = append(c.services, s)
}

func (h *plainHerd) policy(day event.Date) *repro.Policy {
	p := &h.policies[0].Policy
	for i := range h.policies {
		if h.policies[i].From <= day {
			p = &h.policies[i].Policy
		}
	}
	return p
}

// tooSoon tells whether an examination so many days after conception proves
// nothing (R13).
func (h *plainHerd) tooSoon(c *plainCow, day event.Date, method string, positive bool, since event.Date) bool {
	if h.openAtAll {
		return false
	}
	p := h.policy(day)
	need := 0
	switch method {
	case event.Ultrasound:
		need = min(26, p.DiagnoseUltrasound)
	case event.ByPalpation:
		need = min(35, p.DiagnosePalpation)
	case event.Blood:
		need = min(28, p.DiagnoseBlood)
	case event.Milk:
		need = min(28, p.DiagnoseMilk)
	}
	if positive && (method == event.Blood || method == event.Milk) && c.time().calved != 0 && int(day-c.time().calved) < p.DiagnoseAfterCalving {
		return true // carried over from the last pregnancy
	}
	return int(day-since) < need
}

// nearest is the service of this time begun before the day of the examination
// that lies nearest to a day, at most so many days from it; of two the later.
func (h *plainHerd) nearest(c *plainCow, target, exam event.Date, reach int) *plainService {
	var best *plainService
	for _, s := range c.inTime(c.time()) {
		if s.first() < exam && s.away(target) <= reach && (best == nil || s.away(target) <= best.away(target)) {
			best = s
		}
	}
	return best
}

// dayOf is the conception that a service gives: its last breeding; of a run
// the day that the stage points to, or the middle of it without a stage.
func dayOf(s *plainService, target, exam event.Date) event.Date {
	if !s.bull() {
		return s.last()
	}
	from, to := s.first(), min(s.last(), exam-1)
	switch {
	case target == 0:
		return from + (to-from)/2
	case target < from:
		return from
	case target > to:
		return to
	}
	return target
}

func (h *plainHerd) conceive(c *plainCow, p *plainPregnancy) {
	p.time = c.time()
	if p.service != nil {
		p.service.came = p
	}
	c.carried = append(c.carried, p)
	c.now = p
}

// read is what a positive examination says of the conception; nil if it comes
// too early to count.
func (h *plainHerd) read(c *plainCow, day event.Date, method string, stage int) *plainPregnancy {
	p := &plainPregnancy{proven: day, seen: day, proof: "diagnosed_pregnant"}
	t := c.time()
	if stage > 0 {
		target := day - event.Date(stage)
		since := target
		if p.service = h.nearest(c, target, day, h.reach); p.service != nil {
			p.begun = dayOf(p.service, target, day)
			since = p.begun
		} else if t.calved == 0 || target > t.calved {
			p.begun = target
		}
		if h.tooSoon(c, day, method, true, since) {
			return nil
		}
		return p
	}
	mine := c.inTime(t)
	for i := len(mine) - 1; i >= 0; i-- {
		s := mine[i]
		since := s.last()
		if s.bull() {
			since = s.first()
		}
		if s.first() < day && !h.tooSoon(c, day, method, true, since) {
			p.service, p.begun, p.noStage = s, dayOf(s, 0, day), !s.bull()
			return p
		}
	}
	if len(mine) > 0 || t.calved != 0 && h.tooSoon(c, day, method, true, t.calved) {
		return nil
	}
	return p
}

func (h *plainHerd) positive(c *plainCow, day event.Date, method string, stage int) {
	if c.now != nil {
		h.again(c, c.now, day, method, stage)
		return
	}
	p := h.read(c, day, method, stage)
	if p == nil {
		return
	}
	// A loss that only a finding of open implied is withdrawn when the same
	// pregnancy is found again.
	if n := len(c.carried); n > 0 {
		q := c.carried[n-1]
		same := p.service != nil && p.service == q.service ||
			p.service == nil && p.begun != 0 && abs(int(p.begun-q.begun)) <= h.agree
		if q.lostBy == "open" && q.time == c.time() && same {
			q.lost, q.lostBy, q.seen = 0, "", day
			c.now = q
			return
		}
	}
	h.conceive(c, p)
}

// again: a further positive examination of a cow known to be pregnant.
func (h *plainHerd) again(c *plainCow, p *plainPregnancy, day event.Date, method string, stage int) {
	if stage > 0 && p.begun == 0 {
		if q := h.read(c, day, method, stage); q != nil && q.begun != 0 {
			p.begun, p.service, p.noStage = q.begun, q.service, false
			if q.service != nil {
				q.service.came = p
			}
		}
	} else if stage > 0 {
		target := day - event.Date(stage)
		s := h.nearest(c, target, day, h.reach)
		switch {
		case s == nil || s == p.service || abs(int(target-p.begun)) <= h.agree:
		case s.first() > p.begun && s.first() > p.seen: // bred since she was last known pregnant
			p.lost, p.lostBy = s.first()-1, "later"
			h.conceive(c, &plainPregnancy{service: s, begun: dayOf(s, target, day), proven: day, seen: day, proof: "diagnosed_pregnant"})
			return
		case p.noStage: // dated without a stage: now corrected
			p.service.came = nil
			p.service, p.begun, p.noStage = s, dayOf(s, target, day), false
			s.came = p
		}
	}
	p.seen = day
}

func abs(n int) int { return max(n, -n) }

func (h *plainHerd) negative(c *plainCow, day event.Date, method string) {
	if p := c.now; p != nil {
		if h.tooSoon(c, day, method, false, p.since()) {
			return
		}
		p.lost, p.lostBy = day, "open"
		c.now = nil
	}
	for _, s := range c.inTime(c.time()) {
		if s.came == nil && s.open == 0 && s.last() < day && !h.tooSoon(c, day, method, false, s.last()) {
			s.open = day
		}
	}
}

func (h *plainHerd) loss(c *plainCow, day event.Date, stage int) {
	if p := c.now; p != nil {
		p.lost, p.lostBy = day, "seen"
		c.now = nil
		return
	}
	t := c.time()
	// If nothing else proved the pregnancy, the loss does.
	p := &plainPregnancy{proven: day, seen: day, proof: "loss_recorded"}
	target := day - event.Date(h.lossAge)
	if stage > 0 {
		target = day - event.Date(stage)
	}
	for _, s := range c.inTime(t) {
		if s.came != nil {
			continue // another pregnancy came of it
		}
		if stage > 0 && s.first() < day && s.away(target) <= h.reach || stage == 0 && s.first() <= target {
			if p.service == nil || s.away(target) <= p.service.away(target) {
				p.service = s
			}
		}
	}
	switch {
	case p.service != nil && stage > 0:
		p.begun = dayOf(p.service, target, day)
	case p.service != nil:
		p.begun = dayOf(p.service, 0, day)
	case stage > 0 && (t.calved == 0 || target > t.calved):
		p.begun = target
	}
	if n := len(c.carried); n > 0 && c.carried[n-1].time == t && c.carried[n-1].lost != 0 {
		q, since := c.carried[n-1], stage > 0 && target > c.carried[n-1].lost
		for _, s := range c.services {
			since = since || s.last() > q.lost
		}
		if !since { // not bred since, nor pregnant from later: the loss already known
			q.lostBy = "seen"
			if q.begun == 0 && stage > 0 {
				q.begun, q.service = p.begun, p.service
				if p.service != nil {
					p.service.came = q
				}
			}
			return
		}
	}
	h.conceive(c, p)
	p.lost, p.lostBy = day, "seen"
	c.now = nil
}

// fits is the service that a calving fits: 260 to 302 days before, of which no
// other pregnancy came, nearest to the mean of the breed.
func (h *plainHerd) fits(c *plainCow, day event.Date, mean int) *plainService {
	var best *plainService
	away := func(s *plainService) int { return s.away(day - event.Date(mean) + embryoAge(s)) }
	for _, s := range c.inTime(c.time()) {
		long, short := int(day-s.first()+embryoAge(s)), int(day-s.last()+embryoAge(s))
		if s.came == nil && long >= h.gestationMin && short <= h.gestationMax && (best == nil || away(s) <= away(best)) {
			best = s
		}
	}
	return best
}

// embryoAge is how many days older than its service an embryo is.
func embryoAge(s *plainService) event.Date {
	if s != nil && s.embryo {
		return 7
	}
	return 0
}

func (h *plainHerd) gestation(c *plainCow, day event.Date) int {
	p := h.policy(day)
	g, ok := p.GestationByBreed[strings.ToLower(c.breed)]
	switch {
	case !ok:
		return p.GestationDays
	case c.time().number == 0:
		return int(g.Heifer + 0.5)
	}
	return int(g.Cow + 0.5)
}

func (h *plainHerd) calving(c *plainCow, d *event.Calving, day event.Date) {
	t := c.time()
	if t.calved != 0 && int(day-t.calved) <= h.sameCalving {
		return // the same one reported twice
	}
	h.calvedFrom(c, day)
	c.now = nil
	t.end = day
	next := &plainTime{number: -1, calved: day}
	if t.number >= 0 {
		next.number = t.number + 1
	} else if d.Parity.N > 0 {
		next.number = d.Parity.N
	}
	c.times = append(c.times, next)
}

// calvedFrom finds the pregnancy that a calving ends.
func (h *plainHerd) calvedFrom(c *plainCow, day event.Date) {
	mean := h.gestation(c, day)
	target := day - event.Date(mean)
	s := h.fits(c, day, mean)
	dated := func(p *plainPregnancy) {
		if p.service = s; s != nil {
			p.begun = dayOf(s, target, day)
			s.came = p
		} else if c.time().calved == 0 || target > c.time().calved {
			p.begun = target
		}
	}
	usual := func(p *plainPregnancy) (long int, ok bool) {
		long = int(day - p.begun + embryoAge(p.service))
		return long, abs(long-mean) <= h.usual
	}
	if p := c.now; p != nil {
		if p.begun == 0 {
			dated(p)
			p.calved = day
			return
		}
		long, ok := usual(p)
		later := s != nil && s.last() > p.begun
		if ok || !later && long <= h.gestationMax {
			p.calved = day
			return
		}
		// Lost unseen: she calves from another conception.
		from := target
		if later {
			from = s.first()
		}
		p.lost, p.lostBy = max(from-1, p.seen), "calving"
	} else if n := len(c.carried); s == nil && n > 0 {
		if p := c.carried[n-1]; p.time == c.time() && p.begun != 0 {
			if _, ok := usual(p); ok { // it was not lost after all
				p.lost, p.lostBy, p.calved = 0, "", day
				return
			}
		}
	}
	p := &plainPregnancy{proven: day, seen: day, calved: day, proof: "calved"}
	dated(p)
	h.conceive(c, p)
	p.calved = day
}
