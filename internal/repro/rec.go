package repro

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"slices"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// absent marks a number that an event does not state.
const absent = -1

// rec is what the fold knows of an event: fixed size, no pointers, 48 bytes. It is
// the form that lives are folded from; what rests in memory is packed (packed.go).
// What a, b, c, num, until and text hold depends on the kind; see newRec.
type rec struct {
	id     uuid.UUID // of the kinds that may be one of a pair; of others the mark alone, in its first bytes
	seq    int64
	on     event.Date
	until  event.Date // last day of a run with a bull or of a stop
	who    who
	text   word // sire, pen, reason, new number; index of a side
	minute int16
	num    int16
	kind   event.Kind
	a      uint8 // verdict, result, method of breeding, how, big enough
	b      uint8 // chalk, method of diagnosis, semen
	c      uint8 // found_by, basis, mucus and tone, height
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

// Whether she is big enough to be bred, in rec.a of a size.
const (
	bigEnough uint8 = iota + 1
	tooSmall
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

// signStanding is the bit of standing in rec.num of a reading; watching is the word
// of a heat that somebody watched.
const (
	signStanding = 1
	watching     = "watching"
)

// Words of the fields that rec holds as a number; 0 is "not stated".
var (
	verdictWords = []string{"", event.InHeat, event.Suspect, event.NotInHeat, event.Pregnant, event.Open, event.Unclear}
	methodWords  = []string{"", event.AI, event.Natural, event.Embryo}
	examWords    = []string{"", event.ByPalpation, event.Ultrasound, event.Blood, event.Milk}
	chalkWords   = []string{"", event.Intact, event.Disturbed, event.Rubbed, event.Gone}
	foundWords   = []string{"", "chalk", watching, "sensor", "other"}
	semenWords   = []string{"", "conventional", "sexed_female", "sexed_male", "beef"}
	basisWords   = []string{"", event.ByHeat, event.Timed}
	toneWords    = []string{"", "none", "some", "strong"}
	mucusWords   = []string{"", "none", "clear", "cloudy", "bloody", "pus"}
	signWords    = []string{"standing", "mounting", "mucus", "restless", "swollen_vulva", "blood", "bellowing", "less_milk"}
	leftWords    = []string{"", event.Sold, event.Culled, event.Died, event.Transferred}
	howWords     = []string{"", event.Born, event.Purchased, event.Transferred}
	sexWords     = []string{"", event.Female, event.Male}
	seenWords    = []string{"", event.Abortion, "embryo_loss", "reabsorbed"}
	bigWords     = []string{"", "big", "small"}
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
	r := recorder{h.code(by), h.code(source)}
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
	sire, damSire                 word
	officialID, scheme            word
	parity                        int16
	sex, how                      uint8
}

// withheld is what a treatment says of milk and meat, and of a programme.
type withheld struct {
	milk, meat    event.Date
	program, step word
}

// side holds what arrivals and treatments say beyond their recs, which have the
// index in it as their text.
type side struct {
	pasts    []past
	withheld []withheld
}

func (s *side) reset() { s.pasts, s.withheld = s.pasts[:0], s.withheld[:0] }

func optional(n event.OptInt) int16 {
	if !n.Set {
		return absent
	}
	return int16(min(n.N, 1<<15-1))
}

// newRec takes from an event what the fold needs.
func (h *Herd) newRec(f *Fact, s *side) rec {
	e := f.Event
	r := rec{id: idOf(e), seq: f.Seq, on: e.On, kind: e.Kind, who: h.recorder(e.By, e.Source), minute: int16(e.Minute()), num: absent}
	switch d := e.Data.(type) {
	case *event.Arrival:
		r.minute = startOfDay
		r.a = codeOf(howWords, d.How)
		r.text = word(len(s.pasts))
		p := past{
			born: d.BornOn, calved: d.LastCalvedOn, bred: d.LastBredOn, conceived: d.ConceivedOn,
			breed: h.code(d.Breed), dam: h.code(d.Dam), pen: h.code(d.Pen), sire: h.code(d.Sire), damSire: h.code(d.DamSire),
			parity: optional(d.Parity), sex: codeOf(sexWords, d.Sex), how: r.a,
		}
		if o := d.OfficialID; o != nil {
			p.officialID, p.scheme = h.code(o.ID), h.code(o.Scheme)
		}
		s.pasts = append(s.pasts, p)
	case *event.Renumber:
		r.minute = startOfDay
		r.text = h.code(d.To)
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
		r.text = h.code(d.Pen)
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
		r.until, r.text = d.Until, h.code(d.Reason)
	case *event.BreedingResume:
		r.text = h.code(d.Reason)
	case *event.Treatment:
		r.text = word(len(s.withheld))
		s.withheld = append(s.withheld, withheld{d.MilkWithheldUntil, d.MeatWithheldUntil, h.code(d.Program), h.code(d.Step)})
	case *event.Size:
		r.num, r.c = optional(d.WeightKG), uint8(d.HeightCM.N)
		if d.BigEnough.Set {
			r.a = tooSmall
			if d.BigEnough.V {
				r.a = bigEnough
			}
		}
	case *event.Breeding:
		r.until, r.text = d.Until, h.code(d.Sire)
		r.a, r.b, r.c = codeOf(methodWords, d.Method), codeOf(semenWords, d.Semen), codeOf(basisWords, d.Basis)
	case *event.Move:
		r.text = h.code(d.Pen)
	case *event.Departure:
		r.a, r.text = codeOf(leftWords, d.How), h.code(d.Reason)
	}
	return r
}

// startOfDay is the minute of arrivals and renumberings: they say by what name
// an animal goes that day, so they come before whatever befalls her in it.
const startOfDay = -1

// paired tells whether events of a kind may be proposed as two records of one
// thing: their ids are shown then.
func paired(k event.Kind) bool {
	switch k {
	case event.KindBreeding, event.KindPregnancyDiagnosis, event.KindPregnancyLoss, event.KindCalving:
		return true
	default:
		return false
	}
}

// idOf is what a rec keeps of an event's id.
func idOf(e *event.Event) uuid.UUID {
	if paired(e.Kind) {
		return e.ID
	}
	var short uuid.UUID
	binary.BigEndian.PutUint32(short[:], markOf(&e.ID))
	return short
}

// markOf is a hash of the whole id (32-bit FNV-1a), for clients may choose ids that
// differ in a few bits only.
func markOf(id *uuid.UUID) uint32 {
	n := uint32(2166136261)
	for _, b := range id {
		n = (n ^ uint32(b)) * 16777619
	}
	return n
}

func (r *rec) mark() uint32 {
	if paired(r.kind) {
		return markOf(&r.id)
	}
	return binary.BigEndian.Uint32(r.id[:])
}

// order is the order in which events of an animal are told: date, time of day, kind
// and the mark of the id. It says nothing about when they reached the log.
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
	return cmp.Compare(r.mark(), s.mark())
}

// order makes the order total: events whose marks are equal by chance (one pair in
// four thousand million) are told in the order of what they say, so that only those
// that say the same are told in the order of the log.
func (h *Herd) order(s *side, a, b *rec) int {
	if c := a.order(b); c != 0 {
		return c
	}
	return cmp.Or(h.content(s, a, b), cmp.Compare(a.seq, b.seq))
}

// content compares what two events say beyond date, time and kind.
func (h *Herd) content(s *side, a, b *rec) int {
	t := h.words.text
	if c := cmp.Or(bytes.Compare(a.id[:], b.id[:]), cmp.Compare(a.a, b.a), cmp.Compare(a.b, b.b), cmp.Compare(a.c, b.c), cmp.Compare(a.num, b.num),
		cmp.Compare(a.until, b.until)); c != 0 {
		return c
	}
	if p, q := h.recorders[a.who], h.recorders[b.who]; p != q {
		if c := cmp.Or(cmp.Compare(t(p.by), t(q.by)), cmp.Compare(t(p.source), t(q.source))); c != 0 {
			return c
		}
	}
	switch a.kind {
	case event.KindArrival:
		p, q := &s.pasts[a.text], &s.pasts[b.text]
		return cmp.Or(
			cmp.Compare(p.born, q.born), cmp.Compare(p.calved, q.calved), cmp.Compare(p.bred, q.bred), cmp.Compare(p.conceived, q.conceived),
			cmp.Compare(t(p.breed), t(q.breed)), cmp.Compare(t(p.dam), t(q.dam)), cmp.Compare(t(p.pen), t(q.pen)),
			cmp.Compare(t(p.sire), t(q.sire)), cmp.Compare(t(p.damSire), t(q.damSire)),
			cmp.Compare(t(p.officialID), t(q.officialID)), cmp.Compare(t(p.scheme), t(q.scheme)),
			cmp.Compare(p.parity, q.parity), cmp.Compare(p.sex, q.sex))
	case event.KindTreatment:
		p, q := &s.withheld[a.text], &s.withheld[b.text]
		return cmp.Or(cmp.Compare(p.milk, q.milk), cmp.Compare(p.meat, q.meat), cmp.Compare(t(p.program), t(q.program)), cmp.Compare(t(p.step), t(q.step)))
	default:
		return cmp.Compare(t(a.text), t(b.text))
	}
}

// tidy puts records in order and leaves out events that came twice.
func (h *Herd) tidy(recs []rec, s *side) []rec {
	slices.SortFunc(recs, func(a, b rec) int { return h.order(s, &a, &b) })
	return slices.CompactFunc(recs, func(a, b rec) bool { return a.order(&b) == 0 && h.content(s, &a, &b) == 0 })
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
