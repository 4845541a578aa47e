package repro

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// ErrUnknownList is the error of List for a name that is none.
var ErrUnknownList = errors.New("no such list")

// Names of the work lists.
const (
	ListWalk     = "walk"
	ListExamine  = "examine"
	ListBreed    = "breed"
	ListDiagnose = "diagnose"
	ListReturns  = "returns"
	ListNotSeen  = "not-seen"
	ListRepeat   = "repeat"
	ListLosses   = "losses"
	ListCalve    = "calve"
	ListDryOff   = "dry-off"
	ListChecks   = "checks"
)

// ListDefinition is what a work list holds and what its days mean.
type ListDefinition struct {
	Name    string   `json:"name"`
	Title   string   `json:"title"`
	Text    string   `json:"text"`
	Days    int      `json:"days"`      // the default
	MaxDays int      `json:"max_days"`  // 0 = the list is of one day and takes no days
	DaysAre string   `json:"days_mean"` // "" where it takes none
	Sources []string `json:"sources"`
}

// List is a work list of one day.
type List struct {
	*ListDefinition
	Herd     string     `json:"herd"`
	On       event.Date `json:"on"`
	Pen      string     `json:"pen,omitempty"` // "" = all pens
	Days     int        `json:"days"`          // as asked for, or the default
	Method   string     `json:"method,omitempty"`
	Short    bool       `json:"short,omitempty"`
	OpenMark string     `json:"open_mark,omitempty"`
	BredMark string     `json:"bred_mark,omitempty"`
	Rows     []ListRow  `json:"rows"`
	LeftOut  []Excluded `json:"left_out"` // who might be looked for here and is not on it
	Notes    []string   `json:"notes"`
	Caution  []string   `json:"caution"` // of the list and of all its rows
}

// ListRow is one animal (or, on the checks list, one finding) and why she is
// on the list.
type ListRow struct {
	Animal      string       `json:"animal"`
	Pen         string       `json:"pen,omitempty"`
	Status      Status       `json:"status"`
	Code        string       `json:"code"`
	Word        string       `json:"word"`              // the code as it is printed
	Text        string       `json:"text"`              // why she is on the list
	Since       event.Date   `json:"since,omitzero"`    // the day from which that holds
	Until       event.Date   `json:"until,omitzero"`    // the last day on which it holds; none = until it is done
	Verdict     Verdict      `json:"verdict,omitempty"` // may she be bred: now (breed), or if her mark were rubbed off today (walk)
	Mark        string       `json:"mark,omitempty"`    // the herd's own colour for a cow of her state
	Methods     []DueMethod  `json:"methods,omitempty"` // diagnose: what she is due for
	Reasons     []Reason     `json:"reasons"`           // all that bears on it
	Examine     []string     `json:"examine"`           // what to check first
	Caution     []string     `json:"caution"`
	Lactation   *int         `json:"lactation"`
	DaysInMilk  *int         `json:"days_in_milk"`
	LastService *LastService `json:"last_service"`
	ConceivedOn event.Date   `json:"conceived_on,omitzero"`
	DueOn       event.Date   `json:"due_on,omitzero"`
	DryOffOn    event.Date   `json:"dry_off_on,omitzero"`
	Finding     *Finding     `json:"finding,omitempty"`
	Seqs        []int64      `json:"seqs"` // the events that it rests on
}

// DueMethod is a way of diagnosing pregnancy and the day from which it tells.
type DueMethod struct {
	Method string     `json:"method"`
	From   event.Date `json:"from"`
}

// LastService is the last service of the lactation.
type LastService struct {
	Number int        `json:"number"`
	On     event.Date `json:"on"` // of its last breeding
	Days   int        `json:"days"`
	Method string     `json:"method"`
	Sire   string     `json:"sire,omitempty"`
	By     string     `json:"by,omitempty"`
}

// maxListDays bounds how far lists look ahead or back.
const maxListDays = 3660

