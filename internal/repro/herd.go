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
// once; Apply must be alone.
type Herd struct {
	name     string
	policies Policies
	seq      int64

	words     words
	numbers   []*number
	byName    map[word]int32
	owners    []span
	walks     []rec
	walksOf   *token
	pasts     []past
	withheld  []withheld
	recorders []recorder
	whoIs     map[recorder]who
	lastWho   struct { // most events follow one of the same recorder
		by, source string
		who        who
		known      bool
	}
	token *token // marks what this herd may change in place

	changes atomic.Int64 // see Changes

	mu    sync.Mutex
	cache cache // derived from the above, on demand
}

// token is an identity: a clone takes a new one, and so does its original, so
// that each copies what they share before changing it.
type token struct{ _ byte }

// number is everything recorded under one number.
type number struct {
	name  word
	group int32 // parent in the forest of numbers that renumberings link
	recs  []rec // in order
	owner *token
}

// span says for consecutive seqs, from first on, under which number each was
// recorded: its index, herdLevel, or noOwner for voids.
type span struct {
	first  int64
	owners []int32
}

const (
	noOwner   int32 = -1
	herdLevel int32 = -2
)

// NewHerd starts an empty fold. The policies are copied; without any, the
// default policy holds.
func NewHerd(name string, policies Policies) *Herd {
	t := new(token)
	return &Herd{
		name: name, policies: policies.normal(), words: newWords(), byName: map[word]int32{}, whoIs: map[recorder]who{},
		token: t, walksOf: t,
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
		words:     words{maps.Clone(h.words.codes), slices.Clone(h.words.texts)},
		numbers:   slices.Clone(h.numbers),
		byName:    maps.Clone(h.byName),
		owners:    slices.Clone(h.owners),
		walks:     slices.Clip(h.walks),
		pasts:     slices.Clip(h.pasts),
		withheld:  slices.Clip(h.withheld),
		recorders: slices.Clip(h.recorders),
		whoIs:     maps.Clone(h.whoIs),
		token:     new(token),
		cache:     h.cache.clone(),
	}
	c.changes.Store(h.changes.Load() + 1)
	for i := range c.owners {
		c.owners[i].owners = slices.Clip(c.owners[i].owners)
	}
	h.token = new(token)
	return c
}

// WithPolicies is a clone under other policies.
func (h *Herd) WithPolicies(ps Policies) *Herd {
	c := h.Clone()
	c.policies = ps.normal()
	c.cache = cache{}
	return c
}

// Apply adds facts to the fold. They come in ascending seq; those at or below
// Seq are ignored, so a batch may be applied again. How the facts are divided
// into batches makes no difference to any answer.
func (h *Herd) Apply(facts []Fact) {
	h.changes.Add(1)
	touched := map[int32]bool{} // true: its records are to be put in order
	for i := range facts {
		f := &facts[i]
		if f.Seq <= h.seq || f.Event == nil {
			continue
		}
		h.seq = f.Seq
		switch {
		case f.Event.Kind == event.KindVoid:
			h.own(f.Seq, noOwner)
			if owner, ok := h.owner(f.Voids); ok {
				h.drop(owner, f.Voids)
				if _, known := touched[owner]; !known {
					touched[owner] = false
				}
			}
		case f.Event.Kind == event.KindWalk:
			h.own(f.Seq, herdLevel)
			h.changeWalks()
			h.walks = append(h.walks, h.newRec(f))
			touched[herdLevel] = touched[herdLevel] || !goesOn(h.walks)
		default:
			n := h.numberOf(h.words.code(f.Event.Animal))
			h.own(f.Seq, n)
			num := h.change(n)
			r := h.newRec(f)
			num.recs = append(num.recs, r)
			touched[n] = touched[n] || !goesOn(num.recs)
			if r.kind == event.KindRenumber {
				h.link(n, h.numberOf(r.text))
			}
		}
	}
	for n, untidy := range touched {
		if !untidy {
			continue
		}
		if n == herdLevel {
			h.walks = tidy(h.walks)
			continue
		}
		num := h.change(n)
		num.recs = tidy(num.recs)
	}
	if len(touched) > 0 {
		h.stale(touched)
	}
}

// goesOn tells whether the last record is another one than that before it, and
// stands behind it in order: then those that were tidy still are.
func goesOn(recs []rec) bool {
	n := len(recs)
	return n < 2 || recs[n-2].order(&recs[n-1]) < 0 && recs[n-2].id != recs[n-1].id
}

