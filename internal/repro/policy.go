package repro

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// Policy is what a herd decides for itself. A zero value of a field has no
// meaning unless its comment gives one: start from [DefaultPolicy].
type Policy struct {
	// Voluntary waiting period after the first calving, and after later ones,
	// in days: she may be bred from the day on which her days in milk reach it.
	WaitFirst int `json:"wait_first_days"`
	WaitLater int `json:"wait_later_days"`

	// Age at which heifers are first bred, in days.
	HeiferFirstBreedingDays int `json:"heifer_first_breeding_days"`

	// Days after breeding from which a diagnosis counts, by method; and the
	// days after calving from which a blood or milk test counts.
	DiagnoseUltrasound   int `json:"diagnose_ultrasound_days"`
	DiagnosePalpation    int `json:"diagnose_palpation_days"`
	DiagnoseBlood        int `json:"diagnose_blood_days"`
	DiagnoseMilk         int `json:"diagnose_milk_days"`
	DiagnoseAfterCalving int `json:"diagnose_after_calving_days"`

	// Length of gestation in days: by breed where the breed is in the table
	// (names in lower case), else GestationDays.
	GestationDays    int                       `json:"gestation_days"`
	GestationByBreed map[string]BreedGestation `json:"gestation_by_breed"`

	// Days from a recorded loss until she may be bred again, where the loss fell on
	// day 43 of pregnancy or later; after an earlier one she is examined first.
	WaitAfterLoss int `json:"wait_after_loss_days"`

	// Hours after which a cow that stands in heat again may be bred once more in
	// the same heat; 0 = never.
	RebreedAfterHours int `json:"rebreed_after_hours"`

	// The service of a lactation from which she is called a repeat breeder.
	RepeatBreederFrom int `json:"repeat_breeder_from"`

	// A calving fewer days than this after the service must be reported where the
	// herd is; 0 = no such rule is stated.
	ReportCalvingsBefore int `json:"report_calvings_before_days"`

	// Whether an append about a number that the records do not know is refused or
	// begins a history: UnknownRefuse or UnknownBegin.
	UnknownAnimals string `json:"unknown_animals"`

	LastBreedingDays int `json:"last_breeding_days"`  // no breeding after so many days in milk; 0 = no such rule
	DryOffBefore     int `json:"dry_off_before_days"` // days from drying off to the due date

	Cost                  OpenCost `json:"open_cost"`
	MonthlyPregnantTarget float64  `json:"monthly_pregnant_target"` // share of the milking cows

	// The herd's own mark colours on open and on bred cows; "" = none stated.
	OpenMark string `json:"open_mark,omitempty"`
	BredMark string `json:"bred_mark,omitempty"`
}

// What a policy says of an append about an unknown number.
const (
	UnknownRefuse = "refuse"
	UnknownBegin  = "begin"
)

// BreedGestation is the mean length of gestation of a breed in days, for
// heifers (first calving) and for cows.
type BreedGestation struct {
	Heifer float64 `json:"heifer"`
	Cow    float64 `json:"cow"`
}

// OpenCost is what a day open costs: a range a day after AfterDays in milk,
// or, where Curve has points, a figure by days in milk.
type OpenCost struct {
	Currency  string       `json:"currency"`
	AfterDays int          `json:"after_days"`
	Low       float64      `json:"low"`
	High      float64      `json:"high"`
	Curve     []CurvePoint `json:"curve,omitempty"`
}

// CurvePoint is the cost of one more day open at so many days in milk.
type CurvePoint struct {
	Days int     `json:"days"`
	Cost float64 `json:"cost"`
}

// At is the cost of one day open at the given days in milk, as a range. With
// a curve both ends are the same figure: linear between its points, nothing
// before the first, the last figure after the last.
func (c *OpenCost) At(days int) (low, high float64) {
	if len(c.Curve) == 0 {
		if days <= c.AfterDays {
			return 0, 0
		}
		return c.Low, c.High
	}
	i, found := slices.BinarySearchFunc(c.Curve, days, func(p CurvePoint, d int) int { return p.Days - d })
	switch {
	case found:
		return c.Curve[i].Cost, c.Curve[i].Cost
	case i == 0:
		return 0, 0
	case i == len(c.Curve):
		return c.Curve[i-1].Cost, c.Curve[i-1].Cost
	}
	a, b := c.Curve[i-1], c.Curve[i]
	v := a.Cost + (b.Cost-a.Cost)*float64(days-a.Days)/float64(b.Days-a.Days)
	return v, v
}

