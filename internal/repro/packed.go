package repro

import (
	"encoding/binary"
	"slices"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// Records at rest are packed (delta and varint encoding): those of one number one behind the other, in order,
// about 17 bytes each where a rec takes 48. A record is
//
//	kind, and which of minute, until and num follow
//	a and b (each in three bits, or in a byte of its own), and whether c and text follow
//	the bytes of a, b and c that do
//	on, as days since the record before; seq, as steps since the one before
//	who; minute; until, as days since on; num; text
//	of an arrival or a treatment, in place of text, what it says beyond
//	the id of the kinds that may be paired; of others the mark, four bytes
//
// numbers as varints. Appending to a number is appending bytes; whatever else befalls
// it unpacks it and packs it again.

// Flags of the first byte, above the kind, and of the second.
const (
	hasMinute = 1 << (5 + iota)
	hasUntil
	hasNum
)

const (
	hasC    = 1 << 6
	hasText = 1 << 7

	wide    = 7 // in place of a or b: it has a byte of its own
	numbMax = 1<<15 - 1
)

// leastPacked is the fewest bytes that a record takes.
const leastPacked = 2 + 3 + 4

// mostPacked is more than any record takes.
const mostPacked = 128

// usual are the minute and the number of an event of a kind that states none.
func usual(k event.Kind) (minute, num int16) {
	switch k {
	case event.KindArrival, event.KindRenumber:
		return startOfDay, absent
	case event.KindHeat:
		return noon, 0
	default:
		return noon, absent
	}
}

// appendRec packs a record behind that of the given date and seq.
func appendRec(b []byte, r *rec, s *side, on event.Date, seq int64) []byte {
	minute, num := usual(r.kind)
	first, second := byte(r.kind), byte(0)
	if r.minute != minute {
		first |= hasMinute
	}
	if r.until != 0 {
		first |= hasUntil
	}
	if r.num != num {
		first |= hasNum
	}
	second |= min(r.a, wide) | min(r.b, wide)<<3
	if r.c != 0 {
		second |= hasC
	}
	beyond := r.kind == event.KindArrival || r.kind == event.KindTreatment
	if r.text != 0 && !beyond {
		second |= hasText
	}
	b = append(b, first, second)
	if r.a >= wide {
		b = append(b, r.a)
	}
	if r.b >= wide {
		b = append(b, r.b)
	}
	if r.c != 0 {
		b = append(b, r.c)
	}
	b = binary.AppendUvarint(b, uint64(r.on-on))
	b = binary.AppendVarint(b, r.seq-seq)
	b = binary.AppendUvarint(b, uint64(r.who))
	if first&hasMinute != 0 {
		b = binary.AppendUvarint(b, uint64(r.minute-startOfDay))
	}
	if first&hasUntil != 0 {
		b = binary.AppendVarint(b, int64(r.until-r.on))
	}
	if first&hasNum != 0 {
		b = binary.AppendUvarint(b, uint64(r.num-absent))
	}
	if second&hasText != 0 {
		b = binary.AppendUvarint(b, uint64(r.text))
	}
	switch r.kind {
	case event.KindArrival:
		b = s.pasts[r.text].append(b, r.on)
	case event.KindTreatment:
		w := s.withheld[r.text]
		b = appendDay(appendDay(b, w.milk, r.on), w.meat, r.on)
		b = binary.AppendUvarint(binary.AppendUvarint(b, uint64(w.program)), uint64(w.step))
	default:
	}
	if paired(r.kind) {
		return append(b, r.id[:]...)
	}
	return append(b, r.id[:4]...)
}

// appendDay packs a date that may be absent.
func appendDay(b []byte, d, on event.Date) []byte {
	if d == 0 {
		return append(b, 0)
	}
	n := uint64(d-on) << 1 // zigzag, and one up: 0 is no date
	if d < on {
		n = uint64(on-d)<<1 - 1
	}
	return binary.AppendUvarint(b, n+1)
}

func (p *past) append(b []byte, on event.Date) []byte {
	has := uint64(0)
	for i, there := range [...]bool{
		p.born != 0, p.breed != 0, p.dam != 0, p.pen != 0, p.sire != 0, p.officialID != 0, p.scheme != 0,
		p.parity != absent, p.calved != 0, p.bred != 0, p.conceived != 0, p.damSire != 0,
	} {
		if there {
			has |= 1 << i
		}
	}
	b = append(binary.AppendUvarint(b, has), p.sex|p.how<<4)
	for _, d := range [...]event.Date{p.born, p.calved, p.bred, p.conceived} {
		if d != 0 {
			b = appendDay(b, d, on)
		}
	}
	for _, w := range [...]word{p.breed, p.dam, p.pen, p.sire, p.officialID, p.scheme, p.damSire} {
		if w != 0 {
			b = binary.AppendUvarint(b, uint64(w))
		}
	}
	if p.parity != absent {
		b = binary.AppendUvarint(b, uint64(p.parity-absent))
	}
	return b
}

// cursor reads packed things. Behind the end, or after a fault, all that it gives
// is zero, and bad is set: it may be handed any bytes.
type cursor struct {
	b   []byte
	i   int
	bad bool

	on  event.Date // of the record read last
	seq int64
}

func over(b []byte) cursor { return cursor{b: b} }

func (c *cursor) more() bool { return c.i < len(c.b) }

func (c *cursor) fail() {
	c.bad, c.i = true, len(c.b)
}

// faulty is where a cursor stands whose bytes make no sense: behind all of them.
const faulty = 1 << 62

// varint reads a number at i and tells where the next begins.
func varint(b []byte, i int) (uint64, int) {
	if i < len(b) && b[i] < 0x80 {
		return uint64(b[i]), i + 1
	}
	return longVarint(b, i)
}

func longVarint(b []byte, i int) (uint64, int) {
	if i < len(b)-1 && b[i+1] < 0x80 {
		return uint64(b[i]&0x7f) | uint64(b[i+1])<<7, i + 2
	}
	if i >= len(b) {
		return 0, faulty
	}
	n, size := binary.Uvarint(b[i:])
	if size <= 0 {
		return 0, faulty
	}
	return n, i + size
}

func zigzag(n uint64) int64 { return int64(n>>1) ^ -int64(n&1) }

func octet(b []byte, i int) (byte, int) {
	if i < len(b) {
		return b[i], i + 1
	}
	return 0, faulty
}

func (c *cursor) uint() uint64 {
	n, i := varint(c.b, c.i)
	if i == faulty {
		c.fail()
		return 0
	}
	c.i = i
	return n
}

func (c *cursor) num() int64 { return zigzag(c.uint()) }

// upto reads a number that is no greater than the bound.
func (c *cursor) upto(bound uint64) uint64 {
	n := c.uint()
	if n > bound {
		c.fail()
		return 0
	}
	return n
}

// lastDate bounds dates, so that sums of them cannot overflow.
const lastDate = 1 << 30

// dayAt reads a date that appendDay wrote.
func dayAt(b []byte, i int, on event.Date) (event.Date, int) {
	n, i := varint(b, i)
	if n == 0 {
		return 0, i
	}
	d := int64(on) + zigzag(n-1)%lastDate
	if d <= 0 || d > lastDate {
		return 0, faulty
	}
	return event.Date(d), i
}

// rec reads one record. What it says beyond goes into the side.
func (c *cursor) rec(r *rec, s *side) {
	b, i := c.b, c.i
	if len(b)-i < leastPacked {
		c.fail()
		return
	}
	first, second := b[i], b[i+1]
	i += 2
	r.kind, r.a, r.b, r.c = event.Kind(first&0x1f), second&wide, second>>3&wide, 0
	if r.a == wide {
		r.a, i = octet(b, i)
	}
	if r.b == wide {
		r.b, i = octet(b, i)
	}
	if second&hasC != 0 {
		r.c, i = octet(b, i)
	}
	// These three are in every record: by hand, what varint is too large for to be
	// put in place.
	var n, seq, w uint64
	if i < len(b) && b[i] < 0x80 {
		n, i = uint64(b[i]), i+1
	} else {
		n, i = longVarint(b, i)
	}
	if i < len(b)-1 && b[i] >= 0x80 && b[i+1] < 0x80 {
		seq, i = uint64(b[i]&0x7f)|uint64(b[i+1])<<7, i+2
	} else {
		seq, i = varint(b, i)
	}
	if i < len(b) && b[i] < 0x80 {
		w, i = uint64(b[i]), i+1
	} else {
		w, i = longVarint(b, i)
	}
	if n > lastDate-uint64(c.on) || w > 1<<32-1 {
		i = faulty
		n = 0
	}
	c.on += event.Date(n)
	c.seq += zigzag(seq)
	r.on, r.seq, r.who = c.on, c.seq, who(w)
	r.minute, r.num = usual(r.kind)
	r.until, r.text = 0, 0
	if first&hasMinute != 0 {
		n, i = varint(b, i)
		r.minute = int16(n&(2*numbMax+1)) + startOfDay
	}
	if first&hasUntil != 0 {
		n, i = varint(b, i)
		r.until = event.Date(int64(r.on) + zigzag(n)%lastDate)
	}
	if first&hasNum != 0 {
		n, i = varint(b, i)
		r.num = int16(n&(2*numbMax+1)) + absent
	}
	if second&hasText != 0 {
		n, i = varint(b, i)
		r.text = word(n)
	}
	switch r.kind {
	case event.KindArrival:
		r.text = word(len(s.pasts))
		var p past
		p, i = pastAt(b, i, r.on)
		s.pasts = append(s.pasts, p)
	case event.KindTreatment:
		r.text = word(len(s.withheld))
		var held withheld
		held.milk, i = dayAt(b, i, r.on)
		held.meat, i = dayAt(b, i, r.on)
		n, i = varint(b, i)
		held.program = word(n)
		n, i = varint(b, i)
		held.step = word(n)
		s.withheld = append(s.withheld, held)
	default:
	}
	if paired(r.kind) {
		if i > len(b)-16 {
			c.fail()
			return
		}
		r.id = uuid.UUID(b[i : i+16])
		c.i = i + 16
		return
	}
	if i > len(b)-4 {
		c.fail()
		return
	}
	r.id = uuid.UUID{b[i], b[i+1], b[i+2], b[i+3]}
	c.i = i + 4
}

func pastAt(b []byte, i int, on event.Date) (past, int) {
	var p past
	var has, n uint64
	var codes byte
	has, i = varint(b, i)
	codes, i = octet(b, i)
	p.sex, p.how, p.parity = codes&15, codes>>4, absent
	for _, d := range [...]struct {
		bit int
		at  *event.Date
	}{{0, &p.born}, {8, &p.calved}, {9, &p.bred}, {10, &p.conceived}} {
		if has>>d.bit&1 != 0 {
			*d.at, i = dayAt(b, i, on)
		}
	}
	for _, w := range [...]struct {
		bit int
		at  *word
	}{{1, &p.breed}, {2, &p.dam}, {3, &p.pen}, {4, &p.sire}, {5, &p.officialID}, {6, &p.scheme}, {11, &p.damSire}} {
		if has>>w.bit&1 != 0 {
			n, i = varint(b, i)
			*w.at = word(n)
		}
	}
	if has>>7&1 != 0 {
		n, i = varint(b, i)
		p.parity = int16(n&(2*numbMax+1)) + absent
	}
	return p, i
}

// unpackTo appends the packed records to recs.
func unpackTo(recs []rec, c cursor, s *side) []rec {
	for c.more() {
		n := len(recs)
		if n == cap(recs) {
			recs = slices.Grow(recs, 1)
		}
		recs = recs[:n+1]
		c.rec(&recs[n], s)
	}
	return recs
}
