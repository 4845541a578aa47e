package book

import (
	"container/list"
	"context"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// AsOf asks for what was known at an earlier moment: at a seq, or at a time.
// The zero AsOf is now.
type AsOf struct {
	Seq  int64
	Time time.Time
}

func (a AsOf) now() bool { return a.Seq == 0 && a.Time.IsZero() }

// View is a herd's fold as a reader sees it. It is only valid inside the
// function that it is handed to.
type View struct {
	Herd      *Herd
	Fold      *repro.Herd
	Head      Head  // of the log that the fold has read; an earlier one with AsOf
	PolicyRev int64 // changes whenever a policy of the herd does
	Epoch     int64 // of the log; see Book.Epoch
	Today     event.Date

	voided map[int64]bool
}

// Voided tells whether the event at seq is withdrawn by a later one.
func (v *View) Voided(seq int64) bool { return v.voided[seq] }

// View hands fn the herd's fold, brought up to the head of the log, or folded
// afresh up to an earlier moment. fn must not keep the fold.
func (b *Book) View(ctx context.Context, h *Herd, asOf AsOf, fn func(*View) error) error {
	return b.view(ctx, h, asOf, false, fn)
}

// Glance is View for one herd of many that are asked the same: what the fold derives
// for the answer is given up again, unless it was there before. The records of
// hundreds of herds fit into the cache, the lives that are folded from them do not.
func (b *Book) Glance(ctx context.Context, h *Herd, asOf AsOf, fn func(*View) error) error {
	return b.view(ctx, h, asOf, true, fn)
}

func (b *Book) view(ctx context.Context, h *Herd, asOf AsOf, glance bool, fn func(*View) error) error {
	state, err := b.states.of(ctx, h.ID)
	if err != nil {
		return wrap("read head", err)
	}
	return b.viewFrom(ctx, h, state, asOf, glance, fn)
}

// viewFrom is view where the herd's state is known.
func (b *Book) viewFrom(ctx context.Context, h *Herd, state store.State, asOf AsOf, glance bool, fn func(*View) error) error {
	head := state.Head
	if !asOf.now() {
		seq, err := b.seqOf(ctx, h, asOf, head)
		if err != nil {
			return err
		}
		if seq < head.Seq {
			return b.past(ctx, h, seq, asOf.Time, state.Epoch, fn)
		}
	}
	e := b.cache.take(h.ID)
	defer b.cache.give(e)
	if err := e.refresh(ctx, b, h, state, false); err != nil {
		return err
	}
	e.mu.RLock()
	defer e.mu.RUnlock()
	if glance && !e.fold.Warmed() {
		defer e.fold.Shed()
	}
	return e.read(fn, &View{Herd: h, Fold: e.fold, Head: e.head, PolicyRev: e.rev, Epoch: state.Epoch, Today: b.today(h), voided: e.voided})
}

// read calls a reader. If it panics, the fold is made anew for the next one.
func (e *entry) read(fn func(*View) error, v *View) error {
	whole := false
	defer func() {
		if !whole {
			e.spoilt.Store(true)
		}
	}()
	err := fn(v)
	whole = true
	return err
}

func (b *Book) seqOf(ctx context.Context, h *Herd, asOf AsOf, head store.Head) (int64, error) {
	if asOf.Seq > head.Seq || asOf.Seq < 0 {
		return 0, &Error{
			Kind: Invalid, Code: "invalid-as-of", Detail: "the herd's log has not come so far",
			Faults: []Fault{{Pointer: "as_of", Code: event.CodeOutOfRange, Detail: "at most the seq of the herd's head"}},
		}
	}
	if asOf.Seq > 0 {
		return asOf.Seq, nil
	}
	seq, err := b.db.SeqAt(ctx, h.ID, asOf.Time)
	return seq, wrap("find the head of that time", err)
}

// past folds the log up to seq from scratch, with the policies of that time.
func (b *Book) past(ctx context.Context, h *Herd, seq int64, at time.Time, epoch int64, fn func(*View) error) error {
	policies, err := b.policies(ctx, h.ID, at)
	if err != nil {
		return err
	}
	fold, voided := repro.NewHerd(h.Name, policies), map[int64]bool{}
	head, err := b.load(ctx, h, Head{}, voided, seq, applyTo(fold))
	if err != nil {
		return err
	}
	return fn(&View{Herd: h, Fold: fold, Head: head, Epoch: epoch, Today: b.today(h), voided: voided})
}

// load applies the log behind a head, up to seq, notes what voids withdraw, and
// returns the head there.
func (b *Book) load(ctx context.Context, h *Herd, head Head, voided map[int64]bool, seq int64, apply func([]repro.Fact) error) (Head, error) {
	if seq <= head.Seq {
		return head, nil
	}
	err := b.decoded(ctx, h, head.Seq, seq, func(facts []repro.Fact) error {
		if err := b.resolveVoids(ctx, h, facts); err != nil {
			return err
		}
		for i := range facts {
			if facts[i].Voids > 0 {
				voided[facts[i].Voids] = true
			}
		}
		head.Seq = facts[len(facts)-1].Seq
		return apply(facts)
	})
	if err != nil {
		return head, wrap("read the log", err)
	}
	at, err := b.db.HeadAt(ctx, h.ID, head.Seq)
	return headOf(at), wrap("read the log", err)
}

// applyTo is for load.
func applyTo(fold *repro.Herd) func([]repro.Fact) error {
	return func(facts []repro.Fact) error {
		fold.Apply(facts)
		return nil
	}
}

// lot is a few thousand events on their way from the log into a fold. Its memory goes
// round: its events are gone when it is filled again.
type lot struct {
	facts  []repro.Fact
	events event.Lot
}

// decoded reads the events after < seq <= upto and hands them on in order, a few
// thousand at a time. While one lot is used the next one is being decoded, straight
// from the connection. What use is given is valid only until it returns, but for texts.
func (b *Book) decoded(ctx context.Context, h *Herd, after, upto int64, use func([]repro.Fact) error) error {
	const lots = 3
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	full, free := make(chan *lot, lots), make(chan *lot, lots)
	for range lots {
		free <- new(lot)
	}
	read := make(chan error, 1)
	guard.Go("book.decode", func() error {
		var decoder event.Decoder
		var l *lot
		next := func() error {
			if l != nil {
				full <- l // has room for all lots that there are
			}
			select {
			case l = <-free:
			case <-ctx.Done():
				return ctx.Err()
			}
			l.facts = l.facts[:0]
			l.events.Reset()
			return nil
		}
		err := b.db.ScanBytes(ctx, h.ID, after, upto, next, func(seq int64, raw []byte) error {
			e, err := decoder.Decode(raw, &l.events)
			l.facts = append(l.facts, repro.Fact{Event: e, Seq: seq})
			return err
		})
		if err == nil && l != nil {
			full <- l
		}
		return err
	}, func(err error) {
		read <- err
		close(full)
	})
	for l := range full {
		if err := use(l.facts); err != nil {
			cancel()
			for range full { // the reader ends before its caller does
			}
			return err
		}
		free <- l
	}
	return <-read
}

// resolveVoids finds the seq of the events that voids withdraw.
func (b *Book) resolveVoids(ctx context.Context, h *Herd, facts []repro.Fact) error {
	var ids []uuid.UUID
	for i := range facts {
		if v, ok := facts[i].Event.Data.(*event.Void); ok {
			ids = append(ids, v.Event)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	known, err := b.known(ctx, h, ids)
	if err != nil {
		return err
	}
	for i := range facts {
		if v, ok := facts[i].Event.Data.(*event.Void); ok {
			facts[i].Voids = known[v.Event].Seq
		}
	}
	return nil
}

// entry is one herd's fold: the materialised view of its log. mu is held for reading while answers are computed
// and for writing while the log's news are applied.
type entry struct {
	mu      sync.RWMutex
	fold    *repro.Herd
	shelved *repro.Shelved // in place of fold: nobody has read it yet
	voided  map[int64]bool
	head    Head
	rev     int64
	epoch   int64 // of the log that was read
	kept    int64 // seq of its snapshot; 0 = none that is known

	spoilt atomic.Bool // a reader panicked: what the fold derived of itself may be half done

	measured atomic.Int64 // Changes of the fold when it was measured last, and 1; of one that is shelved -1

	element *list.Element // guarded by the cache
	size    int64         // guarded by the cache
	derived int64         // of size; guarded by the cache
	users   int           // guarded by the cache
}

// refresh brings the fold to at least the given head and policy revision. With shelf
// it may be on the shelf then, and otherwise it is not.
func (e *entry) refresh(ctx context.Context, b *Book, h *Herd, state store.State, shelf bool) error {
	head, rev := state.Head, state.PolicyRev
	e.mu.RLock()
	fresh := !e.spoilt.Load() && (e.fold != nil || shelf && e.shelved != nil) && e.head.Seq >= head.Seq && e.rev == rev && e.epoch == state.Epoch
	e.mu.RUnlock()
	if fresh {
		return nil
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.spoilt.Swap(false) {
		e.fold, e.head = nil, Head{}
	}
	if e.epoch != state.Epoch {
		// The log is another one: restored from a backup while this process ran.
		e.unshelve()
		e.fold, e.head, e.kept, e.epoch = nil, Head{}, 0, state.Epoch
	}
	if e.shelved != nil {
		e.wake(ctx, b, h)
	}
	if e.fold == nil || e.rev != rev {
		var policies repro.Policies
		if rev > 0 { // of a herd that never had any there is nothing to ask
			var err error
			if policies, err = b.policies(ctx, h.ID, time.Time{}); err != nil {
				return err
			}
		}
		switch {
		case e.fold == nil && e.restore(ctx, b, h, state, policies):
		case e.fold == nil && shelf && head.Seq > int64(b.lot):
			if e.rev = rev; e.press(ctx, b, h, head.Seq, policies) {
				return nil
			}
			fallthrough
		case e.fold == nil:
			e.fold, e.voided = repro.NewHerd(h.Name, policies), map[int64]bool{}
		default:
			e.fold = e.fold.WithPolicies(policies)
		}
		e.rev = rev
	}
	if e.head.Seq >= head.Seq {
		if e.head.Seq == head.Seq {
			e.head = headOf(head) // a snapshot does not know the time
		}
		if e.snapshotDue(b) {
			b.keep(h, e.epoch)
		}
		return nil
	}
	cold := e.head.Seq == 0
	if err := guard.Do("book.fold", func() (err error) {
		if e.head, err = b.load(ctx, h, e.head, e.voided, head.Seq, applyTo(e.fold)); err != nil {
			return err
		}
		if cold {
			e.fold.Trim()
		} else {
			e.fold.Settle()
		}
		return nil
	}); err != nil {
		// The fold may have taken in a part: start over next time.
		e.fold, e.head = nil, Head{}
		return err
	}
	if e.snapshotDue(b) {
		b.keep(h, e.epoch)
	}
	return nil
}

// measure gives the size of the fold, and of what it derived of itself, if they may
// have changed since they were measured last.
func (e *entry) measure() (size, derived int64, changed bool) {
	e.mu.RLock()
	defer e.mu.RUnlock()
	if e.shelved != nil {
		return e.shelved.Size(), 0, e.measured.Swap(-1) != -1
	}
	if e.fold == nil {
		return 0, 0, e.measured.Swap(0) != 0
	}
	if now := e.fold.Changes() + 1; e.measured.Swap(now) == now {
		return 0, 0, false
	}
	return e.fold.Size() + int64(len(e.voided))*bytesOfVoid, e.fold.Derived(), true
}

// shed gives up what the fold has derived, unless the fold is being changed.
func (e *entry) shed() {
	if !e.mu.TryRLock() {
		return
	}
	defer e.mu.RUnlock()
	if e.fold != nil {
		e.fold.Shed()
	}
}

// bytesOfVoid is about what a map keeps for one entry of voided.
const bytesOfVoid = 32

// cache is an LRU cache of folds, bounded in bytes.
type cache struct {
	limit int64

	mu      sync.Mutex // guards the rest
	entries map[uuid.UUID]*entry
	order   *list.List // of uuid.UUID, most recently used first
	total   int64
}

func newCache(limit int64) *cache {
	return &cache{limit: limit, entries: map[uuid.UUID]*entry{}, order: list.New()}
}

func (c *cache) take(herd uuid.UUID) *entry {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.entries[herd]
	if e == nil {
		e = &entry{element: c.order.PushFront(herd)}
		c.entries[herd] = e
	}
	c.order.MoveToFront(e.element)
	e.users++
	return e
}

// peek is take for a herd that is in the cache; nil for any other.
func (c *cache) peek(herd uuid.UUID) *entry {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.entries[herd]
	if e != nil {
		e.users++
	}
	return e
}

// put returns an entry that has not been changed, without a look at its size.
func (c *cache) put(e *entry) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e.users--
}

// give returns an entry after use. Beyond the bound the least used herds give up what
// their folds have derived, which is most of it and quickly derived again; where
// that is not enough, the least used ones are dropped. One in use is never dropped.
func (c *cache) give(e *entry) {
	size, derived, changed := e.measure()
	c.mu.Lock()
	e.users--
	if !changed {
		c.mu.Unlock()
		return
	}
	c.account(e, size, derived)
	fat := c.fat()
	c.mu.Unlock()
	for _, e := range fat { // without the lock: it may wait for one who is folding
		e.shed()
	}
	sizes := make([][2]int64, len(fat))
	known := make([]bool, len(fat))
	for i, e := range fat {
		sizes[i][0], sizes[i][1], known[i] = e.measure()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, e := range fat {
		e.users--
		if known[i] {
			c.account(e, sizes[i][0], sizes[i][1])
		}
	}
	for at := c.order.Back(); at != nil && c.total > c.limit; {
		id, _ := at.Value.(uuid.UUID)
		last := c.entries[id]
		prev := at.Prev()
		if last.users == 0 {
			c.total -= last.size
			c.order.Remove(at)
			delete(c.entries, id)
			last.unshelve()
		}
		at = prev
	}
}

// account notes the size of an entry. The caller holds mu.
func (c *cache) account(e *entry, size, derived int64) {
	c.total += size - e.size
	e.size, e.derived = size, derived
}

// fat takes those of the least used entries that have to give up what they derived
// to come below the bound. The caller holds mu, and has to give back the users.
func (c *cache) fat() (list []*entry) {
	over := c.total - c.limit
	for at := c.order.Back(); at != nil && over > 0; at = at.Prev() {
		id, _ := at.Value.(uuid.UUID)
		if e := c.entries[id]; e.derived > 0 {
			e.users++
			over -= e.derived
			list = append(list, e)
		}
	}
	return list
}
