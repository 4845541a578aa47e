package repro

import (
	"slices"
	"sync"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
)

// defaultMerge is how many days apart breedings may be and still be one
// service.
const defaultMerge = 1

// manyViews bounds how many folds as of earlier days, or with another merge,
// are kept beside the current one.
const manyViews = 4

// cache is what a herd derives from its records. The lives of each group of
// numbers as of the whole log are kept from one batch to the next; a batch
// makes stale only those that it touches.
type cache struct {
	lives   [][]*life // by group; nil = to be folded
	current *folded
	others  []*folded // least recently used first
	passed  bool      // all lives were asked for once, and not kept
	walks   []rec     // nil = to be unpacked
	owners  owners
	dates   dates // not shed: three words

	size  int64 // of the lives by group, but what lies in arenas
	arena int64 // of the arenas that they lie in
}

// dates are the first and the last date of the effective log.
type dates struct {
	first, last event.Date
	unknown     bool
}

// see takes in a date that has come to the log.
func (d *dates) see(on event.Date) {
	if d.first == 0 || on < d.first {
		d.first = on
	}
	d.last = max(d.last, on)
}

// lose takes out a date of which there may be others.
func (d *dates) lose(on event.Date) {
	d.unknown = d.unknown || on == d.first || on == d.last
}

// datesNow finds them again where they were lost. The caller holds mu.
func (h *Herd) datesNow() dates {
	if d := &h.cache.dates; d.unknown {
		*d = dates{}
		h.each(func(_ int32, r *rec) { d.see(r.on) })
	}
	return h.cache.dates
}

// each goes through all records at rest, number by number, and the walks.
func (h *Herd) each(fn func(owner int32, r *rec)) {
	var r rec
	var s side
	of := func(i int32) {
		for c := over(h.packed(i)); c.more(); {
			c.rec(&r, &s)
			fn(i, &r)
		}
		s.reset()
		if num := h.edit(i); num != nil {
			for k := range num.loose {
				fn(i, &num.loose[k])
			}
		}
	}
	for i := range h.names {
		of(int32(i))
	}
	of(herdLevel)
}

// owners say for consecutive seqs, from first on, under which number each was
// recorded: its index, herdLevel, or noOwner. They are made for the first void.
type owners struct {
	first int64
	list  []int32
	made  bool
}

// own notes under which number the next seq was recorded.
func (o *owners) own(seq int64, owner int32) {
	if !o.made {
		return
	}
	if seq-o.first > int64(len(o.list))+manyGaps {
		*o = owners{}
		return
	}
	for o.first+int64(len(o.list)) < seq {
		o.list = append(o.list, noOwner)
	}
	o.list = append(o.list, owner)
}

// manyGaps bounds how many seqs may be missing from a log, which has none.
const manyGaps = 1_000_000

// ownerOf finds under which number a seq was recorded.
func (h *Herd) ownerOf(seq int64) (int32, bool) {
	o := &h.cache.owners
	if !o.made {
		low := h.seq
		h.each(func(_ int32, r *rec) { low = min(low, r.seq) })
		*o = owners{first: low, list: make([]int32, h.seq-low+1), made: true}
		for i := range o.list {
			o.list[i] = noOwner
		}
		h.each(func(owner int32, r *rec) { o.list[r.seq-low] = owner })
	}
	if at := seq - o.first; at >= 0 && at < int64(len(o.list)) && o.list[at] != noOwner {
		return o.list[at], true
	}
	return noOwner, false
}

// folded is all lives of a herd under one cut and one merge, in natural order
// of their first numbers.
type folded struct {
	cut   event.Date // facts dated later are not in it; 0 = no cut
	merge int
	lives []*life
	size  int64 // bytes, with the lives if they are its own

	once     sync.Once
	byNumber map[word][]*life
}

// bearing lists the lives that ever bore a number.
func (f *folded) bearing(number word) []*life {
	const few = 4 // so many are looked through sooner than put into an index
	if len(f.lives) <= few {
		var list []*life
		for _, l := range f.lives {
			if slices.ContainsFunc(l.names, func(n naming) bool { return n.number == number }) {
				list = append(list, l)
			}
		}
		return list
	}
	f.once.Do(func() {
		f.byNumber = make(map[word][]*life, len(f.lives))
		for _, l := range f.lives {
			for i, n := range l.names {
				if !slices.ContainsFunc(l.names[:i], func(o naming) bool { return o.number == n.number }) {
					f.byNumber[n.number] = append(f.byNumber[n.number], l)
				}
			}
		}
	})
	return f.byNumber[number]
}

func (c *cache) clone() cache {
	n := *c
	n.lives, n.others, n.owners.list = slices.Clone(c.lives), slices.Clone(c.others), slices.Clip(c.owners.list)
	return n
}

