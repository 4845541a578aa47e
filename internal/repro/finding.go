package repro

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"byrelog.example/internal/event"
)

// How grave a finding is.
const (
	SeverityNote     = "note"     // worth knowing; nothing need be wrong
	SeverityDoubtful = "doubtful" // something is odd: ask
	SeveritySerious  = "serious"  // one of the records cannot be right, or somebody must be told
)

// Finding is something in the records that does not fit. Nothing is corrected
// because of it.
type Finding struct {
	Code     string     `json:"code"`
	Rule     string     `json:"rule"` // of indices.md section 4; caution: of section 6
	Severity string     `json:"severity"`
	Animal   string     `json:"animal"` // her number that day; "" = the herd as a whole
	On       event.Date `json:"on"`
	Text     string     `json:"text"`
	Bound    string     `json:"bound"`   // what it was held against
	Sources  []string   `json:"sources"` // of the bound
	Ask      string     `json:"ask"`     // what to look up or ask
	Seqs     []int64    `json:"seqs"`    // the events concerned
	Pair     *Pair      `json:"pair"`    // two events that may be one
}

// Pair is two events that two recorders may have made of one thing.
type Pair struct {
	First  PairEvent `json:"first"`
	Second PairEvent `json:"second"`
	Differ []string  `json:"differ"` // what they state differently
}

// PairEvent is one event of a pair, in the words of the log.
type PairEvent struct {
	Seq    int64             `json:"seq"`
	ID     string            `json:"id"`
	Kind   string            `json:"kind"`
	On     event.Date        `json:"on"`
	By     string            `json:"by,omitempty"`
	Source string            `json:"source,omitempty"`
	Data   map[string]string `json:"data"` // what it states that bears on reproduction
}

func newFinding(code, animal string, on event.Date, seqs []int64, text string) Finding {
	r := findingRules[code]
	return Finding{
		Code: code, Rule: r.rule, Severity: r.severity, Animal: animal, On: on, Text: text,
		Bound: r.bound, Sources: cited(r.sources), Ask: r.ask, Seqs: seqs,
	}
}

// FindingFilter narrows findings. Its zero value lets all through.
type FindingFilter struct {
	Animal string                // whoever ever bore this number by the day
	About  func(seq int64) bool  // at least one event concerned is among these; nil = any
	Keep   func(f *Finding) bool // nil = all
}

// Findings lists what in the herd's records does not fit, as of a day, in
// order of date: the rules of indices.md section 4 that are warnings. Nothing
// is corrected because of a finding. Those about the herd as a whole have no
// animal and come last. The zero day is the herd's last data date.
func (h *Herd) Findings(on event.Date) []Finding { return h.FindingsOf(on, FindingFilter{}) }

// FindingsOf lists the findings that a filter lets through. Under a filter by
// animal or by events there are none about the herd as a whole.
func (h *Herd) FindingsOf(on event.Date, filter FindingFilter) []Finding {
	list, _ := h.FirstFindings(on, filter, math.MaxInt)
	return list
}

// FirstFindings gives the first most of the findings that FindingsOf lists, and how
// many those are. Where the herd's lives are not at hand, it folds animal by animal
// and keeps none: it needs memory for one animal, and for twice what it gives.
func (h *Herd) FirstFindings(on event.Date, filter FindingFilter, most int) (list []Finding, count int) {
	var kept []placed
	cut := func() {
		slices.SortFunc(kept, func(a, b placed) int { return h.placeOrder(&a, &b) })
		kept = kept[:min(len(kept), most)]
	}
	h.eachFinding(on, filter, func(f *Finding, l *life) {
		p := placed{Finding: *f, whole: l == nil, nth: count}
		if l != nil {
			p.number, p.in = l.names[0].number, l.in
		}
		count++
		if kept = append(kept, p); len(kept) > 1000 && len(kept)/2 > most {
			cut()
		}
	})
	cut()
	list = make([]Finding, len(kept))
	for i := range kept {
		list[i] = kept[i].Finding
	}
	return list, count
}

// EachFinding calls fn with every finding that FindingsOf would list, animal by animal
// in no order that may be relied on, and keeps nothing.
func (h *Herd) EachFinding(on event.Date, filter FindingFilter, fn func(f *Finding)) {
	h.eachFinding(on, filter, func(f *Finding, _ *life) { fn(f) })
}

// placed is a finding with what its place among all depends on.
type placed struct {
	Finding
	whole  bool // of the herd as a whole
	number word // the animal's first
	in     event.Date
	nth    int // as they came
}

// placeOrder is by date, then in the order of lives; those of the herd come last.
func (h *Herd) placeOrder(a, b *placed) int {
	switch {
	case a.whole != b.whole && b.whole:
		return -1
	case a.whole != b.whole:
		return 1
	case a.On != b.On:
		return cmp.Compare(a.On, b.On)
	case a.number != b.number:
		return naturalOrder(h.words.text(a.number), h.words.text(b.number))
	}
	return cmp.Or(cmp.Compare(a.in, b.in), cmp.Compare(a.nth, b.nth))
}

