package repro

import "byrelog.example/internal/event"

// Status is how an animal stands, in the trade's words.
type Status struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Animal is one line about an individual as she stands on a day.
type Animal struct {
	Name       string     `json:"animal"` // her number on that day
	Status     Status     `json:"status"`
	Sex        string     `json:"sex,omitempty"`
	Breed      string     `json:"breed,omitempty"`
	BornOn     event.Date `json:"born_on,omitzero"`
	Pen        string     `json:"pen,omitempty"`
	Lactation  *int       `json:"lactation"` // calvings so far; null = not known
	CalvedOn   event.Date `json:"calved_on,omitzero"`
	DaysInMilk *int       `json:"days_in_milk"` // null before calving, when dry and when she is gone
	BredOn     event.Date `json:"bred_on,omitzero"`
	DueOn      event.Date `json:"due_on,omitzero"`
	EnteredOn  event.Date `json:"entered_on,omitzero"`
	LeftOn     event.Date `json:"left_on,omitzero"`
	// FirstSeen: there is no arrival; she counts as present from her first event.
	FirstSeen  bool              `json:"first_seen_without_arrival,omitempty"`
	OfficialID *event.OfficialID `json:"official_id,omitempty"`
}

// CowView is an individual's whole reproductive history as of a day.
type CowView struct {
	Animal
	On         event.Date      `json:"on"`
	Dam        string          `json:"dam,omitempty"`
	Sire       *BullView       `json:"sire"` // she is bred by neither of the two
	DamSire    *BullView       `json:"dam_sire"`
	Sizes      []SizeView      `json:"sizes"`
	Numbers    []NumberView    `json:"numbers"`
	Pregnant   *PregnantView   `json:"pregnant"`
	Lactations []LactationView `json:"lactations"`
	Services   []ServiceView   `json:"services"`
	Losses     []LossView      `json:"losses"`
	Stops      []StopView      `json:"stops"`
	Pens       []PenView       `json:"pens"`
	Heats      []HeatView      `json:"heats"`
	Withheld   WithheldView    `json:"withheld"`
	Next       []NextView      `json:"next"`
	Others     []OtherView     `json:"other_individuals"` // other animals that bore her number
	Findings   []Finding       `json:"findings"`
}

// BullView is a bull among her forebears, and how he is known: From is "stated" (by
// an arrival) or "service" (of the cow that bore her, or her dam).
type BullView struct {
	Code string `json:"code"`
	From string `json:"from"`
	Text string `json:"text"`
}

// SizeView is how big she was on a day; what was not recorded is null.
type SizeView struct {
	On        event.Date `json:"on"`
	BigEnough *bool      `json:"big_enough"`
	WeightKG  *int       `json:"weight_kg"`
	HeightCM  *int       `json:"height_cm"` // at the hips
	Seq       int64      `json:"seq"`
}

// NumberView is a number that she was known by, from a day on.
type NumberView struct {
	Number string     `json:"number"`
	From   event.Date `json:"from"`
	To     event.Date `json:"to,omitzero"` // last day; none = still
}

// PregnantView is the pregnancy that she carries.
type PregnantView struct {
	ConceivedOn  event.Date `json:"conceived_on,omitzero"`
	ConceivedHow string     `json:"conceived_how"`
	Text         string     `json:"text"`
	Estimated    bool       `json:"estimated"`
	DaysPregnant *int       `json:"days_pregnant"`
	ConfirmedOn  event.Date `json:"confirmed_on,omitzero"`
	LastSeenOn   event.Date `json:"last_confirmed_on,omitzero"`
	Gestation    int        `json:"gestation_days"`
	DueOn        event.Date `json:"due_on,omitzero"`
	DryOffOn     event.Date `json:"dry_off_on,omitzero"`
	Fetuses      int        `json:"fetuses,omitempty"`
}

// LactationView is one lactation, or (Number 0) her time as a heifer.
type LactationView struct {
	Number       *int       `json:"number"`
	CalvedOn     event.Date `json:"calved_on,omitzero"`
	DriedOn      event.Date `json:"dried_on,omitzero"`
	EndedOn      event.Date `json:"ended_on,omitzero"` // next calving, or the day she left
	Services     int        `json:"services"`
	FirstService *int       `json:"days_to_first_service"`
	DaysOpen     *int       `json:"days_open"`
	DaysOpenIs   string     `json:"days_open_state"` // closed, running, censored
}

