package simherd

import (
	"errors"
	"fmt"

	"byrelog.example/internal/event"
)

// Params are what a herd is invented from. Shares and probabilities run from 0
// to 1, lengths are days. Where a published figure stands behind a default its
// source is named (numbers V.. and S.. refer to the project's list of check
// vectors and sources); the others are common practice, no source.
//
// Start from [Default] or [Demo]; the zero Params is refused by [New].
type Params struct {
	Seed        uint64
	Cows        int        // cows that have calved, milking and dry, on an average day
	First, Last event.Date // first and last day of the record
	WaitDays    int        // voluntary waiting period: the first day in milk on which she may be bred
	Breeds      []Breed
	Cycle       Cycle
	Reading     Reading
	Summer      Season
	Breeding    Breeding
	Conception  Conception
	Losses      []LossStage // in order of their days, not overlapping
	Diagnosis   Diagnosis
	Calving     Calving
	DryBefore   int // planned dry-off, days before the expected calving
	Leaving     Leaving
	Rearing     Rearing
	Pens        Pens
	Technicians []Worker
	Sires       []Sire
	Noise       Noise
	OfficialIDs bool // calves and bought heifers carry a transponder number of the test range
	Renumber    bool // a heifer gets a new number when she first calves
}

// Breed is a breed of the herd and how long its cows carry.
type Breed struct {
	Name             string
	Share            float64 // weight among the breeds
	GestationHeifer  float64 // mean days, first calving
	GestationCow     float64 // mean days, later calvings
	GestationStdDays float64 // standard deviation; cut off at three of them
	MatureKG         float64 // what a full-grown cow weighs; wanted where heifers are weighed
}

// Cycle is the rhythm of heats.
type Cycle struct {
	FirstHeat, FirstHeatSD float64 // days from calving to the first heat, not under 12
	Silent                 float64 // share of calvings after which the first heat comes SilentDays later
	SilentDays             int
	HeiferDays, CowDays    float64 // mean length: up to the first lactation, and after it
	SD                     float64 // of the length; the length stays within 17 and 27 days
	LateReturn             float64 // share of failed services after which the embryo lived on for a while
	LateMin, LateMax       int     // days from such a service to the next heat
	WhilePregnant          float64 // share of pregnancies with one heat in them
}

// Reading is how heats show and how they are read. A heat that is neither
// obvious nor suspect is missed.
type Reading struct {
	Obvious       float64 // share of heats with an obvious rub
	Suspect       float64 // share with a doubtful one
	Walked        float64 // share of days on which a pen is walked
	Examined      float64 // share of suspects examined by hand
	FeltInHeat    float64 // examined and in heat: share found in heat
	FeltFalse     float64 // examined and not in heat: share found in heat
	Served        float64 // found in heat and eligible: share bred that day
	FalseSuspect  float64 // doubtful marks per cow and day without a heat
	FalseObvious  float64 // obvious rubs per cow and day without a heat
	NotedWaiting  float64 // share of obvious heats written down though she may not be bred yet
	Watching      float64 // share of obvious heats found by watching, not by chalk
	Sensor        float64 // share found by a sensor
	ServePregnant float64 // share of heats of a cow known pregnant that are served without an examination
}

// Season is the part of the year in which heat weighs on the herd, and what is
// left of two things in it; From and To are months, both of them in it, From not
// after To. From 0 is a herd without one.
type Season struct {
	From, To   int
	Conception float64 // factor on conception
	Signs      float64 // factor on the share of heats with a mark
}

// Breeding is how cows are served.
type Breeding struct {
	Timed      float64 // share of calvings bred by appointment at first service
	TimedAt    int     // days in milk of that service
	SexedYoung float64 // share of heifer services with sexed semen
	BeefFrom   int     // service number of a lactation from which beef semen is used; 0 = never
	StopAfter  int     // days in milk after which a cow that is not pregnant is stopped
	StopNumber int     // services of a lactation after which a cow found open is stopped; 0 = never
	SellAfter  int     // days from the stop to her sale
	Held       float64 // share of calvings after which she is stopped for a while and treated
	Bull       Bull
}

