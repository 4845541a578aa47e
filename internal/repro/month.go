package repro

import (
	"math"
	"slices"

	"byrelog.example/internal/event"
)

// month is a whole calendar month.
type month struct {
	from, to event.Date
	label    string
}

// months are the whole months of the period that records tell of.
func (q *query) months() []month {
	end := min(q.p.To, q.last)
	y, m, d := q.p.From.Civil()
	if d > 1 {
		m++
	}
	var out []month
	for {
		if m > 12 {
			y, m = y+1, m-12
		}
		from := event.NewDate(y, m, 1)
		next := event.NewDate(y, m+1, 1)
		if m == 12 {
			next = event.NewDate(y+1, 1, 1)
		}
		if from == 0 || next == 0 || next-1 > end {
			return out
		}
		out = append(out, month{from, next - 1, monthOf(from)})
		m++
	}
}

// overlap is how many days two spans share, both ends included.
func overlap(a, b, from, to event.Date) int { return max(0, int(min(b, to)-max(a, from))+1) }

// collectMonths counts for every cow and month the days she was here as a cow,
// those in milk, and whether she conceived.
func collectMonths(q *query) func(l *life) {
	months := q.months()
	return func(l *life) {
		for k := range months {
			m := &months[k]
			if l.in > m.to || (l.out != 0 && l.out <= m.from) {
				continue
			}
			q.addMonth(l, m)
		}
	}
}

func (q *query) addMonth(l *life, m *month) {
	here, left := max(l.in, m.from), m.to
	if l.out != 0 {
		left = min(left, l.out-1)
	}
	it := item{l: l, label: m.label, from: m.from, to: m.to, on: m.from, days: 0}
	if q.p.By != "" {
		it.label = ""
	}
	for i := range l.lactations {
		lac := &l.lactations[i]
		begin, end := max(lac.calved, here), left
		if lac.end != 0 {
			end = min(end, lac.end-1)
		}
		days := overlap(begin, end, m.from, m.to)
		if lac.heifer() || days == 0 {
			continue
		}
		it.lac = int16(i)
		if lac.number < 0 && lac.calved == 0 {
			it.reason = "parity_unknown"
			continue
		}
		it.days += int32(days)
		milking := end
		if lac.dried != 0 {
			milking = min(milking, lac.dried-1)
		}
		it.aux += int32(overlap(begin, milking, m.from, m.to))
		it.counted = inDenominator
	}
	if it.counted == out {
		if it.reason != "" {
			it.label, it.days = "", noDays
			q.add(&it)
		}
		return
	}
	it.reason = "present"
	if q.p.By != "" {
		it.label = q.cowGroup(l, &l.lactations[it.lac], here)
	}
	for i := range l.pregnancies {
		p := &l.pregnancies[i]
		if p.conceived < m.from || p.conceived > m.to || !l.present(p.conceived) || l.lactations[p.lactation].heifer() {
			continue
		}
		it.counted, it.reason, it.on, it.seqs[0], it.lac = inNumerator, "pregnant", p.conceived, p.seq, p.lactation
		it.flags |= flagPregnant
		if p.lostOn != 0 {
			it.reason = "pregnant_lost_later"
			it.flags |= flagLostLater
		}
		break
	}
	if !q.mature(m.to) {
		it.flags |= flagProvisional
		it.counted, it.reason = out, "provisional_month"
	}
	q.add(&it)
}

// monthly is what a tally of cow-months makes: conceptions over cow-months, so
// that over several months it is still a share per month. All its parts are
// counted from the cells, since a month too recent counts in its own row only.
type monthly struct {
	pregnant, lost       int
	cowDays, milkingDays monthDays
	days                 int // of the months
	provisional          bool
	milking, cows        int // cow-months, rounded
	perMilking, perCow   *float64
}

// monthDays are cow-days by the length of the month in which they were spent,
// from 28 to 31 days: whole numbers, so that a sum is the same in any order.
type monthDays [4]int

