package repro

import (
	"cmp"
	"slices"
	"unsafe"

	"byrelog.example/internal/event"
)

// unknownParity is the number of a lactation when it is not known how often
// she has calved.
const unknownParity = -1

// life is the history of one individual, whatever numbers she was known by.
// It is never changed once folded.
type life struct {
	names                       []naming
	in                          event.Date // first day in the herd
	out                         event.Date // the day she left: the first day not in the herd; 0 = still here
	born                        event.Date
	breed                       word
	dam                         word
	sire                        word // as stated; see lookup.sire
	damSire, officialID, scheme word
	sex                         uint8
	how                         uint8 // how she came, index of howWords; 0 = first seen without an arrival

	outHow    uint8
	outReason word
	outSeq    int64 // of the departure, or of what implies it

	recs        []rec // her own, in order; those after she left are not in it
	side        *side // what her arrivals and treatments say beyond
	apart       bool  // her recs lie in an array of their own
	lactations  []lactation
	services    []service
	pregnancies []pregnancy
	stops       []stop
	pens        []stay
	notes       []note
}

type naming struct {
	number word
	from   event.Date
}

// lactation is the time from one calving to the next. The first of a life is
// her time as a heifer, or what is known of her before the first calving
// recorded here.
type lactation struct {
	number  int16 // calvings so far; 0 = heifer, unknownParity
	brought bool  // it began before she came
	calved  event.Date
	dried   event.Date
	end     event.Date // next calving; 0 = none
	seq     int64      // of the calving, or of the arrival that states it
	service [2]int32   // her services of this lactation: [from, to)
}

// service is the breedings of one heat, or a run with a bull.
type service struct {
	first, last event.Date // last: of the breedings, or of the run
	lactation   int16
	number      int16 // 1, 2, 3 … in the lactation
	from, to    int32 // its breedings among the life's recs: first, and one past the last
	breedings   int16
	sire, by    word // of the last breeding
	method      uint8
	semen       uint8
	basis       uint8
	run         bool // a run with a bull, from first to last
	brought     bool // before she came
	siresDiffer bool
	found       found
	foundBy     uint8 // index of foundWords
	outcome     outcome
	why         why
	early       bool       // a positive diagnosis too early to count
	answered    bool       // diagnosed open, or a loss seen, later
	whyOn       event.Date // day on which the outcome was settled
	whySeq      int64
	pregnancy   int32 // index, or -1
}

// outcome of a service, as far as the facts go. Whether an undecided service
// is immature or unknown depends on the day on which one asks; see view.outcome.
type outcome uint8

const (
	undecided outcome = iota
	conceived
	failed
	lost
)

// why an outcome is what it is.
type why uint8

const (
	whyNothing        why = iota // no result yet
	whyDiagnosed                 // diagnosed pregnant
	whyCalved                    // calved to it
	whyLossSeen                  // a loss was recorded
	whyStated                    // stated on arrival
	whyBredAgain                 // bred again later
	whyOpen                      // diagnosed open
	whyLaterConceived            // conceived later, to something else
	whyInfertile                 // left the herd for infertility
	whyLeft                      // left the herd undiagnosed
	whyWasPregnant               // bred while pregnant from before
	whyCalvedElse                // calved, but not to it
)

// pregnancy is one pregnancy of which the records tell.
type pregnancy struct {
	conceived event.Date // 0 = not known
	confirmed event.Date // first proof
	lastSeen  event.Date // latest proof that she still was
	lostOn    event.Date // detected; 0 = not lost
	calved    event.Date // ended by calving
	seq       int64      // of the first proof
	lostSeq   int64
	calvedSeq int64
	service   int32 // index, or -1
	lactation int16
	how       conception
	method    uint8 // of the first proof
	lostHow   lossHow
	fetuses   uint8
}

// conception is how a conception date was inferred.
type conception uint8

const (
	conceptionUnknown conception = iota
	byStage                      // the service nearest to the stage that the examiner gave
	byService                    // the latest service old enough for the diagnosis
	byStageAlone                 // exam date less the stage given; no service fits
	byCalvingService             // the service that fits the calving
	byCalvingAlone               // calving less gestation of her breed; no service fits
	byRun                        // the middle of a run with a bull
	byStatement                  // stated when she came
)

// estimated tells whether the date is not that of a service.
func (c conception) estimated() bool {
	return c == byStageAlone || c == byCalvingAlone || c == byRun
}

// lossHow is how it is known that a pregnancy was lost.
type lossHow uint8

const (
	notLost     lossHow = iota
	lossSeen            // recorded as such
	lossOpen            // diagnosed open later
	lossLater           // a later diagnosis dates her pregnancy from a later service
	lossCalving         // her calving fits a later conception only
)

type stop struct {
	from, to event.Date // to: last day; 0 = until resumed
	reason   word
}

type stay struct {
	pen  word
	from event.Date
}

// note is something that the fold noticed and that findings tell.
type note struct {
	code noteCode
	on   event.Date
	seq  int64
}

type noteCode uint8

