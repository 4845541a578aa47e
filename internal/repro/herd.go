package repro

import (
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"
	"unsafe"

	"byrelog.example/internal/event"
)

// Fact is one event of the log as the fold needs it. The fold does not look at
// RecordedAt: what was known at a time is a prefix of the log, and which one
// is the caller's to say.
type Fact struct {
	Event      *event.Event
	Seq        int64
	RecordedAt time.Time
	Voids      int64 // of a void: the seq of the event that it withdraws
}

// Herd is the fold of one herd's log. Any number of goroutines may read it at
// once; Apply and Trim must be alone.
//
// It has two parts. What is kept of the log rests packed: the base, which is never
// changed, and a copy of each number that has changed since (number). What is
// derived from it, on demand, weighs several times as much, and may be shed at any
// time (cache).
type Herd struct {
	name     string
	policies Policies
	seq      int64

	words     words
	recorders []recorder
	whoIs     map[recorder]who
	lastWho   struct { // most events follow one of the same recorder
		by, source string
		who        who
		known      bool
	}

	names   []word          // of the numbers
	numbers []int32         // by word: the number that it names and 1, or 0
	parents map[int32]int32 // of numbers that renumberings link to an earlier one; see group
	base    []byte          // packed records of the numbers, side by side, then of the walks
	shelf   *shelf          // where the base lies if that is not in memory; see Shelved
	ends    []uint32        // where in the base those of each number end; numbers behind them have none in it
	gone    []event.Date    // by number in the base: see goneBy; nil = not known
	edits   []*number       // by number; nil = as in the base
	walks   *number         // nil = as in the base
	edited  int64           // bytes of the edits
	token   *token          // marks what this herd may change in place
	ownsOf  *token          // of the elements of numbers and edits

	touched touches      // in Apply
	room    []rec        // in settle
	met     byte         // of no meaning; see lookUp
	changes atomic.Int64 // see Changes

	mu    sync.Mutex
	cache cache // derived from the above, on demand
}

// token is an identity: a clone takes a new one, and so does its original, so
// that each copies what they share before changing it.
type token struct{ _ byte }

// number is everything recorded under one number, as it is being changed.
type number struct {
	data  []byte     // packed; shared with the base or a clone if it has no room left
	last  rec        // of those in data
	day   place      // where those of the last day begin
	loose []rec      // that belong before the last one, until the day or the batch ends
	first event.Date // of those
	owner *token
}

// place is a place in packed records, with date and seq of the one before.
type place struct {
	at  int
	on  event.Date
	seq int64
}

// bytesOfNumber is what a number takes beside its records.
const bytesOfNumber = int64(unsafe.Sizeof(number{}))

// In place of the index of a number: the walks, or none.
const (
	noOwner   int32 = -1
	herdLevel int32 = -2
)

// NewHerd starts an empty fold. The policies are copied; without any, the
// default policy holds.
func NewHerd(name string, policies Policies) *Herd {
	t := new(token)
	return &Herd{
		name: name, policies: policies.normal(), words: newWords(t), numbers: []int32{0}, whoIs: map[recorder]who{},
		token: t, ownsOf: t,
	}
}

// Name is the herd's short name.
func (h *Herd) Name() string { return h.name }

// Seq is the seq of the last fact applied.
func (h *Herd) Seq() int64 { return h.seq }

// Policies are the herd's dated policies, in order. Not to be changed.
func (h *Herd) Policies() Policies { return h.policies }

// Clone is an independent copy; the records are shared until one of the two
// changes them.
func (h *Herd) Clone() *Herd {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := &Herd{
		name: h.name, policies: h.policies, seq: h.seq,
		words:     h.words.clone(),
		recorders: slices.Clip(h.recorders),
		whoIs:     maps.Clone(h.whoIs),
		names:     slices.Clip(h.names),
		numbers:   slices.Clip(h.numbers),
		parents:   maps.Clone(h.parents),
		base:      h.base,
		ends:      h.ends,
		gone:      h.gone,
		edits:     slices.Clip(h.edits),
		walks:     h.walks,
		edited:    h.edited,
		token:     new(token),
		cache:     h.cache.clone(),
	}
	c.changes.Store(h.changes.Load() + 1)
	h.token = new(token)
	return c
}

// WithPolicies is a clone under other policies.
func (h *Herd) WithPolicies(ps Policies) *Herd {
	c := h.Clone()
	c.policies = ps.normal()
	c.cache = cache{dates: c.cache.dates, owners: c.cache.owners}
	return c
}

func (h *Herd) code(s string) word { return h.words.code(s, h.token) }

// add puts a record behind those of a number, which is the rule. One that belongs
// before the last of them is set aside until the batch ends; if all that are belong to
// the last day, until a new one begins: then they come to their place cheaply.
func (h *Herd) add(num *number, r *rec, s *side) (loose bool) {
	if len(num.loose) > 0 && num.first == num.last.on && r.on > num.last.on {
		h.settle(num, s)
	}
	if len(num.data) > 0 && num.last.order(r) >= 0 {
		if len(num.loose) == 0 || r.on < num.first {
			num.first = r.on
		}
		num.loose = append(num.loose, *r)
		return true
	}
	h.edited -= int64(cap(num.data))
	num.append(r, s)
	h.edited += int64(cap(num.data))
	return false
}

