package repro

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// Errors of Index. They wrap into texts for users.
var (
	ErrUnknownIndex = errors.New("no such index")
	ErrBadParameter = errors.New("bad parameter")
)

// DefaultAnchor is a first day of a window where none is asked for: fixed, so
// that every herd's windows fall together. It is a Monday.
var DefaultAnchor = event.NewDate(2024, 1, 1)

// DefaultMaturity is how many days before the herd's last data date a service
// must lie for its outcome to be expected (indices.md 1.1 rule 10).
const DefaultMaturity = 70

// DefaultExposure is how many of the 21 days of a window a cow must be at risk.
const DefaultExposure = 11

const windowDays = 21

// Strata.
const (
	StrataCows    = "cows"    // animals that have calved, or of which it is not known
	StrataHeifers = "heifers" // before the first calving
)

// Fill puts the defaults in place of what is not set: the year that ends on
// the day asked for, all else as the constants of this package say. last is
// the herd's last data date; today (or the day that figures are computed to)
// is p.On, which must be set.
func (p Params) Fill() (Params, error) {
	if p.filled {
		return p, nil
	}
	if p.On == 0 {
		return p, fmt.Errorf("%w: on: the day to which to compute is missing", ErrBadParameter)
	}
	if p.To == 0 {
		p.To = p.On
	}
	if p.From == 0 {
		p.From = max(1, p.To-364)
	}
	if p.Anchor == 0 {
		p.Anchor = DefaultAnchor
	}
	if p.Exposure == 0 {
		p.Exposure = DefaultExposure
	}
	p.Merge = fill(p.Merge, defaultMerge)
	p.Maturity = fill(p.Maturity, DefaultMaturity)
	if p.Strata == "" {
		p.Strata = StrataCows
	}
	switch {
	case p.From > p.To:
		return p, fmt.Errorf("%w: from: %s lies after to, %s", ErrBadParameter, p.From, p.To)
	case p.Exposure < 1 || p.Exposure > windowDays:
		return p, fmt.Errorf("%w: exposure_days: %d lies outside 1 to 21", ErrBadParameter, p.Exposure)
	case p.Merge > 3:
		return p, fmt.Errorf("%w: merge_days: %d lies outside 0 to 3", ErrBadParameter, p.Merge)
	case p.Maturity > 365:
		return p, fmt.Errorf("%w: maturity_days: %d lies outside 0 to 365", ErrBadParameter, p.Maturity)
	case p.Strata != StrataCows && p.Strata != StrataHeifers:
		return p, fmt.Errorf("%w: strata: %q is neither cows nor heifers", ErrBadParameter, p.Strata)
	}
	p.filled = true
	return p, nil
}

// Zero asks for 0 in a field of Params in which 0 asks for the default.
const Zero = -1

func fill(v, def int) int {
	switch {
	case v == 0:
		return def
	case v < 0:
		return 0
	}
	return v
}

// query is one computation of an index.
type query struct {
	h     *Herd
	p     Params
	asked Params     // as p, but for a grouping that is the index's own
	at    int        // its place among the questions
	last  event.Date // the day up to which records tell: the earlier of on and the herd's last data date
	ix    *index
	cells cells
	items []item // nil if p.Brief
	sums  map[string]float64
	money string // currency of the sums

	named []month  // that have a label; see monthOf
	costs []cost   // of the index of costs
	pens  *penDays // of the index of readings
}

// item is one thing that an index looked at: the compact form of Evidence.
type item struct {
	l        *life  // nil for what is of a pen
	pen      word   // where l is nil
	label    string // its row
	reason   string // code, of what it counted as
	from, to event.Date
	on       event.Date
	days     int32 // noDays if it has none
	aux      int32 // a second count, where an index needs one
	lac      int16
	counted  counted
	flags    flag
	seqs     [2]int64
}

const noDays int32 = -1 << 31

type counted uint8

const (
	out counted = iota
	inDenominator
	inNumerator
)

