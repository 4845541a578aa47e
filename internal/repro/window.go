package repro

import (
	"math/bits"

	"byrelog.example/internal/event"
)

// window is 21 consecutive days, of which a set of days is a mask with bit 0
// for the first.
type window struct {
	from, to    event.Date
	label       string
	provisional bool
}

// windows are the whole windows of the period that records tell of.
func (q *query) windows() []window {
	end := min(q.p.To, q.last)
	offset := (q.p.From - q.p.Anchor) % windowDays
	first := q.p.From
	if offset > 0 {
		first += windowDays - offset
	} else {
		first -= offset
	}
	var out []window
	for w := first; w+windowDays-1 <= end; w += windowDays {
		to := w + windowDays - 1
		out = append(out, window{w, to, w.String() + ".." + to.String(), !q.mature(to)})
	}
	return out
}

// mask is the days of the window from one day to another, both included.
func (w *window) mask(from, to event.Date) uint32 {
	if from < w.from {
		from = w.from
	}
	if to > w.to {
		to = w.to
	}
	if from > to {
		return 0
	}
	return (1<<uint(to-from+1) - 1) << uint(from-w.from)
}

func (w *window) has(d event.Date) bool { return w.from <= d && d <= w.to }

const endless event.Date = 1<<31 - 1

// orEndless is the day, or the end of time for none.
func orEndless(d event.Date) event.Date {
	if d == 0 {
		return endless
	}
	return d
}

// risk is the days of the window on which she might have conceived, as rule 2
// of indices.md 1.1 has it: present, in milk past the waiting period in force
// (or old enough), no stop in force, and not pregnant from a conception before
// the window. After a loss she is at risk again from the day after it was
// detected. A conception inside the window does not shorten it. Dry days are
// no risk days: nobody breeds a dry cow.
func (q *query) risk(l *life, lac *lactation, w *window) uint32 {
	start := lac.calved
	if lac.heifer() {
		start = l.born
	}
	if start == 0 {
		return 0
	}
	var m uint32
	end := orEndless(l.lastDay(lac))
	if lac.dried != 0 {
		end = min(end, lac.dried-1)
	}
	for i := range q.h.policies {
		p := &q.h.policies[i]
		days, from, to := p.Wait(int(lac.number)), event.Date(0), end
		if lac.heifer() {
			days = p.HeiferFirstBreedingDays
		}
		if i > 0 {
			from = p.From
		}
		if i+1 < len(q.h.policies) {
			to = min(to, q.h.policies[i+1].From-1)
		}
		m |= w.mask(max(from, start+event.Date(days)), to)
	}
	m &= w.mask(l.in, endless)
	if m == 0 {
		return 0
	}
	for i := range l.stops {
		m &^= w.mask(l.stops[i].from, orEndless(l.stops[i].to))
	}
	for i := range l.pregnancies {
		p := &l.pregnancies[i]
		if p.begins() < w.from && (p.calved == 0 || p.calved > lac.calved) {
			m &^= w.mask(p.begins(), orEndless(p.lostOn))
		}
	}
	return m
}

// cowWindow is what one window was for one cow.
type cowWindow struct {
	risk      uint32
	toConcept int // risk days up to the conception, that day included
	bred      bool
	unknown   bool // bred, not known pregnant, and a result is outstanding
	bull      bool
	conceived *pregnancy // in the window, while she was here
	outside   bool       // that conception was not on a risk day
	seqs      [2]int64
}

func (q *query) cowWindow(l *life, lac *lactation, i int, w *window) cowWindow {
	c := cowWindow{risk: q.risk(l, lac, w)}
	c.toConcept = bits.OnesCount32(c.risk)
	for k := range l.pregnancies {
		p := &l.pregnancies[k]
		if int(p.lactation) != i || !w.has(p.conceived) || p.conceived < lac.calved || !l.present(p.conceived) {
			continue
		}
		outside := c.risk&w.mask(p.conceived, p.conceived) == 0
		if c.conceived == nil {
			c.toConcept = bits.OnesCount32(c.risk & w.mask(w.from, p.conceived))
		} else if outside && !c.outside || outside == c.outside && (c.conceived.lostOn == 0 || p.lostOn != 0) {
			continue // of two in a window, one on a risk day counts, and one that lasted
		}
		c.conceived, c.outside, c.seqs[1] = p, outside, p.seq
	}
	if c.risk == 0 {
		return c
	}
	services := l.of(lac)
	for k := range services {
		s := &services[k]
		if s.brought {
			continue
		}
		if s.run {
			c.bull = c.bull || c.risk&w.mask(s.first, s.last) != 0
			continue
		}
		if c.risk&w.mask(s.last, s.last) != 0 {
			c.bred = true
			c.unknown = c.unknown || s.outcome == undecided
			if c.seqs[0] == 0 {
				c.seqs[0] = l.recs[s.from].seq
			}
		}
	}
	return c
}