// Bull runs with the heifers that are open at an age, for some weeks at a time, in
// a pen of their own that nobody walks. Code "" is a herd without one.
type Bull struct {
	Code    string
	Pen     string
	FromAge int // days, of heifers that are open for all that is known
	Every   int // days from the begin of one run to that of the next
	Days    int // length of a run
	Factor  float64
}

// Conception is the probability that a service in a true heat takes, in the
// sense that she is pregnant on day 28: the base of her service number times
// the factors, at most 0.95.
type Conception struct {
	Heifer      float64
	ByService   []float64 // cows; the last entry holds for all later services
	ByLactation []float64 // factor by lactation 1, 2, …; the last holds for later ones
	Suspect     float64   // factor when the heat was found as a suspect and felt
	Timed       float64   // factor when bred by appointment
	Sexed       float64   // factor of sexed semen
}

// LossStage is the chance to lose a pregnancy that has lived to day From at a
// day before To, each day alike.
type LossStage struct {
	From, To int
	Share    float64
	Seen     float64 // share of these losses that somebody sees and writes down
}

// Diagnosis is the round of the examiner.
type Diagnosis struct {
	Every       int    // days between visits
	Before      int    // the last visit lies so many days before the record's last day
	After       int    // days since the last service from which she is examined
	Method      string // event.Ultrasound, event.ByPalpation, event.Blood or event.Milk
	Unclear     float64
	Sensitivity float64 // pregnant cows found pregnant
	Specificity float64 // open cows found open
	Recheck     []int   // days pregnant from which a known pregnancy is confirmed, ascending
}

// Calving is what comes of a calving.
type Calving struct {
	Twins       float64
	TwinsDays   float64   // how much earlier twins come
	Stillborn   []float64 // share of calves dead at birth or within a day, by lactation that begins; the last holds for later ones
	Assisted    []float64 // share of calvings of ease 2 or worse, in the same way
	Female      float64   // share of calves, of unsexed semen
	FemaleSexed float64   // the same of semen sexed for heifers
}

// Reason is one way of leaving and how many of a hundred cows it takes a year,
// as a share.
type Reason struct {
	How     string // event.Sold, event.Culled, event.Died
	Text    string
	PerYear float64
}

// Leaving is why cows go, beside infertility, which follows from
// Breeding.StopAfter, and the sale of surplus, which follows from Params.Cows.
type Leaving struct {
	Reasons     []Reason
	ByLactation []float64 // factor on all of them by lactation 1, 2, …; the last holds for later ones
	Fresh       float64   // factor on top of it in the first FreshDays after a calving
	FreshDays   int
	// Heifers: the herd keeps its size by selling heifers in calf that are not needed,
	// rather than its open cows.
	Heifers bool
	// Free leaves the number of cows to itself: no surplus is sold and no heifer
	// is bought. Then nobody leaves but by chance and for infertility, so that
	// what departures do to an index can be derived.
	Free bool
}

// Rearing is how the followers are raised.
type Rearing struct {
	Kept     float64 // share of live heifer calves of dairy sires that are kept; those of beef bulls are sold as all male calves are
	Lost     float64 // share of those that leave before they can be bred
	BreedAt  int     // age at which a heifer may first be bred
	GiveUpAt int     // age at which one that is not pregnant is sold
	BigAt    float64 // share of her mature weight from which one may be bred, weighed two weeks before BreedAt and every four weeks from there; 0: judged by eye at that age
}

// Pens are the names of the pens. Those of the milking and pregnant cows and of the
// heifers of breeding age are walked.
type Pens struct {
	Fresh     string   // after calving; "" where they go to the others at once
	FreshDays int      // for how long
	Milking   []string // to be bred, and bred
	Pregnant  []string // pregnant when all checks are done; none where they stay among the others
	Dry       string
	Calves    string
	Young     string // heifers of breeding age
}

// Worker is a technician; Factor is on conception.
type Worker struct {
	Code   string
	Share  float64
	Factor float64
}

// Sire is a bull, or the code on a straw; Factor is on conception.
type Sire struct {
	Code   string
	Beef   bool
	Factor float64
}