// eachFinding tells fn with every finding whose it is; nil is the herd as a whole.
func (h *Herd) eachFinding(on event.Date, filter FindingFilter, fn func(f *Finding, l *life)) {
	k := h.passing(on)
	pass := func(list []Finding, l *life) {
		for i := range list {
			f := &list[i]
			if (filter.About == nil || slices.ContainsFunc(f.Seqs, filter.About)) && (filter.Keep == nil || filter.Keep(f)) {
				fn(f, l)
			}
		}
	}
	if filter.Animal != "" {
		_, lives := k.find(filter.Animal)
		for _, l := range lives {
			pass(k.findings(l), l)
		}
		return
	}
	var all rough
	k.each(func(l *life) {
		all.add(l)
		pass(k.findings(l), l)
	})
	if filter.About == nil {
		pass(k.ofTheHerd(&all), nil)
	}
}

// findings of one animal, in order of date.
func (k *lookup) findings(l *life) []Finding {
	w := &watcher{k: k, l: l, out: make([]Finding, 0, len(l.notes))}
	for _, n := range l.notes {
		if n.code == noteCalvingTwice {
			continue // told as a pair
		}
		d := noteTexts[n.code]
		w.add(d.code, n.on, []int64{n.seq}, "%s", d.text)
	}
	w.birth()
	w.calvings()
	w.services()
	w.parents()
	w.conceptions()
	w.dryAndDue()
	w.leaving()
	w.twins()
	slices.SortStableFunc(w.out, func(a, b Finding) int { return cmp.Compare(a.On, b.On) })
	return w.out
}

// What the fold notices.
var noteTexts = []struct{ code, text string }{
	noteFirstSeen:     {"no_arrival", "she was never recorded as arriving; she counts as present from this first event on"},
	noteArrivedTwice:  {"arrived_twice", "an arrival of an animal that is here already; taken as a second statement about her"},
	noteNumberReused:  {"number_reused", "another animal took this number while she was here; she counts as gone from that day"},
	noteNumberTaken:   {"number_taken", "she was given a number that another animal bore"},
	noteAfterLeaving:  {"after_leaving", "an event after she left the herd and before any arrival; left out of every figure"},
	noteOldNumber:     {"old_number", "recorded under a number that she no longer bears; taken as hers"},
	noteCalvingTwice:  {"calving_twice", "a second report of a calving within seven days; taken as the same calving"},
	noteEarlyPositive: {"diagnosis_too_early", "diagnosed pregnant too early after the service or calving; does not count unless a later diagnosis finds her pregnant"},
	noteEarlyOpen:     {"diagnosis_too_early", "diagnosed open too early after the service; does not count for that service"},
	noteStageOff:      {"stage_off", "the stage given and the service differ by more than ten days"},
	noteNoService:     {"no_service", "pregnant without a recorded service that fits"},
	noteBredPregnant:  {"bred_while_pregnant", "bred while recorded pregnant; the pregnancy stands until a diagnosis says otherwise: examine her"},
	noteHeatPregnant:  {"heat_while_pregnant", "in heat while recorded pregnant; the pregnancy stands until a diagnosis says otherwise: examine her"},
	noteReinstated:    {"open_then_pregnant", "diagnosed open or a loss recorded, and pregnant from before that day by a later diagnosis or calving; the loss is taken as an error"},
	noteNothingLost:   {"loss_without_service", "a loss without any service or pregnancy that it could have ended"},
	noteConceptions:   {"conceptions_differ", "two examinations date her conception differently; the first stands"},
	noteGestation:     {"gestation_off", "the calving lies more than eighteen days from the mean gestation of her breed"},
	noteParity:        {"parity_differs", "the calving states another number than the records before it give; they are counted on"},
}

// Bounds of the rules, in days; sources in indices.md section 4.
const (
	intervalShort    = 300  // R5
	intervalLong     = 700  // R6, from memory
	firstCalvingMin  = 639  // R7: 21 months
	firstCalvingHard = 548  // R7: 18 months, from memory
	firstCalvingMax  = 1278 // R7: 42 months
	firstServiceHard = 7    // R8
	firstServiceMin  = 20   // R8
	heiferServiceMin = 365  // R10
	premature        = 271  // R4; 265 after transfer
	prematureEmbryo  = 265
	earlyAlive       = 260 // from this day on a calf that lives is only somewhat early; common practice
	manyServices     = 10  // R15
	tooManyServices  = 15
	pairDays         = 7  // R20, of diagnoses, losses and calvings
	stageMin         = 35 // R12: within these a stage alone may date a conception
	stageMax         = 122
)

type watcher struct {
	k   *lookup
	l   *life
	out []Finding
}

func (w *watcher) add(code string, on event.Date, seqs []int64, format string, args ...any) {
	w.out = append(w.out, newFinding(code, w.k.h.words.text(w.l.name(on)), on, seqs, fmt.Sprintf(format, args...)))
}
