package book

import (
	"bytes"
	"context"
	"maps"
	"slices"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/store"
)

// row is an event on its way into the log: sealed and hashed, not yet numbered.
type row struct {
	event   *event.Event
	bytes   []byte
	leaf    event.Digest
	results []int // where its outcome is told
}

// verdict is what the classifier found about an event. known is set when the
// log has its id; row when this run has it, for the first time if the outcome
// is Appended.
type verdict struct {
	outcome Outcome
	known   *store.KnownEvent
	row     *row
}

// classifier sorts a run of events into new ones and ones that are there.
type classifier struct {
	book   *Book
	herd   *Herd
	known  map[uuid.UUID]store.KnownEvent
	events int  // in the run
	lone   bool // nothing comes after the one event: it need not be remembered
	mine   map[uuid.UUID]*row
	voided map[uuid.UUID]bool // targets of the voids of this run
	seen   *rehearsal         // of a dry run: what it would have appended before; may be nil
	buf    []byte
}

// newClassifier asks the log once for every id that the events have or name, but
// not for their own if fresh says that all are new, or made (by event; nil = none)
// that they were made for them just now: nobody can have used those.
func (b *Book) newClassifier(ctx context.Context, h *Herd, events []*event.Event, fresh bool, made []bool) (*classifier, error) {
	var ids []uuid.UUID
	for i, e := range events {
		if !fresh && (made == nil || !made[i]) {
			ids = append(ids, e.ID)
		}
		if target, _ := named(e); target != uuid.Nil {
			ids = append(ids, target)
		}
	}
	known, err := b.known(ctx, h, ids)
	if err != nil {
		return nil, err
	}
	return &classifier{book: b, herd: h, known: known, events: len(events)}, nil
}

// known asks the log for ids, in as many questions as their number takes.
func (b *Book) known(ctx context.Context, h *Herd, ids []uuid.UUID) (map[uuid.UUID]store.KnownEvent, error) {
	var all map[uuid.UUID]store.KnownEvent
	for part := range slices.Chunk(ids, store.MaxBatch) {
		found, err := b.db.Known(ctx, h.ID, part)
		if err != nil {
			return nil, wrap("look up event ids", err)
		}
		if all == nil {
			all = found
			continue
		}
		maps.Copy(all, found)
	}
	return all, nil
}

// named is the other event that an event refers to, and the field that does.
func named(e *event.Event) (target uuid.UUID, pointer string) {
	if v, ok := e.Data.(*event.Void); ok {
		return v.Event, "/data/event"
	}
	return e.Replaces, "/replaces"
}

// sort tells whether the log, or this run before, has the event. A new one is
// sealed and hashed.
func (c *classifier) sort(ctx context.Context, e *event.Event) (verdict, error) {
	if k, ok := c.known[e.ID]; ok {
		if err := c.matchNote(ctx, e, &k); err != nil {
			return verdict{}, err
		}
		if c.leafOf(e) == k.Leaf {
			return verdict{outcome: AlreadyThere, known: &k}, nil
		}
		return verdict{outcome: InConflict, known: &k}, nil
	}
	if first, ok := c.mine[e.ID]; ok {
		if e.NoteSalt == (event.Salt{}) {
			e.NoteSalt = first.event.NoteSalt
		}
		if c.leafOf(e) == first.leaf {
			return verdict{outcome: AlreadyThere, row: first}, nil
		}
		return verdict{outcome: InConflict}, nil
	}
	if before, ok := c.seen.of(e.ID); ok {
		if e.NoteSalt == (event.Salt{}) {
			e.NoteSalt = c.seen.salts[e.ID]
		}
		if checkOf(c.leafOf(e)) == before.check {
			return verdict{outcome: AlreadyThere}, nil
		}
		return verdict{outcome: InConflict}, nil
	}
	r := &row{event: e, leaf: c.leafOf(e)}
	if c.lone {
		r.bytes, c.buf = c.buf, nil
		return verdict{outcome: Appended, row: r}, nil
	}
	r.bytes = bytes.Clone(c.buf)
	c.remember(r)
	return verdict{outcome: Appended, row: r}, nil
}

