package repro

import "byrelog.example/internal/stats"

// collectServices goes through the services dated (by their last breeding) in
// the period, of the first one of a lactation only or of all, and counts those
// with a known outcome.
func collectServices(q *query, firstOnly bool, label func(l *life, s *service) string) func(l *life) {
	return func(l *life) {
		for i := range l.services {
			s := &l.services[i]
			if s.brought || !q.inPeriod(s.last) || !q.stratum(&l.lactations[s.lactation]) || (firstOnly && s.number != 1) {
				continue
			}
			it := item{l: l, lac: s.lactation, label: label(l, s), from: s.first, to: s.last, on: s.last, days: noDays, seqs: [2]int64{l.recs[s.from].seq, s.whySeq}}
			if q.mature(s.last) {
				it.flags |= flagMature
			}
			q.judgeService(&it, s)
			q.add(&it)
		}
	}
}

func (q *query) judgeService(it *item, s *service) {
	switch result := resultOf(s, q.last, q.p.Maturity); {
	case s.run:
		it.reason = "bull_run"
	case result == OutcomePregnant:
		it.counted, it.reason, it.aux = inNumerator, whyCodes[s.why], int32(s.number)
	case result == OutcomeLost:
		it.counted, it.reason, it.aux = inNumerator, "pregnant_lost_later", int32(s.number)
		it.flags |= flagLostLater
	case result == OutcomeOpen:
		it.counted, it.reason = inDenominator, whyCodes[s.why]
	case result == OutcomeImmature:
		it.reason = "immature"
		it.flags |= flagImmature
	case s.why == whyWasPregnant:
		it.reason = whyCodes[s.why]
	default:
		it.reason = whyCodes[s.why]
		it.flags |= flagUnknown
	}
}

func collectConception(q *query) func(l *life) {
	return collectServices(q, false, q.serviceGroup)
}

func collectFirstConception(q *query) func(l *life) {
	return collectServices(q, true, q.serviceGroup)
}

func collectByFound(q *query) func(l *life) {
	return collectServices(q, false, func(_ *life, s *service) string { return foundLabel(s) })
}

func finishConception(c *count) {
	a, w := c.a, &c.whole
	c.proportion()
	unknown := w.count(flagUnknown)
	a.counts("pregnant", w.num)
	a.counts("failed", w.den-w.num)
	a.counts("unknown", unknown)
	a.counts("immature", w.count(flagImmature))
	a.counts("lost_later", w.count(flagLostLater))
	set := func(name string, num, den int) {
		v, ok := ratio(num, den)
		a.measure(name, v, ok)
	}
	set("net_of_losses", w.num-w.count(flagLostLater), w.den)
	set("unknown_as_failed", w.num, w.den+unknown)
	set("unknown_as_pregnant", w.num+unknown, w.den+unknown)
	mature := func(is counted) int {
		return c.countIn(func(x *cell) bool { return x.counted >= is && x.flags&flagMature != 0 })
	}
	set("of_mature_services", mature(inNumerator), mature(inDenominator))
	a.Provisional = w.count(flagImmature) > 0
	for _, t := range c.shown() {
		r := t.row()
		r.From, r.To = 0, 0
		r.Provisional = t.count(flagImmature) > 0
		r.Counts["pregnant"], r.Counts["failed"], r.Counts["unknown"] = t.num, t.den-t.num, t.count(flagUnknown)
		r.Counts["immature"], r.Counts["lost_later"] = t.count(flagImmature), t.count(flagLostLater)
		r.net(t.num - t.numLost)
		a.Rows = append(a.Rows, r)
	}
}