type lister struct {
	def     ListDefinition
	caution []string
	make    func(m *making)
	order   func(m *making, a, b *ListRow) int
}

var listers = []lister{
	{
		def: ListDefinition{
			Name: ListWalk, Title: "Heat walk",
			Text:    "Every female old enough to be bred that stands in the pen, but dry cows and those so near calving that a cow would be dried off: the colour that she should carry, and what a rubbed mark would mean today. The verdict is whether she may be bred if she were read in heat.",
			Sources: []string{"S65", "common practice, no source (mark colours, what a rub means)"},
		},
		caution: []string{cautionHeatCows}, make: (*making).walk, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListExamine, Title: "To be examined for heat",
			Text: "Suspects that nobody has examined or read since; cows in heat whose records do not let them be bred before they are examined; pregnant cows with a sign of heat, up to day 90 of pregnancy; and those whom the hand left unclear today. Not on it is who would not be bred on a clear mark either.",
			Days: 1, MaxDays: 21, DaysAre: "days back from which a reading still stands",
			Sources: []string{"S47", "S48", "S102"},
		},
		caution: []string{cautionHandling, cautionGlove, cautionEarlyHand, cautionNoTreating, cautionLaw}, make: (*making).examine, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListBreed, Title: "To be bred",
			Text: "Found in heat on the day or in the second half of the day before, by reading or by hand, and not bred since. A cow that the records say is pregnant is never on it; one whose state is not known says so, and is to be examined first: she is on the examine list too.",
			Days: 0, MaxDays: 1, DaysAre: "1 adds those found in heat in the first half of the day before and not bred since",
			Sources: []string{"S44", "S45", "common practice"},
		},
		caution: []string{cautionHandling, cautionGlove, cautionNoTreating}, make: (*making).breed, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListDiagnose, Title: "Pregnancy diagnosis",
			Text: "Cows bred whose result is not known, from the herd's own days after service for each method (blood and milk also so many days after calving), and a second check from day 60 to 75, late until she is dried off; and cows recorded as pregnant whom the hand found in heat since. But for these no cow is listed within seven days of an examination.",
			Days: 0, MaxDays: maxListDays, DaysAre: "days ahead within which she comes due",
			Sources: []string{"S49", "S50", "S51", "common practice, no source (confirm at day 60 to 75)"},
		},
		caution: []string{cautionHandling, cautionGlove, cautionEarlyHand, cautionLaw, cautionNoTreating}, make: (*making).diagnose, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListReturns, Title: "Returns expected",
			Text: "Cows bred whose result is not known, 18 to 24 and 36 to 48 days after their last service, as long as those days last.",
			Days: 0, MaxDays: 60, DaysAre: "days ahead within which the days begin",
			Sources: []string{"S1", "S52"},
		},
		caution: []string{cautionHeatCows}, make: (*making).returns, order: byUntil,
	},
	{
		def: ListDefinition{
			Name: ListNotSeen, Title: "No heat seen",
			Text: "Cows past the herd's waiting period and heifers old enough to be bred that were not bred since they calved, and of whom no heat was read or felt for so many days, or ever. The day of the last heat is told.",
			Days: 24, MaxDays: 365, DaysAre: "days within which no heat was seen",
			Sources: []string{"S52", "common practice, no source (24 days: the longest normal interval between two heats)"},
		},
		caution: []string{cautionHandling, cautionGlove, cautionLaw, cautionNoTreating}, make: (*making).notSeen, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListRepeat, Title: "Repeat breeders",
			Text: "Not known to be pregnant, and bred for the service of this lactation from which the herd's policy calls her a repeat breeder, or about to come to it because the ones before did not hold.",
			Days: 0, MaxDays: maxListDays, DaysAre: "days back within which she was last bred, 0 for all",
			Sources: []string{"common practice, no source (a repeat breeder from the fourth service on, unless the herd says otherwise)"},
		},
		caution: []string{cautionHandling, cautionGlove, cautionLaw, cautionNoTreating}, make: (*making).repeat, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListLosses, Title: "Losses to look at",
			Text: "Pregnancies lost, recorded as such or concluded from a diagnosis, of cows that nobody examined or bred since.",
			Days: 60, MaxDays: maxListDays, DaysAre: "days back within which the loss was recorded or concluded",
			Sources: []string{"S55", "S61", "S104", "common practice, no source (examined before she is bred again)"},
		},
		caution: []string{cautionHandling, cautionGlove, cautionZoonoses, cautionAbortion, cautionLaw, cautionNoTreating}, make: (*making).losses, order: byPen,
	},
	{
		def: ListDefinition{
			Name: ListCalve, Title: "Due to calve",
			Text: "Pregnant animals whose due date (conception and the gestation of their breed) lies within the days, and those past it that have not calved, up to day 302.",
			Days: 21, MaxDays: maxListDays, DaysAre: "days ahead within which she is due",
			Sources: []string{"S23", "S55", "S59", "S104", "S116"},
		},
		caution: []string{cautionZoonoses, cautionAbortion, cautionTransport}, make: (*making).calve, order: byDue,
	},
	{
		def: ListDefinition{
			Name: ListDryOff, Title: "To be dried off",
			Text: "Cows in milk that are to be dried off within the days, the herd's own number of days before they are due, and those past it, until it is done. Open withdrawal periods are told.",
			Days: 7, MaxDays: maxListDays, DaysAre: "days ahead within which the day comes",
			Sources: []string{"S53", "S54", "S110", "S116"},
		},
		caution: []string{cautionTransport, cautionNoTreating}, make: (*making).dryOff, order: byDryOff,
	},
	{
		def: ListDefinition{
			Name: ListChecks, Title: "Checks of the records",
			Text: "What in the records does not fit, to be looked up or asked about; mere notes are counted. Nothing is corrected by itself.",
			Days: 30, MaxDays: maxListDays, DaysAre: "days back from which they are dated, 0 for all",
			Sources: []string{"each names its own"},
		},
		make: (*making).queries,
	},
}

