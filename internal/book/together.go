package book

import (
	"cmp"
	"context"
	"errors"
	"runtime"
	"slices"
	"sync"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// gatherer is a group commit over herds, under optimistic concurrency control (compare
// and set of the heads): it takes small appends into shared transactions, and what waits
// while one is under way becomes the next, in one round trip and one wait for the disk,
// however many herds it is for. It works on what this process takes the heads to be
// (see appender.head); the database holds that against the heads as they are, and what
// does not stand is put aside: it goes to the herd's own appender, which waits for the
// head and sees it. So nothing hangs on what is remembered here but the speed.
type gatherer struct {
	book *Book

	mu     sync.Mutex // guards the rest
	queue  []*job
	queued int // events in queue
	busy   bool
}

const (
	maxTogether = 1000 // events in a shared transaction
)

// errAside is how a job comes back that the gatherer could not write. Nothing of it
// was written.
var errAside = errors.New("the append must be made by itself")

// gathers tells whether the job may share a transaction: a single event, which can be
// judged by itself. A condition on the head, a key that may be taken, events that bear on
// each other and voids, which do not say whose records they bear on, are matters of one
// herd alone.
func (a *appender) gathers(j *job) bool {
	_, known := a.belief()
	return known && len(j.fresh) == 1 && j.options.Key == nil && j.options.ExpectHead == nil && j.fresh[0].event.Kind != event.KindVoid
}

// gathererOf shares the herds out: while a transaction of one gatherer waits for the
// disk the other has the database for its own. Of a herd there is never more than one
// under way.
func (b *Book) gathererOf(h *Herd) *gatherer { return &b.gatherers[int(h.ID[15])%len(b.gatherers)] }

// submit queues a job; false if there is no room.
func (g *gatherer) submit(j *job) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.queued+len(j.fresh) > maxQueue {
		return false
	}
	g.queue = append(g.queue, j)
	g.queued += len(j.fresh)
	if !g.busy {
		g.busy = true
		guard.Go("book.gatherer", g.work, g.ended) // as an appender's: no caller's goroutine
	}
	return true
}

func (g *gatherer) take() []*job {
	g.mu.Lock()
	defer g.mu.Unlock()
	n, events := 0, 0
	for n < len(g.queue) && events+len(g.queue[n].fresh) <= maxTogether {
		events += len(g.queue[n].fresh)
		n++
	}
	if n == 0 {
		g.busy = false
		g.queue = nil
		return nil
	}
	group := g.queue[:n:n]
	g.queue = g.queue[n:]
	g.queued -= events
	return group
}

// room lets the requests that could run at this moment come first, so that they are in
// the next group and not in the one after: on a busy machine groups grow and their cost
// is shared by more, on an idle one nothing is waited for.
func (g *gatherer) room() {
	for range 4 {
		g.mu.Lock()
		before := len(g.queue)
		g.mu.Unlock()
		runtime.Gosched()
		g.mu.Lock()
		after := len(g.queue)
		g.mu.Unlock()
		if after == before {
			return
		}
	}
}

// ended is as an appender's.
func (g *gatherer) ended(err error) {
	if err == nil {
		return
	}
	g.book.outlived(err)
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, j := range g.queue {
		j.finish(err)
	}
	g.queue, g.queued, g.busy = nil, 0, false
}

func (g *gatherer) work() error {
	for {
		g.room()
		group := g.take()
		if group == nil {
			return nil
		}
		g.book.commit("book.gather", group, g.commit)
	}
}

// share is what one herd has in a shared transaction.
type share struct {
	appender *appender
	head     store.Head // where its log is taken to end
	entry    *entry     // the herd's fold; nil if it is not in memory
	jobs     []*job
}

// commit writes a group. Every job of it is finished, or put aside.
func (g *gatherer) commit(ctx context.Context, group []*job) {
	shares := split(group)
	parts := make([]store.Part, 0, len(shares))
	kept := shares[:0]
	for _, s := range shares {
		s.entry = g.book.cache.peek(s.appender.herd.ID)
		if s.entry != nil {
			defer g.book.cache.give(s.entry)
		}
		if rows := g.plan(s); len(rows) > 0 {
			parts = append(parts, store.Part{Herd: s.appender.herd.ID, Head: s.head, Rows: rows})
			kept = append(kept, s)
		}
	}
	if len(parts) == 0 {
		return
	}
	stood, err := g.book.db.AppendTogether(ctx, parts)
	for i, s := range kept {
		switch {
		case err == nil && stood[i]:
			g.settle(s, &parts[i])
		case err == nil:
			s.appender.doubt(s.head)
			s.aside()
		case errors.Is(err, store.ErrOutcomeUnknown):
			s.appender.doubt(s.head)
			s.finish(wrap("append", err))
		case errors.Is(err, store.ErrStorage):
			s.finish(wrap("append", err))
		default: // somebody's trouble, but whose is not said: it may be a lock on one herd's ids
			s.aside()
		}
	}
}

// split sorts a group by herd, in the order of arrival.
func split(group []*job) []*share {
	var shares []*share
	of := make(map[*appender]*share, len(group))
	for _, j := range group {
		s := of[j.appender]
		if s == nil {
			s = &share{appender: j.appender}
			of[j.appender] = s
			shares = append(shares, s)
		}
		s.jobs = append(s.jobs, j)
	}
	return shares
}