// collectWindows goes through all cows and windows. In the pregnancy risk,
// windows too recent to tell are counted apart.
func collectWindows(q *query, insemination bool) func(l *life) {
	windows := q.windows()
	if len(windows) == 0 {
		return func(*life) {}
	}
	from, to := windows[0].from, windows[len(windows)-1].to
	return func(l *life) {
		if l.in > to || (l.out != 0 && l.out <= from) {
			return
		}
		for i := range l.lactations {
			lac := &l.lactations[i]
			begin := max(lac.calved, l.in)
			end := orEndless(l.lastDay(lac))
			if !q.stratum(lac) || begin > to || end < from || end < begin {
				continue
			}
			if reason := l.undated(lac); reason != "" {
				q.add(&item{l: l, lac: int16(i), reason: reason, from: max(begin, from), to: min(end, to), days: noDays})
				continue
			}
			for k := 0; k < len(windows); k++ {
				w := &windows[k]
				if end < w.from || begin > w.to {
					continue
				}
				if until := q.quiet(l, lac, w); until >= w.to {
					k += int(min(until, to)-w.from+1)/windowDays - 1 // whole windows, this one among them
					continue
				}
				q.addWindow(l, lac, i, w, insemination)
			}
		}
	}
}

// quiet is a day up to which, from the first of the window on, she surely is not at risk
// (see risk) and conceives nothing: she waits, or is pregnant all the time. Of most
// windows of a year that is all there is to say.
func (q *query) quiet(l *life, lac *lactation, w *window) event.Date {
	until := event.Date(0)
	if start := lac.calved; !lac.heifer() {
		wait := endless
		for i := range q.h.policies {
			wait = min(wait, event.Date(q.h.policies[i].Wait(int(lac.number))))
		}
		until = start + wait - 1
	}
	for i := range l.pregnancies {
		if p := &l.pregnancies[i]; p.begins() < w.from && (p.calved == 0 || p.calved > lac.calved) {
			until = max(until, orEndless(p.lostOn))
		}
	}
	for i := range l.pregnancies {
		if d := l.pregnancies[i].conceived; d >= w.from && d <= until {
			until = d - 1
		}
	}
	return until
}

// asInsemination makes of what the pregnancy risk counted what the insemination risk
// counts: the same cows in the same windows, none of them too recent.
func asInsemination(x *cell) {
	x.flags &^= flagProvisional
	if x.flags&flagEligible == 0 {
		return
	}
	x.counted = inDenominator
	if x.flags&flagBred != 0 {
		x.counted = inNumerator
	}
}

// undated is why her days at risk cannot be counted; "" if they can.
func (l *life) undated(lac *lactation) string {
	switch {
	case lac.heifer() && l.born == 0:
		return "birth_unknown"
	case !lac.heifer() && lac.calved == 0:
		return "calving_unknown"
	}
	return ""
}

func (q *query) addWindow(l *life, lac *lactation, i int, w *window, insemination bool) {
	c := q.cowWindow(l, lac, i, w)
	n := bits.OnesCount32(c.risk)
	if n == 0 && c.conceived == nil {
		return
	}
	it := item{
		l: l, lac: int16(i), label: w.label, from: w.from, to: w.to, on: w.from, days: int32(n), seqs: c.seqs,
		aux: int32(c.toConcept),
	}
	if q.p.By != "" {
		it.label = q.cowGroup(l, lac, max(w.from, l.in))
	}
	eligible := n >= q.p.Exposure
	if c.bull {
		it.flags |= flagBull
	}
	switch {
	case c.conceived != nil && (!eligible || c.outside):
		it.reason = "pregnant_outside_eligible"
		it.flags |= flagOutside
	case !eligible:
		it.reason = "few_risk_days"
	default:
		it.reason, it.counted = "eligible", inDenominator
		it.flags |= flagEligible
		if c.bred {
			it.reason = "bred"
			it.flags |= flagBred
		}
		if c.conceived != nil {
			it.reason = "pregnant"
			it.flags |= flagPregnant
			if c.conceived.lostOn != 0 {
				it.reason = "pregnant_lost_later"
				it.flags |= flagLostLater
			}
		} else if c.unknown {
			it.reason = "bred_result_unknown"
			it.flags |= flagUnknown
		}
		if (insemination && c.bred) || (!insemination && c.conceived != nil) {
			it.counted = inNumerator
		}
	}
	if w.provisional && !insemination {
		it.flags |= flagProvisional
		it.aux = 0
		if it.counted != out {
			it.counted, it.reason = out, "provisional_window"
		}
	}
	q.add(&it)
}