const (
	noteFirstSeen     noteCode = iota // no arrival
	noteArrivedTwice                  // an arrival while she was here
	noteNumberReused                  // her number went to another while she was here
	noteNumberTaken                   // she was given a number that another bore
	noteAfterLeaving                  // an event after she left
	noteOldNumber                     // an event under a number that she no longer bore
	noteCalvingTwice                  // the same calving reported twice
	noteEarlyPositive                 // diagnosed pregnant too early to count
	noteEarlyOpen                     // diagnosed open too early to count
	noteStageOff                      // stage and services differ by more than ten days
	noteNoService                     // pregnant without any service that fits
	noteBredPregnant                  // bred while recorded pregnant
	noteHeatPregnant                  // in heat while recorded pregnant
	noteReinstated                    // an implied loss was withdrawn by a later diagnosis
	noteNothingLost                   // a loss of an animal with nothing to lose
	noteConceptions                   // two examiners date her conception differently
	noteGestation                     // gestation out of bounds
	noteParity                        // a calving with another parity than her records give
)

// name is the number that she is known by on a day; before she came, her first.
func (l *life) name(on event.Date) word {
	n := l.names[0].number
	for _, x := range l.names[1:] {
		if x.from > on {
			break
		}
		n = x.number
	}
	return n
}

// present tells whether she is in the herd on a day.
func (l *life) present(on event.Date) bool {
	return l.in <= on && (l.out == 0 || on < l.out)
}

// lactationOn is the index of the lactation that she is in on a day.
func (l *life) lactationOn(on event.Date) int {
	i := len(l.lactations) - 1
	for i > 0 && l.lactations[i].calved > on {
		i--
	}
	return i
}

// pregnancyOn is the pregnancy that she carries on a day, as far as the facts
// of this fold tell, or nil. The day of a calving or of a loss is its end.
func (l *life) pregnancyOn(on event.Date) *pregnancy {
	for i := len(l.pregnancies) - 1; i >= 0; i-- {
		p := &l.pregnancies[i]
		if p.begins() <= on && (p.lostOn == 0 || on < p.lostOn) && (p.calved == 0 || on < p.calved) {
			return p
		}
	}
	return nil
}

// begins is the conception, or where that is not known the first proof.
func (p *pregnancy) begins() event.Date {
	if p.conceived != 0 {
		return p.conceived
	}
	return p.confirmed
}

// penOn is the pen that she stands in on a day; 0 = not known.
func (l *life) penOn(on event.Date) word {
	var pen word
	for _, s := range l.pens {
		if s.from > on {
			break
		}
		pen = s.pen
	}
	return pen
}

// stopOn is the stop in force on a day, or nil.
func (l *life) stopOn(on event.Date) *stop {
	for i := range l.stops {
		if s := &l.stops[i]; s.from <= on && (s.to == 0 || on <= s.to) {
			return s
		}
	}
	return nil
}

// heifer tells whether a lactation is her time before the first calving.
func (l *lactation) heifer() bool { return l.number == 0 }

// lastDay is the last day of the lactation, or 0 if it still runs in l.
func (l *life) lastDay(lac *lactation) event.Date {
	if lac.end != 0 {
		return lac.end - 1
	}
	if l.out != 0 {
		return l.out - 1
	}
	return 0
}

// of gives her services of a lactation.
func (l *life) of(lac *lactation) []service { return l.services[lac.service[0]:lac.service[1]] }

// size is her memory, without the records that lie in an arena.
func (l *life) size() int64 {
	recs := int64(0)
	if l.apart {
		recs = int64(len(l.recs))*bytesOfRec + int64(unsafe.Sizeof(side{})) + bytesOfPast
	}
	return recs + int64(unsafe.Sizeof(*l)) +
		int64(cap(l.names))*int64(unsafe.Sizeof(naming{})) +
		int64(cap(l.lactations))*int64(unsafe.Sizeof(lactation{})) +
		int64(cap(l.services))*int64(unsafe.Sizeof(service{})) +
		int64(cap(l.pregnancies))*int64(unsafe.Sizeof(pregnancy{})) +
		int64(cap(l.stops))*int64(unsafe.Sizeof(stop{})) +
		int64(cap(l.pens))*int64(unsafe.Sizeof(stay{})) +
		int64(cap(l.notes))*int64(unsafe.Sizeof(note{}))
}

// natural compares numbers as people sort them: runs of digits by value, the
// rest by bytes. It is 0 only for equal texts.
func naturalOrder(a, b string) int {
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		if isDigit(a[i]) && isDigit(b[j]) {
			si, sj := i, j
			for i < len(a) && isDigit(a[i]) {
				i++
			}
			for j < len(b) && isDigit(b[j]) {
				j++
			}
			if c := compareDigits(a[si:i], b[sj:j]); c != 0 {
				return c
			}
			continue
		}
		if a[i] != b[j] {
			return cmp.Compare(a[i], b[j])
		}
		i++
		j++
	}
	if c := cmp.Compare(len(a)-i, len(b)-j); c != 0 {
		return c
	}
	return cmp.Compare(a, b) // 7 and 007 are different numbers
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func compareDigits(a, b string) int {
	for len(a) > 1 && a[0] == '0' {
		a = a[1:]
	}
	for len(b) > 1 && b[0] == '0' {
		b = b[1:]
	}
	if c := cmp.Compare(len(a), len(b)); c != 0 {
		return c
	}
	return cmp.Compare(a, b)
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// pointerToken escapes a name for a JSON Pointer.
func pointerToken(s string) string {
	out := make([]byte, 0, len(s))
	for i := range len(s) {
		switch s[i] {
		case '~':
			out = append(out, "~0"...)
		case '/':
			out = append(out, "~1"...)
		default:
			out = append(out, s[i])
		}
	}
	return string(out)
}
