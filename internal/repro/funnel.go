package repro

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// Where a technician stands against what her services let expect.
const (
	Within     = "within"       // within the 95 % limits
	Outside95  = "outside_95"   // outside the 95 % limits: one in twenty is by chance alone
	Outside998 = "outside_99_8" // outside the 99.8 % limits
)

// Below so many services with a known outcome a technician has no limits, and no
// position (common practice, no source: a funnel of a few cases calls nothing unusual).
const (
	limitsFrom   = 10
	positionFrom = 50
)

// Limits are those of a funnel plot.
type Limits = stats.Limits

// HerdCode is a code of a herd: the code of who bred is the herd's own.
type HerdCode struct {
	Herd string `json:"herd"`
	Code string `json:"code"` // "" = not recorded
}

// TechnicianRow is the conception risk of one person over herds, or of one code of one
// herd that nobody said the person of.
//
// Expected is how many would have conceived if her services had done as the pool's do
// (indirect standardisation; e.g. Breslow and Day 1987, IARC Sci Publ 82, chapter 2):
// the sum over her services of the pool's share at their lactation group and number of
// service, times the herd's own ratio of observed to so expected. So a poor herd is not
// laid at her door. What it cannot do: where nobody else bred (Alone), the herd's ratio is
// her own, and she is compared with herself; where that is half of her services or more
// she has no position. Two people's ratios are not to be compared with each other when
// their services differ (Evans, Seaton and Manktelow 2013, PLoS ONE 8:e61237).
type TechnicianRow struct {
	Person         string     `json:"person"` // "" = a code that is no person's
	Codes          []HerdCode `json:"codes"`
	Value          *float64   `json:"value"`
	Numerator      int        `json:"numerator"`
	Denominator    int        `json:"denominator"`
	Interval       *Interval  `json:"interval"`
	Small          bool       `json:"small"`
	Unknown        int        `json:"unknown"`         // services of unknown outcome, left out
	Immature       int        `json:"immature"`        // services too recent, left out
	LostLater      int        `json:"lost_later"`      // of the numerator
	Limits         *Limits    `json:"limits"`          // around the value of the pool; null below 10 services
	Expected       *float64   `json:"expected"`        // number; null where nothing counts
	Ratio          *float64   `json:"ratio"`           // observed to expected
	ExpectedLimits *Limits    `json:"expected_limits"` // around the share expected; null below 10 services
	Alone          int        `json:"alone"`           // of the denominator, in herds where nobody else bred
	Position       string     `json:"position"`        // against ExpectedLimits; "" below 50 services and where she is compared with herself
}

// Technicians is the conception risk by technician over a pool of herds. Services without
// a code are a row of their own in each herd and count in the pool, but have no position:
// they are nobody's.
type Technicians struct {
	Definition  *Definition     `json:"definition"`
	From        event.Date      `json:"from"`
	To          event.Date      `json:"to"`
	Value       *float64        `json:"value"` // of the pool
	NullReason  string          `json:"null_reason,omitempty"`
	Numerator   int             `json:"numerator"`
	Denominator int             `json:"denominator"`
	Interval    *Interval       `json:"interval"`
	Method      string          `json:"method"`
	Caution     string          `json:"caution"`
	Rows        []TechnicianRow `json:"rows"`
	Unmapped    []HerdCode      `json:"unmapped"` // codes of which nobody said whose they are, where a map was given
}

const (
	funnelMethod = "limits: exact binomial at 95 % and 99.8 %, at whole numbers of cases, around the value of the pool and around the share expected " +
		"(funnel plot: Spiegelhalter 2005, Stat Med 24:1185; around the expected share a little too wide, since its services differ); " +
		"expected: the pool's share at the lactation group and number of each service, times the herd's ratio of observed to so expected (indirect standardisation)"
	funnelCaution = "A difference is no judgement of a person: cows, heats and semen are not shared out by chance, and what was not recorded is not in the expected number. " +
		"Each row is compared with what its own services let expect, never with another row. Outside the 99.8 % limits, look for the reason; within the 95 % limits there is nothing to explain."
)

// cellMix is a kind of service: lactation group and number of service.
type cellMix struct{ lactation, number string }

// mixRow is what one code of a herd did at one kind of service.
type mixRow struct {
	HerdCode
	mix cellMix
	row *Row
}