// DefaultPolicy is where a herd starts: waiting period 60 days (the usual
// standard, indices.md V41), heifers from 13 months (396 days), diagnosis days
// of indices.md 1.14, gestation by breed of Norman et al. 2009 (V13) and 280
// days where the breed is not known, dry-off 60 days before the due date; 30 days
// of rest after a loss, a repeat breeder from the fourth service on; cost
// of a day open 2 to 3 dollars after 115 days and a target of 8 % of the
// milking cows made pregnant a month (common practice, no source).
func DefaultPolicy() Policy {
	return Policy{
		WaitFirst: 60, WaitLater: 60,
		HeiferFirstBreedingDays: 396,
		DiagnoseUltrasound:      28, DiagnosePalpation: 35, DiagnoseBlood: 28, DiagnoseMilk: 28, DiagnoseAfterCalving: 60,
		GestationDays: 280,
		GestationByBreed: map[string]BreedGestation{
			"holstein":          {277.8, 279.4},
			"jersey":            {278.4, 280.0},
			"milking_shorthorn": {279.3, 281.1},
			"ayrshire":          {281.6, 281.7},
			"guernsey":          {284.8, 285.7},
			"brown_swiss":       {287.2, 287.5},
		},
		WaitAfterLoss:         30,
		RepeatBreederFrom:     4,
		UnknownAnimals:        UnknownRefuse,
		DryOffBefore:          60,
		Cost:                  OpenCost{Currency: "USD", AfterDays: 115, Low: 2, High: 3},
		MonthlyPregnantTarget: 0.08,
	}
}

// Gestation is the length of gestation in whole days that the policy gives to
// a breed. A breed is looked up in lower case, with spaces as underscores.
func (p *Policy) Gestation(breed string, heifer bool) int {
	g, ok := p.GestationByBreed[breedKey(breed)]
	if !ok {
		return p.GestationDays
	}
	if heifer {
		return int(math.Round(g.Heifer))
	}
	return int(math.Round(g.Cow))
}

func breedKey(s string) string { return breedSpaces.Replace(strings.ToLower(s)) }

var breedSpaces = strings.NewReplacer(" ", "_", "-", "_")

// Wait is the waiting period after the calving that made her lactation-th
// lactation; a lactation of unknown number counts as a later one.
func (p *Policy) Wait(lactation int) int {
	if lactation == 1 {
		return p.WaitFirst
	}
	return p.WaitLater
}

