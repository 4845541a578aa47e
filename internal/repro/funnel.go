package repro

import (
	"cmp"
	"slices"

	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// Where a technician stands against the pool.
const (
	Within     = "within"       // within the 95 % limits
	Outside95  = "outside_95"   // outside the 95 % limits: one in twenty is by chance alone
	Outside998 = "outside_99_8" // outside the 99.8 % limits
)

// TechnicianRow is the conception risk of one code of one herd. The code of
// who bred is the herd's own, so that the same code in two herds is two rows.
type TechnicianRow struct {
	Herd        string        `json:"herd"`
	Code        string        `json:"code"` // "" = not recorded
	Value       *float64      `json:"value"`
	Numerator   int           `json:"numerator"`
	Denominator int           `json:"denominator"`
	Interval    *Interval     `json:"interval"`
	Small       bool          `json:"small"`
	Unknown     int           `json:"unknown"`    // services of unknown outcome, left out
	Immature    int           `json:"immature"`   // services too recent, left out
	LostLater   int           `json:"lost_later"` // of the numerator
	Limits      *stats.Limits `json:"limits"`     // null where nothing counts
	Position    string        `json:"position"`   // within, outside_95, outside_99_8; "" without limits
}

// Technicians is the conception risk by technician over a pool of herds, with
// funnel limits around the value of the pool. Services without a code are a
// row of their own and count in the pool, but have no position: they are
// nobody's.
type Technicians struct {
	Definition  *Definition     `json:"definition"`
	From        event.Date      `json:"from"`
	To          event.Date      `json:"to"`
	Value       *float64        `json:"value"` // of the pool: the centre of the funnel
	NullReason  string          `json:"null_reason,omitempty"`
	Numerator   int             `json:"numerator"`
	Denominator int             `json:"denominator"`
	Interval    *Interval       `json:"interval"`
	Method      string          `json:"method"`
	Caution     string          `json:"caution"`
	Rows        []TechnicianRow `json:"rows"`
}

const (
	funnelMethod  = "exact binomial limits at 95 % and 99.8 % around the value of the pool, at whole numbers of cases (funnel plot: Spiegelhalter 2005, Stat Med 24:1185)"
	funnelCaution = "A difference is no judgement of a person: cows, heats, semen and herds are not shared out by chance. Outside the 99.8 % limits, look for the reason; within the 95 % limits there is nothing to explain."
)

// PoolTechnicians puts together the answers of herds to conception_risk, each
// grouped by technician. Answers to anything else are left out.
func PoolTechnicians(answers []Answer) Technicians {
	out := Technicians{Method: funnelMethod, Caution: funnelCaution, Rows: []TechnicianRow{}, NullReason: "no_herds"}
	for i := range answers {
		a := &answers[i]
		if a.Key != "conception_risk" || a.Params.By != ByTechnician || len(a.parts) != 1 {
			continue
		}
		out.Definition, out.From, out.To = a.Definition, a.Params.From, a.Params.To
		for j := range a.Rows {
			out.Rows = append(out.Rows, technicianRow(a.parts[0].name, &a.Rows[j]))
		}
	}
	for i := range out.Rows {
		out.Numerator += out.Rows[i].Numerator
		out.Denominator += out.Rows[i].Denominator
	}
	if out.Definition != nil {
		out.Value, out.Interval, _, out.NullReason = share(out.Numerator, out.Denominator)
	}
	for i := range out.Rows {
		if out.Value != nil {
			out.Rows[i].place(*out.Value)
		}
	}
	slices.SortStableFunc(out.Rows, func(a, b TechnicianRow) int {
		if c := cmp.Compare(a.Herd, b.Herd); c != 0 {
			return c
		}
		return naturalOrder(a.Code, b.Code)
	})
	return out
}

func technicianRow(herd string, r *Row) TechnicianRow {
	t := TechnicianRow{
		Herd: herd, Code: r.Label, Value: r.Value, Numerator: *r.Numerator, Denominator: *r.Denominator, Interval: r.Interval, Small: r.Small,
		Unknown: r.Counts["unknown"], Immature: r.Counts["immature"], LostLater: r.Counts["lost_later"],
	}
	if t.Code == notRecorded {
		t.Code = ""
	}
	return t
}

// place says where a row stands against the value of the pool.
func (t *TechnicianRow) place(pool float64) {
	l, ok := stats.Funnel(pool, t.Denominator)
	if !ok {
		return
	}
	t.Limits = &l
	switch v := *t.Value; {
	case t.Code == "":
	case v < l.Low99 || v > l.High99:
		t.Position = Outside998
	case v < l.Low95 || v > l.High95:
		t.Position = Outside95
	default:
		t.Position = Within
	}
}