// flag marks items that a row counts beside numerator and denominator.
type flag uint16

const (
	flagEligible flag = 1 << iota
	flagBred
	flagPregnant
	flagLostLater
	flagUnknown
	flagOutside
	flagBull
	flagProvisional
	flagEstimated
	flagMature
	flagImmature
	flagSuspect
	flagExamined
	flagInHeat
	flagObvious
	flagReading
)

// add counts an item, and keeps it for the evidence if that is asked for: figures
// and evidence come of one call.
func (q *query) add(it *item) {
	q.cells.take(it, q.ix)
	if !q.p.Brief {
		q.items = append(q.items, *it)
	}
}

const male = 2 // index in sexWords

// stratum tells whether a lactation belongs to the animals asked for.
func (q *query) stratum(lac *lactation) bool {
	return lac.heifer() == (q.p.Strata == StrataHeifers)
}

// inPeriod tells whether a day lies in the period and is told of by records.
func (q *query) inPeriod(d event.Date) bool {
	return d != 0 && q.p.From <= d && d <= q.p.To && d <= q.p.On
}

// mature tells whether what happened on a day has had the time to show.
func (q *query) mature(d event.Date) bool { return d+event.Date(q.p.Maturity) <= q.last }

// part is what one herd gave to an answer.
type part struct {
	name     string // of the herd
	policies Policies
	cells    []cell
	sums     map[string]float64
	money    string

	h     *Herd  // nil if Params.Brief: figures do not keep a fold in memory
	items []item // nil if Params.Brief
}

// Keys lists the definitions of the indices, in the order in which they are
// to be shown.
func Keys() []*Definition {
	out := make([]*Definition, len(indices))
	for i := range indices {
		out[i] = &indices[i].def
	}
	return out
}

func indexOf(key string) *index {
	for i := range indices {
		if indices[i].def.Key == key {
			return &indices[i]
		}
	}
	return nil
}

// Index computes an index of the herd. It returns an error that wraps
// ErrUnknownIndex or ErrBadParameter; the answer of a valid question may lack
// a value, and says why.
func (h *Herd) Index(key string, p Params) (Answer, error) {
	q, err := h.query(key, p)
	if err != nil {
		return Answer{}, err
	}
	f, last := h.folded(q.p.On, q.p.Merge)
	q.last = min(q.p.On, last)
	looker([]*query{q})(f.lives)
	q.close()
	return q.answer(), nil
}

func possible(groups []string) string {
	if len(groups) == 0 {
		return "nothing"
	}
	return strings.Join(groups, ", ")
}

// Pool adds up the answers that several herds gave to one question: counts
// are summed, and medians taken over all their days. The answers must be of
// one key; the parameters are those of the first.
func Pool(answers []Answer) Answer {
	if len(answers) == 0 {
		return Answer{NullReason: "no_herds", Measures: map[string]*float64{}}
	}
	ix := indexOf(answers[0].Key)
	var parts []part
	for i := range answers {
		if answers[i].Key == answers[0].Key {
			parts = append(parts, answers[i].parts...)
		}
	}
	if ix == nil {
		return answers[0]
	}
	return ix.answer(answers[0].Params, parts)
}

// index is how one index is computed: collect says what it looks at in each female
// life, in no particular order of lives, and how each counts (what ended before the
// period, and before the day asked for, must not count: such a life may be left out);
// finish makes figures of the counts. So an answer is always a count of its own
// evidence, and pooling is counting it together.
type index struct {
	def      Definition
	means    Figure // of its value, and of its rows unless they say otherwise; the unit is the definition's
	collect  func(q *query) func(l *life)
	close    func(q *query) // after all lives, where something is left to do
	finish   func(c *count)
	of       string      // key of an index before it that looks at the same things under the same parameters; "" = none
	turn     func(*cell) // how a cell of that one counts here; nil = the same
	order    []string    // of the rows' labels, where it is not the natural one
	own      string      // the grouping that its own rows are; "" = another one
	cowsOnly bool        // it says nothing of heifers
	sumsOnly bool        // no figure is made of the days of single items
	dated    bool        // figures are made of the items' from and to
	followed bool        // it has a survival view; see survival.go
}