// Noise is what goes wrong between the cow and the record. It touches the
// record only; the truth of the herd stays the same. It never makes an event
// that a log would refuse.
type Noise struct {
	Late      float64 // share of events recorded some days later
	LateMax   int     // at most this many days
	Doubled   float64 // share of heats, services and diagnoses recorded by two people
	Missing   float64 // share of events never recorded (arrivals, departures and walks always are, calvings have a share of their own)
	Uncalved  float64 // share of calvings never recorded
	Swapped   float64 // share of heats, services and diagnoses written to another cow
	Corrected float64 // share of services and diagnoses recorded wrongly, withdrawn and restated
	Noted     float64 // share of calvings and losses with a free-text note
}

// Default is a middling herd over five years to the end of 2025, without
// recording noise.
func Default(cows int) Params {
	return Params{
		Seed:     1,
		Cows:     cows,
		First:    event.NewDate(2021, 1, 1),
		Last:     event.NewDate(2025, 12, 31),
		WaitDays: 60, // the usual standard: V41
		Breeds: []Breed{ // V13: Norman et al. 2009, J Dairy Sci 92:2259; SD 5-6 days
			{Name: "holstein", Share: 0.85, GestationHeifer: 277.8, GestationCow: 279.4, GestationStdDays: 5.5, MatureKG: 680},
			{Name: "jersey", Share: 0.15, GestationHeifer: 278.4, GestationCow: 280.0, GestationStdDays: 5.5, MatureKG: 450},
		},
		Cycle: Cycle{
			FirstHeat: 34, FirstHeatSD: 10, Silent: 0.08, SilentDays: 30,
			HeiferDays: 21, CowDays: 22, SD: 1.9, // V25: Remnant et al. 2015, mode 22 days, first lactation 21
			// V16: of the embryos alive on day 19, 27 % are gone by day 32; with two of
			// five services taking that is a quarter of the failures.
			LateReturn: 0.25, LateMin: 26, LateMax: 42,
			WhilePregnant: 0.057, // V20: Thomas and Dobson 1989
		},
		Reading: Reading{
			Obvious: 0.50, // about half of the cows in heat show an obvious rub
			Suspect: 0.25, Walked: 0.97, Examined: 0.90, FeltInHeat: 0.85, FeltFalse: 0.04, Served: 0.95,
			// So many marks without a heat that about 7 of 100 clear rubs are false, and
			// about 40 of 100 suspects are in heat (common practice, no source).
			FalseSuspect: 0.0052, FalseObvious: 0.0005, NotedWaiting: 0.25, Watching: 0.10,
		},
		Breeding: Breeding{TimedAt: 74, SexedYoung: 0.30, BeefFrom: 4, StopAfter: 320, SellAfter: 60, Held: 0.05},
		Conception: Conception{
			// V22: first service about 40 % today (Dobson et al. 2008); V15: 34.4 % over all
			// services (Fernandez-Novo et al. 2020).
			Heifer: 0.56, ByService: []float64{0.42, 0.39, 0.36}, ByLactation: []float64{1.05, 1, 0.95},
			Suspect: 0.95, Timed: 0.90, Sexed: 0.82,
		},
		Losses: []LossStage{ // V16: 13 % on days 30-45, 7 % on 45-60, 2 % on 60-90 (meta-analysis of 46 studies)
			{From: 30, To: 45, Share: 0.13, Seen: 0.05},
			{From: 45, To: 60, Share: 0.07, Seen: 0.15},
			{From: 60, To: 90, Share: 0.02, Seen: 0.40},
			{From: 90, To: 250, Share: 0.02, Seen: 0.85},
		},
		Diagnosis: Diagnosis{
			Every: 14, After: 32, Method: event.Ultrasound, Unclear: 0.02, Sensitivity: 1, Specificity: 1,
			Recheck: []int{63}, // a second check about day 60-75
		},
		Calving: Calving{
			Twins: 0.035, TwinsDays: 4.4, // V14: 279.9 against 275.5
			// About twice as many at a first calving as at later ones: Meyer et al. 2001,
			// J Dairy Sci 84:515, for stillbirths; Lombard et al. 2007, J Dairy Sci 90:1751, for
			// assistance (both from memory).
			Stillborn: []float64{0.09, 0.045}, Assisted: []float64{0.38, 0.19},
			Female:      0.48, // common practice, no source
			FemaleSexed: 0.90, // Garner and Seidel 2008, Theriogenology 69:886 (from memory)
		},
		DryBefore: 60,
		// The factors give about 37, 26, 17, 11 and 5 % of cows in lactations 1 to 5, and hardly
		// any from the 8th on: Hare, Norman and Wright 2006, J Dairy Sci 89:3713. Most that
		// leave early leave within two months of calving (common practice, no source).
		Leaving: Leaving{ByLactation: []float64{0.65, 0.85, 1.1, 1.5, 2, 2.6, 3.4, 4.5, 6, 8}, Fresh: 3, FreshDays: 60, Reasons: []Reason{
			{How: event.Died, Text: "accident", PerYear: 0.02},
			{How: event.Died, Text: "illness", PerYear: 0.02},
			{How: event.Culled, Text: "udder", PerYear: 0.06},
			{How: event.Culled, Text: "feet", PerYear: 0.05},
			{How: event.Sold, Text: "low yield", PerYear: 0.04},
		}},
		Rearing:     Rearing{Kept: 0.80, Lost: 0.08, BreedAt: 396, GiveUpAt: 640},
		Pens:        Pens{Milking: milkingPens(cows), Dry: "dry", Calves: "calves", Young: "young"},
		Technicians: []Worker{{Code: "t1", Share: 0.5, Factor: 1}, {Code: "t2", Share: 0.3, Factor: 1}, {Code: "t3", Share: 0.2, Factor: 1}},
		Sires: []Sire{
			{Code: "b-101", Factor: 1},
			{Code: "b-104", Factor: 1},
			{Code: "b-117", Factor: 1},
			{Code: "b-122", Factor: 1},
			{Code: "b-136", Factor: 1},
			{Code: "b-140", Factor: 1},
			{Code: "b-201", Beef: true, Factor: 1},
			{Code: "b-205", Beef: true, Factor: 1},
		},
	}
}

