package repro

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"byrelog.example/internal/event"
)

// packForm is raised whenever the layout of a packed fold changes, or what newRec
// takes from an event. The lists of words behind the codes are part of the format
// by themselves; see PackFormat.
const packForm = "1"

// PackFormat names the layout and the meaning of a packed fold: one of another
// format cannot be unpacked.
var PackFormat = sync.OnceValue(func() string {
	h := sha256.New()
	for _, list := range [][]string{
		verdictWords, methodWords, examWords, chalkWords, foundWords, semenWords, basisWords, toneWords, mucusWords, signWords,
		leftWords, howWords, sexWords, seenWords,
	} {
		h.Write([]byte(strings.Join(list, " ") + "\n"))
	}
	for k := event.Kind(0); k < 255; k++ {
		if k.Valid() {
			h.Write(fmt.Appendf(nil, "%d %s\n", k, k))
		}
	}
	return packForm + "-" + hex.EncodeToString(h.Sum(nil)[:8])
})

// Pack writes what the fold keeps of the log, without anything that is derived
// from it and without the policies: about half of its size in memory. Equal folds
// may give different bytes.
func (h *Herd) Pack() []byte {
	n := len(h.walks)
	for _, num := range h.numbers {
		n += len(num.recs)
	}
	p := packer{b: make([]byte, 0, 1024+n*30)}
	p.text(h.name)
	p.num(h.seq)
	p.count(len(h.words.texts))
	for _, t := range h.words.texts {
		p.text(t)
	}
	p.count(len(h.recorders))
	for _, r := range h.recorders {
		p.uint(uint64(r.by))
		p.uint(uint64(r.source))
	}
	p.count(len(h.pasts))
	for i := range h.pasts {
		a := &h.pasts[i]
		for _, d := range []event.Date{a.born, a.calved, a.bred, a.conceived} {
			p.num(int64(d))
		}
		for _, w := range []word{a.breed, a.dam, a.pen} {
			p.uint(uint64(w))
		}
		p.num(int64(a.parity))
		p.b = append(p.b, a.sex, a.how)
	}
	p.count(len(h.withheld))
	for _, w := range h.withheld {
		p.num(int64(w.milk))
		p.num(int64(w.meat))
	}
	p.count(n)
	p.recs(h.walks)
	p.count(len(h.numbers))
	for _, num := range h.numbers {
		p.uint(uint64(num.name))
		p.uint(uint64(num.group))
		p.recs(num.recs)
	}
	return p.b
}

type packer struct{ b []byte }

func (p *packer) num(n int64)   { p.b = binary.AppendVarint(p.b, n) }
func (p *packer) uint(n uint64) { p.b = binary.AppendUvarint(p.b, n) }
func (p *packer) count(n int)   { p.uint(uint64(n)) }
func (p *packer) text(s string) {
	p.count(len(s))
	p.b = append(p.b, s...)
}

// recs writes records one by one, dates as steps.
func (p *packer) recs(recs []rec) {
	p.count(len(recs))
	var on event.Date
	for i := range recs {
		r := &recs[i]
		p.b = append(p.b, r.id[:]...)
		p.b = append(p.b, byte(r.kind), r.a, r.b, r.c)
		p.num(r.seq)
		p.num(int64(r.on - on))
		on = r.on
		p.num(int64(r.until))
		p.num(int64(r.minute))
		p.num(int64(r.num))
		p.uint(uint64(r.who))
		p.uint(uint64(r.text))
	}
}

var errPacked = errors.New("this is not a packed fold of this format")

