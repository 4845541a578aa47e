package repro

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
)

// packForm is raised whenever the layout of a packed fold changes, or what newRec
// takes from an event. The lists of words behind the codes are part of the format
// by themselves; see PackFormat.
const packForm = "3"

// PackFormat names the layout and the meaning of a packed fold: one of another
// format cannot be unpacked.
var PackFormat = sync.OnceValue(func() string {
	h := sha256.New()
	for _, list := range [][]string{
		verdictWords, methodWords, examWords, chalkWords, foundWords, semenWords, basisWords, toneWords, mucusWords, signWords,
		leftWords, howWords, sexWords, seenWords, bigWords,
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
// from it and without the policies: the records as they rest in memory. Equal folds
// may give different bytes.
func (h *Herd) Pack() []byte { return h.AppendPacked(nil) }

// AppendPacked appends what Pack gives: of a large herd it is not to be copied again.
func (h *Herd) AppendPacked(b []byte) []byte {
	p := packer{b: slices.Grow(b, len(h.base)+int(h.edited)+12*h.words.count()+1024)}
	p.text(h.name)
	p.num(h.seq)
	p.count(h.words.count())
	for i := 1; i < h.words.count(); i++ {
		p.text(h.words.text(word(i)))
	}
	p.count(len(h.recorders))
	for _, r := range h.recorders {
		p.uint(uint64(r.by))
		p.uint(uint64(r.source))
	}
	p.count(len(h.parents))
	for _, i := range slices.Sorted(maps.Keys(h.parents)) {
		p.uint(uint64(i))
		p.uint(uint64(h.parents[i]))
	}
	p.count(len(h.names))
	for i, name := range h.names {
		p.uint(uint64(name))
		p.count(len(h.packed(int32(i))))
	}
	p.count(len(h.packed(herdLevel)))
	for i := range h.names {
		p.b = append(p.b, h.packed(int32(i))...)
	}
	p.b = append(p.b, h.packed(herdLevel)...)
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

var errPacked = errors.New("this is not a packed fold of this format")

// Unpack is the fold that was packed, under the given policies. It may keep b, which
// must not be changed any more. It does not trust the bytes: whatever could lead a reader of the fold astray is an error. That they
// are those of the right log is the caller's to check.
func Unpack(b []byte, name string, policies Policies) (*Herd, error) {
	u := unpacker{cursor: over(b)}
	h := NewHerd(name, policies)
	if u.text() != name {
		return nil, errPacked
	}
	h.seq = u.num()
	u.texts(h)
	h.recorders = make([]recorder, u.count(2))
	for i := range h.recorders {
		r := recorder{u.word(), u.word()}
		h.recorders[i], h.whoIs[r] = r, who(i)
	}
	links := make([][2]int32, u.count(2))
	for i := range links {
		// A number and an earlier one: no circle can be.
		n := u.upto(1<<31 - 1)
		links[i] = [2]int32{int32(n), int32(u.below(n))}
	}
	u.numbers(h)
	if h.seq < 0 || u.bad {
		return nil, errPacked
	}
	for _, l := range links {
		if int(l[0]) >= len(h.names) {
			return nil, errPacked
		}
		if h.parents == nil {
			h.parents = map[int32]int32{}
		}
		h.parents[l[0]] = l[1]
	}
	if h.base = b[u.i:]; u.i > len(b)/64 || cap(b) > len(b)+len(b)/64 { // more in front of it, or behind, than it is worth to keep
		h.base = slices.Clone(h.base)
	}
	h.base = slices.Clip(h.base)
	return h, h.checked()
}

// unpacker reads what a packer wrote. After the first fault everything it gives is
// zero, and bad is set.
type unpacker struct {
	cursor
	words uint64
}

// below reads an index below a bound.
func (u *unpacker) below(bound uint64) uint64 {
	if bound == 0 {
		u.fail()
		return 0
	}
	return u.upto(bound - 1)
}

// count reads how many things follow, each of at least so many bytes: no length
// makes it ask for more memory than the bytes could fill.
func (u *unpacker) count(least int) int {
	n := u.uint()
	if n > uint64((len(u.b)-u.i)/least) {
		u.fail()
		return 0
	}
	return int(n)
}

func (u *unpacker) bytes() []byte {
	n := u.count(1)
	b := u.b[u.i:][:n]
	u.i += n
	return b
}

func (u *unpacker) text() string { return string(u.bytes()) }

func (u *unpacker) word() word { return word(u.below(u.words)) }

// texts reads the words.
func (u *unpacker) texts(h *Herd) {
	n := u.count(1)
	var trunk []byte
	w := &h.words
	w.ends = make([]uint32, 1, max(1, n))
	for i := 1; i < n; i++ {
		trunk = append(trunk, u.bytes()...)
		w.ends = append(w.ends, uint32(len(trunk)))
	}
	u.words = uint64(len(w.ends))
	w.trunk, w.slots = string(trunk), make([]word, len(w.ends)*3/2+2)
	for c := 1; c < len(w.ends); c++ {
		_, slot, known := w.find(w.text(word(c)))
		if known { // twice, or empty
			u.fail()
			return
		}
		w.slots[slot] = word(c)
	}
}

// numbers reads how the numbers are called and where their records end.
func (u *unpacker) numbers(h *Herd) {
	n := u.count(2)
	h.names, h.ends, h.numbers = make([]word, n), make([]uint32, n+1), make([]int32, max(1, u.words))
	end := uint64(0)
	for i := range n {
		h.names[i] = u.word()
		if h.numbers[h.names[i]] != 0 {
			u.fail()
		}
		h.numbers[h.names[i]] = int32(i) + 1
		end += u.upto(maxBase)
		h.ends[i] = uint32(end)
	}
	end += u.upto(maxBase)
	h.ends[n] = uint32(end)
	if end > maxBase || end != uint64(len(u.b)-u.i) {
		u.fail()
	}
}

// checked looks at every record of the base, half of them on each of two processors.
func (h *Herd) checked() error {
	total := int64(len(h.base) / leastPacked)
	if h.seq > total*1000+1_000_000 { // sparse beyond any log
		return errPacked
	}
	n := len(h.names)
	h.gone = make([]event.Date, n)
	half, _ := slices.BinarySearch(h.ends[:n], uint32(len(h.base)/2))
	first, second := newChecker(h), newChecker(h)
	wait := guard.Beside("repro.unpack", func() {
		for i := range half {
			first.number(int32(i))
		}
	})
	defer wait()
	for i := half; i < n; i++ {
		second.number(int32(i))
	}
	second.number(herdLevel)
	wait()
	for i := range first.seen {
		if first.seen[i]&second.seen[i] != 0 {
			return errPacked
		}
	}
	if first.bad || second.bad {
		return errPacked
	}
	for _, d := range [...]dates{first.dates, second.dates} {
		if d.first != 0 {
			h.cache.dates.see(d.first)
			h.cache.dates.see(d.last)
		}
	}
	return nil
}

// checker checks numbers.
type checker struct {
	h     *Herd
	seen  []uint64 // bits of the seqs
	side  side
	dates dates
	bad   bool
}

func newChecker(h *Herd) *checker { return &checker{h: h, seen: make([]uint64, h.seq/64+1)} }

func (k *checker) number(i int32) {
	var before, r rec
	var last event.Date
	s := &k.side
	for c := over(k.h.resting(i)); c.more() && !k.bad; before = r {
		c.rec(&r, s)
		if c.bad || !k.h.sound(&r, s) || before.on != 0 && !k.h.follows(s, &before, &r) || k.seen[r.seq>>6]&(1<<(r.seq&63)) != 0 {
			k.bad = true
			return
		}
		k.seen[r.seq>>6] |= 1 << (r.seq & 63)
		k.dates.see(r.on)
		last = max(last, r.on, r.until)
	}
	s.reset()
	if before.kind == event.KindDeparture && i != herdLevel {
		k.h.gone[i] = last
	}
}

// follows tells whether the order of two records is right.
func (h *Herd) follows(s *side, a, b *rec) bool {
	return a.on < b.on || h.order(s, a, b) < 0
}

// sound tells whether what a record says can be looked up.
func (h *Herd) sound(r *rec, s *side) bool {
	words := word(h.words.count())
	date := func(d event.Date) bool { return d >= 0 && d <= lastDate }
	if r.on <= 0 || !date(r.until) || r.minute < startOfDay || r.num < absent || r.seq <= 0 || r.seq > h.seq || !r.kind.Valid() || r.kind == event.KindVoid || int(r.who) >= len(h.recorders) || !r.coded() {
		return false
	}
	switch r.kind {
	case event.KindArrival:
		p := &s.pasts[r.text]
		return p.parity >= absent && p.breed < words && p.dam < words && p.pen < words && p.sire < words && p.damSire < words && p.officialID < words && p.scheme < words && int(p.sex) < len(sexWords) && int(p.how) < len(howWords)
	case event.KindTreatment:
		w := &s.withheld[r.text]
		return w.program < words && w.step < words
	default:
		return r.text < words
	}
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
	case event.KindSize:
		return fit(r.a, bigWords)
	default: // no codes, or numbers
		return true
	}
}
