package repro_test

import (
	"fmt"
	"slices"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// plainAnswer is what an index comes to: its counts, and one line for each
// thing looked at, in the words of the evidence.
type plainAnswer struct {
	numerator, denominator int
	days                   []int // of what counts
	lines                  []string
	measures               map[string]float64
	windows                map[string][4]int // eligible, bred, pregnant, outside
	classes                map[string]int
}

// line writes evidence for comparing.
func line(animal string, lactation int, from, to event.Date, days *int, counted, reason string) string {
	return fmt.Sprintf("%s lactation %d, %s to %s, %s days: %s, %s", animal, lactation, from, to, show(days), counted, reason)
}

func (a *plainAnswer) add(c *plainCow, t *plainTime, on, from, to event.Date, days *int, counted, reason string) {
	switch counted {
	case repro.InNumerator:
		a.numerator++
		a.denominator++
	case repro.InDenominator:
		a.denominator++
	}
	if days != nil && counted != repro.Out {
		a.days = append(a.days, *days)
	}
	a.lines = append(a.lines, line(c.number(on), t.number, from, to, days, counted, reason))
}

func (t *plainTime) of(p repro.Params) bool {
	return (t.number == 0) == (p.Strata == repro.StrataHeifers)
}

func inPeriod(p repro.Params, d event.Date) bool {
	return d != 0 && p.From <= d && d <= p.To && d <= p.On
}

// atRisk is rule 2 of indices.md 1.1 for one day of one window: present, in
// milk past the waiting period in force that day, not under a stop, not
// pregnant from a conception before the window.
func (h *plainHerd) atRisk(c *plainCow, t *plainTime, d, window event.Date) bool {
	start, wait := t.calved, h.policy(d).WaitLater
	switch t.number {
	case 0:
		start, wait = c.born, h.policy(d).HeiferFirstBreedingDays
	case 1:
		wait = h.policy(d).WaitFirst
	}
	if start == 0 || !c.here(d) || d < t.calved || t.end != 0 && d >= t.end || int(d-start) < wait {
		return false
	}
	if t.dry != 0 && d >= t.dry && !h.dryAtRisk {
		return false
	}
	if c.stopped(d) {
		return false
	}
	for _, p := range c.pregnanciesIn(t) {
		end := p.lost
		if h.lossDayFree {
			end--
		}
		if p.since() < window && d >= p.since() && (p.lost == 0 || d <= end) {
			return false
		}
		if h.shortens && p.since() < d && (p.lost == 0 || d <= end) {
			return false
		}
	}
	return true
}

// stopped tells whether a stop is in force: the latest word on it decides.
func (c *plainCow) stopped(d event.Date) bool {
	stopped := false
	for _, e := range c.events {
		if e.On > d {
			break
		}
		switch s := e.Data.(type) {
		case *event.BreedingStop:
			stopped = s.Until == 0 || d <= s.Until
		case *event.BreedingResume:
			stopped = false
		}
	}
	return stopped
}

// windows21 counts the two risks of 21 days: pregnancy, or insemination.
func (h *plainHerd) windows21(p repro.Params, insemination bool) *plainAnswer {
	a := &plainAnswer{measures: map[string]float64{}, windows: map[string][4]int{}}
	w := p.Anchor
	for w > p.From {
		w -= event.Date(h.window)
	}
	for w < p.From {
		w += event.Date(h.window)
	}
	first := w
	end := first - 1
	for ; w+20 <= p.To && w+20 <= h.last; w += event.Date(h.window) {
		h.window21(a, p, w, insemination)
		end = w + 20
	}
	if end < first {
		return a
	}
	// Those whose days at risk cannot be counted are named once.
	for _, c := range h.cows {
		for i, t := range c.times {
			if c.sex == event.Male || !t.of(p) || !(t.number == 0 && c.born == 0 || t.number != 0 && t.calved == 0) {
				continue
			}
			reason := "calving_unknown"
			if t.number == 0 {
				reason = "birth_unknown"
			}
			var from, to event.Date
			for d := first; d <= end; d++ {
				if c.here(d) && (t.end == 0 || d < t.end) && (i == 0 || d >= t.calved) {
					if from == 0 {
						from = d
					}
					to = d
				}
			}
			if from != 0 {
				a.add(c, t, to, from, to, nil, repro.Out, reason)
			}
		}
	}
	return a
}

func (h *plainHerd) window21(a *plainAnswer, p repro.Params, w event.Date, insemination bool) {
	counts := [4]int{}
	to := w + 20
	provisional := to+event.Date(p.Maturity) > h.last
	for _, c := range h.cows {
		if c.sex == event.Male {
			continue
		}
		for _, t := range c.times {
			if !t.of(p) || t.number != 0 && t.calved == 0 || t.number == 0 && c.born == 0 {
				continue
			}
			risk := map[event.Date]bool{}
			for d := w; d <= to; d++ {
				if h.atRisk(c, t, d, w) {
					risk[d] = true
				}
			}
			conceived, good, standing := false, false, false
			for _, x := range c.pregnanciesIn(t) {
				if w <= x.begun && x.begun <= to && x.begun >= t.calved && c.here(x.begun) {
					conceived = true
					if risk[x.begun] {
						good = true
						standing = standing || x.lost == 0
					}
				}
			}
			if len(risk) == 0 && !conceived {
				continue
			}
			bred, unknown := false, false
			for _, s := range c.inTime(t) {
				if !s.before && !s.bull() && risk[s.last()] {
					bred = true
					outcome, _ := h.outcome(c, s, p)
					unknown = unknown || outcome == "unknown" || outcome == "immature"
				}
			}
			n := len(risk)
			eligible := n >= p.Exposure
			counted, reason := repro.Out, ""
			switch {
			case conceived && (!eligible || !good):
				reason = "pregnant_outside_eligible"
				counts[3]++
			case !eligible:
				reason = "few_risk_days"
			default:
				counted, reason = repro.InDenominator, "eligible"
				counts[0]++
				if bred {
					counts[1]++
					reason = "bred"
				}
				switch {
				case good && standing:
					reason = "pregnant"
				case good:
					reason = "pregnant_lost_later"
				case unknown:
					reason = "bred_result_unknown"
				}
				if good {
					counts[2]++
				}
				if good && !insemination || bred && insemination {
					counted = repro.InNumerator
				}
				if provisional && !insemination {
					counted, reason = repro.Out, "provisional_window"
				}
			}
			a.add(c, t, w, w, to, &n, counted, reason)
		}
	}
	if counts != [4]int{} {
		a.windows[w.String()+".."+to.String()] = counts
	}
}

// outcome of a service (indices.md 1.3) as the index words it: pregnant,
// failed, immature, unknown or aside, and why.
func (h *plainHerd) outcome(c *plainCow, s *plainService, p repro.Params) (outcome, why string) {
	if s.came != nil {
		if s.came.lost != 0 {
			return "pregnant", "pregnant_lost_later"
		}
		return "pregnant", s.came.proof
	}
	for _, x := range c.pregnanciesIn(s.time) {
		if x.since() < s.first() && (x.lost == 0 || s.first() <= x.lost) {
			return "unknown", "bred_while_pregnant"
		}
	}
	// The earliest proof that she did not conceive to it.
	day := event.Date(0)
	fail := func(on event.Date, because string) {
		if why == "" || on < day {
			day, why = on, because
		}
	}
	if s.open != 0 {
		fail(s.open, "diagnosed_open")
	}
	for _, n := range c.inTime(s.time) {
		if !n.bull() && n.first() > s.last() {
			fail(n.first(), "bred_again")
			break
		}
	}
	for _, x := range c.pregnanciesIn(s.time) {
		if x.begun > s.last() {
			fail(x.proven, "conceived_later")
			break
		}
	}
	if why != "" {
		return "failed", why
	}
	mine := c.inTime(s.time)
	switch {
	case s.time.end != 0:
		return "unknown", "calved_to_another"
	case c.out != 0 && c.why == "infertility" && s.first() == mine[len(mine)-1].first():
		return "failed", "left_infertile"
	case c.out != 0:
		return "unknown", "left_undiagnosed"
	case s.last()+event.Date(p.Maturity) > h.last:
		return "immature", "immature"
	}
	return "unknown", "no_result"
}

func (h *plainHerd) conception(p repro.Params) *plainAnswer {
	a := &plainAnswer{measures: map[string]float64{"pregnant": 0, "failed": 0, "unknown": 0, "immature": 0, "lost_later": 0}}
	for _, c := range h.cows {
		for _, s := range c.services {
			if c.sex == event.Male || s.before || !inPeriod(p, s.last()) || !s.time.of(p) {
				continue
			}
			outcome, why := h.outcome(c, s, p)
			counted := repro.Out
			switch {
			case s.bull():
				why = "bull_run"
			case outcome == "pregnant":
				counted = repro.InNumerator
			case outcome == "failed":
				counted = repro.InDenominator
			}
			if !s.bull() && why != "bred_while_pregnant" {
				a.measures[outcome]++
			}
			if !s.bull() && why == "pregnant_lost_later" {
				a.measures["lost_later"]++
			}
			a.add(c, s.time, s.last(), s.first(), s.last(), nil, counted, why)
		}
	}
	return a
}

// calvings calls fn for each lactation that began here by a calving in the
// period.
func (h *plainHerd) calvings(p repro.Params, fn func(c *plainCow, t *plainTime)) {
	for _, c := range h.cows {
		for _, t := range c.times[1:] {
			if c.sex != event.Male && t.number != 0 && inPeriod(p, t.calved) {
				fn(c, t)
			}
		}
	}
}

// followed is how long a lactation was followed, and whether the event ended it.
type followed struct {
	days  int
	event bool
}

// survive adds the survival view by the product-limit formula, a day at a time.
func (a *plainAnswer) survive(all []followed) {
	events, share, longest := 0, 1.0, 0
	for _, f := range all {
		if f.event {
			events++
		}
		longest = max(longest, f.days)
	}
	a.measures["survival_events"], a.measures["survival_censored"] = float64(events), float64(len(all)-events)
	reached := -1
	for day := 0; day <= longest; day++ {
		risk, gone := 0, 0
		for _, f := range all {
			if f.days >= day {
				risk++
			}
			if f.days == day && f.event {
				gone++
			}
		}
		if gone == 0 {
			continue
		}
		if reached >= 0 { // it lay on one half from then to now
			a.measures["survival_median"] = float64(reached+day) / 2
			return
		}
		share *= float64(risk-gone) / float64(risk)
		switch {
		case share < 0.5-1e-9:
			a.measures["survival_median"] = float64(day)
			return
		case share < 0.5+1e-9:
			reached = day
		}
	}
	if reached >= 0 {
		a.measures["survival_median"] = float64(reached)
	}
}

func (h *plainHerd) firstService(p repro.Params) *plainAnswer {
	a := &plainAnswer{measures: map[string]float64{}}
	var all []followed
	h.calvings(p, func(c *plainCow, t *plainTime) {
		mine := c.inTime(t)
		if len(mine) > 0 && (!mine[0].bull() || h.bullServes) {
			n := int(mine[0].first() - t.calved)
			all = append(all, followed{n, true})
			a.add(c, t, t.calved, t.calved, mine[0].first(), &n, repro.InDenominator, "served")
			return
		}
		reason := "not_served"
		end := h.last
		switch {
		case len(mine) > 0:
			reason, end = "bull_run", min(end, mine[0].first())
		case t.end != 0:
			reason = "calved_not_served"
		case c.out != 0:
			reason = "left_not_served"
		}
		if c.out != 0 {
			end = min(end, c.out)
		}
		known := t.end == 0
		for _, x := range c.pregnanciesIn(t) {
			if x.begun != 0 {
				end, known = min(end, x.begun), true
				break
			}
		}
		if known {
			all = append(all, followed{int(end - t.calved), false})
		}
		a.add(c, t, t.calved, t.calved, 0, nil, repro.Out, reason)
	})
	a.survive(all)
	return a
}

func (h *plainHerd) daysOpen(p repro.Params) *plainAnswer {
	a := &plainAnswer{measures: map[string]float64{"closed": 0, "running": 0, "censored": 0}}
	var all []followed
	h.calvings(p, func(c *plainCow, t *plainTime) {
		for _, x := range c.pregnanciesIn(t) {
			if x.lost != 0 && !h.lossCloses {
				continue
			}
			if x.begun == 0 {
				a.add(c, t, t.calved, t.calved, 0, nil, repro.Out, "open_undated")
				return
			}
			n := int(x.begun - t.calved)
			a.measures["closed"]++
			all = append(all, followed{n, true})
			a.add(c, t, t.calved, t.calved, x.begun, &n, repro.InDenominator, "open_closed")
			return
		}
		end, state, until := p.On, "running", h.last
		if c.out != 0 {
			end, state, until = c.out, "censored", c.out
		}
		n := int(end - t.calved)
		a.measures[state]++
		all = append(all, followed{int(until - t.calved), false})
		a.add(c, t, t.calved, t.calved, end, &n, repro.Out, "open_"+state)
	})
	a.survive(all)
	return a
}

func (h *plainHerd) intervals(p repro.Params) *plainAnswer {
	a := &plainAnswer{measures: map[string]float64{}, classes: map[string]int{}}
	for _, c := range h.cows {
		for _, t := range c.times {
			mine := c.inTime(t)
			for i := 1; i < len(mine); i++ {
				before, s := mine[i-1], mine[i]
				if c.sex == event.Male || !t.of(p) || !inPeriod(p, s.first()) {
					continue
				}
				n := int(s.first() - before.last())
				if h.startToStart {
					n = int(s.first() - before.first())
				}
				lost := false
				for _, x := range c.pregnanciesIn(t) {
					lost = lost || x.lost != 0 && before.last() < x.lost && x.lost <= s.first()
				}
				counted, reason := repro.Out, ""
				switch {
				case s.bull() || before.bull():
					reason = "bull_run"
				case lost:
					reason = "after_loss"
					a.classes["after_loss"]++
				default:
					counted, reason = repro.InDenominator, "interval"
					a.classes[class(n)]++
					if class(n) == "18-24" {
						counted = repro.InNumerator
					}
				}
				a.add(c, t, s.first(), before.last(), s.first(), &n, counted, reason)
			}
		}
	}
	return a
}

func class(days int) string {
	switch {
	case days < 18:
		return "up_to_17"
	case days < 25:
		return "18-24"
	case days < 36:
		return "25-35"
	case days < 49:
		return "36-48"
	}
	return "over_48"
}

func middle(days []int) float64 {
	s := slices.Sorted(slices.Values(days))
	return float64(s[(len(s)-1)/2]+s[len(s)/2]) / 2
}
