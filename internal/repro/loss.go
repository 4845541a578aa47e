package repro

// Stages of a pregnancy: the embryo up to day 42 (indices.md 1.10), then the
// fetus to term.
const embryoDays = 42

// How a pregnancy counts in the stages, in the flags of its item.
const (
	flagEmbryo     = flagEligible // followed through the first stage
	flagEmbryoLost = flagBred
	flagFetus      = flagMature // survived the first stage and was followed through the second
	flagFetusLost  = flagImmature
)

// collectLoss follows the pregnancies conceived in the period, each counted
// once.
func collectLoss(q *query) func(l *life) {
	return func(l *life) {
		for i := range l.pregnancies {
			p := &l.pregnancies[i]
			if q.inPeriod(p.conceived) && l.present(p.conceived) && q.stratum(&l.lactations[p.lactation]) {
				q.addLoss(l, p)
			}
		}
	}
}

// addLoss follows one pregnancy. Whether it may count depends on its age and
// not on how it went: otherwise the losses of young pregnancies, which are
// known at once, would stand against calvings, which are not.
func (q *query) addLoss(l *life, p *pregnancy) {
	it := item{l: l, lac: p.lactation, on: p.conceived, from: p.conceived, days: noDays, seqs: [2]int64{p.seq, 0}}
	it.label = q.conceptionGroup(l, p, p.conceived)
	end := p.conceived + embryoDays
	lost := p.lostOn != 0
	switch {
	case lost:
		it.to, it.days, it.seqs[1] = p.lostOn, int32(p.lostOn-p.conceived), p.lostSeq
	case p.calved != 0:
		it.to = p.calved
	}
	switch {
	case p.method == byCalving:
		it.reason = "not_diagnosed" // a conclusion from it would be of survivors only
	case p.method == byLoss:
		it.reason = "known_by_its_loss" // nobody would have known it had it been kept
	case p.conceived+gestationMax > q.last:
		it.reason = "too_recent"
	case lost:
		it.reason, it.counted = "lost", inNumerator
	case p.calved != 0:
		it.reason, it.counted = "carried", inDenominator
	case l.out != 0 && l.out <= q.p.On:
		it.reason = "left_before_recheck"
	default:
		it.reason = "not_rechecked"
	}
	diagnosed := p.method != byCalving && p.method != byLoss
	switch {
	case !diagnosed || p.confirmed > end || !q.mature(end):
	case lost && p.lostOn <= end:
		it.flags |= flagEmbryo | flagEmbryoLost
	case lost || p.calved != 0 || p.lastSeen >= end:
		it.flags |= flagEmbryo
	}
	switch {
	case it.counted == inNumerator && p.lostOn > end:
		it.flags |= flagFetus | flagFetusLost
	case it.counted == inDenominator:
		it.flags |= flagFetus
	}
	q.add(&it)
}

// finishLoss gives the pregnancies lost of those followed to term, and each
// stage beside it.
func finishLoss(c *count) {
	a, w := c.a, &c.whole
	c.proportion()
	if w.den == 0 && w.reasons["too_recent"] > 0 {
		a.NullReason, a.Provisional = "provisional", true
	}
	a.Measures = w.stages()
	if c.by {
		for _, t := range c.shown() {
			r := t.row()
			r.From, r.To, r.Measures = 0, 0, t.stages()
			a.Rows = append(a.Rows, r)
		}
		return
	}
	for _, s := range []struct {
		label     string
		num, den  flag
		first, to int
		of        string
	}{
		{"embryo", flagEmbryoLost, flagEmbryo, 0, embryoDays, "pregnancies diagnosed by day 42 and followed to it"},
		{"fetus", flagFetusLost, flagFetus, embryoDays + 1, gestationMax, "pregnancies carried to day 42 and followed to their end"},
	} {
		stage := tally{label: s.label, num: w.count(s.num), den: w.count(s.den)}
		r := stage.row()
		r.NumeratorIs, r.DenominatorIs = "lost", s.of
		r.Counts["from_day"], r.Counts["to_day"] = s.first, s.to
		a.Rows = append(a.Rows, r)
	}
}

// stages are the risks of loss by stage, the second conditional on surviving
// the first, and what both make together.
func (t *tally) stages() map[string]*float64 {
	out := map[string]*float64{"embryo": nil, "fetus": nil, "stages_chained": nil}
	e, okE := ratio(t.count(flagEmbryoLost), t.count(flagEmbryo))
	f, okF := ratio(t.count(flagFetusLost), t.count(flagFetus))
	if okE {
		out["embryo"] = &e
	}
	if okF {
		out["fetus"] = &f
	}
	if okE && okF {
		v := ChainLoss(e, f)
		out["stages_chained"] = &v
	}
	return out
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