func finishWindows(c *count, insemination bool) {
	a := c.a
	c.proportion()
	w := &c.whole
	for _, t := range c.rows {
		a.Provisional = a.Provisional || a.Value == nil && !c.by && t.count(flagProvisional) > 0
	}
	for _, t := range c.shown() {
		r := t.row()
		if t.count(flagProvisional) > 0 && !c.by {
			n, d := t.count(flagPregnant), t.count(flagEligible)
			r.Numerator, r.Denominator, r.Value, r.Interval, r.Small = &n, &d, nil, nil, d < smallBelow
			r.Provisional, r.NullReason = true, "provisional"
		}
		if c.by {
			r.From, r.To = 0, 0
		}
		t.windowCounts(r.Counts)
		if !insemination {
			r.net(t.num - t.numLost)
		}
		a.Rows = append(a.Rows, r)
	}
	if len(c.rows) == 0 && w.den == 0 {
		a.NullReason = "no_whole_window"
	} else if w.den == 0 && w.count(flagProvisional) > 0 {
		a.NullReason = "provisional"
	}
	for _, m := range []struct {
		name string
		f    flag
	}{{"lost_later", flagLostLater}, {"unknown", flagUnknown}, {"pregnant_outside_eligible", flagOutside}, {"exposed_to_bull", flagBull}} {
		a.counts(m.name, w.count(m.f))
	}
	if insemination {
		return
	}
	net, ok := ratio(w.num-c.matureLost(), w.den)
	a.measure("net_of_losses", net, ok)
	a.counts("risk_days_to_conception", w.aux)
	person, ok := ratio(c.maturePregnant()*windowDays, w.aux)
	a.measure("per_21_risk_days", person, ok)
}

// windowCounts writes what a row counts beside its value.
func (t *tally) windowCounts(to map[string]int) {
	to["eligible"], to["bred"], to["pregnant"] = t.count(flagEligible), t.count(flagBred), t.count(flagPregnant)
	to["lost_later"], to["unknown"] = t.count(flagLostLater), t.count(flagUnknown)
	to["pregnant_outside_eligible"], to["exposed_to_bull"] = t.count(flagOutside), t.count(flagBull)
}

// matureLost is how many of the pregnancies that count were lost later.
func (c *count) matureLost() int { return c.whole.numLost }

// maturePregnant is the conceptions of windows old enough, also those outside.
func (c *count) maturePregnant() int {
	return c.countIn(func(x *cell) bool {
		return x.flags&(flagPregnant|flagOutside) != 0 && x.flags&flagProvisional == 0
	})
}

// collectCycles is the cow-centred count of the California demonstration
// project: the 21-day cycles from the end of each cow's waiting period until
// she conceives, is stopped or leaves.
func collectCycles(q *query) func(l *life) {
	return func(l *life) {
		for i := range l.lactations {
			lac := &l.lactations[i]
			if !q.stratum(lac) || lac.brought || !q.inPeriod(lac.calved) {
				continue
			}
			it := item{l: l, lac: int16(i), from: q.h.ready(l, lac), on: lac.calved, days: noDays, seqs: [2]int64{lac.seq}, label: q.calvingGroup(l, lac)}
			q.addCycles(it, lac)
		}
	}
}

func (q *query) addCycles(it item, lac *lactation) {
	l := it.l
	end := q.last
	if d := l.lastDay(lac); d != 0 {
		end = min(end, d+1)
	}
	conceived := false
	for k := range l.pregnancies {
		if p := &l.pregnancies[k]; p.lactation == it.lac {
			if p.conceived == 0 {
				it.reason = "conception_undated"
				q.add(&it)
				return
			}
			end, conceived = p.conceived, true
			it.seqs[1] = p.seq
			if p.lostOn != 0 {
				it.flags |= flagLostLater
			}
			break
		}
	}
	if !conceived {
		for k := range l.stops {
			if s := &l.stops[k]; s.from > lac.calved && s.to == 0 {
				end = min(end, s.from)
			}
		}
	}
	days := int(end - it.from)
	it.to, it.days = end, int32(days)
	switch {
	case conceived && days < 0:
		it.reason = "conceived_before_waiting_period"
	case conceived:
		it.reason, it.counted = "pregnant", inNumerator
		it.aux = int32(max(1, (days+windowDays-1)/windowDays))
	case days <= 0:
		it.reason = "not_yet_eligible"
	default:
		it.reason, it.counted = "open", inDenominator
		it.aux = int32((2*days + windowDays) / (2 * windowDays))
	}
	q.add(&it)
}

func finishCycles(c *count) {
	a, w := c.a, &c.whole
	a.Numerator, a.Denominator = &w.num, &w.aux
	a.Value, a.Interval, a.Small, a.NullReason = share(w.num, w.aux)
	for _, t := range c.shown() {
		r := t.row()
		r.Denominator = &t.aux
		r.Value, r.Interval, r.Small, r.NullReason = share(t.num, t.aux)
		r.Counts["cows"], r.Counts["pregnant"] = t.den, t.num
		r.net(t.num - t.numLost)
		r.From, r.To = 0, 0
		a.Rows = append(a.Rows, r)
	}
	a.counts("cows", w.den)
	a.counts("lost_later", w.numLost)
	v, ok := ratio(w.num-w.numLost, w.aux)
	a.measure("net_of_losses", v, ok)
}
