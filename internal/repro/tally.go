package repro

import (
	"math/bits"
	"slices"
	"unsafe"

	"byrelog.example/internal/event"
	"byrelog.example/internal/stats"
)

// cell counts the items of one herd that are alike in all that figures are made of:
// a herd of a thousand cows gives an index some ten thousand items in some fifty
// cells. So an answer, and a pool of many, is added up from few numbers, and holds
// no item unless its evidence is asked for.
type cell struct {
	label, reason string
	from, to      event.Date // of its first item; of all of them in an index that is dated
	counted       counted
	flags         flag
	dayless       bool // its items have no days

	n      int
	aux    int   // sum over the items
	sum    int   // of the days
	days   []int // of each item that counts; nil in an index of sums only
	follow []int // aux of each item that the survival view counts
}

// cells finds the cell of an item by a table of its own: the runtime's map would
// hash two texts for every item. Most items have the very texts of an item before, so
// that a look at where these lie tells the cell.
type cells struct {
	list   []cell
	table  []int32 // by hash: place in the list and 1; 0 = free
	recent []recent
	shift  uint8 // takes from a hash the bits of a place in recent
}

// recent is the cell of an item not long ago, and what that looked like from outside:
// where its texts lie, and what it says beside them. Two items that look the same are of
// one cell; the converse need not hold.
type recent struct {
	label, reason *byte
	lengths       uint64 // of the two
	dates         uint64 // from and to, if dated
	rest          uint32 // flags, counted, whether it has days
	at            int32  // its place in the list and 1; 0 = none
}

// There is room for at least twice as many recent ones as there are cells, up to the
// last of these: the months or windows of a year, each with what may befall a cow in it.
const (
	firstRecent = 8
	lastRecent  = 256
)

// firstCells is the size of the first table, a power of two.
const firstCells = 64

func (c *cells) take(it *item, ix *index) {
	x := c.of(it, ix.dated)
	x.n++
	x.aux += int(it.aux)
	if !x.dayless {
		x.sum += int(it.days)
		if it.counted != out && !ix.sumsOnly {
			x.days = append(x.days, int(it.days))
		}
	}
	if ix.followed && it.flags&flagFollowed != 0 {
		x.follow = append(x.follow, int(it.aux))
	}
}

// join counts what others have counted.
func (c *cells) join(other *cells, ix *index) {
	for i := range other.list {
		x := &other.list[i]
		it := item{label: x.label, reason: x.reason, from: x.from, to: x.to, counted: x.counted, flags: x.flags}
		if x.dayless {
			it.days = noDays
		}
		y := c.of(&it, ix.dated)
		y.n, y.aux, y.sum = y.n+x.n, y.aux+x.aux, y.sum+x.sum
		y.days, y.follow = append(y.days, x.days...), append(y.follow, x.follow...)
	}
}

func (c *cells) of(it *item, dated bool) *cell {
	label, reason := unsafe.StringData(it.label), unsafe.StringData(it.reason) //nolint:gosec // compared, never followed
	lengths, dates := uint64(len(it.label))<<32|uint64(len(it.reason)), uint64(0)
	if dated {
		dates = uint64(uint32(it.from))<<32 | uint64(uint32(it.to))
	}
	rest := uint32(it.flags)<<16 | uint32(it.counted)<<1
	if it.days == noDays {
		rest++
	}
	h := uint64(uintptr(unsafe.Pointer(label)))>>3 + uint64(uintptr(unsafe.Pointer(reason))) + uint64(rest)<<7 //nolint:gosec // a hash
	h *= 0x9e3779b97f4a7c15
	if at := h >> c.shift; at < uint64(len(c.recent)) {
		if r := &c.recent[at]; r.label == label && r.reason == reason && r.rest == rest && r.lengths == lengths && r.dates == dates && r.at != 0 {
			return &c.list[r.at-1]
		}
	}
	at := c.find(it, dated)
	if n := len(c.recent); n < lastRecent && n < 2*len(c.list) {
		n = max(firstRecent, 2*n)
		c.recent, c.shift = make([]recent, n), uint8(bits.LeadingZeros64(uint64(n))+1)
	}
	c.recent[h>>c.shift] = recent{label, reason, lengths, dates, rest, at}
	return &c.list[at-1]
}

