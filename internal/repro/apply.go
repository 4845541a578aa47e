package repro

import "byrelog.example/internal/event"

// Apply adds facts to the fold. They come in ascending seq; those at or below
// Seq are ignored, so a batch may be applied again. How the facts are divided
// into batches makes no difference to any answer.
func (h *Herd) Apply(facts []Fact) {
	h.changes.Add(1)
	var s side
	var owners [ahead]int32
	touched := &h.touched
	for i := range facts {
		if i%ahead == 0 {
			h.lookUp(facts[i:min(i+ahead, len(facts))], &owners)
		}
		f := &facts[i]
		if f.Seq <= h.seq || f.Event == nil {
			continue
		}
		if f.Event.Kind == event.KindVoid {
			h.seq = f.Seq
			h.cache.owners.own(f.Seq, noOwner)
			if owner, ok := h.ownerOf(f.Voids); ok {
				h.drop(owner, f.Voids, &s)
				touched.note(owner, false)
			}
			continue
		}
		n := owners[i%ahead]
		if n == noOwner {
			n = h.about(f.Event)
		}
		r := h.take(f, n, &s)
		touched.note(n, h.add(h.change(n), &r, &s))
	}
	for _, n := range touched.list {
		if touched.loose(n) {
			h.settle(h.change(n), &s)
		}
	}
	if len(touched.list) > 0 {
		h.stale(touched.list)
		touched.clear()
	}
}

// about is the number that an event is about.
func (h *Herd) about(e *event.Event) int32 {
	if e.Kind == event.KindWalk {
		return herdLevel
	}
	return h.numberOf(h.code(e.Animal))
}

// take makes the record of number n of a fact that is no void, and notes all that is
// kept of it beside the record itself: names, dates, links.
func (h *Herd) take(f *Fact, n int32, s *side) rec {
	h.seq = f.Seq
	h.cache.owners.own(f.Seq, n)
	r := h.newRec(f, s)
	h.cache.dates.see(r.on)
	if r.kind == event.KindRenumber {
		h.link(n, h.numberOf(r.text))
	}
	return r
}

// ahead is of how many facts the numbers are looked up together. In a large herd each
// waits for memory half a dozen times, but not for the others (measured with 30,000
// cows: a third of the time of Apply).
const ahead = 32

// lookUp finds the numbers of some facts: noOwner for one that is not known yet. It
// reads of each number what add is going to change.
func (h *Herd) lookUp(facts []Fact, owners *[ahead]int32) {
	var places [ahead]int
	for i := range facts {
		if e := facts[i].Event; e != nil {
			places[i] = h.words.place(e.Animal)
		}
	}
	for i := range facts {
		owners[i] = noOwner
		switch e := facts[i].Event; {
		case e == nil || e.Kind == event.KindVoid:
		case e.Kind == event.KindWalk:
			owners[i] = herdLevel
		default:
			if c, _, ok := h.words.findFrom(places[i], e.Animal); ok && int(c) < len(h.numbers) {
				owners[i] = h.numbers[c] - 1
			}
		}
	}
	for _, n := range owners[:len(facts)] {
		if n < 0 {
			continue
		}
		if num := h.edit(n); num != nil && len(num.data) > 0 && num.owner == h.token {
			h.met ^= num.data[len(num.data)-1] ^ byte(num.last.on)
		}
	}
}

// touches notes which numbers a batch touches: a fold from the log does it for every
// event. Between batches it is empty.
type touches struct {
	list  []int32
	state []uint8 // by number, from herdLevel on
}

const (
	touchedOnly uint8 = iota + 1
	touchedLoose
)

// note notes a number, and whether some of its records are loose.
func (t *touches) note(n int32, loose bool) {
	at := int(n - herdLevel)
	if at >= len(t.state) {
		t.state = append(t.state, make([]uint8, at+1-len(t.state))...)
	}
	if t.state[at] == 0 {
		t.list = append(t.list, n)
		t.state[at] = touchedOnly
	}
	if loose {
		t.state[at] = touchedLoose
	}
}

func (t *touches) loose(n int32) bool { return t.state[n-herdLevel] == touchedLoose }

func (t *touches) clear() {
	for _, n := range t.list {
		t.state[n-herdLevel] = 0
	}
	t.list = t.list[:0]
}