// define gives the definition with its sources spelled out.
func (w *lister) define() *ListDefinition {
	d := w.def
	d.Sources = cited(d.Sources)
	return &d
}

// Lists are the definitions of the work lists, in the order of a day's work.
func Lists() []ListDefinition {
	out := make([]ListDefinition, len(listers))
	for i := range listers {
		out[i] = *listers[i].define()
	}
	return out
}

// making is one list in the making.
type making struct {
	*lookup
	list List
	left map[string]int
	end  event.Date // the last day that days ahead reach
}

// ListOptions narrow a list. The zero value is the whole list.
type ListOptions struct {
	Pen    string // "" = all pens
	Days   int    // how far it looks ahead or back: 0 asks for the list's default, [Zero] for none
	Method string // diagnose: only who is due by this method (event.Ultrasound …)
	Short  bool   // walk: without those for whom a mark means simply no
}

// List is a work list of the herd as of a day. The zero day is the herd's last data
// date. It returns an error that wraps ErrUnknownList or ErrBadParameter.
func (h *Herd) List(name string, on event.Date, o ListOptions) (List, error) {
	i := slices.IndexFunc(listers, func(l lister) bool { return l.def.Name == name })
	if i < 0 {
		return List{}, fmt.Errorf("%w: %q", ErrUnknownList, name)
	}
	w := &listers[i]
	switch {
	case o.Days > w.def.MaxDays && w.def.MaxDays == 0:
		return List{}, fmt.Errorf("%w: days: the %s list is of one day", ErrBadParameter, name)
	case o.Days > w.def.MaxDays || o.Days < Zero:
		return List{}, fmt.Errorf("%w: days: %d lies outside 0 to %d", ErrBadParameter, o.Days, w.def.MaxDays)
	case o.Method != "" && name != ListDiagnose:
		return List{}, fmt.Errorf("%w: method: only the %s list is by method", ErrBadParameter, ListDiagnose)
	case o.Method != "" && !slices.Contains(methodsOfDiagnosis, o.Method):
		return List{}, fmt.Errorf("%w: method: %q is none of %s", ErrBadParameter, o.Method, strings.Join(methodsOfDiagnosis, ", "))
	case o.Short && name != ListWalk:
		return List{}, fmt.Errorf("%w: short: only the %s list has a short form", ErrBadParameter, ListWalk)
	}
	days := fill(o.Days, w.def.Days)
	k := h.at(on)
	m := &making{lookup: k, left: map[string]int{}, end: k.on + event.Date(days)}
	m.list = List{ListDefinition: w.define(), Herd: h.name, On: k.on, Pen: o.Pen, Days: days, Method: o.Method, Short: o.Short, Rows: []ListRow{}, LeftOut: []Excluded{}, Notes: []string{}}
	m.penNote()
	w.make(m)
	if w.order != nil {
		slices.SortStableFunc(m.list.Rows, func(a, b ListRow) int {
			if c := w.order(m, &a, &b); c != 0 {
				return c
			}
			return naturalOrder(a.Animal, b.Animal)
		})
	}
	for _, code := range sortedKeys(m.left) {
		m.list.LeftOut = append(m.list.LeftOut, Excluded{code, leftText(code), m.left[code]})
	}
	texts := [][]string{w.caution}
	for i := range m.list.Rows {
		texts = append(texts, m.list.Rows[i].Caution)
	}
	m.list.Caution = union(texts...)
	return m.list, nil
}