// milkingPens gives about one pen for 300 cows, at least two.
func milkingPens(cows int) []string {
	n := max(2, (cows+150)/300)
	pens := make([]string, n)
	for i := range pens {
		pens[i] = fmt.Sprintf("p%d", i+1)
	}
	return pens
}

// Demo gives the parameters of the three invented herds that the demo serves,
// smallest first: one that is run well, a middling one, and one that finds few
// of its heats. Conception and the signs of heat are lower in summer: conception falls
// by a fifth and more under heat stress, De Rensis and Scaramuzzi 2003, Theriogenology
// 60:1139 (from memory); how much in a herd here is invented.
func Demo() []Named {
	alder := Default(180)
	alder.Seed = 180
	alder.WaitDays = 55
	alder.Breeds = []Breed{
		{Name: "jersey", Share: 0.7, GestationHeifer: 278.4, GestationCow: 280.0, GestationStdDays: 5.5, MatureKG: 450},
		{Name: "ayrshire", Share: 0.3, GestationHeifer: 281.6, GestationCow: 281.7, GestationStdDays: 5.5, MatureKG: 540},
	}
	alder.Reading.Obvious, alder.Reading.Suspect, alder.Reading.Walked, alder.Reading.Examined = 0.55, 0.30, 0.99, 0.97
	alder.Conception.ByService = []float64{0.48, 0.45, 0.42}
	alder.Diagnosis.Every, alder.Diagnosis.After, alder.Diagnosis.Method = 21, 36, event.ByPalpation
	alder.Leaving.Heifers = true
	alder.Reading.FalseObvious = 0.00045
	alder.Breeding.StopAfter, alder.Breeding.StopNumber = 300, 7
	alder.Rearing.BigAt = 0.55 // of mature weight (common practice, no source)
	alder.Summer = Season{From: 6, To: 9, Conception: 0.92, Signs: 0.95}
	alder.Pens = penned(1, 1)
	alder.Technicians = []Worker{{Code: "t1", Share: 0.7, Factor: 1.02}, {Code: "t2", Share: 0.3, Factor: 0.97}}
	alder.OfficialIDs = true
	alder.Noise = Noise{Late: 0.03, LateMax: 5, Doubled: 0.001, Missing: 0.002, Corrected: 0.003, Noted: 0.05}

	mill := Default(600)
	mill.Seed = 600
	mill.Renumber = true
	mill.Summer = Season{From: 6, To: 9, Conception: 0.85, Signs: 0.9}
	mill.Pens = penned(2, 1)
	mill.Breeding.Bull = Bull{Code: "b-301", Pen: "bull", FromAge: 460, Every: 63, Days: 42, Factor: 1}
	mill.Breeding.StopNumber = 9
	mill.Diagnosis.Before = 5
	mill.Technicians = []Worker{{Code: "t1", Share: 0.45, Factor: 1.05}, {Code: "t2", Share: 0.35, Factor: 1}, {Code: "t3", Share: 0.2, Factor: 0.85}}
	mill.Noise = Noise{Late: 0.06, LateMax: 14, Doubled: 0.004, Missing: 0.006, Swapped: 0.001, Corrected: 0.004, Noted: 0.02}

	north := Default(3000)
	north.Seed = 3000
	north.First = event.NewDate(2023, 1, 1) // about 200,000 events: the demo is to start quickly
	north.Breeds = north.Breeds[:1]
	north.Reading.Obvious, north.Reading.Suspect, north.Reading.Walked, north.Reading.Examined = 0.38, 0.22, 0.88, 0.55
	north.Conception.ByService = []float64{0.40, 0.37, 0.34}
	north.Breeding.Timed, north.Breeding.StopAfter = 0.25, 400
	north.Reading.FalseSuspect = 0.0058
	for i := range north.Leaving.Reasons { // many go for infertility already
		north.Leaving.Reasons[i].PerYear *= 0.85
	}
	north.Rearing.Kept, north.Rearing.GiveUpAt = 0.95, 720
	north.Diagnosis.After = 36
	north.Diagnosis.Before = 6
	north.Summer = Season{From: 6, To: 9, Conception: 0.8, Signs: 0.85}
	north.Pens = penned(6, 2)
	north.Technicians = []Worker{
		{Code: "t1", Share: 0.3, Factor: 1.08},
		{Code: "t2", Share: 0.3, Factor: 1},
		{Code: "t3", Share: 0.2, Factor: 1},
		{Code: "t4", Share: 0.15, Factor: 0.95},
		{Code: "t5", Share: 0.05, Factor: 0.7},
	}
	north.Noise = Noise{Late: 0.08, LateMax: 21, Doubled: 0.006, Missing: 0.015, Swapped: 0.002, Corrected: 0.002, Noted: 0.01}

	herds := []Named{{"alder-row", alder}, {"mill-lane", mill}, {"north-meadow", north}}
	for i := range herds {
		p := &herds[i].Params
		p.Diagnosis.Sensitivity, p.Diagnosis.Specificity = 0.98, 0.97 // common practice, no source
		p.Noise.Uncalved = 0.0005                                     // a calf is seen: hardly ever (common practice, no source)
	}
	return herds
}