// plan numbers what the share brings. Jobs that are refused are finished, and those
// that cannot be judged or written here put aside.
func (g *gatherer) plan(s *share) []store.Row {
	head, known := s.appender.belief()
	if !known {
		s.aside()
		return nil
	}
	s.head = head
	s.judgeAll()
	batch := s.appender.plan(head, s.jobs)
	s.keep(func(j *job) error {
		if j.err != nil { // its id is another's of this group
			return errAside
		}
		return nil
	})
	return batch.Rows
}

// judgeAll holds each job's event against the herd's records. Of two that bear on the same
// records the second is put aside: what it is held against is only being written.
func (s *share) judgeAll() {
	judge, done := s.judge()
	defer done()
	touched := map[string]bool{}
	s.keep(func(j *job) error {
		e := j.fresh[0].event
		names := namesOf(e)
		if slices.ContainsFunc(names, func(name string) bool { return touched[name] }) {
			return errAside
		}
		if !j.options.History {
			if err := judge(j, e); err != nil {
				return err
			}
		}
		for _, name := range names {
			touched[name] = true
		}
		return nil
	})
}

// keep finishes the jobs that fn has an error for, and keeps the others.
func (s *share) keep(fn func(j *job) error) {
	stay := s.jobs[:0]
	for _, j := range s.jobs {
		if err := fn(j); err != nil {
			j.finish(err)
			continue
		}
		stay = append(stay, j)
	}
	s.jobs = stay
}

// judge holds a single event against the herd's records, as Book.judge does, if they can
// be had without asking the database: the fold has to stand exactly where the log is
// taken to end, number and hash. Else the job is put aside. done is to be called after
// the last.
func (s *share) judge() (judge func(*job, *event.Event) error, done func()) {
	e := s.entry
	if e == nil || !e.mu.TryRLock() {
		return func(*job, *event.Event) error { return errAside }, func() {}
	}
	stands := e.fold != nil && e.head.Seq == s.head.Seq && e.head.Hash == s.head.Hash
	return func(j *job, x *event.Event) error {
		if !stands {
			return errAside
		}
		// The policies of the fold may be old, so that an unknown number is none of its business.
		asked := repro.Asked{Unknown: cmp.Or(j.options.Unknown, repro.UnknownRefuse)}
		switch refusal := e.fold.Refusal(x, asked); {
		case refusal == nil:
			return nil
		case refusal.Code == repro.RefuseUnknownAnimal && j.options.Unknown == "":
			return errAside
		default:
			return refused([]Fault{j.faultOf(j.fresh[0], refusal)})
		}
	}, e.mu.RUnlock
}

// namesOf are the numbers whose records an event bears on, or is held against.
func namesOf(e *event.Event) []string {
	names := []string{e.Animal}
	switch d := e.Data.(type) {
	case *event.Arrival:
		names = append(names, d.Dam)
	case *event.Renumber:
		names = append(names, d.To)
	case *event.Calving:
		for i := range d.Calves {
			names = append(names, d.Calves[i].Tag)
		}
	}
	return slices.DeleteFunc(names, func(name string) bool { return name == "" })
}

// settle tells the jobs of a share that stands, once the fold knows what they wrote.
func (g *gatherer) settle(s *share, p *store.Part) {
	last := &p.Rows[len(p.Rows)-1]
	head := store.Head{Seq: last.Seq, Hash: last.Hash, RecordedAt: last.RecordedAt}
	if e := s.entry; e != nil {
		if facts := factsOf(s.jobs, head); len(facts) > 0 && lockSoon(&e.mu) {
			e.advance(g.book, facts, head)
			e.mu.Unlock()
		}
	}
	s.appender.believe(head)
	g.book.wake(s.appender.herd.ID)
	for _, j := range s.jobs {
		s.appender.settle(j, head, nil)
	}
}

// lockSoon takes the lock if it is to be had in a moment. A fold is not waited for:
// somebody may be reading it at length, and other herds are in the group. The next
// reader fetches from the log what is left out.
func lockSoon(mu *sync.RWMutex) bool {
	for range 20 {
		if mu.TryLock() {
			return true
		}
		runtime.Gosched()
	}
	return false
}

func (s *share) aside() { s.finish(errAside) }

func (s *share) finish(err error) {
	for _, j := range s.jobs {
		j.finish(err)
	}
}

// factsOf gives what jobs have written, for the fold; nil if that cannot be told
// without a look into the log, as of a void: its target has to be found.
func factsOf(group []*job, head store.Head) []repro.Fact {
	facts := make([]repro.Fact, 0, len(group))
	for _, j := range group {
		if j.err != nil {
			continue
		}
		for _, r := range j.fresh {
			if r.event.Kind == event.KindVoid || len(r.results) == 0 {
				return nil
			}
			facts = append(facts, repro.Fact{Event: r.event, Seq: j.results[r.results[0]].Seq, RecordedAt: head.RecordedAt})
		}
	}
	return facts
}

// advance takes in facts if the fold stands right before them; if that panics the fold
// is made anew by its next reader, and what was written stays written. mu is held.
func (e *entry) advance(b *Book, facts []repro.Fact, head store.Head) {
	if e.fold == nil || e.head.Seq != facts[0].Seq-1 {
		return
	}
	if err := guard.Do("book.advance", func() error {
		e.fold.Apply(facts)
		e.fold.Settle()
		return nil
	}); err != nil {
		e.fold, e.head = nil, Head{}
		b.outlived(err)
		return
	}
	e.head = headOf(head)
}