// finishPerConception turns the conception risk round: services of known
// outcome for each conception.
func finishPerConception(c *count) {
	finishConception(c)
	a, w := c.a, &c.whole
	if w.num == 0 && a.NullReason == "" {
		a.NullReason = "no_conception"
	}
	a.Value, a.Numerator, a.Denominator, a.Interval = turned(w, a.Interval)
	a.Small = w.num < smallBelow
	if v, ok := ratio(w.aux, w.num); ok { // flattering: it leaves out the cows that did not conceive
		a.measure("of_cows_that_conceived", v, true)
	} else {
		a.measure("of_cows_that_conceived", 0, false)
	}
	for _, name := range []string{"net_of_losses", "unknown_as_failed", "unknown_as_pregnant", "of_mature_services"} {
		if v := a.Measures[name]; v != nil && *v > 0 {
			a.measure(name, 1 / *v, true)
		} else {
			a.measure(name, 0, false)
		}
	}
	for i, t := range c.shown() {
		r := &a.Rows[i]
		r.Value, r.Numerator, r.Denominator, r.Interval = turned(t, r.Interval)
		r.Small = t.num < smallBelow
		r.Measures["net_of_losses"] = nil
		if v, ok := ratio(t.den, t.num-t.numLost); ok {
			r.Measures["net_of_losses"] = &v
		}
		if t.num == 0 && r.NullReason == "" {
			r.NullReason = "no_conception"
		}
	}
}

func turned(t *tally, iv *Interval) (*float64, *int, *int, *Interval) {
	if t.num == 0 {
		return nil, &t.den, &t.num, nil
	}
	v := float64(t.den) / float64(t.num)
	if iv != nil && iv.Low > 0 {
		iv = &Interval{Low: 1 / iv.High, High: 1 / iv.Low, Level: iv.Level, Method: "wilson, inverted"}
	}
	return &v, &t.den, &t.num, iv
}

// nonReturnDays is N of the non-return rate.
const nonReturnDays = 56

// collectNonReturn goes through the first services of the period that lie at
// least 56 days before the end of the records.
func collectNonReturn(q *query) func(l *life) {
	return func(l *life) {
		for i := range l.services {
			s := &l.services[i]
			lac := &l.lactations[s.lactation]
			if s.brought || s.number != 1 || s.run || !q.inPeriod(s.last) || !q.stratum(lac) {
				continue
			}
			it := item{l: l, lac: s.lactation, label: q.serviceGroup(l, s), from: s.first, to: s.last, on: s.last, days: noDays, seqs: [2]int64{l.recs[s.from].seq}}
			end := s.last + nonReturnDays
			next := (*service)(nil)
			if i+1 < int(lac.service[1]) {
				next = &l.services[i+1]
			}
			switch {
			case end > q.last:
				it.reason = "too_recent"
				it.flags |= flagImmature
			case next != nil && next.run && next.first <= end:
				it.reason = "put_to_bull"
			case next != nil && next.first <= end:
				it.counted, it.reason, it.days, it.seqs[1] = inDenominator, "returned", int32(next.first-s.last), l.recs[next.from].seq
			case l.out != 0 && l.out <= end:
				it.reason = "left_within"
			default:
				it.counted, it.reason = inNumerator, "not_returned"
			}
			q.add(&it)
		}
	}
}

func finishNonReturn(c *count) {
	a := c.a
	c.proportion()
	a.counts("returned", c.whole.den-c.whole.num)
	a.Provisional = c.whole.count(flagImmature) > 0
	for _, t := range c.shown() {
		r := t.row()
		r.From, r.To = 0, 0
		a.Rows = append(a.Rows, r)
	}
}

// Classes of intervals between services (indices.md 1.9). The first begins
// where the merge ends.
var intervalEdges = []int{17, 24, 35, 48}

var intervalLabels = []string{"up_to_17", "18-24", "25-35", "36-48", "over_48", "after_loss"}

func intervalLabel(days int) string {
	for i, e := range intervalEdges {
		if days <= e {
			return intervalLabels[i]
		}
	}
	return intervalLabels[len(intervalEdges)]
}