func (num *number) append(r *rec, s *side) {
	if r.on != num.last.on || len(num.data) == 0 {
		num.day = place{len(num.data), num.last.on, num.last.seq}
	}
	var b [mostPacked]byte // not data itself, which would have to have room for the longest
	num.data = append(num.data, appendRec(b[:0], r, s, num.last.on, num.last.seq)...)
	num.last = *r
}

// from reads the records from a place on.
func (num *number) from(p place) cursor {
	return cursor{b: num.data, i: p.at, on: p.on, seq: p.seq}
}

// replace puts other records, at least one unless there are none before it either, in
// place of those from a place on.
func (num *number) replace(from place, recs []rec, s *side) {
	kept := num.data[:from.at]
	if cap(num.data) == len(num.data) {
		kept = slices.Clip(kept) // another may have the rest
	}
	num.data, num.last = kept, rec{on: from.on, seq: from.seq}
	if from.at == 0 {
		num.last = rec{}
	}
	for i := range recs {
		num.append(&recs[i], s)
	}
}

// since is where the records dated on or later begin.
func (num *number) since(on event.Date) place {
	var r rec
	var s side
	for c := over(num.data); c.more(); {
		before := place{c.i, c.on, c.seq}
		if c.rec(&r, &s); r.on >= on {
			return before
		}
	}
	return place{len(num.data), num.last.on, num.last.seq}
}

// settle puts what is loose of a number to its place: the records dated earlier than
// all of it stay as they are.
func (h *Herd) settle(num *number, s *side) {
	if len(num.loose) == 0 {
		return
	}
	from := num.day
	if num.first < num.last.on {
		from = num.since(num.first)
	}
	recs := append(unpackTo(h.room[:0], num.from(from), s), num.loose...)
	h.room, num.loose = recs, nil
	h.edited -= int64(cap(num.data))
	num.replace(from, h.tidy(recs, s), s)
	h.edited += int64(cap(num.data))
}

// drop takes a voided event out.
func (h *Herd) drop(owner int32, seq int64, s *side) {
	num := h.change(owner)
	h.settle(num, s)
	recs := unpackTo(nil, over(num.data), s)
	if i := slices.IndexFunc(recs, func(r rec) bool { return r.seq == seq }); i >= 0 {
		h.cache.dates.lose(recs[i].on)
		h.edited -= int64(cap(num.data))
		num.replace(place{}, slices.Delete(recs, i, i+1), s)
		h.edited += int64(cap(num.data))
	}
}

func (h *Herd) numberOf(name word) int32 {
	if int(name) < len(h.numbers) && h.numbers[name] != 0 {
		return h.numbers[name] - 1
	}
	h.own()
	i := int32(len(h.names))
	h.names = append(h.names, name)
	for len(h.numbers) < h.words.count() {
		h.numbers = append(h.numbers, 0)
	}
	h.numbers[name] = i + 1
	return i
}

// number finds the number of a name.
func (h *Herd) number(name string) (int32, bool) {
	c, ok := h.words.lookup(name)
	if !ok || name == "" || int(c) >= len(h.numbers) || h.numbers[c] == 0 {
		return 0, false
	}
	return h.numbers[c] - 1, true
}

// own makes sure that elements of numbers and edits may be changed.
func (h *Herd) own() {
	if h.ownsOf != h.token {
		h.numbers, h.edits, h.ownsOf = slices.Clone(h.numbers), slices.Clone(h.edits), h.token
	}
}

// resting are the packed records of a number in the base.
func (h *Herd) resting(i int32) []byte {
	at, from, to := h.span(i)
	if at < 0 {
		return nil
	}
	return h.base[from:to:to]
}

// span is where in the base the records of a number lie, and the place of their end
// among the ends; below zero if it has none there.
func (h *Herd) span(i int32) (at int32, from, to uint32) {
	last := int32(len(h.ends)) - 1
	switch {
	case i == herdLevel:
		i = last // they stand last
	case i >= last:
		return -1, 0, 0
	}
	if i > 0 {
		from = h.ends[i-1]
	}
	if i >= 0 {
		to = h.ends[i]
	}
	return i, from, to
}

// edit is the changed number, or nil.
func (h *Herd) edit(i int32) *number {
	switch {
	case i == herdLevel:
		return h.walks
	case int(i) < len(h.edits):
		return h.edits[i]
	}
	return nil
}

// packed are the packed records of a number.
func (h *Herd) packed(i int32) []byte {
	if num := h.edit(i); num != nil {
		return num.data
	}
	return h.resting(i)
}

