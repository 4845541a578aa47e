package repro

import (
	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// flagFollowed marks items that count in the survival view; their days of
// follow-up stand in aux. The two indices that have the view use neither else.
const flagFollowed = flagMature

// followToService puts a calving into the survival view of days to first service:
// served is an event; not served is censored at the earliest of her leaving,
// her first exposure to a bull, a conception without a recorded service, and
// the end of the records. Who calved again with neither a service nor a dated
// conception was not followed.
func (q *query) followToService(it *item) {
	l, lac := it.l, &it.l.lactations[it.lac]
	if it.counted == inDenominator {
		it.follow(it.to)
		return
	}
	end := q.last
	if l.out != 0 {
		end = min(end, l.out)
	}
	if services := l.of(lac); len(services) > 0 { // a run with a bull
		end = min(end, services[0].first)
	}
	dated := false
	for k := range l.pregnancies {
		if p := &l.pregnancies[k]; p.lactation == it.lac && p.conceived >= lac.calved {
			end, dated = min(end, p.conceived), true
			break
		}
	}
	if lac.end == 0 || dated {
		it.follow(end)
	}
}

// followToConception puts a calving into the survival view of days open:
// closed is an event; running is censored at the end of the records (not at a
// day asked for that lies beyond them), censored at her leaving.
func (q *query) followToConception(it *item, st state) {
	switch st {
	case closed, censored:
		it.follow(it.to)
	case running:
		it.follow(q.last)
	case undated:
	}
}

func (it *item) follow(to event.Date) {
	it.flags |= flagFollowed
	it.aux = int32(max(0, to-it.from))
}

// spansOf lists the follow-up of the items that the survival view counts, of
// one row or (every) of all.
func spansOf(parts []part, label string, every bool) []stats.Span {
	n := 0
	is := func(x *cell) bool { return every || x.label == label }
	for _, pt := range parts {
		for i := range pt.cells {
			if x := &pt.cells[i]; is(x) {
				n += len(x.follow)
			}
		}
	}
	out := make([]stats.Span, 0, n)
	for _, pt := range parts {
		for i := range pt.cells {
			x := &pt.cells[i]
			if !is(x) {
				continue
			}
			for _, days := range x.follow {
				out = append(out, stats.Span{Days: days, Event: x.counted == inDenominator})
			}
		}
	}
	return out
}

// survival writes the survival view beside the figures of the answer and of
// its rows.
func (c *count) survival() {
	survivalMeasures(c.a.Measures, spansOf(c.parts, "", true))
	for i := range c.a.Rows {
		r := &c.a.Rows[i]
		survivalMeasures(r.Measures, spansOf(c.parts, r.Label, false))
	}
}

func survivalMeasures(to map[string]*float64, spans []stats.Span) {
	curve := stats.KaplanMeier(spans)
	to["survival_median"], to["survival_median_low"], to["survival_median_high"] = curve.Median()
	events, censored := float64(curve.Events), float64(curve.Censored)
	to["survival_events"], to["survival_censored"] = &events, &censored
}

// SurvivalRow is the survival curve of one row of an answer.
type SurvivalRow struct {
	Label string      `json:"label"`
	Curve stats.Curve `json:"curve"`
}

// Survival gives the curve behind the survival measures of an answer, also of
// a pooled one: the share of the cows not yet served, or not yet pregnant, by
// days from calving, and the curves of the answer's rows if it is grouped. It
// is false for an index that has no such view.
func (a *Answer) Survival() (whole stats.Curve, rows []SurvivalRow, ok bool) {
	if ix := indexOf(a.Key); ix == nil || !ix.followed {
		return stats.Curve{}, nil, false
	}
	rows = []SurvivalRow{}
	for i := range a.Rows {
		label := a.Rows[i].Label
		rows = append(rows, SurvivalRow{label, stats.KaplanMeier(spansOf(a.parts, label, false))})
	}
	return stats.KaplanMeier(spansOf(a.parts, "", true)), rows, true
}