// ServiceView is one service: breedings of the same heat, or a run with a bull.
type ServiceView struct {
	Number       int        `json:"number"`
	Lactation    *int       `json:"lactation"`
	On           event.Date `json:"on"`
	LastOn       event.Date `json:"last_on"`
	Breedings    int        `json:"breedings"`
	Method       string     `json:"method"`
	Sire         string     `json:"sire,omitempty"`
	SiresDiffer  bool       `json:"sires_differ,omitempty"`
	By           string     `json:"by,omitempty"`
	Basis        string     `json:"basis,omitempty"`
	Semen        string     `json:"semen,omitempty"`
	FoundBy      string     `json:"found_by"`
	FoundText    string     `json:"found_by_text"`
	AfterCalving *int       `json:"days_after_calving"`
	SinceLast    *int       `json:"days_since_previous"`
	Outcome      string     `json:"outcome"`
	OutcomeText  string     `json:"outcome_text"`
	Why          string     `json:"why"`
	WhyText      string     `json:"why_text"`
	Conceived    event.Date `json:"conceived,omitzero"`
	Seqs         []int64    `json:"seqs"`
}

// LossView is a pregnancy that ended before term.
type LossView struct {
	ConceivedOn  event.Date `json:"conceived_on,omitzero"`
	LastSeenOn   event.Date `json:"last_known_pregnant,omitzero"`
	DetectedOn   event.Date `json:"detected_on"`
	DaysPregnant *int       `json:"days_pregnant"`
	How          string     `json:"how"` // recorded, or what implies it
	Text         string     `json:"text"`
}

// StopView is a time in which she is not to be bred.
type StopView struct {
	From   event.Date `json:"from"`
	To     event.Date `json:"to,omitzero"` // last day; none = until resumed
	Reason string     `json:"reason,omitempty"`
}

// PenView is a pen that she stood in from a day on.
type PenView struct {
	Pen  string     `json:"pen"`
	From event.Date `json:"from"`
}

// HeatView is a reading of her: chalk and signs, or a palpation.
type HeatView struct {
	On      event.Date `json:"on"`
	Kind    string     `json:"kind"` // heat or palpation
	Verdict string     `json:"verdict"`
	Chalk   string     `json:"chalk,omitempty"`
	Signs   []string   `json:"signs,omitempty"`
	FoundBy string     `json:"found_by,omitempty"`
	Tone    string     `json:"tone,omitempty"`
	Mucus   string     `json:"mucus,omitempty"`
	Seq     int64      `json:"seq"`
}

// WithheldView is how long milk and meat are withheld after treatments.
type WithheldView struct {
	MilkUntil event.Date `json:"milk_until,omitzero"`
	MeatUntil event.Date `json:"meat_until,omitzero"`
}

// NextView is what comes next for her, in order of date.
type NextView struct {
	What string     `json:"what"`
	On   event.Date `json:"on"`
	Text string     `json:"text"`
}

// OtherView is another individual that bore the same number.
type OtherView struct {
	From event.Date `json:"from"`
	To   event.Date `json:"to,omitzero"`
	Text string     `json:"text"`
}

// Verdict answers whether she may be bred.
type Verdict string

// Verdicts.
const (
	Yes          Verdict = "yes"
	No           Verdict = "no"
	ExamineFirst Verdict = "examine_first"
	WhenInHeat   Verdict = "when_in_heat" // nothing speaks against it but that no heat was seen today
)

// Eligibility is whether an animal may be bred on a day, and why.
type Eligibility struct {
	Animal  string     `json:"animal"`
	On      event.Date `json:"on"`
	Verdict Verdict    `json:"verdict"`
	Status  Status     `json:"status"`
	Reasons []Reason   `json:"reasons"`
	Examine []string   `json:"examine"` // what to check first, in words
	Caution []string   `json:"caution"`
}

// Reason is one ground of a verdict, or information that goes with it.
type Reason struct {
	Code    string     `json:"code"`
	Text    string     `json:"text"`
	Verdict Verdict    `json:"verdict,omitempty"` // what it speaks for; "" = information only
	Since   event.Date `json:"since,omitzero"`
	Until   event.Date `json:"until,omitzero"` // last day on which it holds
}

// Refusal is why an event cannot be right.
type Refusal struct {
	Code string
	Text string
	// Historic records may pass through all the same: on import it is only a
	// finding.
	FindingOnImport bool
}
