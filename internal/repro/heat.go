package repro

import (
	"slices"

	"byrelog.example/internal/event"
)

// walked lists the days on which each pen was walked, up to a day, in order.
func (h *Herd) walked(upto event.Date) map[word][]event.Date {
	out := map[word][]event.Date{}
	for i := range h.walks {
		w := &h.walks[i]
		if w.on > upto {
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
	walks := upTo(h.walks, on)
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
func collectYield(q *query) {
	walks := q.h.walked(min(q.p.To, q.p.On))
	q.each(func(l *life) {
		quiet := 0
		own := q.readings(l, func(it item) {
			if it.flags&(flagSuspect|flagObvious) == 0 {
				quiet++
				return
			}
			q.add(it)
		})
		quiet += q.implied(l, walks, own)
		if quiet > 0 {
			q.add(item{
				l: l, lac: int16(l.lactationOn(q.p.On)), from: max(q.p.From, l.in), to: min(q.p.To, q.p.On), on: q.p.From,
				days: int32(quiet), aux: int32(quiet), counted: inDenominator, reason: "read_not_in_heat", flags: flagReading,
			})
		}
	})
}

// readings goes through the days of the period on which she was read, with
// the strongest reading of the day, and lists the days.
func (q *query) readings(l *life, fn func(it item)) []event.Date {
	var own []event.Date
	for i := 0; i < len(l.recs); i++ {
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

// implied is on how many days of the period a walk read her, unnamed.
func (q *query) implied(l *life, walks map[word][]event.Date, own []event.Date) int {
	n := 0
	for i := range l.pens {
		from, to := max(l.pens[i].from, l.in, q.p.From), min(q.p.To, q.p.On)
		if i+1 < len(l.pens) {
			to = min(to, l.pens[i+1].from-1)
		}
		if l.out != 0 {
			to = min(to, l.out-1)
		}
		days := walks[l.pens[i].pen]
		at, _ := slices.BinarySearch(days, from)
		for _, d := range days[at:] {
			if d > to {
				break
			}
			if _, read := slices.BinarySearch(own, d); !read && q.stratum(&l.lactations[l.lactationOn(d)]) {
				n++
			}
		}
	}
	return n
}

var yieldLabels = []string{"readings", "read_in_heat", "suspects", "suspects_examined", "suspects_in_heat", "in_heat", "bred", "pregnant"}

// finishYield makes the chain: each step as a share of the one that it is
// taken from.
func finishYield(c *count) {
	a, w := c.a, &c.whole
	found := w.count(flagInHeat)
	a.Numerator, a.Denominator = &found, &w.aux
	a.Value, a.Interval, a.Small, a.NullReason = share(found, w.aux)
	suspectHeat := c.countItems(func(it *item) bool { return it.flags&flagSuspect != 0 && it.flags&flagInHeat != 0 })
	steps := []struct{ num, den int }{
		{w.aux, w.aux},
		{w.count(flagObvious), w.aux},
		{w.count(flagSuspect), w.aux},
		{w.count(flagExamined), w.count(flagSuspect)},
		{suspectHeat, w.count(flagExamined)},
		{found, w.aux},
		{w.count(flagBred), found},
		{w.count(flagPregnant), w.count(flagEligible)}, // of those bred whose outcome is known
	}
	for i, s := range steps {
		r := Row{Label: yieldLabels[i], Numerator: &s.num, Denominator: &s.den, Counts: map[string]int{}}
		r.Value, r.Interval, r.Small, r.NullReason = share(s.num, s.den)
		a.Rows = append(a.Rows, r)
	}
	for _, k := range []struct {
		name string
		f    flag
	}{{"conception_of_obvious_heats", flagObvious}, {"conception_of_suspects", flagSuspect}} {
		num := c.countItems(func(it *item) bool { return it.flags&k.f != 0 && it.flags&flagPregnant != 0 })
		den := c.countItems(func(it *item) bool { return it.flags&k.f != 0 && it.flags&flagEligible != 0 })
		v, ok := ratio(num, den)
		a.measure(k.name, v, ok)
	}
	a.counts("suspects_never_examined", w.count(flagSuspect)-w.count(flagExamined))
}