// Unpack is the fold that was packed, under the given policies. It does not trust
// the bytes: whatever could lead a reader of the fold astray is an error. That they
// are those of the right log is the caller's to check.
func Unpack(b []byte, name string, policies Policies) (*Herd, error) {
	u := unpacker{b: b}
	h := NewHerd(name, policies)
	if u.text() != name {
		return nil, errPacked
	}
	h.seq = u.num()
	h.words.texts = make([]string, u.count(1))
	h.words.codes = make(map[string]word, len(h.words.texts))
	for i := range h.words.texts {
		t := u.text()
		h.words.texts[i] = t
		h.words.codes[t] = word(i)
	}
	u.words = uint64(len(h.words.texts))
	if u.words == 0 || h.words.texts[0] != "" || len(h.words.codes) != len(h.words.texts) {
		return nil, errPacked
	}
	h.recorders = make([]recorder, u.count(2))
	for i := range h.recorders {
		r := recorder{u.word(), u.word()}
		h.recorders[i], h.whoIs[r] = r, who(i)
	}
	h.pasts = make([]past, u.count(10))
	for i := range h.pasts {
		a := &h.pasts[i]
		a.born, a.calved, a.bred, a.conceived = u.date(), u.date(), u.date(), u.date()
		a.breed, a.dam, a.pen = u.word(), u.word(), u.word()
		a.parity = u.short()
		a.sex, a.how = u.byte(len(sexWords)), u.byte(len(howWords))
	}
	h.withheld = make([]withheld, u.count(2))
	for i := range h.withheld {
		h.withheld[i] = withheld{u.date(), u.date()}
	}
	u.arena = make([]rec, 0, u.count(minRec))
	h.walks = u.recs(h)
	h.numbers = make([]*number, u.count(3))
	store := make([]number, len(h.numbers))
	for i := range h.numbers {
		n := &store[i]
		n.name, n.owner = u.word(), h.token
		n.group = int32(u.below(uint64(i) + 1))
		n.recs = u.recs(h)
		h.numbers[i] = n
		h.byName[n.name] = int32(i)
	}
	if u.bad || len(u.b) != 0 || len(h.byName) != len(h.numbers) {
		return nil, errPacked
	}
	return h, h.owned()
}

// owned finds out again under which number each seq was recorded. A seq of a void,
// or of a voided event, belongs to nobody.
func (h *Herd) owned() error {
	if h.seq < 0 {
		return errPacked
	}
	total := len(h.walks)
	low := h.seq
	for _, n := range h.numbers {
		total += len(n.recs)
		for i := range n.recs {
			low = min(low, n.recs[i].seq)
		}
	}
	for i := range h.walks {
		low = min(low, h.walks[i].seq)
	}
	if low < 0 || h.seq-low > int64(total)*1000+1_000_000 { // sparse beyond any log
		return errPacked
	}
	owners := make([]int32, h.seq-low+1)
	for i := range owners {
		owners[i] = noOwner
	}
	set := func(recs []rec, owner int32) error {
		for i := range recs {
			at := recs[i].seq
			if at > h.seq || owners[at-low] != noOwner {
				return errPacked
			}
			owners[at-low] = owner
		}
		return nil
	}
	err := set(h.walks, herdLevel)
	for i, n := range h.numbers {
		err = errors.Join(err, set(n.recs, int32(i)))
	}
	if h.seq > 0 {
		h.owners = []span{{low, owners}}
	}
	return err
}

// unpacker reads what a packer wrote. After the first fault everything it gives is
// zero, and bad is set.
type unpacker struct {
	b     []byte
	bad   bool
	words uint64
	arena []rec // room for all records, so that they lie side by side
}

func (u *unpacker) fail() {
	u.bad, u.b = true, nil
}

func (u *unpacker) uint() uint64 {
	n, size := binary.Uvarint(u.b)
	if size <= 0 {
		u.fail()
		return 0
	}
	u.b = u.b[size:]
	return n
}

func (u *unpacker) num() int64 {
	n, size := binary.Varint(u.b)
	if size <= 0 {
		u.fail()
		return 0
	}
	u.b = u.b[size:]
	return n
}

// below reads an index below a bound.
func (u *unpacker) below(bound uint64) uint64 {
	n := u.uint()
	if n >= bound {
		u.fail()
		return 0
	}
	return n
}

// count reads how many things follow, each of at least so many bytes: no length
// makes it ask for more memory than the bytes could fill.
func (u *unpacker) count(least int) int {
	n := u.uint()
	if n > uint64(len(u.b)/least) {
		u.fail()
		return 0
	}
	return int(n)
}

