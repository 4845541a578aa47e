package repro

import (
	"cmp"
	"slices"

	"byrelog.example/internal/event"
)

// walked lists the days on which each pen was walked, up to a day, in order.
func (h *Herd) walked(upto event.Date) map[word][]event.Date {
	out := map[word][]event.Date{}
	var w rec
	var s side
	for c := over(h.packed(herdLevel)); c.more(); {
		if c.rec(&w, &s); w.on > upto {
			break
		}
		days := out[w.text]
		if n := len(days); n == 0 || days[n-1] != w.on {
			out[w.text] = append(days, w.on)
		}
	}
	return out
}

// walkedOn tells whether a pen was walked on a day.
func (h *Herd) walkedOn(pen word, on event.Date) bool {
	walks := upTo(h.walksNow(), on)
	for i := len(walks) - 1; i >= 0 && walks[i].on == on; i-- {
		if walks[i].text == pen && pen != 0 {
			return true
		}
	}
	return false
}

// collectYield counts the readings of the period: the cows read in heat or as
// suspect one by one, those read as not in heat by cow. A walk reads every cow
// that stands in the pen that day and has no reading of her own.
func collectYield(q *query) func(l *life) {
	w := q.newPenDays()
	q.pens = w
	var quiet groupCount
	var own []event.Date
	return func(l *life) {
		if l.in > w.to || l.out != 0 && l.out <= q.p.From { // not here on any day of the period
			return
		}
		quiet.reset()
		own = q.readings(l, own[:0], func(it item) {
			lac := &l.lactations[it.lac]
			it.label = q.cowGroup(l, lac, it.on)
			w.read(l.penOn(it.on), it.on)
			w.cycling[it.label] += cycling(l, lac, []event.Date{it.on})
			if it.flags&(flagSuspect|flagObvious) == 0 {
				quiet.add(it.label, 1)
				return
			}
			q.add(&it)
		})
		q.implied(l, w.walks, own, func(lac *lactation, days []event.Date) {
			switch q.p.By {
			case ByMonth, ByWindow:
				for i, d := range days {
					label := q.cowGroup(l, lac, d)
					quiet.add(label, 1)
					w.cycling[label] += cycling(l, lac, days[i:i+1])
				}
			default: // one group, as long as she is in one pen and one lactation
				label := q.cowGroup(l, lac, days[0])
				quiet.add(label, len(days))
				w.cycling[label] += cycling(l, lac, days)
			}
		})
		w.stands(l)
		for _, g := range quiet.groups() {
			n := int32(g.n)
			q.add(&item{
				l: l, lac: int16(l.lactationOn(q.p.On)), label: g.label, from: max(q.p.From, l.in), to: min(q.p.To, q.p.On), on: q.p.From,
				days: n, aux: n, counted: inDenominator, reason: "read_not_in_heat", flags: flagReading,
			})
		}
	}
}

// cyclesFrom is the day after calving from which a cow is taken to come in heat
// every 21 days (indices.md 1.2 b, S16).
const cyclesFrom = 30

// cycling counts the days, in order and of one lactation, on which a cow that cycles
// would: from day 30 after calving, not dry and not pregnant. Of a heifer, or
// where the calving is not known, none does: nobody knows from when on.
func cycling(l *life, lac *lactation, days []event.Date) int {
	if lac.heifer() || lac.calved == 0 {
		return 0
	}
	days = days[firstFrom(days, lac.calved+cyclesFrom):]
	if lac.dried != 0 {
		days = between(days, 0, lac.dried-1)
	}
	n := len(days)
	for i := range l.pregnancies {
		p := &l.pregnancies[i]
		if &l.lactations[p.lactation] != lac || n == 0 {
			continue
		}
		from, to := p.conceived, days[len(days)-1]
		if from == 0 {
			from = p.confirmed
		}
		if p.lostOn != 0 {
			to = min(to, p.lostOn)
		}
		n -= len(between(days, from+1, to)) // the heat that she conceived to was one
	}
	return max(0, n)
}

// groupCount counts by group what mostly comes in runs of one group, and in few
// groups.
type groupCount struct {
	list []group
	last int // the group counted last
}

type group struct {
	label string
	n     int
}

func (c *groupCount) reset() { c.list, c.last = c.list[:0], 0 }

func (c *groupCount) add(label string, n int) {
	if c.last >= len(c.list) || c.list[c.last].label != label {
		c.last = slices.IndexFunc(c.list, func(g group) bool { return g.label == label })
	}
	if c.last < 0 {
		c.last = len(c.list)
		c.list = append(c.list, group{label: label})
	}
	c.list[c.last].n += n
}

// groups are the groups that were counted, in order.
func (c *groupCount) groups() []group {
	slices.SortFunc(c.list, func(a, b group) int { return cmp.Compare(a.label, b.label) })
	return c.list
}