// at gives the lives as of a day and under a merge, if they are there.
func (c *cache) at(cut event.Date, merge int) *folded {
	if cut == 0 && merge == defaultMerge {
		return c.current
	}
	for _, f := range c.others {
		if f.cut == cut && f.merge == merge {
			return f
		}
	}
	return nil
}

// forget gives up the lives of a group.
func (c *cache) forget(g int32) {
	if int(g) < len(c.lives) {
		for _, l := range c.lives[g] {
			c.size -= l.size()
		}
		c.lives[g] = nil
	}
}

// stale forgets what the touched numbers had a part in.
func (h *Herd) stale(touched []int32) {
	h.cache.current, h.cache.others = nil, nil
	for _, n := range touched {
		if n == herdLevel {
			h.cache.walks = nil
		} else {
			h.cache.forget(h.group(n))
		}
	}
}

// Shed gives up what the fold has derived. It is derived again when it is asked
// for. It may be called while others read.
func (h *Herd) Shed() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.cache = cache{dates: h.cache.dates}
	h.changes.Add(1)
}

// Derived is the memory of what is derived, in bytes.
func (h *Herd) Derived() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := &h.cache
	size := c.size + c.arena + 24*int64(cap(c.lives)) + 48*int64(cap(c.walks)) + 4*int64(cap(c.owners.list))
	if c.current != nil {
		size += c.current.size
	}
	for _, f := range c.others {
		size += f.size
	}
	return size
}

// folded gives the lives as of a day and under a merge.
func (h *Herd) folded(on event.Date, merge int) (f *folded, last event.Date) {
	h.mu.Lock()
	defer h.mu.Unlock()
	last = h.datesNow().last
	if on >= last {
		on = 0
	}
	if on == 0 && merge == defaultMerge {
		if h.cache.current == nil {
			h.changes.Add(1)
			h.cache.current = h.refold()
		}
		return h.cache.current, last
	}
	for i, f := range h.cache.others {
		if f.cut == on && f.merge == merge {
			h.cache.others = append(slices.Delete(h.cache.others, i, i+1), f)
			return f, last
		}
	}
	h.changes.Add(1)
	f = h.foldAll(on, merge)
	if len(h.cache.others) == manyViews {
		h.cache.others = slices.Delete(h.cache.others, 0, 1)
	}
	h.cache.others = append(h.cache.others, f)
	return f, last
}

// atHand gives the lives as of a day and under a merge. If they are not there, and were
// not asked for before, it gives none, but the cut to fold them with.
func (h *Herd) atHand(on event.Date, merge int) (f *folded, cut, last event.Date) {
	h.mu.Lock()
	last = h.datesNow().last
	if on < last {
		cut = on
	}
	f = h.cache.at(cut, merge)
	again := h.cache.passed
	h.cache.passed = true
	h.mu.Unlock()
	if f == nil && again {
		f, _ = h.folded(on, merge)
	}
	return f, cut, last
}

// Warm folds the herd's lives as of a day for the questions that follow; the zero
// day is the herd's last data date. Questions that need them all do so by themselves.
func (h *Herd) Warm(on event.Date) { h.at(on) }

// Warmed tells whether all lives are at hand, as of the whole log.
func (h *Herd) Warmed() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.cache.current != nil
}

// rooms are for lives that are looked at once.
var rooms = sync.Pool{New: func() any { return new(arena) }}

// around hands on the lives that have to do with the numbers named, as of the whole
// log; the rest of the herd need not be folded for it. Lives that are not at hand are
// only there until fn returns: what is asked about them mostly goes with an event that
// changes them.
func (h *Herd) around(fn func(*folded), names ...string) {
	room, _ := rooms.Get().(*arena)
	room.reset()
	defer rooms.Put(room)
	fn(h.near(room, names))
}

func (h *Herd) near(room *arena, names []string) *folded {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cache.current != nil {
		return h.cache.current
	}
	f := &folded{merge: defaultMerge}
	var done []int32
	for _, name := range names {
		i, ok := h.number(name)
		if !ok {
			continue
		}
		g := h.group(i)
		if slices.Contains(done, g) {
			continue
		}
		done = append(done, g)
		var lives []*life
		if int(g) < len(h.cache.lives) {
			lives = h.cache.lives[g]
		}
		if lives == nil {
			lives = h.foldGroup(h.members(g), 0, defaultMerge, room)
		}
		f.lives = append(f.lives, lives...)
	}
	h.sortLives(f.lives)
	return f
}

// foldApart folds one group into lives whose records lie in an array of their own.
func (h *Herd) foldApart(members []int32, cut event.Date, merge int) []*life {
	lives := h.foldGroup(members, cut, merge, &arena{apart: true})
	for _, l := range lives {
		l.apart = true
	}
	return lives
}

