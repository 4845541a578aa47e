package repro

import (
	"hash/maphash"
	"slices"
	"strings"
)

// word is an interned text; 0 is the empty text.
type word uint32

// words is a string table (interning, in a hash table with open addressing). A herd has about as many as it has animals, and a fold that
// rests should weigh little more than its records: so the texts lie in one string,
// those that came since behind it, and an open table of codes finds them. A map of
// strings takes four times as much.
type words struct {
	trunk string
	ends  []uint32 // where each text of the trunk ends; the first is the empty text
	late  []string // the texts behind those of the trunk
	slots []word   // codes, each at or behind the place that its hash gives; 0 = free
	seed  maphash.Seed
	owner *token // of the slots
}

func newWords(t *token) words {
	return words{ends: []uint32{0}, slots: make([]word, 8), seed: maphash.MakeSeed(), owner: t}
}

func (w *words) count() int { return len(w.ends) + len(w.late) }

func (w *words) text(c word) string {
	switch i := int(c); {
	case i >= len(w.ends):
		return w.late[i-len(w.ends)]
	case i > 0:
		return w.trunk[w.ends[i-1]:w.ends[i]]
	}
	return ""
}

// place is where the search for a text begins.
func (w *words) place(s string) int {
	return int((maphash.String(w.seed, s) >> 32) * uint64(len(w.slots)) >> 32)
}

// find looks a text up: its code, or the free slot where it would go.
func (w *words) find(s string) (c word, slot int, ok bool) {
	if s == "" {
		return 0, 0, true
	}
	return w.findFrom(w.place(s), s)
}

// findFrom is find from the place of a text; the empty one is not found.
func (w *words) findFrom(place int, s string) (c word, slot int, ok bool) {
	for i := place; ; i++ {
		if i == len(w.slots) {
			i = 0
		}
		c := w.slots[i]
		if c == 0 {
			return 0, i, false
		}
		if w.text(c) == s {
			return c, i, true
		}
	}
}

// lookup gives the code of a text that is known.
func (w *words) lookup(s string) (word, bool) {
	c, _, ok := w.find(s)
	return c, ok
}

// code interns s, for the fold that t marks. The text is copied: an event's strings
// often share the memory of a whole request.
func (w *words) code(s string, t *token) word {
	c, slot, ok := w.find(s)
	if ok {
		return c
	}
	c = word(w.count())
	w.late = append(w.late, strings.Clone(s))
	switch {
	case 5*w.count() > 4*len(w.slots):
		w.rehash(2 * len(w.slots))
		w.owner = t
		return c
	case w.owner != t:
		w.slots, w.owner = slices.Clone(w.slots), t
	}
	w.slots[slot] = c
	return c
}

// rehash puts all codes into a new table of n slots, which must be more than there
// are texts.
func (w *words) rehash(n int) {
	w.slots = make([]word, n)
	for c := 1; c < w.count(); c++ {
		_, slot, _ := w.find(w.text(word(c)))
		w.slots[slot] = word(c)
	}
}

// trim makes one trunk of all texts.
func (w *words) trim(t *token) {
	if len(w.late) > 0 {
		size := len(w.trunk)
		for _, s := range w.late {
			size += len(s)
		}
		var b strings.Builder
		b.Grow(size)
		b.WriteString(w.trunk)
		ends := make([]uint32, len(w.ends), w.count())
		copy(ends, w.ends)
		for _, s := range w.late {
			b.WriteString(s)
			ends = append(ends, uint32(b.Len()))
		}
		w.trunk, w.ends, w.late = b.String(), ends, nil
	}
	if n := w.count()*3/2 + 2; n < len(w.slots) {
		w.rehash(n)
		w.owner = t
	}
}

// settle trims if most texts are late: a late one takes several times its length.
func (w *words) settle(t *token) {
	if len(w.late) > len(w.ends) {
		w.trim(t)
	}
}

// clone shares everything; who adds a text first copies what it changes.
func (w *words) clone() words {
	c := *w
	c.late = slices.Clip(w.late)
	return c
}

// size is the memory of the texts, in bytes.
func (w *words) size() int64 {
	size := len(w.trunk) + 4*(cap(w.ends)+len(w.slots)) + 16*cap(w.late)
	for _, s := range w.late {
		size += (len(s) + 15) &^ 7
	}
	return int64(size)
}
