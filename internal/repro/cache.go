package repro

import (
	"slices"
	"sync"

	"byrelog.example/internal/event"
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
	last    event.Date
	known   bool // last is right
}

// folded is all lives of a herd under one cut and one merge, in natural order
// of their first numbers.
type folded struct {
	cut   event.Date // facts dated later are not in it; 0 = no cut
	merge int
	lives []*life

	once     sync.Once
	byNumber map[word][]*life
}

// bearing lists the lives that ever bore a number.
func (f *folded) bearing(number word) []*life {
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
	return cache{lives: slices.Clone(c.lives), current: c.current, others: slices.Clone(c.others), last: c.last, known: c.known}
}

// stale forgets what the touched numbers had a part in.
func (h *Herd) stale(touched map[int32]bool) {
	h.cache.current, h.cache.others, h.cache.known = nil, nil, false
	for n := range touched {
		if n != herdLevel {
			if g := h.group(n); int(g) < len(h.cache.lives) {
				h.cache.lives[g] = nil
			}
		}
	}
}

// folded gives the lives as of a day and under a merge.
func (h *Herd) folded(on event.Date, merge int) (f *folded, last event.Date) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.cache.known {
		h.cache.last, h.cache.known = h.LastDate(), true
	}
	last = h.cache.last
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
	f = &folded{cut: on, merge: merge}
	for _, members := range h.groups() {
		if members != nil {
			f.lives = append(f.lives, h.foldGroup(members, on, merge)...)
		}
	}
	h.sortLives(f.lives)
	if len(h.cache.others) == manyViews {
		h.cache.others = slices.Delete(h.cache.others, 0, 1)
	}
	h.cache.others = append(h.cache.others, f)
	return f, last
}

// around gives the lives that have to do with the numbers named, as of the
// whole log; the rest of the herd need not be folded for it.
func (h *Herd) around(names ...string) *folded {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cache.current != nil {
		return h.cache.current
	}
	h.makeRoom()
	f := &folded{merge: defaultMerge}
	var done []int32
	for _, name := range names {
		i, ok := h.byName[h.words.codes[name]]
		if !ok || name == "" {
			continue
		}
		g := h.group(i)
		if slices.Contains(done, g) {
			continue
		}
		done = append(done, g)
		if h.cache.lives[g] == nil {
			h.changes.Add(1)
			var members []int32
			for k := range h.numbers {
				if h.group(int32(k)) == g {
					members = append(members, int32(k))
				}
			}
			h.cache.lives[g] = h.foldGroup(members, 0, defaultMerge)
		}
		f.lives = append(f.lives, h.cache.lives[g]...)
	}
	h.sortLives(f.lives)
	return f
}

func (h *Herd) makeRoom() {
	if missing := len(h.numbers) - len(h.cache.lives); missing > 0 {
		h.cache.lives = append(h.cache.lives, make([][]*life, missing)...)
	}
}

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
	return f
}

// foldStale folds the groups whose lives are not there. Groups have nothing to do
// with each other, so many of them are folded on two processors at once: enough to
// be worth it, few enough to leave room for other requests.
func (h *Herd) foldStale(groups [][]int32) {
	var stale []int
	for i, members := range groups {
		if members != nil && h.cache.lives[i] == nil {
			stale = append(stale, i)
		}
	}
	fold := func(list []int) {
		for _, i := range list {
			h.cache.lives[i] = h.foldGroup(groups[i], 0, defaultMerge)
		}
	}
	const many = 256
	if len(stale) < many {
		fold(stale)
		return
	}
	var wg sync.WaitGroup
	wg.Go(func() { fold(stale[:len(stale)/2]) })
	fold(stale[len(stale)/2:])
	wg.Wait()
}

// groups lists the members of each group at the index of its root; the other
// places are nil.
func (h *Herd) groups() [][]int32 {
	out := make([][]int32, len(h.numbers))
	all := make([]int32, len(h.numbers))
	for i := range h.numbers {
		all[i] = int32(i)
		if g := h.group(all[i]); g == all[i] && out[g] == nil {
			out[g] = all[i : i+1 : i+1]
		} else {
			out[g] = append(out[g], all[i])
		}
	}
	return out
}

func (h *Herd) sortLives(lives []*life) {
	slices.SortStableFunc(lives, func(a, b *life) int {
		if a.names[0].number != b.names[0].number {
			return naturalOrder(h.words.text(a.names[0].number), h.words.text(b.names[0].number))
		}
		return int(a.in) - int(b.in)
	})
}

// derived is the memory of what is derived, in bytes.
func (h *Herd) derived() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	var size int64
	for _, lives := range h.cache.lives {
		for _, l := range lives {
			size += l.size() + 8
		}
	}
	for _, f := range h.cache.others {
		for _, l := range f.lives {
			size += l.size() + 8
		}
	}
	return size
}