func sizeOf(lives []*life) (size int64) {
	for _, l := range lives {
		size += l.size()
	}
	return size
}

func (h *Herd) makeRoom() {
	if missing := len(h.names) - len(h.cache.lives); missing > 0 {
		h.cache.lives = append(h.cache.lives, make([][]*life, missing)...)
	}
}

// bytesOfIndex is about what a herd's list of lives, and the index of their numbers,
// take for each.
const bytesOfIndex = 72

// refold folds the stale groups and puts all lives together.
func (h *Herd) refold() *folded {
	h.makeRoom()
	f := &folded{merge: defaultMerge}
	groups := h.groups()
	h.foldStale(groups)
	for i, members := range groups {
		if members != nil {
			f.lives = append(f.lives, h.cache.lives[i]...)
		}
	}
	h.sortLives(f.lives)
	f.size = bytesOfIndex * int64(len(f.lives))
	return f
}

// many groups are worth folding on two processors at once.
const many = 256

// foldStale folds the groups whose lives are not there.
func (h *Herd) foldStale(groups [][]int32) {
	c := &h.cache
	var stale []int
	for i, members := range groups {
		if members != nil && c.lives[i] == nil {
			stale = append(stale, i)
		}
	}
	if len(stale) < many {
		for _, i := range stale {
			c.lives[i] = h.foldApart(groups[i], 0, defaultMerge)
			c.size += sizeOf(c.lives[i])
		}
		return
	}
	if 2*len(stale) > len(groups) {
		c.arena = 0 // hardly any life is left that lies in the old ones
	}
	bytes := h.inTwo(len(stale), func(i int, a *arena) (size int64) {
		lives := h.foldGroup(groups[stale[i]], 0, defaultMerge, a)
		c.lives[stale[i]] = lives
		return sizeOf(lives)
	})
	c.size += bytes[0]
	c.arena += bytes[1]
}

// inTwo calls fn for 0 to n-1, on two processors at once: enough to be worth it, few
// enough to leave room for other requests. Groups have nothing to do with each other.
// It gives the sums of what fn did and of the arenas.
func (h *Herd) inTwo(n int, fn func(i int, a *arena) int64) [2]int64 {
	half := func(from, to int) (sum [2]int64) {
		var a arena
		for i := from; i < to; i++ {
			sum[0] += fn(i, &a)
		}
		sum[1] = a.bytes()
		return sum
	}
	if n < many {
		return half(0, n)
	}
	var first [2]int64
	wait := guard.Beside("repro.fold", func() { first = half(0, n/2) })
	defer wait()
	second := half(n/2, n)
	wait()
	return [2]int64{first[0] + second[0], first[1] + second[1]}
}

// foldAll folds everything under a cut and a merge of its own.
func (h *Herd) foldAll(cut event.Date, merge int) *folded {
	f := &folded{cut: cut, merge: merge}
	groups := slices.DeleteFunc(h.groups(), func(members []int32) bool { return members == nil })
	lives := make([][]*life, len(groups))
	bytes := h.inTwo(len(groups), func(i int, a *arena) int64 {
		lives[i] = h.foldGroup(groups[i], cut, merge, a)
		return sizeOf(lives[i])
	})
	for _, list := range lives {
		f.lives = append(f.lives, list...)
	}
	h.sortLives(f.lives)
	f.size = bytes[0] + bytes[1] + bytesOfIndex*int64(len(f.lives))
	return f
}

// groups lists the members of each group at the index of its root; the other
// places are nil.
func (h *Herd) groups() [][]int32 {
	out := make([][]int32, len(h.names))
	all := make([]int32, len(h.names))
	for i := range h.names {
		all[i] = int32(i)
		if g := h.group(all[i]); g == all[i] && out[g] == nil {
			out[g] = all[i : i+1 : i+1]
		} else {
			out[g] = append(out[g], all[i])
		}
	}
	return out
}

// walksNow are the walks, unpacked.
func (h *Herd) walksNow() []rec {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cache.walks == nil {
		h.changes.Add(1)
		var s side
		h.cache.walks = unpackTo([]rec{}, over(h.packed(herdLevel)), &s)
	}
	return h.cache.walks
}

func (h *Herd) sortLives(lives []*life) {
	slices.SortStableFunc(lives, func(a, b *life) int { return h.lifeOrder(a.names[0].number, b.names[0].number, a.in, b.in) })
}

// lifeOrder is the order of lives: by their first numbers, then by their first days.
func (h *Herd) lifeOrder(a, b word, aIn, bIn event.Date) int {
	if a != b {
		return naturalOrder(h.words.text(a), h.words.text(b))
	}
	return int(aIn) - int(bIn)
}