// PoolTechnicians puts together the answers of herds to conception_risk, each grouped by
// [ByCaseMix]. Answers to anything else are left out. people says who a code of a herd
// is; nil or "" = not said.
func PoolTechnicians(answers []Answer, people func(HerdCode) string) Technicians {
	out := Technicians{Method: funnelMethod, Caution: funnelCaution, Rows: []TechnicianRow{}, Unmapped: []HerdCode{}, NullReason: "no_herds"}
	var all []mixRow
	for i := range answers {
		a := &answers[i]
		if a.Key != "conception_risk" || a.Params.By != ByCaseMix || len(a.parts) != 1 {
			continue
		}
		out.Definition, out.From, out.To = a.Definition, a.Params.From, a.Params.To
		for j := range a.Rows {
			code, rest, _ := strings.Cut(a.Rows[j].Label, mixed)
			lactation, number, _ := strings.Cut(rest, mixed)
			all = append(all, mixRow{HerdCode{a.parts[0].name, code}, cellMix{lactation, number}, &a.Rows[j]})
		}
	}
	risk := expectedRisk(all)
	rows := map[string]*TechnicianRow{}
	inHerd := map[string]map[string]bool{} // rows with services of a known outcome
	for _, m := range all {
		person := personOf(people, m.HerdCode)
		if person == "" && people != nil && m.Code != "" && !slices.Contains(out.Unmapped, m.HerdCode) {
			out.Unmapped = append(out.Unmapped, m.HerdCode)
		}
		key := rowKey(person, m.HerdCode)
		t := rows[key]
		if t == nil {
			t = &TechnicianRow{Person: person}
			rows[key] = t
		}
		if !slices.Contains(t.Codes, m.HerdCode) {
			t.Codes = append(t.Codes, m.HerdCode)
		}
		t.Numerator += *m.row.Numerator
		t.Denominator += *m.row.Denominator
		t.Unknown += m.row.Counts["unknown"]
		t.Immature += m.row.Counts["immature"]
		t.LostLater += m.row.Counts["lost_later"]
		if *m.row.Denominator > 0 {
			if t.Expected == nil {
				t.Expected = new(float64)
			}
			*t.Expected += float64(*m.row.Denominator) * risk(m.Herd, m.mix)
			if inHerd[m.Herd] == nil {
				inHerd[m.Herd] = map[string]bool{}
			}
			inHerd[m.Herd][key] = true
		}
		out.Numerator += *m.row.Numerator
		out.Denominator += *m.row.Denominator
	}
	for _, m := range all {
		if len(inHerd[m.Herd]) == 1 {
			rows[rowKey(personOf(people, m.HerdCode), m.HerdCode)].Alone += *m.row.Denominator
		}
	}
	if out.Definition != nil {
		out.Value, out.Interval, _, out.NullReason = share(out.Numerator, out.Denominator)
	}
	for _, t := range rows {
		t.Value, t.Interval, t.Small, _ = share(t.Numerator, t.Denominator)
		if out.Value != nil {
			t.place(*out.Value)
		}
		slices.SortFunc(t.Codes, compareCodes)
		out.Rows = append(out.Rows, *t)
	}
	slices.SortFunc(out.Unmapped, compareCodes)
	slices.SortFunc(out.Rows, func(a, b TechnicianRow) int {
		if (a.Person == "") != (b.Person == "") {
			return cmp.Compare(b.Person, a.Person) // persons first
		}
		if c := naturalOrder(a.Person, b.Person); c != 0 {
			return c
		}
		return compareCodes(a.Codes[0], b.Codes[0])
	})
	return out
}

func personOf(people func(HerdCode) string, c HerdCode) string {
	if people == nil || c.Code == "" {
		return ""
	}
	return people(c)
}

func rowKey(person string, c HerdCode) string {
	if person != "" {
		return person
	}
	return mixed + c.Herd + mixed + c.Code
}

func compareCodes(a, b HerdCode) int {
	if c := cmp.Compare(a.Herd, b.Herd); c != 0 {
		return c
	}
	return naturalOrder(a.Code, b.Code)
}

// expectedRisk gives the share expected of services of a kind in a herd: the pool's share
// of the kind times the herd's ratio of observed to what the pool's shares let expect.
func expectedRisk(all []mixRow) func(herd string, mix cellMix) float64 {
	type sum struct{ num, den, expected float64 }
	pool, herds := map[cellMix]*sum{}, map[string]*sum{}
	at := func(m map[cellMix]*sum, k cellMix) *sum {
		if m[k] == nil {
			m[k] = &sum{}
		}
		return m[k]
	}
	for _, m := range all {
		s := at(pool, m.mix)
		s.num += float64(*m.row.Numerator)
		s.den += float64(*m.row.Denominator)
	}
	ofPool := func(mix cellMix) float64 {
		if s := pool[mix]; s != nil && s.den > 0 {
			return s.num / s.den
		}
		return 0
	}
	for _, m := range all {
		s := herds[m.Herd]
		if s == nil {
			s = &sum{}
			herds[m.Herd] = s
		}
		s.num += float64(*m.row.Numerator)
		s.expected += float64(*m.row.Denominator) * ofPool(m.mix)
	}
	return func(herd string, mix cellMix) float64 {
		s := herds[herd]
		if s == nil || s.expected == 0 {
			return 0
		}
		return math.Min(1, ofPool(mix)*s.num/s.expected)
	}
}

// place says where a row stands against the value of the pool and against what its own
// services let expect.
func (t *TechnicianRow) place(pool float64) {
	if t.Expected == nil {
		return
	}
	if *t.Expected > 0 {
		ratio := float64(t.Numerator) / *t.Expected
		t.Ratio = &ratio
	}
	if t.Denominator < limitsFrom {
		return
	}
	if l, ok := stats.Funnel(pool, t.Denominator); ok {
		t.Limits = &l
	}
	l, ok := stats.Funnel(math.Min(1, *t.Expected/float64(t.Denominator)), t.Denominator)
	if !ok {
		return
	}
	t.ExpectedLimits = &l
	switch v := *t.Value; {
	case t.Codes[0].Code == "" || t.Denominator < positionFrom || 2*t.Alone >= t.Denominator:
	case v < l.Low99 || v > l.High99:
		t.Position = Outside998
	case v < l.Low95 || v > l.High95:
		t.Position = Outside95
	default:
		t.Position = Within
	}
}