// penDays tells on which days the pens that are walked were not: no day of
// those on which an animal asked for stands in the pen, from the first walk of
// it in the period on, without a walk or a reading of a cow of it.
type penDays struct {
	q     *query
	walks map[word][]event.Date
	pens  map[word]*penDay // that are walked in the period
	to    event.Date

	cycling map[string]int // readings of cows that should come in heat, by row
}

// penDay is the days of one pen, from its first walk in the period on.
type penDay struct {
	from  event.Date
	stood []int32 // how many more stand there than the day before
	seen  []bool  // a walk, or a reading of a cow of it
}

func (q *query) newPenDays() *penDays {
	w := &penDays{q: q, walks: q.h.walked(min(q.p.To, q.p.On)), to: min(q.p.To, q.last), pens: map[word]*penDay{}, cycling: map[string]int{}}
	for pen, days := range w.walks {
		if i, _ := slices.BinarySearch(days, q.p.From); i < len(days) && days[i] <= w.to && pen != 0 {
			p := &penDay{from: days[i], stood: make([]int32, w.to-days[i]+2), seen: make([]bool, w.to-days[i]+1)}
			for _, d := range days[i:] {
				p.see(d)
			}
			w.pens[pen] = p
		}
	}
	return w
}

func (p *penDay) see(on event.Date) {
	if i := int(on - p.from); i >= 0 && i < len(p.seen) {
		p.seen[i] = true
	}
}

func (w *penDays) read(pen word, on event.Date) {
	if p := w.pens[pen]; p != nil {
		p.see(on)
	}
}

// stands notes on which days an animal stands in pens that are walked.
func (w *penDays) stands(l *life) {
	for i := range l.pens {
		p := w.pens[l.pens[i].pen]
		if p == nil {
			continue
		}
		for k := range l.lactations {
			lac := &l.lactations[k]
			if !w.q.stratum(lac) {
				continue
			}
			from, to := max(l.pens[i].from, l.in, lac.calved, p.from), w.to
			if i+1 < len(l.pens) {
				to = min(to, l.pens[i+1].from-1)
			}
			if last := l.lastDay(lac); last != 0 {
				to = min(to, last)
			}
			if from <= to {
				p.stood[from-p.from]++
				p.stood[to-p.from+1]--
			}
		}
	}
}

// Sums of the pen-days, of all and of each row.
const (
	sumWalked = "pen_days_walked"
	sumMissed = "pen_days_missed"

	sumCycling = "readings_of_cycling_cows"
)

// join takes over what another has noted of other lives of the herd.
func (w *penDays) join(other *penDays) {
	for label, n := range other.cycling {
		w.cycling[label] += n
	}
	for pen, p := range other.pens {
		own := w.pens[pen]
		for i := range p.stood {
			own.stood[i] += p.stood[i]
		}
		for i := range p.seen {
			own.seen[i] = own.seen[i] || p.seen[i]
		}
	}
}

func countPenDays(q *query) {
	w := q.pens
	q.sums = map[string]float64{}
	for label, n := range w.cycling {
		q.sums[sumCycling] += float64(n)
		if label != "" {
			q.sums[sumCycling+"/"+label] = float64(n)
		}
	}
	for pen, p := range w.pens {
		n := int32(0)
		for i := range p.seen {
			if n += p.stood[i]; n == 0 {
				continue
			}
			d := p.from + event.Date(i)
			label := q.penDayGroup(pen, d)
			sum := sumWalked
			if !p.seen[i] {
				sum = sumMissed
				q.add(&item{pen: pen, label: label, from: d, to: d, on: d, days: noDays, reason: "pen_not_walked"})
			}
			q.sums[sum]++
			if label != "" {
				q.sums[sum+"/"+label]++
			}
		}
	}
}

// penDayGroup is the group of a day of a pen; a pen has no lactation.
func (q *query) penDayGroup(pen word, on event.Date) string {
	switch q.p.By {
	case ByPen:
		return q.h.words.text(pen)
	case ByMonth:
		return monthOf(on)
	case ByWindow:
		return q.windowOf(on)
	}
	return ""
}

// readings goes through the days of the period on which she was read, with
// the strongest reading of the day, and appends the days to own.
func (q *query) readings(l *life, own []event.Date, fn func(it item)) []event.Date {
	first, _ := slices.BinarySearchFunc(l.recs, q.p.From, func(r rec, d event.Date) int { return int(r.on) - int(d) })
	for i := first; i < len(l.recs) && l.recs[i].on <= q.p.To; i++ {
		r := &l.recs[i]
		if r.kind != event.KindHeat || !q.inPeriod(r.on) || !l.present(r.on) || !q.stratum(&l.lactations[l.lactationOn(r.on)]) {
			continue
		}
		best := r
		for i+1 < len(l.recs) && l.recs[i+1].on == r.on {
			i++
			if n := &l.recs[i]; n.kind == event.KindHeat && n.a < best.a { // in heat, suspect, not
				best = n
			}
		}
		own = append(own, r.on)
		fn(q.reading(l, best))
	}
	return own
}

