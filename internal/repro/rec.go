package repro

import (
	"bytes"
	"cmp"
	"slices"
	"strings"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// word is an interned text; 0 is the empty text.
type word uint32

// absent marks a number that an event does not state.
const absent = -1

// rec is what the fold keeps of an event: fixed size, no pointers, 48 bytes,
// so that a herd of 180,000 events is one fast scan. What a, b, c, num, until
// and text hold depends on the kind; see newRec.
type rec struct {
	id     uuid.UUID
	seq    int64
	on     event.Date
	until  event.Date // last day of a run with a bull or of a stop
	who    who
	text   word // sire, pen, reason, new number; index of a side table
	minute int16
	num    int16
	kind   event.Kind
	a      uint8 // verdict, result, method of breeding, how
	b      uint8 // chalk, method of diagnosis, semen
	c      uint8 // found_by, basis, mucus and tone
}

// Verdicts and results, in rec.a of readings, palpations and diagnoses.
const (
	inHeat uint8 = iota + 1
	suspect
	notInHeat
	pregnant
	open
	unclear
)

// Methods of breeding, in rec.a.
const (
	ai uint8 = iota + 1
	natural
	embryo
)

// Methods of diagnosis, in rec.b.
const (
	byPalpation uint8 = iota + 1
	byUltrasound
	byBlood
	byMilk
	byCalving // not recorded as a diagnosis: the calving proves it
	byLoss    // nor is this: the loss proves it
	byArrival // stated when she came
)

// Words of the fields that rec holds as a number; 0 is "not stated".
var (
	verdictWords = []string{"", event.InHeat, event.Suspect, event.NotInHeat, event.Pregnant, event.Open, event.Unclear}
	methodWords  = []string{"", event.AI, event.Natural, event.Embryo}
	examWords    = []string{"", event.ByPalpation, event.Ultrasound, event.Blood, event.Milk}
	chalkWords   = []string{"", event.Intact, event.Disturbed, event.Rubbed, event.Gone}
	foundWords   = []string{"", "chalk", "watching", "sensor", "other"}
	semenWords   = []string{"", "conventional", "sexed_female", "sexed_male", "beef"}
	basisWords   = []string{"", event.ByHeat, event.Timed}
	toneWords    = []string{"", "none", "some", "strong"}
	mucusWords   = []string{"", "none", "clear", "cloudy", "bloody", "pus"}
	signWords    = []string{"standing", "mounting", "mucus", "restless", "swollen_vulva", "blood", "bellowing", "less_milk"}
	leftWords    = []string{"", event.Sold, event.Culled, event.Died, event.Transferred}
	howWords     = []string{"", event.Born, event.Purchased, event.Transferred}
	sexWords     = []string{"", event.Female, event.Male}
	seenWords    = []string{"", "abortion", "embryo_loss", "reabsorbed"}
)

func codeOf(words []string, s string) uint8 {
	for i, w := range words {
		if w == s {
			return uint8(i)
		}
	}
	return 0
}

// who is an index of Herd.recorders: who recorded an event, and in what system.
type who uint32

type recorder struct{ by, source word }

func (h *Herd) recorder(by, source string) who {
	if last := &h.lastWho; last.known && last.by == by && last.source == source {
		return last.who
	}
	w := h.recorderOf(by, source)
	// Copies: an event's strings often share the memory of a whole request.
	r := h.recorders[w]
	h.lastWho.by, h.lastWho.source, h.lastWho.who, h.lastWho.known = h.words.text(r.by), h.words.text(r.source), w, true
	return w
}

func (h *Herd) recorderOf(by, source string) who {
	r := recorder{h.words.code(by), h.words.code(source)}
	w, ok := h.whoIs[r]
	if !ok {
		w = who(len(h.recorders))
		h.recorders = append(h.recorders, r)
		h.whoIs[r] = w
	}
	return w
}

// past is what an arrival says beyond its rec.
type past struct {
	born, calved, bred, conceived event.Date
	breed, dam, pen               word
	parity                        int16
	sex, how                      uint8
}

// withheld is what a treatment says of milk and meat.
type withheld struct{ milk, meat event.Date }

func optional(n event.OptInt) int16 {
	if !n.Set {
		return absent
	}
	return int16(min(n.N, 1<<15-1))
}

// newRec takes from an event what the fold needs.
func (h *Herd) newRec(f *Fact) rec {
	e := f.Event
	r := rec{id: e.ID, seq: f.Seq, on: e.On, kind: e.Kind, who: h.recorder(e.By, e.Source), minute: int16(e.Minute()), num: absent}
	switch d := e.Data.(type) {
	case *event.Arrival:
		r.minute = startOfDay
		r.a = codeOf(howWords, d.How)
		r.text = word(len(h.pasts))
		h.pasts = append(h.pasts, past{
			born: d.BornOn, calved: d.LastCalvedOn, bred: d.LastBredOn, conceived: d.ConceivedOn,
			breed: h.words.code(d.Breed), dam: h.words.code(d.Dam), pen: h.words.code(d.Pen),
			parity: optional(d.Parity), sex: codeOf(sexWords, d.Sex), how: r.a,
		})
	case *event.Renumber:
		r.minute = startOfDay
		r.text = h.words.code(d.To)
	case *event.Calving:
		r.num = optional(d.Parity)
		r.a = uint8(d.Ease.N)
		r.b = uint8(len(d.Calves))
		for _, c := range d.Calves {
			if c.Outcome == event.Alive {
				r.c++
			}
		}
	case *event.PregnancyLoss:
		r.num = optional(d.DaysPregnant)
		r.a = codeOf(seenWords, d.Seen)
	case *event.Walk:
		r.text = h.words.code(d.Pen)
		r.num = optional(d.Seen)
	case *event.Heat:
		r.a, r.b, r.c = codeOf(verdictWords, d.Verdict), codeOf(chalkWords, d.Chalk), codeOf(foundWords, d.FoundBy)
		r.num = 0
		for _, s := range d.Signs {
			if i := slices.Index(signWords, s); i >= 0 {
				r.num |= 1 << i
			}
		}
	case *event.Palpation:
		r.a = codeOf(verdictWords, d.Verdict)
		r.b = byPalpation
		r.c = codeOf(toneWords, d.Tone)<<4 | codeOf(mucusWords, d.Mucus)
	case *event.PregnancyDiagnosis:
		r.a, r.b, r.num = codeOf(verdictWords, d.Result), codeOf(examWords, d.Method), optional(d.DaysPregnant)
		r.c = uint8(d.Fetuses.N)
	case *event.BreedingStop:
		r.until, r.text = d.Until, h.words.code(d.Reason)
	case *event.BreedingResume:
		r.text = h.words.code(d.Reason)
	case *event.Treatment:
		r.text = word(len(h.withheld))
		h.withheld = append(h.withheld, withheld{d.MilkWithheldUntil, d.MeatWithheldUntil})
	case *event.Breeding:
		r.until, r.text = d.Until, h.words.code(d.Sire)
		r.a, r.b, r.c = codeOf(methodWords, d.Method), codeOf(semenWords, d.Semen), codeOf(basisWords, d.Basis)
	case *event.Move:
		r.text = h.words.code(d.Pen)
	case *event.Departure:
		r.a, r.text = codeOf(leftWords, d.How), h.words.code(d.Reason)
	}
	return r
}

// startOfDay is the minute of arrivals and renumberings: they say by what name
// an animal goes that day, so they come before whatever befalls her in it.
const startOfDay = -1

// order is the order in which events of an animal are told. It is total over
// different events and says nothing about when they reached the log.
func (r *rec) order(s *rec) int {
	if c := cmp.Compare(r.on, s.on); c != 0 {
		return c
	}
	if c := cmp.Compare(r.minute, s.minute); c != 0 {
		return c
	}
	if c := cmp.Compare(r.kind, s.kind); c != 0 {
		return c
	}
	if c := bytes.Compare(r.id[:], s.id[:]); c != 0 {
		return c
	}
	return cmp.Compare(r.seq, s.seq)
}

// upTo cuts a sorted list after the given day; 0 keeps all.
func upTo(recs []rec, on event.Date) []rec {
	if on == 0 || len(recs) == 0 || recs[len(recs)-1].on <= on {
		return recs
	}
	i, _ := slices.BinarySearchFunc(recs, on, func(r rec, d event.Date) int {
		if r.on <= d {
			return -1
		}
		return 1
	})
	return recs[:i]
}

// words interns texts.
type words struct {
	codes map[string]word
	texts []string
}

func newWords() words { return words{map[string]word{"": 0}, []string{""}} }

// code interns s. The text is copied: an event's strings often share the
// memory of a whole request.
func (w *words) code(s string) word {
	if c, ok := w.codes[s]; ok {
		return c
	}
	s = strings.Clone(s)
	c := word(len(w.texts))
	w.codes[s] = c
	w.texts = append(w.texts, s)
	return c
}

func (w *words) text(c word) string { return w.texts[c] }
