package repro

import (
	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// state of a lactation's days open (indices.md 1.4).
type state uint8

const (
	running  state = iota // not pregnant, in the herd
	closed                // pregnant
	censored              // left the herd not pregnant
	undated               // pregnant, but nobody knows since when
)

func (s state) String() string {
	return [...]string{"running", "closed", "censored", "undated"}[s]
}

// openReasons are the reasons of items by their state.
var openReasons = [...]string{running: "open_running", closed: "open_closed", censored: "open_censored", undated: "open_undated"}

// openState tells how long a lactation has been open: its state, the day that
// days open are counted to, and the event that the state rests on. A loss
// withdraws the closing, and the clock runs on from the calving.
func openState(l *life, i int, on event.Date) (state, event.Date, int64) {
	for k := range l.pregnancies {
		p := &l.pregnancies[k]
		if int(p.lactation) != i || p.lostOn != 0 {
			continue
		}
		if p.conceived == 0 {
			return undated, 0, p.seq
		}
		return closed, p.conceived, p.seq
	}
	if l.out != 0 && l.out <= on {
		return censored, l.out, l.outSeq
	}
	return running, on, 0
}

// eachCalving goes through the lactations of a life that began in the herd by a
// calving in the period.
func (q *query) eachCalving(fn func(l *life, i int, lac *lactation, it item)) func(l *life) {
	return func(l *life) { q.calvingsOf(l, fn) }
}

func (q *query) calvingsOf(l *life, fn func(l *life, i int, lac *lactation, it item)) {
	for i := range l.lactations {
		lac := &l.lactations[i]
		if lac.brought || lac.heifer() || !q.inPeriod(lac.calved) {
			continue
		}
		fn(l, i, lac, item{
			l: l, lac: int16(i), label: q.calvingGroup(l, lac), from: lac.calved, on: lac.calved, days: noDays, seqs: [2]int64{lac.seq},
		})
	}
}

// collectFirstService counts the days from calving to the first service, of
// the cows that were served; the others are named.
func collectFirstService(q *query) func(l *life) {
	return q.eachCalving(func(l *life, _ int, lac *lactation, it item) {
		it.label = q.firstServiceGroup(l, lac)
		last := l.lastDay(lac)
		services := l.of(lac)
		ready := q.h.ready(l, lac)
		bull := len(services) > 0 && services[0].run
		if by := ready + 21; !bull && by <= q.last && (last == 0 || last >= by || len(services) > 0 && services[0].first <= by) {
			it.flags |= flagEligible
			if len(services) > 0 && services[0].first <= by {
				it.flags |= flagBred
			}
		}
		switch {
		case bull:
			it.reason = "bull_run"
		case len(services) > 0:
			s := &services[0]
			it.counted, it.reason, it.to, it.days, it.seqs[1] = inDenominator, "served", s.first, int32(s.first-lac.calved), l.recs[s.from].seq
		case last != 0 && lac.end == 0:
			it.reason = "left_not_served"
		case lac.end != 0:
			it.reason = "calved_not_served"
		default:
			it.reason = "not_served"
		}
		q.followToService(&it)
		q.add(&it)
	})
}

func finishFirstService(c *count) {
	c.medianDays()
	a, w := c.a, &c.whole
	v, ok := ratio(w.count(flagBred), w.count(flagEligible))
	a.measure("served_by_wait_plus_21", v, ok)
	a.counts("not_served", w.reasons["not_served"]+w.reasons["left_not_served"]+w.reasons["calved_not_served"])
	tenth, ok := stats.Quantile(w.days, 0.1)
	a.measure("day_by_which_a_tenth_is_served", tenth, ok)
	c.dayRows()
	c.survival()
}

// medianDays makes the median the value; the mean stands beside it.
func (c *count) medianDays() {
	a, w := c.a, &c.whole
	if v, ok := stats.Median(w.days); ok {
		a.Value = &v
	} else {
		a.NullReason = "no_days"
	}
	a.Denominator, a.Small = &w.den, w.den > 0 && w.den < smallBelow
	c.spread()
	delete(a.Measures, "mode")
}

func (c *count) dayRows() {
	for _, t := range c.shown() {
		r := Row{Label: t.label, Denominator: &t.den, Small: t.den > 0 && t.den < smallBelow, Counts: map[string]int{"cows": t.den}, Measures: map[string]*float64{}}
		if v, ok := stats.Median(t.days); ok {
			r.Value = &v
		} else {
			r.NullReason = "no_days"
		}
		if v, ok := stats.Mean(t.days); ok {
			r.Measures["mean"] = &v
		}
		c.a.Rows = append(c.a.Rows, r)
	}
}

// collectDaysOpen tells for every lactation how long it was or is open. Only
// the closed ones count; the others are named with their days.
func collectDaysOpen(q *query) func(l *life) {
	return q.eachCalving(func(l *life, i int, lac *lactation, it item) {
		st, on, seq := openState(l, i, q.p.On)
		it.reason, it.to, it.seqs[1] = openReasons[st], on, seq
		switch st {
		case closed:
			it.counted, it.days = inDenominator, int32(on-lac.calved)
			if p := l.pregnancies; len(p) > 0 && estimatedIn(l, i) {
				it.flags |= flagEstimated
			}
		case running, censored:
			it.days = int32(on - lac.calved)
		case undated:
			it.to = 0
		}
		q.followToConception(&it, st)
		q.add(&it)
	})
}

func estimatedIn(l *life, i int) bool {
	for k := range l.pregnancies {
		if p := &l.pregnancies[k]; int(p.lactation) == i && p.lostOn == 0 {
			return p.how.estimated()
		}
	}
	return false
}

func finishDaysOpen(c *count) {
	c.medianDays()
	a, w := c.a, &c.whole
	a.counts("closed", w.den)
	a.counts("estimated", w.count(flagEstimated))
	for _, st := range []state{running, censored} {
		reason, n, days := openReasons[st], 0, 0
		for _, pt := range c.parts {
			for i := range pt.cells {
				if x := &pt.cells[i]; x.reason == reason {
					n, days = n+x.n, days+x.sum
				}
			}
		}
		a.counts(st.String(), n)
		v, ok := ratio(days, n)
		a.measure(st.String()+"_mean", v, ok)
	}
	c.dayRows()
	c.survival()
}

// collectCalvingInterval goes through the calvings of the period that follow
// another one, and, to stand beside them, the cows that left in it.
func collectCalvingInterval(q *query) func(l *life) {
	return func(l *life) {
		q.calvingsOf(l, q.addCalvingInterval)
		i := len(l.lactations) - 1
		if lac := &l.lactations[i]; !lac.heifer() && q.inPeriod(l.out) {
			q.add(&item{l: l, lac: int16(i), from: lac.calved, to: l.out, on: l.out, days: noDays, reason: "left", seqs: [2]int64{0, l.outSeq}})
		}
	}
}

func (q *query) addCalvingInterval(l *life, i int, lac *lactation, it item) {
	if lac.number == 1 {
		return // her first: no interval
	}
	if i == 0 || l.lactations[i-1].calved == 0 {
		it.reason = "previous_calving_unknown"
		q.add(&it)
		return
	}
	prev := &l.lactations[i-1]
	it.from, it.to, it.counted, it.reason = prev.calved, lac.calved, inDenominator, "interval"
	it.days, it.seqs = int32(lac.calved-prev.calved), [2]int64{prev.seq, lac.seq}
	q.add(&it)
}

func finishCalvingInterval(c *count) {
	c.medianDays()
	c.a.counts("left", c.whole.reasons["left"])
	c.dayRows()
}

// collectInCalf counts the cows that conceived within so many days of calving,
// among those that passed that day in the herd or conceived before, and whose
// outcome has had the time to show.
func collectInCalf(q *query, limit func(l *life, lac *lactation) event.Date) func(l *life) {
	return q.eachCalving(func(l *life, i int, lac *lactation, it item) {
		end := limit(l, lac)
		last := l.lastDay(lac)
		it.to = end
		for k := range l.pregnancies {
			p := &l.pregnancies[k]
			if int(p.lactation) != i {
				continue
			}
			switch {
			case p.conceived == 0 && it.reason == "":
				it.reason = "conception_undated"
			case p.conceived != 0 && p.conceived <= end && it.counted == out:
				it.counted, it.reason, it.days, it.seqs[1] = inNumerator, "in_calf", int32(p.conceived-lac.calved), p.seq
				if p.lostOn != 0 {
					it.flags |= flagLostLater
				}
			}
		}
		switch {
		case !q.mature(end):
			it.counted, it.reason = out, "too_recent"
			it.flags = flagImmature
		case it.reason != "":
		case last != 0 && last < end && lac.end == 0:
			it.reason = "left_within"
		default:
			it.counted, it.reason = inDenominator, "not_in_calf"
		}
		q.add(&it)
	})
}

func collectInCalfBy(days event.Date) func(q *query) func(l *life) {
	return func(q *query) func(l *life) {
		return collectInCalf(q, func(_ *life, lac *lactation) event.Date { return lac.calved + days })
	}
}

func collectByWaitPlus30(q *query) func(l *life) {
	return collectInCalf(q, func(l *life, lac *lactation) event.Date { return q.h.ready(l, lac) + 30 })
}

func finishInCalf(c *count) {
	a, w := c.a, &c.whole
	c.proportion()
	lost := c.matureLost()
	a.counts("lost_later", lost)
	v, ok := ratio(w.num-lost, w.den)
	a.measure("net_of_losses", v, ok)
	a.Provisional = w.count(flagImmature) > 0
	for _, t := range c.shown() {
		r := t.row()
		r.From, r.To = 0, 0
		r.Provisional = t.count(flagImmature) > 0
		r.net(t.num - t.numLost)
		a.Rows = append(a.Rows, r)
	}
}