// reading follows what became of one reading.
func (q *query) reading(l *life, r *rec) item {
	it := item{
		l: l, lac: int16(l.lactationOn(r.on)), on: r.on, from: r.on, to: r.on, days: noDays, aux: 1,
		counted: inDenominator, flags: flagReading, seqs: [2]int64{r.seq},
	}
	switch r.a {
	case inHeat:
		it.flags |= flagObvious | flagInHeat
		it.counted, it.reason = inNumerator, "read_in_heat"
	case suspect:
		it.flags |= flagSuspect
		it.reason = "suspect_not_examined"
		for i := range l.recs {
			p := &l.recs[i]
			if p.kind != event.KindPalpation || p.on < r.on || p.on > r.on+1 || p.on > q.p.On {
				continue
			}
			it.flags |= flagExamined
			it.reason = "suspect_examined"
			if p.a == inHeat {
				it.flags |= flagInHeat
				it.counted, it.reason = inNumerator, "suspect_found_in_heat"
			}
		}
	default:
		return it
	}
	if it.flags&flagInHeat == 0 {
		return it
	}
	for i := range l.services {
		s := &l.services[i]
		if s.run || s.first < r.on || s.first > r.on+1 {
			continue
		}
		it.flags |= flagBred
		it.seqs[1] = l.recs[s.from].seq
		switch {
		case s.outcome == conceived || s.outcome == lost:
			it.flags |= flagPregnant | flagEligible
		case s.outcome == failed:
			it.flags |= flagEligible // its outcome is known
		}
		break
	}
	return it
}

// implied goes through the days of the period on which a walk read her, unnamed:
// in runs, each in one pen and one lactation.
func (q *query) implied(l *life, walks map[word][]event.Date, own []event.Date, fn func(lac *lactation, days []event.Date)) {
	for i := range l.pens {
		from, to := max(l.pens[i].from, l.in, q.p.From), min(q.p.To, q.p.On)
		if i+1 < len(l.pens) {
			to = min(to, l.pens[i+1].from-1)
		}
		if l.out != 0 {
			to = min(to, l.out-1)
		}
		days := between(walks[l.pens[i].pen], from, to)
		for k := range l.lactations {
			lac := &l.lactations[k]
			if len(days) == 0 {
				break
			}
			run := days // up to the next lactation
			if k+1 < len(l.lactations) {
				run = between(days, 0, l.lactations[k+1].calved-1)
			}
			days = days[len(run):]
			if len(run) == 0 || !q.stratum(lac) {
				continue
			}
			for _, d := range between(own, run[0], run[len(run)-1]) { // she was read by name
				if at, read := slices.BinarySearch(run, d); read {
					if at > 0 {
						fn(lac, run[:at])
					}
					run = run[at+1:]
				}
			}
			if len(run) > 0 {
				fn(lac, run)
			}
		}
	}
}

// between cuts the days from one to another, both included, out of a list in order.
func between(days []event.Date, from, to event.Date) []event.Date {
	days = days[firstFrom(days, from):]
	return days[:firstFrom(days, to+1)]
}

// firstFrom is the place of the first day that is the given one or later. Pens are
// mostly walked day after day, so that the day is found without a search.
func firstFrom(days []event.Date, on event.Date) int {
	n := len(days)
	switch {
	case n == 0 || on <= days[0]:
		return 0
	case on > days[n-1]:
		return n
	}
	if i := int(on - days[0]); i < n { // not beyond: each day is in the list once
		if days[i] == on {
			return i
		}
		n = i
	}
	i, _ := slices.BinarySearch(days[:n], on)
	return i
}

// chain is the steps from reading to pregnancy, of all items or of one row's.
type chain struct {
	readings, obvious, suspects, examined, suspectHeat, found, bred, known, pregnant int
	ofObvious, ofSuspects                                                            [2]int // pregnant, of those with a known outcome
	walked, missed                                                                   int    // pen-days
	cycling                                                                          int    // readings of cows that should come in heat
}

func (n *chain) take(x *cell) {
	is := func(f flag) int {
		if x.flags&f == f {
			return x.n
		}
		return 0
	}
	n.readings += x.aux
	n.obvious += is(flagObvious)
	n.suspects += is(flagSuspect)
	n.examined += is(flagExamined)
	n.suspectHeat += is(flagSuspect | flagInHeat)
	n.found += is(flagInHeat)
	n.bred += is(flagBred)
	n.known += is(flagEligible)
	n.pregnant += is(flagPregnant)
	n.ofObvious[0] += is(flagObvious | flagPregnant)
	n.ofObvious[1] += is(flagObvious | flagEligible)
	n.ofSuspects[0] += is(flagSuspect | flagPregnant)
	n.ofSuspects[1] += is(flagSuspect | flagEligible)
}