// penned gives the pens of a herd that groups its cows by stage: so many for those
// to be bred, so many for those that are surely pregnant. Cows stay a month in the
// fresh pen (common practice, no source).
func penned(milking, pregnant int) Pens {
	named := func(name string, n int) []string {
		list := make([]string, n)
		for i := range list {
			list[i] = fmt.Sprintf("%s%d", name, i+1)
		}
		return list
	}
	return Pens{
		Fresh: "fresh", FreshDays: 30, Milking: named("p", milking), Pregnant: named("pregnant-", pregnant),
		Dry: "dry", Calves: "calves", Young: "young",
	}
}

// Named is a herd's name with its parameters.
type Named struct {
	Herd   string
	Params Params
}

// Check tells what cannot be simulated, field by field, joined into one error.
func (p *Params) Check() error {
	var c check
	c.count("Cows", p.Cows, 1, 1_000_000)
	c.must(p.First >= earliest, "First", "lies before %s", earliest)
	c.must(p.Last >= p.First, "Last", "lies before First")
	c.count("WaitDays", p.WaitDays, 0, 200)
	c.must(len(p.Breeds) > 0, "Breeds", "is empty")
	for _, b := range p.Breeds {
		c.must(b.Name != "" && b.Share >= 0, "Breeds", "have a name and no negative share")
		c.must(inside(b.GestationHeifer, 260, 300) && inside(b.GestationCow, 260, 300) && inside(b.GestationStdDays, 0, 8),
			"Breeds", "carry 260 to 300 days with a deviation up to 8")
	}
	c.must(inside(p.Cycle.HeiferDays, 17, 27) && inside(p.Cycle.CowDays, 17, 27), "Cycle", "length lies outside 17 to 27 days")
	c.must(inside(p.Cycle.SD, 0, 5) && inside(p.Cycle.FirstHeat, 12, 200) && inside(p.Cycle.FirstHeatSD, 0, 60), "Cycle", "deviation or first heat is out of range")
	c.count("Cycle.SilentDays", p.Cycle.SilentDays, 0, 200)
	c.must(p.Cycle.LateMin >= 24 && p.Cycle.LateMax >= p.Cycle.LateMin, "Cycle", "LateMin is at least 24 and not above LateMax")
	c.shares("Cycle", p.Cycle.Silent, p.Cycle.LateReturn, p.Cycle.WhilePregnant)
	r := p.Reading
	c.shares("Reading", r.Obvious, r.Suspect, r.Obvious+r.Suspect, r.Walked, r.Examined, r.FeltInHeat, r.FeltFalse, r.Served,
		r.FalseSuspect, r.FalseObvious, r.NotedWaiting, r.Watching, r.Sensor, r.Watching+r.Sensor, r.ServePregnant)
	if m := p.Summer; m.From != 0 {
		c.must(m.From >= 1 && m.From <= m.To && m.To <= 12, "Summer", "runs from a month to a later one of 1 to 12")
		c.shares("Summer", m.Signs)
		c.factors("Summer", m.Conception)
	}
	if b := p.Breeding.Bull; b.Code != "" {
		c.must(b.Pen != "", "Breeding.Bull", "needs a pen")
		c.count("Breeding.Bull.FromAge", b.FromAge, p.Rearing.BreedAt, p.Rearing.GiveUpAt)
		c.count("Breeding.Bull.Days", b.Days, 1, 200)
		c.count("Breeding.Bull.Every", b.Every, b.Days+1, 365)
		c.factors("Breeding.Bull", b.Factor)
	}
	c.shares("Breeding", p.Breeding.Timed, p.Breeding.SexedYoung, p.Breeding.Held)
	c.must(p.Breeding.Timed == 0 || p.Breeding.TimedAt >= p.WaitDays && p.Breeding.TimedAt > timedLead, "Breeding.TimedAt", "lies in the waiting period")
	c.count("Breeding.StopAfter", p.Breeding.StopAfter, p.WaitDays+1, 2000)
	c.count("Breeding.StopNumber", p.Breeding.StopNumber, 0, 100)
	c.count("Breeding.SellAfter", p.Breeding.SellAfter, 1, 2000)
	c.shares("Conception", p.Conception.Heifer)
	c.shares("Conception.ByService", p.Conception.ByService...)
	c.must(len(p.Conception.ByService) > 0 && len(p.Conception.ByLactation) > 0, "Conception", "needs at least one service and one lactation")
	c.factors("Conception", append([]float64{p.Conception.Suspect, p.Conception.Timed, p.Conception.Sexed}, p.Conception.ByLactation...)...)
	from := firstLoss
	for _, l := range p.Losses {
		c.must(l.From >= from && l.To > l.From && l.To <= lastLoss, "Losses", "run in order between day %d and %d", firstLoss, lastLoss)
		c.shares("Losses", l.Share, l.Seen)
		from = l.To
	}
	c.count("Diagnosis.Every", p.Diagnosis.Every, 1, 365)
	c.count("Diagnosis.Before", p.Diagnosis.Before, 0, p.Diagnosis.Every-1)
	c.count("Diagnosis.After", p.Diagnosis.After, firstLoss, 120)
	c.shares("Diagnosis", p.Diagnosis.Unclear, p.Diagnosis.Sensitivity, p.Diagnosis.Specificity)
	switch p.Diagnosis.Method {
	case event.Ultrasound, event.ByPalpation, event.Blood, event.Milk:
	default:
		c.must(false, "Diagnosis.Method", "is %q", p.Diagnosis.Method)
	}
	v := &p.Calving
	c.shares("Calving", append(append([]float64{v.Twins, v.Female, v.FemaleSexed}, v.Stillborn...), v.Assisted...)...)
	c.must(len(v.Stillborn) > 0 && len(v.Assisted) > 0, "Calving", "needs a share of stillborn and of assisted for at least one lactation")
	c.must(inside(p.Calving.TwinsDays, 0, 10), "Calving.TwinsDays", "lies outside 0 to 10")
	c.count("DryBefore", p.DryBefore, 0, 120)
	for _, l := range p.Leaving.Reasons {
		c.must(l.How == event.Sold || l.How == event.Culled || l.How == event.Died, "Leaving", "has no way %q", l.How)
		c.shares("Leaving", l.PerYear)
	}
	c.must(len(p.Leaving.ByLactation) > 0, "Leaving", "needs a factor for at least one lactation")
	c.must(inside(p.Leaving.Fresh, 0, 20), "Leaving", "Fresh lies outside 0 to 20")
	for _, f := range p.Leaving.ByLactation {
		c.must(inside(f, 0, 20), "Leaving", "holds the factor %v, outside 0 to 20", f)
	}
	c.count("Leaving.FreshDays", p.Leaving.FreshDays, 0, 200)
	c.shares("Rearing", p.Rearing.Kept, p.Rearing.Lost, p.Rearing.BigAt)
	if p.Rearing.BigAt > 0 {
		for _, b := range p.Breeds {
			c.must(inside(b.MatureKG, 200, 1200), "Breeds", "weigh 200 to 1200 kg when heifers are weighed")
		}
	}
	c.count("Rearing.BreedAt", p.Rearing.BreedAt, 300, 900)
	c.count("Rearing.GiveUpAt", p.Rearing.GiveUpAt, p.Rearing.BreedAt+1, 2000)
	c.must(p.Pens.Fresh == "" || p.Pens.FreshDays > 0, "Pens", "hold fresh cows for at least a day")
	c.must(len(p.Pens.Milking) > 0 && p.Pens.Dry != "" && p.Pens.Calves != "" && p.Pens.Young != "", "Pens", "want a name each")
	weight := 0.0
	for _, w := range p.Technicians {
		c.must(w.Code != "" && w.Share >= 0, "Technicians", "have a code and no negative share")
		c.factors("Technicians", w.Factor)
		weight += w.Share
	}
	c.must(weight > 0, "Technicians", "none of them has a share")
	dairy := 0
	for _, s := range p.Sires {
		c.must(s.Code != "", "Sires", "have a code")
		c.factors("Sires", s.Factor)
		if !s.Beef {
			dairy++
		}
	}
	c.must(dairy > 0, "Sires", "none of them is a dairy sire")
	n := p.Noise
	c.shares("Noise", n.Late, n.Doubled, n.Missing, n.Uncalved, n.Swapped, n.Corrected, n.Noted)
	c.must(n.Late == 0 && n.Corrected == 0 || n.LateMax >= 1, "Noise.LateMax", "is less than a day")
	return errors.Join(c...)
}

type check []error

func (c *check) must(ok bool, field, format string, args ...any) {
	if !ok {
		*c = append(*c, fmt.Errorf("simherd: %s %s", field, fmt.Sprintf(format, args...)))
	}
}

func (c *check) count(field string, n, lo, hi int) {
	c.must(n >= lo && n <= hi, field, "is %d, outside %d to %d", n, lo, hi)
}

func (c *check) shares(field string, list ...float64) {
	for _, v := range list {
		c.must(inside(v, 0, 1), field, "holds the share %v, outside 0 to 1", v)
	}
}

func (c *check) factors(field string, list ...float64) {
	for _, v := range list {
		c.must(inside(v, 0, 3), field, "holds the factor %v, outside 0 to 3", v)
	}
}

func inside(v, lo, hi float64) bool { return v >= lo && v <= hi }
