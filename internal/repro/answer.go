package repro

import (
	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// Unit is what an index's value is measured in.
type Unit string

// Units of indices.
const (
	Share    Unit = "share" // 0 to 1
	Days     Unit = "days"
	Services Unit = "services"
	Cows     Unit = "cows"
	Money    Unit = "money" // a day; the currency is the policy's
)

// Statistic is what kind of figure a value is.
type Statistic string

// Statistics of values.
const (
	StatShare  Statistic = "share"  // numerator over denominator, 0 to 1
	StatRatio  Statistic = "ratio"  // numerator for each of the denominator
	StatMedian Statistic = "median" // of as many as the denominator says
	StatMean   Statistic = "mean"
	StatCount  Statistic = "count"
	StatRange  Statistic = "range" // no single value: from low to high
)

// Interval is stats.Interval: bounds, level and method.
type Interval = stats.Interval

// Params narrow an index. The zero value of a field asks for its default; see
// Fill. What was used is echoed in the answer.
type Params struct {
	From     event.Date `json:"from"`          // first day of the period
	To       event.Date `json:"to"`            // last day of the period
	On       event.Date `json:"on"`            // facts dated later are ignored
	Anchor   event.Date `json:"anchor"`        // a first day of a 21-day window
	Exposure int        `json:"exposure_days"` // risk days that make a cow eligible in a window, 1 to 21
	Merge    int        `json:"merge_days"`    // breedings at most so many days apart are one service, 0 to 3; Zero asks for 0
	Maturity int        `json:"maturity_days"` // days that an outcome is given to become known, 0 to 365; Zero asks for 0
	By       string     `json:"by"`            // grouping of the rows; "" = the index's own rows
	Strata   string     `json:"strata"`        // cows or heifers
	Brief    bool       `json:"-"`             // leave Answer.Evidence nil: several times faster
	Whole    bool       `json:"-"`             // leave Answer.Rows empty

	filled bool // the defaults are in place, and 0 means 0
}

// Answer is an index as computed for one herd, or pooled over several.
type Answer struct {
	Key        string      `json:"key"`
	Definition *Definition `json:"definition"`
	Params     Params      `json:"parameters"`
	Figure
	Value       *float64            `json:"value"`
	NullReason  string              `json:"null_reason,omitempty"` // why there is no value
	Numerator   *int                `json:"numerator"`
	Denominator *int                `json:"denominator"`
	Interval    *Interval           `json:"interval"`
	Currency    string              `json:"currency,omitempty"`  // of money
	Small       bool                `json:"small"`               // fewer than 10 in the denominator
	Provisional bool                `json:"provisional"`         // too recent for its outcomes to be known
	SettledOn   event.Date          `json:"settled_on,omitzero"` // provisional until the records reach this day
	Measures    map[string]*float64 `json:"measures"`
	Excluded    []Excluded          `json:"excluded"`
	Rows        []Row               `json:"rows"`
	Evidence    []Evidence          `json:"-"` // nil if Params.Brief

	parts []part // what it was counted from, for pooling
}

// Figure is what a value and its counts are, so that nobody has to guess.
type Figure struct {
	Unit          Unit      `json:"unit"`
	Statistic     Statistic `json:"statistic"`
	NumeratorIs   string    `json:"numerator_is"`   // what the numerator counts, of what the denominator counts; "" = there is none
	DenominatorIs string    `json:"denominator_is"` // plural
}

// Excluded is how many were left out for one reason.
type Excluded struct {
	Reason string `json:"reason"`
	Text   string `json:"text"`
	Count  int    `json:"count"`
}

// Row is one line of a breakdown: a window, a class, a month or a group.
type Row struct {
	Figure                          // its own, where it is not the index's
	Label       string              `json:"label"`
	From        event.Date          `json:"from,omitzero"`
	To          event.Date          `json:"to,omitzero"`
	Value       *float64            `json:"value"`
	Numerator   *int                `json:"numerator"`
	Denominator *int                `json:"denominator"`
	Interval    *Interval           `json:"interval"`
	Small       bool                `json:"small"`
	Provisional bool                `json:"provisional"`
	SettledOn   event.Date          `json:"settled_on,omitzero"`
	NullReason  string              `json:"null_reason,omitempty"`
	Counts      map[string]int      `json:"counts"`
	Measures    map[string]*float64 `json:"measures,omitempty"`
}

// How an evidence row counted.
const (
	InNumerator   = "numerator"   // counts in the numerator and in the denominator
	InDenominator = "denominator" // counts in the denominator only
	Out           = "excluded"
)

// Evidence is one animal, window, service or interval that an index looked at
// and what became of it. The counts of an answer are counts of its evidence.
type Evidence struct {
	Animal    string     `json:"animal"` // her number on the day that the row is about
	Lactation int        `json:"lactation"`
	From      event.Date `json:"from,omitzero"`
	To        event.Date `json:"to,omitzero"`
	On        event.Date `json:"on,omitzero"`
	Days      *int       `json:"days"`
	Counted   string     `json:"counted"`
	Reason    string     `json:"reason"`
	Text      string     `json:"text"`
	Group     string     `json:"group"`
	Seqs      []int64    `json:"seqs"` // the events that it rests on
}

// Definition is the published meaning of an index.
type Definition struct {
	ID        string   `json:"id"` // key and version, for citing
	Key       string   `json:"key"`
	Title     string   `json:"title"`
	TradeName string   `json:"trade_name"`
	Version   string   `json:"version"`
	Text      string   `json:"text"`
	Unit      Unit     `json:"unit"`
	Sources   []string `json:"sources"`
	Groups    []string `json:"groups"` // what By may be
}
