package exchange

import (
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// change is a moment of the log: the zero change is none.
type change struct {
	seq int64
	at  time.Time
}

// chain is one fact through its corrections.
type chain struct {
	root     uuid.UUID // the first event: the resource's id
	created  change
	modified change // its newest event or void
	head     uuid.UUID
	dead     bool   // the head is voided and nothing replaces it
	shown    int64  // seq of the last event that ADE has a place for; 0 if none
	gone     change // the void of that one, if it is voided
	had      bool   // the receiver has the resource, and not as deleted
}

// Index is what has to be known of the whole log before any of its events can
// be written as a resource: which events correct which, and what the animals
// are called. Feed it the log in the order of seq with Add, then Settle it.
type Index struct {
	// Since is the seq up to which the receiver has everything; 0 is nothing. Set
	// it before Settle.
	Since int64

	entries []entry
	links   []link
	names   identities
	chains  map[uuid.UUID]*chain // by every event that is corrected or corrects
	voids   map[uuid.UUID]change // the first void of an event
}

// entry is one event that is no void.
type entry struct {
	id    uuid.UUID
	seq   int64
	at    int64 // microseconds since 1970
	shown bool
}

// link is a correction: a void, or an event that replaces another.
type link struct {
	target uuid.UUID
	event  uuid.UUID // zero for a void
	at     change
	shown  bool
}

// Add takes in the next event of the log.
func (x *Index) Add(e *event.Event, seq int64, at time.Time) {
	if d, ok := e.Data.(*event.Void); ok {
		x.links = append(x.links, link{target: d.Event, at: change{seq, at}})
		return
	}
	shown := resourceTypeOf(e) != ""
	x.entries = append(x.entries, entry{e.ID, seq, at.UnixMicro(), shown})
	if e.Replaces != uuid.Nil {
		x.links = append(x.links, link{target: e.Replaces, event: e.ID, at: change{seq, at}, shown: shown})
	}
	if e.Kind == event.KindArrival || e.Kind == event.KindRenumber {
		x.names.add(e, seq, at)
	}
}

// Settle works out the chains and the names. Nothing can be added after it.
func (x *Index) Settle() {
	x.chains, x.voids = map[uuid.UUID]*chain{}, map[uuid.UUID]change{}
	for _, l := range x.links {
		x.chains[l.target] = nil
	}
	for _, e := range x.entries {
		if _, corrected := x.chains[e.id]; corrected {
			x.chains[e.id] = x.newChain(e.id, change{e.seq, time.UnixMicro(e.at).UTC()}, e.shown)
		}
	}
	x.entries = nil
	for _, l := range x.links {
		c := x.chains[l.target]
		switch {
		case l.event == uuid.Nil:
			x.void(c, &l)
		case c != nil && c.head == l.target && c.dead:
			c.head, c.dead, c.modified = l.event, false, l.at
			if l.shown {
				x.show(c, l.at.seq)
			}
			x.chains[l.event] = c
		default:
			// Another event took the place of the target before: this one is a fact
			// of its own.
			x.chains[l.event] = x.newChain(l.event, l.at, l.shown)
		}
	}
	x.links = nil
	x.names.settle(x.voids)
}

func (x *Index) newChain(id uuid.UUID, at change, shown bool) *chain {
	c := &chain{root: id, created: at, modified: at, head: id}
	if shown {
		x.show(c, at.seq)
	}
	return c
}

func (x *Index) show(c *chain, seq int64) {
	c.shown, c.gone = seq, change{}
	c.had = c.had || seq <= x.Since
}

func (x *Index) void(c *chain, l *link) {
	if _, again := x.voids[l.target]; again {
		return // it was withdrawn already
	}
	x.voids[l.target] = l.at
	if c != nil && c.head == l.target && !c.dead {
		c.dead, c.modified = true, l.at
		if c.gone == (change{}) {
			c.gone = l.at
		}
		if l.at.seq <= x.Since {
			c.had = false
		}
	}
}

// of finds the chain of an event.
func (x *Index) of(e *event.Event, seq int64, at time.Time) *chain {
	if c := x.chains[e.ID]; c != nil {
		return c
	}
	return x.newChain(e.ID, change{seq, at}, resourceTypeOf(e) != "")
}