// tidy puts records in order and leaves out events that came twice.
func tidy(recs []rec) []rec {
	byOrder := func(a, b rec) int { return a.order(&b) }
	if !slices.IsSortedFunc(recs, byOrder) {
		slices.SortFunc(recs, byOrder)
	}
	return slices.CompactFunc(recs, func(a, b rec) bool { return a.id == b.id && a.on == b.on && a.kind == b.kind })
}

// own notes under which number a seq was recorded.
func (h *Herd) own(seq int64, owner int32) {
	if n := len(h.owners); n > 0 {
		if last := &h.owners[n-1]; last.first+int64(len(last.owners)) == seq {
			last.owners = append(last.owners, owner)
			return
		}
	}
	h.owners = append(h.owners, span{seq, []int32{owner}})
}

// owner finds under which number a seq was recorded.
func (h *Herd) owner(seq int64) (int32, bool) {
	i, found := slices.BinarySearchFunc(h.owners, seq, func(s span, seq int64) int {
		if s.first <= seq {
			return -1
		}
		return 1
	})
	if found || i == 0 {
		return noOwner, false
	}
	s := &h.owners[i-1]
	if at := seq - s.first; at < int64(len(s.owners)) && s.owners[at] != noOwner {
		return s.owners[at], true
	}
	return noOwner, false
}

// drop takes a voided event out.
func (h *Herd) drop(owner int32, seq int64) {
	is := func(r rec) bool { return r.seq == seq }
	if owner == herdLevel {
		h.changeWalks()
		h.walks = slices.DeleteFunc(h.walks, is)
		return
	}
	num := h.change(owner)
	num.recs = slices.DeleteFunc(num.recs, is)
}

func (h *Herd) numberOf(name word) int32 {
	if i, ok := h.byName[name]; ok {
		return i
	}
	i := int32(len(h.numbers))
	h.numbers = append(h.numbers, &number{name: name, group: i, owner: h.token})
	h.byName[name] = i
	return i
}

// change gives a number for changing in place, copied if a clone shares it.
func (h *Herd) change(i int32) *number {
	num := h.numbers[i]
	if num.owner != h.token {
		num = &number{name: num.name, group: num.group, recs: slices.Clone(num.recs), owner: h.token}
		h.numbers[i] = num
	}
	return num
}

func (h *Herd) changeWalks() {
	if h.walksOf != h.token {
		h.walks, h.walksOf = slices.Clone(h.walks), h.token
	}
}

// group finds the group of numbers that i belongs to: numbers that a
// renumbering links are folded together, since one animal may have borne them.
// Voiding the renumbering leaves the group as it is; that costs time, never
// correctness.
func (h *Herd) group(i int32) int32 {
	for h.numbers[i].group != i {
		i = h.numbers[i].group
	}
	return i
}

func (h *Herd) link(a, b int32) {
	a, b = h.group(a), h.group(b)
	if a != b {
		h.change(max(a, b)).group = min(a, b)
		if gone := int(max(a, b)); gone < len(h.cache.lives) {
			h.cache.lives[gone] = nil
		}
	}
}

// LastDate is the date of the latest event in the effective log: the herd's
// own last data date. Zero if the log is empty.
func (h *Herd) LastDate() event.Date {
	var last event.Date
	for _, n := range h.numbers {
		if k := len(n.recs); k > 0 {
			last = max(last, n.recs[k-1].on)
		}
	}
	if k := len(h.walks); k > 0 {
		last = max(last, h.walks[k-1].on)
	}
	return last
}

// FirstDate is the date of the earliest event in the effective log.
func (h *Herd) FirstDate() event.Date {
	var first event.Date
	see := func(recs []rec) {
		if len(recs) > 0 && (first == 0 || recs[0].on < first) {
			first = recs[0].on
		}
	}
	for _, n := range h.numbers {
		see(n.recs)
	}
	see(h.walks)
	return first
}

// Changes counts whatever may have changed Size. A clone goes on from the count
// of its original.
func (h *Herd) Changes() int64 { return h.changes.Load() }

// Size estimates the memory that the fold holds, in bytes, with what it
// derives on demand.
func (h *Herd) Size() int64 {
	const r = int64(unsafe.Sizeof(rec{}))
	size := int64(cap(h.walks)) * r
	for _, n := range h.numbers {
		size += int64(cap(n.recs))*r + 64
	}
	for _, s := range h.owners {
		size += int64(cap(s.owners)) * 4
	}
	for _, t := range h.words.texts {
		size += int64(2*len(t)) + 64
	}
	size += int64(cap(h.pasts))*int64(unsafe.Sizeof(past{})) + int64(cap(h.withheld))*int64(unsafe.Sizeof(withheld{})) + int64(3*cap(h.recorders))*int64(unsafe.Sizeof(recorder{}))
	return size + h.derived()
}