func (d *monthDays) add(x *cell, n int) { d[x.to-x.from+1-28] += n }

func (d *monthDays) sum() int { return d[0] + d[1] + d[2] + d[3] }

// months is the sum over the months of the average number of cows in each.
func (d *monthDays) months() float64 {
	n := 0.0
	for i, days := range d {
		n += float64(days) / float64(28+i)
	}
	return n
}

func (m *monthly) work() {
	milking, cows := m.milkingDays.months(), m.cowDays.months()
	m.milking, m.cows = int(milking+0.5), int(cows+0.5)
	if milking > 0 {
		v := float64(m.pregnant) / milking
		m.perMilking = &v
	}
	if cows > 0 {
		v := float64(m.pregnant) / cows
		m.perCow = &v
	}
}

func (m *monthly) take(x *cell) {
	m.cowDays.add(x, x.sum)
	m.milkingDays.add(x, x.aux)
	if x.flags&flagPregnant != 0 {
		m.pregnant += x.n
	}
	if x.flags&flagLostLater != 0 {
		m.lost += x.n
	}
}

// finishMonths gives the share of the milking cows made pregnant a month, over
// the months old enough, with the share of all cows beside it.
func finishMonths(c *count) {
	a := c.a
	var whole monthly
	rows := map[string]*monthly{}
	ripe := map[event.Date]event.Date{}
	for _, t := range c.shown() {
		rows[t.label] = &monthly{provisional: !c.by && t.count(flagProvisional) > 0}
	}
	for _, pt := range c.parts {
		for i := range pt.cells {
			x := &pt.cells[i]
			if x.dayless {
				continue
			}
			early := x.flags&flagProvisional != 0
			if !early {
				ripe[x.from] = x.to
				whole.take(x)
			}
			if r := rows[x.label]; r != nil && (!early || r.provisional) {
				r.take(x)
			}
		}
	}
	for from, to := range ripe {
		whole.days += int(to-from) + 1
	}
	whole.work()
	a.fillMonthly(&whole)
	c.target(a.Measures, a.Params.To, &whole)
	for _, t := range c.shown() {
		m := rows[t.label]
		m.days = whole.days
		if !c.by {
			m.days = int(t.to-t.from) + 1
		}
		m.work()
		r := m.row(t)
		if c.by {
			r.From, r.To = 0, 0
			c.target(r.Measures, a.Params.To, m)
		} else {
			c.target(r.Measures, t.to, m)
		}
		a.Rows = append(a.Rows, r)
	}
	a.counts("months", len(ripe))
	switch {
	case len(ripe) > 0:
	case len(c.rows) > 0:
		a.NullReason, a.Provisional = "provisional", true
	default:
		a.NullReason = "no_whole_month"
	}
}

// target writes the herds' target on a day beside a value, whether the value meets
// it (1 or 0), and how many more cows it would have taken. All are null where the
// herds' targets differ.
func (c *count) target(to map[string]*float64, on event.Date, m *monthly) {
	value := m.perMilking
	if m.provisional {
		value = nil
	}
	to["target"], to["target_met"], to["shortfall_cows"] = nil, nil, nil
	for i, pt := range c.parts {
		own := pt.policies.On(on).MonthlyPregnantTarget
		if i > 0 && own != *to["target"] {
			to["target"] = nil
			return
		}
		to["target"] = &own
	}
	if value == nil || to["target"] == nil {
		return
	}
	const roundOff = 1e-9 // a share that is the target in decimals meets it
	met := 0.0
	if *value >= *to["target"]-roundOff {
		met = 1
	}
	to["target_met"] = &met
	short := max(0, math.Ceil(*to["target"]*m.milkingDays.months()-float64(m.pregnant)-roundOff))
	to["shortfall_cows"] = &short
}