// remember keeps a new row for the events of the run that come after it.
func (c *classifier) remember(r *row) {
	if c.mine == nil {
		c.mine = make(map[uuid.UUID]*row, c.events)
	}
	c.mine[r.event.ID] = r
	if v, ok := r.event.Data.(*event.Void); ok {
		if c.voided == nil {
			c.voided = map[uuid.UUID]bool{}
		}
		c.voided[v.Event] = true
	}
}

// forget takes back rows that were sorted as new but are not to be written.
func (c *classifier) forget(rows []*row) {
	for _, r := range rows {
		delete(c.mine, r.event.ID)
		if v, ok := r.event.Data.(*event.Void); ok {
			delete(c.voided, v.Event)
		}
	}
}

// kindOf finds the kind of an event of the log or of this run.
func (c *classifier) kindOf(id uuid.UUID) (kind string, ok bool) {
	if k, ok := c.known[id]; ok {
		return k.Kind, true
	}
	if r, ok := c.mine[id]; ok {
		return r.event.Kind.String(), true
	}
	s, ok := c.seen.of(id)
	return s.kind.String(), ok
}

// leafOf seals the event and leaves its canonical bytes in c.buf.
func (c *classifier) leafOf(e *event.Event) event.Digest {
	seal(e)
	if c.buf == nil {
		c.buf = make([]byte, 0, 384) // more than most take
	}
	c.buf = e.AppendCanonical(c.buf[:0])
	return event.Leaf(c.buf)
}

// seal commits an event to its note.
func seal(e *event.Event) {
	var salt event.Salt
	if e.Note != "" { // salts are not free
		salt = newSalt()
	}
	e.Seal(salt)
}

// matchNote gives a repeated event the salt of the stored one, so that equal
// notes have equal commitments. A note that was erased cannot be compared any
// more: the stored commitment is taken over, and the rest decides.
func (c *classifier) matchNote(ctx context.Context, e *event.Event, k *store.KnownEvent) error {
	if e.Note == "" || e.NoteSalt != (event.Salt{}) && !k.NoteErased {
		return nil
	}
	if k.Note != nil {
		e.NoteSalt = k.Note.Salt
		return nil
	}
	if !k.NoteErased {
		return nil
	}
	page, err := c.book.db.Page(ctx, c.herd.ID, store.Filter{IDs: []uuid.UUID{e.ID}, Limit: 1})
	if err != nil {
		return wrap("read erased event", err)
	}
	if len(page.Rows) == 1 {
		stored, err := event.DecodeCanonical(page.Rows[0].Bytes)
		if err != nil {
			return wrap("read erased event", err)
		}
		e.Note, e.NoteHash = "", stored.NoteHash
	}
	return nil
}

// reference checks the event that a void or a replacement names; the fault is
// nil when it may stand.
func (c *classifier) reference(ctx context.Context, e *event.Event) (*Fault, error) {
	target, pointer := named(e)
	if target == uuid.Nil {
		return nil, nil //nolint:nilnil // no fault
	}
	if _, repeated := c.known[e.ID]; repeated {
		return nil, nil //nolint:nilnil // it stands already
	}
	column := "replaces"
	if e.Kind == event.KindVoid {
		column = "void_event"
	}
	kind, there := c.kindOf(target)
	if !there {
		return &Fault{Pointer: pointer, Column: column, Value: target.String(), Code: "unknown_event", Detail: "the log of this herd has no event of this id before this one"}, nil
	}
	if e.Kind == event.KindVoid {
		if kind == event.KindVoid.String() {
			return &Fault{Pointer: pointer, Column: column, Value: target.String(), Code: event.CodeNotAllowed, Detail: "a void cannot be voided: append the withdrawn event again instead"}, nil
		}
		return nil, nil //nolint:nilnil // no fault
	}
	voided := c.voided[target]
	if stored, inLog := c.known[target]; inLog && !voided {
		err := c.book.View(ctx, c.herd, AsOf{}, func(v *View) error {
			voided = v.Voided(stored.Seq)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	if !voided {
		return &Fault{Pointer: pointer, Column: column, Value: target.String(), Code: event.CodeContradicts, Detail: "the event that it replaces stands: void it first, earlier in the same request or before"}, nil
	}
	return nil, nil //nolint:nilnil // no fault
}