// penNote says so when nobody stands in the pen asked for: an empty list of a
// pen that does not exist looks like a day without work.
func (m *making) penNote() {
	if m.list.Pen == "" {
		return
	}
	var pens []string
	for _, l := range m.f.lives {
		if l.present(m.on) {
			if pen := m.h.words.text(l.penOn(m.on)); pen == m.list.Pen {
				return
			} else if pen != "" {
				pens = append(pens, pen)
			}
		}
	}
	slices.SortFunc(pens, naturalOrder)
	pens = slices.Compact(pens)
	note := fmt.Sprintf("no animal stands in a pen %s on %s", m.list.Pen, m.on)
	switch {
	case len(pens) == 0:
		note += "; no pen of any animal is recorded"
	case len(pens) <= 20:
		note += "; there are animals in: " + strings.Join(pens, ", ")
	}
	m.list.Notes = append(m.list.Notes, note)
}

// each goes through the females that are here and stand in the pen.
func (m *making) each(fn func(l *life)) {
	for _, l := range m.f.lives {
		if l.sex != male && l.present(m.on) && (m.list.Pen == "" || m.h.words.text(l.penOn(m.on)) == m.list.Pen) {
			fn(l)
		}
	}
}

// row begins the row of an animal.
func (m *making) row(l *life, code string, since, until event.Date, format string, args ...any) ListRow {
	s := m.summary(l)
	r := ListRow{
		Animal: s.Name, Pen: s.Pen, Status: s.Status, Code: code, Text: fmt.Sprintf(format, args...), Since: since, Until: until,
		Lactation: s.Lactation, DaysInMilk: s.DaysInMilk, DueOn: s.DueOn, Reasons: []Reason{}, Examine: []string{}, Caution: []string{}, Seqs: []int64{},
	}
	t := m.h.words.text
	if v := m.service(l, &l.lactations[l.lactationOn(m.on)]); v != nil {
		last := min(v.last, m.on)
		r.LastService = &LastService{Number: int(v.number), On: last, Days: int(m.on - last), Method: methodWords[v.method], Sire: t(v.sire), By: t(v.by)}
	}
	if p := l.pregnancyOn(m.on); p != nil {
		r.ConceivedOn = p.conceived
		r.DryOffOn = m.h.dryOff(l, p)
	}
	return r
}