// collectIntervals goes through the intervals that end with a service in the
// period.
func collectIntervals(q *query) func(l *life) {
	return func(l *life) {
		for i := range l.services {
			s := &l.services[i]
			lac := &l.lactations[s.lactation]
			if i == int(lac.service[0]) || !q.inPeriod(s.first) || !q.stratum(lac) || s.brought {
				continue
			}
			prev := &l.services[i-1]
			days := s.first - prev.last
			it := item{l: l, lac: s.lactation, from: prev.last, to: s.first, on: s.first, days: int32(days), seqs: [2]int64{0, l.recs[s.from].seq}}
			if prev.from >= 0 {
				it.seqs[0] = l.recs[prev.to-1].seq
			}
			switch {
			case s.run || prev.run:
				it.reason = "bull_run"
			case lossAround(l, prev, s):
				it.reason, it.label = "after_loss", "after_loss"
			default:
				it.counted, it.label = inDenominator, intervalLabel(int(days))
				it.reason = "interval"
				if days >= 18 && days <= 24 {
					it.counted = inNumerator
				}
			}
			if q.p.By != "" {
				it.label = q.serviceGroup(l, s)
			}
			q.add(&it)
		}
	}
}

// lossAround tells whether she lost a pregnancy between two services, detected
// by the day of the second, whichever service it came of.
func lossAround(l *life, prev, s *service) bool {
	for i := range l.pregnancies {
		if p := &l.pregnancies[i]; p.lactation == s.lactation && prev.last < p.lostOn && p.lostOn <= s.first {
			return true
		}
	}
	return false
}

// finishIntervals gives the mean interval with the classes as shares.
func finishIntervals(c *count) {
	a, w := c.a, &c.whole
	mean, ok := stats.Mean(w.days)
	if ok {
		a.Value = &mean
	} else {
		a.NullReason = "no_intervals"
	}
	a.Denominator, a.Small = &w.den, w.den < smallBelow && w.den > 0
	c.spread()
	found, ok := 0.0, mean > 0
	if ok {
		found = min(1, windowDays/mean)
	}
	a.measure("heat_detection_by_interval", found, ok)
	a.counts("after_loss", w.reasons["after_loss"])
	c.shares()
}

// finishReturns gives the share of normal returns, 18 to 24 days.
func finishReturns(c *count) {
	a, w := c.a, &c.whole
	c.proportion()
	second := 0
	for _, d := range w.days {
		if d >= 36 && d <= 48 {
			second++
		}
	}
	v, ok := ratio(w.num, second)
	a.measure("normal_to_double", v, ok)
	v, ok = ratio(second, w.den)
	a.measure("share_36_48", v, ok)
	c.shares()
}

// shares makes rows: classes as shares of all intervals, or, grouped, the
// share of normal returns in each group.
func (c *count) shares() {
	if c.by {
		for _, t := range c.shown() {
			r := t.row()
			r.From, r.To = 0, 0
			r.Figure = Figure{Share, StatShare, "of 18 to 24 days", "intervals"}
			c.a.Rows = append(c.a.Rows, r)
		}
		return
	}
	if c.a.Params.Whole {
		return
	}
	for _, label := range intervalLabels {
		n := 0
		for _, t := range c.rows {
			if t.label == label {
				n = t.den
				if label == "after_loss" {
					n = t.reasons["after_loss"]
				}
			}
		}
		r := Row{Label: label, Figure: Figure{Share, StatShare, "of this length", "intervals"}, Counts: map[string]int{"intervals": n}}
		if label == "after_loss" {
			r.NullReason = "not_a_class"
			r.Figure = Figure{Share, StatShare, "intervals across a loss, counted apart", "intervals"}
			r.Numerator = &n
		} else {
			r.Numerator, r.Denominator = &n, &c.whole.den
			r.Value, r.Interval, r.Small, r.NullReason = share(n, c.whole.den)
		}
		c.a.Rows = append(c.a.Rows, r)
	}
}

// spread adds mean, median and mode of the days.
func (c *count) spread() {
	v, ok := stats.Mean(c.whole.days)
	c.a.measure("mean", v, ok)
	v, ok = stats.Median(c.whole.days)
	c.a.measure("median", v, ok)
	v, ok = stats.Mode(c.whole.days)
	c.a.measure("mode", v, ok)
}