func (a *Answer) fillMonthly(m *monthly) {
	a.Numerator, a.Denominator, a.Value = &m.pregnant, &m.milking, m.perMilking
	if a.Value == nil {
		a.NullReason = "empty_denominator"
	}
	_, a.Interval, a.Small, _ = share(m.pregnant, m.milking)
	a.Measures["of_all_cows"] = m.perCow
	a.measure("milking_cow_months", m.milkingDays.months(), true)
	a.measure("cow_months", m.cowDays.months(), true)
	a.measure("average_milking_cows", ratioOr0(m.milkingDays.sum(), m.days), m.days > 0)
	a.measure("average_cows", ratioOr0(m.cowDays.sum(), m.days), m.days > 0)
	a.counts("lost_later", m.lost)
	a.Measures["net_of_losses"] = m.net()
}

// net is the share of the milking cows net of later losses.
func (m *monthly) net() *float64 {
	milking := m.milkingDays.months()
	if milking == 0 {
		return nil
	}
	v := float64(m.pregnant-m.lost) / milking
	return &v
}

func ratioOr0(num, den int) float64 {
	v, _ := ratio(num, den)
	return v
}

func (m *monthly) row(t *tally) Row {
	r := Row{
		Label: t.label, From: t.from, To: t.to, Numerator: &m.pregnant, Denominator: &m.milking, Provisional: m.provisional,
		Counts: map[string]int{
			"pregnant": m.pregnant, "lost_later": m.lost, "cow_days": m.cowDays.sum(), "milking_days": m.milkingDays.sum(), "days": m.days,
		},
		Measures: map[string]*float64{"of_all_cows": nil},
	}
	if m.provisional {
		r.NullReason = "provisional"
		r.Small = m.milking < smallBelow
		return r
	}
	if r.Value = m.perMilking; r.Value == nil {
		r.NullReason = "empty_denominator"
	}
	_, r.Interval, r.Small, _ = share(m.pregnant, m.milking)
	r.Measures["of_all_cows"], r.Measures["net_of_losses"] = m.perCow, m.net()
	return r
}

// collectCost goes through the cows in milk that are not known to be pregnant
// on the day asked for, and sums what their open day costs.
func collectCost(q *query) func(l *life) {
	p := q.h.policies.On(q.p.On)
	q.money = p.Cost.Currency
	return func(l *life) {
		i := l.lactationOn(q.p.On)
		lac := &l.lactations[i]
		if !l.present(q.p.On) || lac.heifer() {
			return
		}
		it := item{l: l, lac: int16(i), on: q.p.On, from: lac.calved, days: noDays, seqs: [2]int64{lac.seq}, label: q.cowGroup(l, lac, q.p.On)}
		preg := l.pregnancyOn(q.p.On)
		switch {
		case preg != nil:
			it.reason, it.seqs[1] = "pregnant", preg.seq
		case lac.dried != 0:
			it.reason = "dry"
		case lac.calved == 0:
			it.reason = "calving_unknown"
		case l.stopOn(q.p.On) != nil:
			it.reason = "stopped"
			it.days = int32(q.p.On - lac.calved)
		default:
			it.days = int32(q.p.On - lac.calved)
			low, high := p.Cost.At(int(it.days))
			it.reason, it.counted = "open_not_yet_costly", inDenominator
			if low != 0 || high != 0 {
				it.reason, it.counted = "open_costly", inNumerator
			}
			if n := len(l.of(lac)); n > 0 && l.of(lac)[n-1].awaits() {
				it.flags |= flagUnknown
			}
			q.costs = append(q.costs, cost{l.names[0].number, l.in, low, high})
		}
		q.add(&it)
	}
}

// cost is what one open day of one cow costs, as a range, and what her place in the
// herd's order depends on.
type cost struct {
	number    word
	in        event.Date
	low, high float64
}