// count is what finish works on.
type count struct {
	a     *Answer
	by    bool // the rows are groups, not the index's own
	whole tally
	rows  []*tally
	parts []part
}

// shown are the rows that the answer is to show.
func (c *count) shown() []*tally {
	if c.a.Params.Whole {
		return nil
	}
	return c.rows
}

func (ix *index) answer(p Params, parts []part) Answer {
	a := Answer{
		Key: ix.def.Key, Definition: &ix.def, Params: p, Figure: ix.means,
		Measures: map[string]*float64{}, Excluded: []Excluded{}, Rows: []Row{}, parts: parts,
	}
	a.Unit = ix.def.Unit
	c := count{a: &a, by: p.By != "" && p.By != ix.own, parts: parts}
	byLabel := map[string]*tally{}
	days := 0
	for _, pt := range parts {
		for i := range pt.cells {
			days += len(pt.cells[i].days)
		}
	}
	c.whole.days = make([]int, 0, days)
	for _, pt := range parts {
		for i := range pt.cells {
			x := &pt.cells[i]
			c.whole.take(x)
			c.whole.days = append(c.whole.days, x.days...)
			if x.label == "" {
				continue
			}
			t := byLabel[x.label]
			if t == nil {
				t = &tally{label: x.label, from: x.from, to: x.to}
				byLabel[x.label] = t
				c.rows = append(c.rows, t)
			}
			t.take(x)
			if !p.Whole {
				t.days = append(t.days, x.days...)
			}
		}
	}
	slices.SortFunc(c.rows, func(x, y *tally) int {
		if i, j := slices.Index(ix.order, x.label), slices.Index(ix.order, y.label); i != j {
			return i - j
		}
		return naturalOrder(x.label, y.label)
	})
	c.whole.order()
	for _, t := range c.shown() {
		t.order()
	}
	for _, reason := range sortedKeys(c.whole.reasons) {
		a.Excluded = append(a.Excluded, Excluded{reason, reasonText(reason), c.whole.reasons[reason]})
	}
	ix.finish(&c)
	if p.Whole {
		a.Rows = []Row{}
	}
	ix.explain(&a)
	if ix.cowsOnly && p.Strata != StrataCows {
		a.Value, a.NullReason = nil, "cows_only"
	}
	if !p.Brief {
		a.Evidence = evidence(parts)
	}
	return a
}

// explain puts what the index means in place of what a row does not say itself, and
// beside what is provisional the day from which on it is not.
func (ix *index) explain(a *Answer) {
	if a.Provisional {
		a.SettledOn = ix.settled(a.Params.To, a)
	}
	for i := range a.Rows {
		r := &a.Rows[i]
		if r.Statistic == "" {
			r.Unit, r.Statistic = a.Unit, a.Statistic
		}
		if r.DenominatorIs == "" {
			r.NumeratorIs, r.DenominatorIs = a.NumeratorIs, a.DenominatorIs
		}
		if r.Provisional {
			to := a.Params.To
			if r.To != 0 {
				to = r.To
			}
			r.SettledOn = ix.settled(to, a)
		}
	}
}

// settled is the day that the records must have reached for a period that ends on a
// day to be provisional no more.
func (ix *index) settled(to event.Date, a *Answer) event.Date {
	mature := to + event.Date(a.Params.Maturity)
	switch ix.def.Key {
	case "non_return_56d":
		return to + nonReturnDays
	case "pregnancy_loss_risk":
		return to + gestationMax
	case "in_calf_by_100d":
		return mature + 100
	case "in_calf_by_200d":
		return mature + 200
	case "pregnant_by_vwp30":
		wait := 0
		for _, pt := range a.parts {
			own := pt.policies.On(to)
			wait = max(wait, own.WaitFirst, own.WaitLater)
		}
		return mature + event.Date(wait+30)
	}
	return mature
}