func (u *unpacker) text() string {
	n := u.count(1)
	s := string(u.b[:min(n, len(u.b))])
	u.b = u.b[len(s):]
	return s
}

func (u *unpacker) word() word { return word(u.below(u.words)) }

func (u *unpacker) date() event.Date {
	n := u.num()
	if n < 0 || n > 1<<30 {
		u.fail()
	}
	return event.Date(n)
}

func (u *unpacker) short() int16 {
	n := u.num()
	if n < absent || n > 1<<15-1 {
		u.fail()
	}
	return int16(n)
}

func (u *unpacker) byte(bound int) uint8 {
	if len(u.b) == 0 || int(u.b[0]) >= bound {
		u.fail()
		return 0
	}
	c := u.b[0]
	u.b = u.b[1:]
	return c
}

// minRec is the least that a record takes.
const minRec = 16 + 4 + 7

func (u *unpacker) recs(h *Herd) []rec {
	n := u.count(minRec)
	if len(u.arena)+n > cap(u.arena) {
		u.fail()
		return nil
	}
	from := len(u.arena)
	u.arena = u.arena[:from+n]
	recs := u.arena[from : from+n : from+n]
	var on int64
	for i := range recs {
		if len(u.b) < minRec {
			u.fail()
			return nil
		}
		r := &recs[i]
		copy(r.id[:], u.b)
		r.kind, r.a, r.b, r.c = event.Kind(u.b[16]), u.b[17], u.b[18], u.b[19]
		u.b = u.b[20:]
		r.seq = u.num()
		on += u.num()
		r.on = event.Date(on)
		r.until = u.date()
		r.minute, r.num = u.short(), u.short()
		r.who = who(u.below(uint64(len(h.recorders))))
		text := u.words
		switch r.kind {
		case event.KindArrival:
			text = uint64(len(h.pasts))
		case event.KindTreatment:
			text = uint64(len(h.withheld))
		default: // a word
		}
		r.text = word(u.below(text))
		if on <= 0 || on > 1<<30 || !r.kind.Valid() || r.kind == event.KindVoid || r.seq <= 0 || !r.coded() ||
			i > 0 && recs[i-1].order(r) >= 0 {
			u.fail()
			return nil
		}
	}
	return recs
}

// coded tells whether the codes of a record stand for words that there are.
func (r *rec) coded() bool {
	fit := func(n uint8, list []string) bool { return int(n) < len(list) }
	switch r.kind {
	case event.KindArrival:
		return fit(r.a, howWords)
	case event.KindHeat:
		return fit(r.a, verdictWords) && fit(r.b, chalkWords) && fit(r.c, foundWords)
	case event.KindPalpation:
		return fit(r.a, verdictWords) && fit(r.b, examWords) && fit(r.c>>4, toneWords) && fit(r.c&15, mucusWords)
	case event.KindPregnancyDiagnosis:
		return fit(r.a, verdictWords) && fit(r.b, examWords)
	case event.KindBreeding:
		return fit(r.a, methodWords) && fit(r.b, semenWords) && fit(r.c, basisWords)
	case event.KindDeparture:
		return fit(r.a, leftWords)
	case event.KindPregnancyLoss:
		return fit(r.a, seenWords)
	default: // no codes, or numbers
		return true
	}
}

// Trim gives back the room that growing left over; for a fold that was read in one
// go and will seldom change.
func (h *Herd) Trim() {
	total := 0
	for _, n := range h.numbers {
		total += len(n.recs)
	}
	arena := make([]rec, 0, total)
	for i := range h.numbers {
		n := h.change(int32(i))
		from := len(arena)
		arena = append(arena, n.recs...)
		n.recs = arena[from:len(arena):len(arena)]
	}
	h.changeWalks()
	h.walks, h.pasts, h.withheld = slices.Clip(slices.Clone(h.walks)), slices.Clip(slices.Clone(h.pasts)), slices.Clip(slices.Clone(h.withheld))
	for i := range h.owners {
		h.owners[i].owners = slices.Clip(slices.Clone(h.owners[i].owners))
	}
	h.changes.Add(1)
}