// sumCosts adds up the costs in the herd's order, whatever the order in which its
// lives were gone through: sums of floats depend on it.
func sumCosts(q *query) {
	if p := q.h.policies.On(q.p.On); len(p.Cost.Curve) > 0 { // else they are all the same, or nothing
		slices.SortStableFunc(q.costs, func(a, b cost) int { return q.h.lifeOrder(a.number, b.number, a.in, b.in) })
	}
	q.sums = map[string]float64{}
	for i := range q.costs {
		q.sums["low"] += q.costs[i].low
		q.sums["high"] += q.costs[i].high
	}
}

// finishCost gives the cost of one open day of all open cows, as a range.
func finishCost(c *count) {
	a, w := c.a, &c.whole
	a.Numerator, a.Denominator = &w.num, &w.den
	a.Small = w.den > 0 && w.den < smallBelow
	low, high, money := 0.0, 0.0, ""
	for _, pt := range c.parts {
		if money != "" && pt.money != "" && pt.money != money {
			a.NullReason = "currencies_differ"
			return
		}
		if money == "" {
			money = pt.money
		}
		low += pt.sums["low"]
		high += pt.sums["high"]
	}
	a.Currency = money
	a.measure("low_per_day", low, true)
	a.measure("high_per_day", high, true)
	a.counts("bred_result_unknown", w.count(flagUnknown))
	a.Interval = &Interval{Low: low, High: high, Method: "range"}
	if low == high {
		a.Value = &low
	} else {
		a.NullReason = "range"
	}
	for _, t := range c.shown() {
		r := Row{Label: t.label, Numerator: &t.num, Denominator: &t.den, NullReason: "counts_only", Counts: map[string]int{"open_costly": t.num, "open": t.den}}
		a.Rows = append(a.Rows, r)
	}
}

// collectProjected goes through the animals pregnant on the day asked for:
// when they are due, and what calving interval that makes.
func collectProjected(q *query) func(l *life) {
	return func(l *life) {
		if !l.present(q.p.On) {
			return
		}
		p := l.pregnancyOn(q.p.On)
		if p == nil {
			return
		}
		lac := &l.lactations[p.lactation]
		if !q.stratum(lac) {
			return
		}
		it := item{l: l, lac: p.lactation, days: noDays, seqs: [2]int64{p.seq, lac.seq}}
		due, _ := q.h.due(l, p)
		if due == 0 {
			it.reason, it.on = "conception_undated", q.p.On
			q.add(&it)
			return
		}
		it.from, it.on, it.to = p.conceived, due, q.h.dryOff(l, p)
		if overdue(p, q.p.On) {
			it.reason = "overdue"
			q.add(&it)
			return
		}
		it.counted, it.reason, it.label = inDenominator, "pregnant", q.monthOf(due)
		if lac.calved != 0 {
			it.days = int32(due - lac.calved)
		}
		if p.how.estimated() {
			it.flags |= flagEstimated
		}
		if q.p.By != "" {
			it.label = q.conceptionGroup(l, p, due)
			if q.p.By == ByPen {
				it.label = q.cowGroup(l, lac, q.p.On) // where she stands now
			}
		}
		q.add(&it)
	}
}

// overdue tells whether a pregnancy has lasted longer than any: a calving, a
// loss or her leaving was not recorded.
func overdue(p *pregnancy, on event.Date) bool {
	return p.conceived != 0 && p.calved == 0 && int(on-p.conceived) > gestationMax
}

func finishProjected(c *count) {
	a, w := c.a, &c.whole
	v := float64(w.den)
	a.Value, a.Denominator = &v, &w.den
	a.Small = false
	c.spread()
	delete(a.Measures, "mode")
	a.Measures["projected_interval_mean"], a.Measures["projected_interval_median"] = a.Measures["mean"], a.Measures["median"]
	delete(a.Measures, "mean")
	delete(a.Measures, "median")
	a.counts("estimated", w.count(flagEstimated))
	for _, t := range c.shown() {
		n := float64(t.den)
		a.Rows = append(a.Rows, Row{Label: t.label, Value: &n, Denominator: &t.den, Counts: map[string]int{"due": t.den, "estimated": t.count(flagEstimated)}})
	}
}