// Validate checks every field. The error is an [event.Problems] with a JSON
// Pointer for each fault.
func (p *Policy) Validate() error {
	var ps event.Problems
	add := func(pointer, format string, args ...any) {
		ps = append(ps, event.Problem{Pointer: pointer, Code: event.CodeOutOfRange, Detail: fmt.Sprintf(format, args...)})
	}
	within := func(name string, v, lo, hi int) {
		if v < lo || v > hi {
			add("/"+name, "%d lies outside %d to %d", v, lo, hi)
		}
	}
	within("wait_first_days", p.WaitFirst, 0, 365)
	within("wait_later_days", p.WaitLater, 0, 365)
	within("heifer_first_breeding_days", p.HeiferFirstBreedingDays, 270, 1500)
	within("diagnose_ultrasound_days", p.DiagnoseUltrasound, 20, 120)
	within("diagnose_palpation_days", p.DiagnosePalpation, 28, 120)
	within("diagnose_blood_days", p.DiagnoseBlood, 20, 120)
	within("diagnose_milk_days", p.DiagnoseMilk, 20, 120)
	within("diagnose_after_calving_days", p.DiagnoseAfterCalving, 0, 120)
	within("gestation_days", p.GestationDays, 260, 302)
	within("dry_off_before_days", p.DryOffBefore, 0, 150)
	within("wait_after_loss_days", p.WaitAfterLoss, 0, 120)
	within("rebreed_after_hours", p.RebreedAfterHours, 0, 48)
	within("repeat_breeder_from", p.RepeatBreederFrom, 2, 20)
	within("report_calvings_before_days", p.ReportCalvingsBefore, 0, 290)
	if p.UnknownAnimals != UnknownRefuse && p.UnknownAnimals != UnknownBegin {
		add("/unknown_animals", "%q is neither %s nor %s", p.UnknownAnimals, UnknownRefuse, UnknownBegin)
	}
	if p.LastBreedingDays != 0 {
		within("last_breeding_days", p.LastBreedingDays, 30, 3000)
	}
	for _, breed := range sortedKeys(p.GestationByBreed) {
		g := p.GestationByBreed[breed]
		if breed != breedKey(breed) || breed == "" {
			add("/gestation_by_breed/"+pointerToken(breed), "a breed is written in lower case, with underscores")
		}
		for _, v := range []float64{g.Heifer, g.Cow} {
			if !(v >= 260 && v <= 302) {
				add("/gestation_by_breed/"+pointerToken(breed), "%v lies outside 260 to 302", v)
			}
		}
	}
	if !(p.MonthlyPregnantTarget > 0 && p.MonthlyPregnantTarget <= 1) {
		add("/monthly_pregnant_target", "%v lies outside 0 to 1", p.MonthlyPregnantTarget)
	}
	p.Cost.validate(add)
	for _, m := range []struct{ name, text string }{{"open_mark", p.OpenMark}, {"bred_mark", p.BredMark}} {
		if len([]rune(m.text)) > 32 {
			add("/"+m.name, "longer than 32 characters")
		}
	}
	if len(ps) == 0 {
		return nil
	}
	return ps
}

func (c *OpenCost) validate(add func(pointer, format string, args ...any)) {
	if c.Currency == "" || len(c.Currency) > 8 {
		add("/open_cost/currency", "a currency has 1 to 8 characters")
	}
	if c.AfterDays < 0 || c.AfterDays > 1000 {
		add("/open_cost/after_days", "%d lies outside 0 to 1000", c.AfterDays)
	}
	if !(c.Low >= 0 && c.Low <= c.High && c.High <= 1e6) {
		add("/open_cost/high", "the range goes from 0 or more at its low end to its high end, at most 1000000")
	}
	for i, pt := range c.Curve {
		if pt.Days < 0 || pt.Days > 3000 || (i > 0 && pt.Days <= c.Curve[i-1].Days) {
			add(fmt.Sprintf("/open_cost/curve/%d/days", i), "the points of a curve have rising days from 0 to 3000")
		}
		if !(math.Abs(pt.Cost) <= 1e6) {
			add(fmt.Sprintf("/open_cost/curve/%d/cost", i), "%v is no cost", pt.Cost)
		}
	}
}

// DatedPolicy is a policy with the day from which it holds.
type DatedPolicy struct {
	From event.Date `json:"from"`
	Policy
}

// Policies are the dated policies of a herd, in order of From.
type Policies []DatedPolicy

// On is the policy in force on a day. Days before the first policy follow the
// first one: a herd that states its rules once means them for its past too.
// Without any policy it is the default.
func (ps Policies) On(d event.Date) *Policy {
	if len(ps) == 0 {
		p := DefaultPolicy()
		return &p
	}
	i := len(ps) - 1
	for i > 0 && ps[i].From > d {
		i--
	}
	return &ps[i].Policy
}

// normal gives the policies in order, and the default if there are none, so
// that On never allocates.
func (ps Policies) normal() Policies {
	if len(ps) == 0 {
		return Policies{{Policy: DefaultPolicy()}}
	}
	out := slices.Clone(ps)
	slices.SortStableFunc(out, func(a, b DatedPolicy) int { return int(a.From) - int(b.From) })
	return out
}