// evidence writes the items out: those of animals in their order, then those
// of pens by date.
func evidence(parts []part) []Evidence {
	n := 0
	for _, pt := range parts {
		n += len(pt.items)
	}
	out := make([]Evidence, 0, n)
	var pens []Evidence
	for _, pt := range parts {
		for i := range pt.items {
			if it := &pt.items[i]; it.l == nil {
				pens = append(pens, pt.h.penEvidence(it))
			} else {
				out = append(out, pt.h.evidence(it))
			}
		}
	}
	slices.SortStableFunc(pens, func(a, b Evidence) int {
		if c := cmp.Compare(a.On, b.On); c != 0 {
			return c
		}
		return naturalOrder(a.Text, b.Text)
	})
	return append(out, pens...)
}

// penEvidence is of a pen: it has no animal, and its text names the pen.
func (h *Herd) penEvidence(it *item) Evidence {
	return Evidence{
		From: it.from, To: it.to, On: it.on, Counted: countedWords[it.counted], Reason: it.reason,
		Text: "pen " + h.words.text(it.pen) + ": " + reasonText(it.reason), Group: it.label, Seqs: []int64{},
	}
}

func (h *Herd) evidence(it *item) Evidence {
	on := it.on
	if on == 0 {
		on = it.to
	}
	e := Evidence{
		Animal: h.words.text(it.l.name(on)), From: it.from, To: it.to, On: it.on,
		Counted: countedWords[it.counted], Reason: it.reason, Text: reasonText(it.reason), Group: it.label,
		Lactation: int(it.l.lactations[it.lac].number), Seqs: []int64{},
	}
	if it.days != noDays {
		d := int(it.days)
		e.Days = &d
	}
	for _, s := range it.seqs {
		if s != 0 {
			e.Seqs = append(e.Seqs, s)
		}
	}
	return e
}

var countedWords = []string{Out, InDenominator, InNumerator}

// smallBelow is the denominator below which a value is flagged as small.
const smallBelow = 10

// proportion fills value, counts and interval of the answer.
func (c *count) proportion() {
	a := c.a
	a.Numerator, a.Denominator = &c.whole.num, &c.whole.den
	a.Value, a.Interval, a.Small, a.NullReason = share(c.whole.num, c.whole.den)
}

// row makes a row of a tally, as a proportion.
func (t *tally) row() Row {
	r := Row{Label: t.label, From: t.from, To: t.to, Numerator: &t.num, Denominator: &t.den, Counts: map[string]int{}}
	r.Value, r.Interval, r.Small, r.NullReason = share(t.num, t.den)
	return r
}

func share(num, den int) (value *float64, interval *Interval, small bool, null string) {
	if den == 0 {
		return nil, nil, false, "empty_denominator"
	}
	v := float64(num) / float64(den)
	if iv, ok := stats.Wilson(num, den); ok {
		interval = &iv
	}
	return &v, interval, den < smallBelow, ""
}

// net adds the value net of later losses: so many of the denominator.
func (r *Row) net(num int) {
	if r.Measures == nil {
		r.Measures = map[string]*float64{}
	}
	r.Measures["net_of_losses"] = nil
	if r.Value != nil && r.Denominator != nil && *r.Denominator > 0 {
		v := float64(num) / float64(*r.Denominator)
		r.Measures["net_of_losses"] = &v
	}
}

// measure sets an extra figure; without ok it is null.
func (a *Answer) measure(name string, v float64, ok bool) {
	if !ok {
		a.Measures[name] = nil
		return
	}
	a.Measures[name] = &v
}

func (a *Answer) counts(name string, n int) { a.measure(name, float64(n), true) }

func ratio(num, den int) (float64, bool) {
	if den == 0 {
		return 0, false
	}
	return float64(num) / float64(den), true
}