// goneBy tells whether all that bore a number have left by a day, and nothing is dated
// later, not even the end of a run with a bull. It is not always known.
func (h *Herd) goneBy(i int32, on event.Date) bool {
	return int(i) < len(h.gone) && h.gone[i] != 0 && h.gone[i] <= on && h.edit(i) == nil
}

// change gives a number for changing in place, copied if a clone shares it.
func (h *Herd) change(i int32) *number {
	num := h.edit(i)
	if num != nil && num.owner == h.token {
		return num
	}
	if num == nil {
		num = &number{data: h.resting(i)}
		var s side
		for c := over(num.data); c.more(); {
			before := place{c.i, c.on, c.seq}
			if c.rec(&num.last, &s); c.on != before.on {
				num.day = before
			}
		}
		h.edited += bytesOfNumber + int64(cap(num.data))
	} else {
		h.edited -= int64(cap(num.data) - len(num.data))
		num = &number{data: slices.Clip(num.data), last: num.last, day: num.day}
	}
	num.owner = h.token
	if i == herdLevel {
		h.walks = num
		return num
	}
	h.own()
	if missing := len(h.names) - len(h.edits); missing > 0 {
		h.edits = append(h.edits, make([]*number, missing)...)
	}
	h.edits[i] = num
	return num
}

// maxBase is what ends can say: hundreds of millions of events.
const maxBase = 1<<32 - 1

// rebase makes a new base of the numbers as they are.
func (h *Herd) rebase() {
	size := len(h.packed(herdLevel))
	for i := range h.names {
		size += len(h.packed(int32(i)))
	}
	if size > maxBase {
		return
	}
	base, ends := make([]byte, 0, size), make([]uint32, 0, len(h.names)+1)
	for i := range h.names {
		base = append(base, h.packed(int32(i))...)
		ends = append(ends, uint32(len(base)))
	}
	base = append(base, h.packed(herdLevel)...)
	h.base, h.ends = base, append(ends, uint32(len(base)))
	h.gone, h.edits, h.walks, h.edited = nil, nil, nil, 0
}

// Trim packs what has changed into the base, and gives back the room that growing
// left over. It is worth it when a fold has been read in one go.
func (h *Herd) Trim() {
	h.rebase()
	h.clip()
}

// clip gives back the room that growing left over beside the records.
func (h *Herd) clip() {
	h.words.trim(h.token)
	h.names, h.numbers, h.recorders = slices.Clip(slices.Clone(h.names)), slices.Clip(slices.Clone(h.numbers)), slices.Clip(slices.Clone(h.recorders))
	h.ownsOf, h.touched, h.room = h.token, touches{}, nil
	h.changes.Add(1)
}

// Settle trims the fold if what has changed weighs as much as the base: after Apply,
// where a fold stays. While a log is being read it would be done many times in vain.
func (h *Herd) Settle() {
	const least = 64 << 10
	if h.edited > int64(len(h.base))/2+least {
		h.Trim()
	}
}

// group finds the group of numbers that i belongs to: numbers that a
// renumbering links are folded together, since one animal may have borne them.
// Voiding the renumbering leaves the group as it is; that costs time, never
// correctness.
func (h *Herd) group(i int32) int32 {
	for {
		parent, ok := h.parents[i]
		if !ok {
			return i
		}
		i = parent
	}
}

func (h *Herd) link(a, b int32) {
	a, b = h.group(a), h.group(b)
	if a == b {
		return
	}
	if h.parents == nil {
		h.parents = map[int32]int32{}
	}
	h.parents[max(a, b)] = min(a, b)
	h.cache.forget(max(a, b))
}

// members lists the numbers of a group, in order.
func (h *Herd) members(g int32) []int32 {
	list := []int32{g}
	for i := range h.parents {
		if h.group(i) == g {
			list = append(list, i)
		}
	}
	slices.Sort(list)
	return list
}

// LastDate is the date of the latest event in the effective log: the herd's
// own last data date. Zero if the log is empty.
func (h *Herd) LastDate() event.Date {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.datesNow().last
}

// FirstDate is the date of the earliest event in the effective log.
func (h *Herd) FirstDate() event.Date {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.datesNow().first
}

// Changes counts whatever may have changed Size. A clone goes on from the count
// of its original.
func (h *Herd) Changes() int64 { return h.changes.Load() }

// Size estimates the memory that the fold holds, in bytes, with what it
// derives on demand; Derived is the latter alone.
func (h *Herd) Size() int64 {
	size := int64(unsafe.Sizeof(*h)) + int64(cap(h.base)) + 4*int64(cap(h.ends)+cap(h.gone)+cap(h.names)+cap(h.numbers)) + 8*int64(cap(h.edits)) + h.edited +
		40*int64(len(h.parents)) + int64(4*cap(h.recorders))*int64(unsafe.Sizeof(recorder{})) + h.words.size() +
		int64(4*cap(h.touched.list)+cap(h.touched.state)) + int64(cap(h.room))*int64(unsafe.Sizeof(rec{}))
	return size + h.Derived()
}
