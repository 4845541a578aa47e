package book

import (
	"context"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/store"
)

// Query picks events out of a herd's log. Zero fields do not restrict.
type Query struct {
	After  int64 // only events with a greater seq
	UpTo   int64 // and none beyond this one
	Animal string
	Kind   event.Kind
	From   event.Date // on or after
	To     event.Date // on or before
	All    bool       // with the voided events, which are left out otherwise
	Limit  int        // 1 to 1,000; 0 is 200
}

// Item is one event of a page, in the bytes that were hashed.
type Item struct {
	store.Row
	Voided bool // a later event withdraws it
}

// Page is a run of the log in the order of seq.
type Page struct {
	Items []Item
	Head  Head
	Epoch int64
	// Next is the seq to go on after: of the last event that was looked at, even
	// if it was left out, or the query's own After when nothing is new.
	Next int64
	More bool // the log has more behind Next
}

// Events reads one page. Voids are always in it, so that a reader who has an
// event learns of its withdrawal.
func (b *Book) Events(ctx context.Context, h *Herd, q Query) (*Page, error) {
	f := store.Filter{After: q.After, UpTo: q.UpTo, Animal: q.Animal, Limit: q.Limit}
	if q.Kind.Valid() {
		f.Kind = q.Kind.String()
	}
	f.From, f.To = unixDay(q.From), unixDay(q.To)
	epoch, err := b.Epoch(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := b.db.Page(ctx, h.ID, f)
	if err != nil {
		return nil, wrap("read events", err)
	}
	page := &Page{Head: headOf(rows.Head), Epoch: epoch, Next: q.After, More: rows.More}
	if n := len(rows.Rows); n > 0 {
		page.Next = rows.Rows[n-1].Seq
	}
	if !rows.More {
		// Nothing that fits lies between the last row and the head.
		end := rows.Head.Seq
		if q.UpTo > 0 {
			end = min(end, q.UpTo)
		}
		page.Next = max(page.Next, end)
	}
	if len(rows.Rows) == 0 {
		return page, nil
	}
	err = b.View(ctx, h, AsOf{}, func(v *View) error {
		for _, r := range rows.Rows {
			it := Item{Row: r, Voided: v.Voided(r.Seq)}
			if q.All || !it.Voided {
				page.Items = append(page.Items, it)
			}
		}
		return nil
	})
	return page, err
}

func unixDay(d event.Date) *int32 {
	if d == 0 {
		return nil
	}
	n := d.UnixDay()
	return &n
}

// Event finds one event by its id, voided or not.
func (b *Book) Event(ctx context.Context, h *Herd, id uuid.UUID) (*Item, error) {
	page, err := b.db.Page(ctx, h.ID, store.Filter{IDs: []uuid.UUID{id}, Limit: 1})
	if err != nil {
		return nil, wrap("read event", err)
	}
	if len(page.Rows) == 0 {
		return nil, fail(NotFound, "event-not-found", "the log of this herd has no event of this id")
	}
	it := &Item{Row: page.Rows[0]}
	err = b.View(ctx, h, AsOf{}, func(v *View) error {
		it.Voided = v.Voided(it.Seq)
		return nil
	})
	return it, err
}

// Head tells how far the herd's log has come.
func (b *Book) Head(ctx context.Context, h *Herd) (Head, error) {
	head, err := b.db.HeadOf(ctx, h.ID)
	return headOf(head), wrap("read head", err)
}

// HerdHead is one line of the list of heads.
type HerdHead struct {
	Herd Herd
	Head Head
}

// Heads lists how far each herd has come that the principal may read, by name.
// A reader that keeps its own numbers sees in one call where news are.
func (b *Book) Heads(ctx context.Context, p *Principal) ([]HerdHead, error) {
	herds, err := b.Herds(ctx, p, store.Read)
	if err != nil {
		return nil, err
	}
	ids := make([]uuid.UUID, len(herds))
	for i := range herds {
		ids[i] = herds[i].ID
	}
	heads, err := b.db.Heads(ctx, ids)
	if err != nil {
		return nil, wrap("list heads", err)
	}
	list := make([]HerdHead, len(herds))
	for i := range herds {
		list[i] = HerdHead{Herd: herds[i], Head: headOf(heads[herds[i].ID])}
	}
	return list, nil
}

// Epoch is the epoch of the log: it changes when the log was restored from a
// backup, and cursors of an earlier one are then void.
func (b *Book) Epoch(ctx context.Context) (int64, error) {
	s, err := b.states.of(ctx, uuid.Nil)
	return s.Epoch, wrap("read epoch", err)
}

// EpochLately is the epoch as it was at most a second ago. For the answer to an append,
// which the head's hash has tied to the log that it went into already: the worst that
// an old epoch does there is to send its reader to the beginning once more.
func (b *Book) EpochLately(ctx context.Context) (int64, error) {
	if p := b.states.lately.Load(); p != nil {
		return *p, nil
	}
	return b.Epoch(ctx)
}

// Wait returns when the herd's log has gone beyond seq after, when d (at most
// 30 seconds) has passed, or when ctx ends; it does not say which. It holds no
// connection while it waits. Appends of this process wake it at once, those of
// another within half a second.
func (b *Book) Wait(ctx context.Context, h *Herd, after int64, d time.Duration) error {
	timer := time.NewTimer(min(d, maxWait))
	defer timer.Stop()
	for {
		woken := b.waiter(h.ID) // before the look, so that no append slips between
		head, err := b.db.HeadOf(ctx, h.ID)
		if err != nil {
			return wrap("read head", err)
		}
		if head.Seq > after {
			return nil
		}
		poll := time.NewTimer(pollHead)
		select {
		case <-woken:
		case <-poll.C:
		case <-timer.C:
			poll.Stop()
			return nil
		case <-ctx.Done():
			poll.Stop()
			return nil
		}
		poll.Stop()
	}
}

func (b *Book) waiter(herd uuid.UUID) <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	ch := b.waiters[herd]
	if ch == nil {
		ch = make(chan struct{})
		b.waiters[herd] = ch
	}
	return ch
}

// wake tells everyone who waits for the herd that its log has moved.
func (b *Book) wake(herd uuid.UUID) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if ch := b.waiters[herd]; ch != nil {
		close(ch)
		delete(b.waiters, herd)
	}
}

// Remembered finds the answer that was kept under an idempotency key. ok is
// false if there is none; a key used with another request is a Conflict.
func (b *Book) Remembered(ctx context.Context, h *Herd, owner, operation, key string, fingerprint [32]byte) (status int, body []byte, ok bool, err error) {
	r, err := b.db.Idempotency(ctx, h.ID, owner, operation, key)
	switch {
	case isNotFound(err):
		return 0, nil, false, nil
	case err != nil:
		return 0, nil, false, wrap("look up idempotency key", err)
	case r.Fingerprint != fingerprint:
		return 0, nil, false, fail(Conflict, "idempotency-key-reused", "the Idempotency-Key was used before with another request")
	}
	return r.Status, r.Body, true, nil
}

// EraseNote removes the text of an event's note for good. The chain still
// verifies: it holds only a commitment, and the salt goes with the text.
func (b *Book) EraseNote(ctx context.Context, h *Herd, id uuid.UUID, p *Principal) error {
	err := b.db.EraseNote(ctx, h.ID, id, p.Owner(), b.stamp())
	if isNotFound(err) {
		return fail(NotFound, "note-not-found", "no event of this id has a note")
	}
	return wrap("erase note", err)
}