func (m *making) add(r ListRow) {
	if r.Word = rowWords[r.Code].word; r.Finding != nil {
		r.Word = r.Finding.Rule
	}
	m.list.Rows = append(m.list.Rows, r)
}

func (m *making) leave(code string) { m.left[code]++ }

// byPen is the order in which one goes through the barn; animals whose pen is
// not recorded come last.
func byPen(_ *making, a, b *ListRow) int {
	if (a.Pen == "") != (b.Pen == "") {
		return cmp.Compare(b.Pen, a.Pen)
	}
	return naturalOrder(a.Pen, b.Pen)
}

func byUntil(_ *making, a, b *ListRow) int { return cmp.Compare(a.Until, b.Until) }

func byDue(_ *making, a, b *ListRow) int { return cmp.Compare(a.DueOn, b.DueOn) }

func byDryOff(_ *making, a, b *ListRow) int { return cmp.Compare(a.DryOffOn, b.DryOffOn) }

// leftShort goes before the code of a row that the short form leaves out.
const leftShort = "short_"

func leftText(code string) string {
	if row, ok := strings.CutPrefix(code, leftShort); ok {
		return "left out of the short form, since a mark means simply no: " + rowWords[row].word
	}
	return leftTexts[code]
}

// leftTexts say why somebody who might be looked for on a list is not on it.
var leftTexts = map[string]string{
	ReasonPregnant:       "a sign of heat, but recorded as pregnant",
	ReasonFeltPregnant:   "felt in heat and recorded as pregnant: a pregnancy diagnosis decides",
	"far_in_calf":        "a sign of heat in a cow 90 days or more in calf: report it to whoever diagnoses",
	"sign_no":            "a sign of heat in a cow that may not be bred today",
	ReasonAfterLoss:      "a sign of heat while she rests after a loss",
	"dry_no_walk":        "dry cows",
	"near_calving":       "near calving",
	ReasonFoundPregnant:  "found pregnant by palpation today",
	ReasonStopped:        "a sign of heat, but not to be bred",
	ReasonDry:            "a sign of heat, but dry",
	ReasonWaiting:        "a sign of heat within the waiting period",
	ReasonTooYoung:       "a sign of heat in a heifer too young to be bred",
	ReasonTooSmall:       "a sign of heat in a heifer judged too small to be bred",
	ReasonPastLast:       "a sign of heat after the herd's last day of breeding",
	ReasonSameHeat:       "a sign of heat, but bred today or yesterday: the same heat",
	ReasonPalpatedNot:    "found not in heat by palpation today",
	"in_heat_yesterday":  "found in heat in the first half of yesterday and not bred since: days: 1 shows them",
	"examined_this_week": "due, but examined within the last seven days",
	"confirm_missed":     "without a second check, and dry or near calving",
	"conception_undated": "pregnant, but the date of conception is not known, so that the due date is not either",
	"overdue":            "pregnant for more than 302 days without a calving: on the checks list",
	"calf":               "heifers too young to be bred",
	"note":               "mere notes, where nothing need be wrong",
	"older":              "dated before the days asked for",

	"stopped_not_seen":    "no heat seen, but not to be bred",
	"open_not_seen":       "no heat seen, but bred before and found open or lost since",
	"wait_not_known":      "no heat seen, but her calving (a heifer's birth) is not recorded",
	"past_last_not_seen":  "no heat seen, but past the herd's last day of breeding",
	"stopped_repeat":      "repeat breeders that are not to be bred again",
	"bred_before":         "repeat breeders last bred before the days asked for",
	"lost_before":         "losses before the days asked for",
	"bred_since_loss":     "bred since the loss",
	"examined_since_loss": "examined since the loss",
}