// measures are the figures that stand beside the steps.
func (n *chain) measures() map[string]*float64 {
	out := map[string]*float64{}
	set := func(name string, v float64, ok bool) {
		out[name] = nil
		if ok {
			out[name] = &v
		}
	}
	v, ok := ratio(n.ofObvious[0], n.ofObvious[1])
	set("conception_of_obvious_heats", v, ok)
	v, ok = ratio(n.ofSuspects[0], n.ofSuspects[1])
	set("conception_of_suspects", v, ok)
	set("obvious_heats_of_known_outcome", float64(n.ofObvious[1]), true)
	set("suspects_of_known_outcome", float64(n.ofSuspects[1]), true)
	set("suspects_never_examined", float64(n.suspects-n.examined), true)
	set(sumWalked, float64(n.walked), true)
	set(sumMissed, float64(n.missed), true)
	set("heats_expected", float64(n.cycling)/windowDays, n.cycling > 0)
	v, ok = ratio(n.found*windowDays, n.cycling)
	set("found_of_expected", v, ok)
	v, ok = ratio(n.missed, n.walked+n.missed)
	set("share_of_pen_days_missed", v, ok)
	return out
}

// finishYield makes the chain: each step as a share of the one that it is
// taken from; or, grouped, the heats found per cow read, with the steps as
// counts.
func finishYield(c *count) {
	a := c.a
	var whole chain
	rows := map[string]*chain{}
	for _, t := range c.rows {
		rows[t.label] = &chain{}
	}
	for _, pt := range c.parts {
		for i := range pt.cells {
			whole.take(&pt.cells[i])
			if r := rows[pt.cells[i].label]; r != nil {
				r.take(&pt.cells[i])
			}
		}
		whole.walked += int(pt.sums[sumWalked])
		whole.missed += int(pt.sums[sumMissed])
		whole.cycling += int(pt.sums[sumCycling])
		for label, r := range rows {
			r.walked += int(pt.sums[sumWalked+"/"+label])
			r.missed += int(pt.sums[sumMissed+"/"+label])
			r.cycling += int(pt.sums[sumCycling+"/"+label])
		}
	}
	a.Numerator, a.Denominator = &whole.found, &whole.readings
	a.Value, a.Interval, a.Small, a.NullReason = share(whole.found, whole.readings)
	a.Measures = whole.measures()
	if !c.by {
		if !a.Params.Whole {
			a.Rows = whole.steps()
		}
		return
	}
	for _, t := range c.shown() {
		n := rows[t.label]
		r := Row{Label: t.label, Numerator: &n.found, Denominator: &n.readings, Counts: n.counts(), Measures: n.measures()}
		r.Value, r.Interval, r.Small, r.NullReason = share(n.found, n.readings)
		a.Rows = append(a.Rows, r)
	}
}

var yieldLabels = []string{"readings", "read_in_heat", "suspects", "suspects_examined", "suspects_in_heat", "in_heat", "bred", "pregnant"}

// each step, and what it is taken from.
func (n *chain) each(fn func(label string, num, den *int, is, of string)) {
	const readings = "readings of a cow"
	for i, s := range []struct {
		num, den *int
		is, of   string
	}{
		{&n.readings, &n.readings, "read", readings},
		{&n.obvious, &n.readings, "read in heat", readings},
		{&n.suspects, &n.readings, "suspect", readings},
		{&n.examined, &n.suspects, "examined", "suspects"},
		{&n.suspectHeat, &n.examined, "in heat", "suspects examined"},
		{&n.found, &n.readings, "heats found", readings},
		{&n.bred, &n.found, "bred", "heats found"},
		{&n.pregnant, &n.known, "pregnant", "heats bred with a known outcome"},
	} {
		fn(yieldLabels[i], s.num, s.den, s.is, s.of)
	}
}

func (n *chain) steps() []Row {
	var out []Row
	n.each(func(label string, num, den *int, is, of string) {
		r := Row{Label: label, Numerator: num, Denominator: den, Counts: map[string]int{}}
		r.NumeratorIs, r.DenominatorIs = is, of
		r.Value, r.Interval, r.Small, r.NullReason = share(*num, *den)
		out = append(out, r)
	})
	return out
}

func (n *chain) counts() map[string]int {
	out := map[string]int{"bred_of_known_outcome": n.known}
	n.each(func(label string, num, _ *int, _, _ string) { out[label] = *num })
	return out
}
