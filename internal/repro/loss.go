package repro

import "byrelog.example/internal/event"

// Stages of a pregnancy: the embryo up to day 42 (indices.md 1.10), then the
// fetus to term.
const embryoDays = 42

// collectLoss follows the pregnancies conceived in the period that an
// examination (or her calving, or the loss itself) made known.
func collectLoss(q *query) {
	q.each(func(l *life) {
		for i := range l.pregnancies {
			p := &l.pregnancies[i]
			if !q.inPeriod(p.conceived) || !l.present(p.conceived) || !q.stratum(&l.lactations[p.lactation]) {
				continue
			}
			q.addLoss(l, p, "embryo", p.conceived, p.conceived+embryoDays)
			if p.lostOn == 0 || p.lostOn > p.conceived+embryoDays {
				q.addLoss(l, p, "fetus", p.conceived+embryoDays+1, 0)
			}
		}
	})
}

// addLoss follows a pregnancy through one stage. One that was first known
// after the stage was not diagnosed in it, and a conclusion from it would be
// of survivors only.
func (q *query) addLoss(l *life, p *pregnancy, stage string, from, to event.Date) {
	it := item{l: l, lac: p.lactation, label: stage, from: from, to: to, on: p.conceived, days: noDays, seqs: [2]int64{p.seq, 0}}
	if q.p.By == ByLactationGroup {
		it.label = lactationGroup(&l.lactations[p.lactation]) + " " + stage
	}
	switch {
	case to != 0 && p.confirmed > to, p.method == byCalving:
		it.reason = "not_diagnosed_in_stage"
	case p.method == byLoss:
		it.reason = "known_by_its_loss" // nobody would have known it had it been kept
	case p.lostOn != 0 && (to == 0 || p.lostOn <= to):
		it.counted, it.reason, it.seqs[1] = inNumerator, "lost", p.lostSeq
		it.days = int32(p.lostOn - p.conceived)
	case to != 0 && max(p.lastSeen, p.calved) >= to, to != 0 && p.lostOn > to, p.calved != 0:
		it.counted, it.reason = inDenominator, "carried"
	case l.out != 0 && l.out <= q.p.On:
		it.reason = "left_before_recheck"
	default:
		it.reason = "not_rechecked"
	}
	q.add(it)
}

// finishLoss chains the stages: the risk that a pregnancy known early is lost
// before term.
func finishLoss(c *count) {
	a, w := c.a, &c.whole
	a.Numerator, a.Denominator = &w.num, &w.den
	var stages [2]tally
	for _, pt := range c.parts {
		for i := range pt.items {
			it := &pt.items[i]
			s := &stages[0]
			if it.to == 0 {
				s = &stages[1]
			}
			s.take(it)
		}
	}
	e, okE := ratio(stages[0].num, stages[0].den)
	f, okF := ratio(stages[1].num, stages[1].den)
	a.measure("embryo", e, okE)
	a.measure("fetus", f, okF)
	if okE && okF {
		v := ChainLoss(e, f)
		a.Value = &v
	} else {
		a.NullReason = "stage_not_followed"
	}
	a.Small = w.den > 0 && min(stages[0].den, stages[1].den) < smallBelow
	for _, t := range c.rows {
		r := t.row()
		r.From, r.To = 0, 0
		a.Rows = append(a.Rows, r)
	}
}

// ChainLoss is the risk of loss over consecutive stages, each conditional on
// surviving those before.
func ChainLoss(stages ...float64) float64 {
	kept := 1.0
	for _, s := range stages {
		kept *= 1 - s
	}
	return 1 - kept
}