// find gives the place of the item's cell and 1; it makes the cell if need be.
func (c *cells) find(it *item, dated bool) int32 {
	if len(c.list)*2 >= len(c.table) {
		c.grow(dated)
	}
	mask := uint32(len(c.table) - 1)
	for at := hash(it.label, it.reason, it.flags, it.from, dated) & mask; ; at = (at + 1) & mask {
		i := c.table[at]
		if i == 0 {
			c.list = append(c.list, cell{
				label: it.label, reason: it.reason, from: it.from, to: it.to, counted: it.counted, flags: it.flags, dayless: it.days == noDays,
			})
			c.table[at] = int32(len(c.list))
			return c.table[at]
		}
		x := &c.list[i-1]
		if x.flags == it.flags && x.counted == it.counted && x.dayless == (it.days == noDays) && x.label == it.label && x.reason == it.reason &&
			(!dated || x.from == it.from && x.to == it.to) {
			return i
		}
	}
}

func (c *cells) grow(dated bool) {
	c.table = make([]int32, max(firstCells, 2*len(c.table)))
	c.list = slices.Grow(c.list, len(c.table)/2+1)
	mask := uint32(len(c.table) - 1)
	for i := range c.list {
		x := &c.list[i]
		at := hash(x.label, x.reason, x.flags, x.from, dated) & mask
		for c.table[at] != 0 {
			at = (at + 1) & mask
		}
		c.table[at] = int32(i + 1)
	}
}

// hash mixes what mostly differs: labels end in a date, a month or a name, and
// reasons are told apart by their length and their ends. Items that fall together
// cost a comparison, no more.
func hash(label, reason string, flags flag, from event.Date, dated bool) uint32 {
	h := uint32(flags)
	mix := func(v uint32) { h = (h ^ v) * 0x9e3779b1 }
	if n := len(label); n > 0 {
		mix(uint32(n) << 8)
		for i := max(0, n-5); i < n; i++ {
			mix(uint32(label[i]))
		}
	}
	if n := len(reason); n > 0 {
		mix(uint32(n)<<16 | uint32(reason[0])<<8 | uint32(reason[n-1]))
	}
	if dated {
		mix(uint32(from))
	}
	return h ^ h>>15
}

// tally counts the cells of one row, or of all.
type tally struct {
	label    string
	from, to event.Date
	num, den int
	numLost  int // of those in the numerator, lost later
	flags    [16]int
	days     []int // of the items that count; nil in a row that is not shown
	aux      int
	reasons  map[string]int // of the items left out
}

func (t *tally) take(x *cell) {
	switch x.counted {
	case inNumerator:
		t.num += x.n
		t.den += x.n
		if x.flags&flagLostLater != 0 {
			t.numLost += x.n
		}
	case inDenominator:
		t.den += x.n
	default:
		if t.reasons == nil {
			t.reasons = map[string]int{}
		}
		t.reasons[x.reason] += x.n
	}
	t.aux += x.aux
	for f := x.flags; f != 0; f &= f - 1 {
		t.flags[bits.TrailingZeros16(uint16(f))] += x.n
	}
}

// order puts the days in order, for medians and the like: of a pool of herds there
// are very many, and they are small numbers.
func (t *tally) order() { stats.Sort(t.days) }

func (t *tally) count(f flag) int { return t.flags[bits.TrailingZeros16(uint16(f))] }

// countIn adds up the items of the cells that are as asked.
func (c *count) countIn(is func(*cell) bool) int {
	n := 0
	for _, pt := range c.parts {
		for i := range pt.cells {
			if x := &pt.cells[i]; is(x) {
				n += x.n
			}
		}
	}
	return n
}
