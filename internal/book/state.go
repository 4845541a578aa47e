package book

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/guard"
	"byrelog.example/internal/store"
)

// states is a single-flight for the state of herds. Every read begins with it, for another
// process may have appended; but of the many that wait for the answer about one
// herd, one question serves all that came before it was asked. So an answer is
// never older than the request, and the number of questions does not grow with
// the number of readers.
type states struct {
	ask func(ctx context.Context, herd uuid.UUID) (store.State, error)

	mu      sync.Mutex // guards waiting
	waiting map[uuid.UUID]*question

	// lately is the epoch that was read last, for as long as lastingEpoch.
	lately atomic.Pointer[int64]
}

// lastingEpoch is how long an epoch is told without asking again.
const lastingEpoch = time.Second

// Standing is where herds stand at one moment: one question about all of them, with
// which each can be looked at without a question of its own.
type Standing struct {
	book   *Book
	herds  []Herd
	states map[uuid.UUID]store.State
}

// Standing asks where the herds stand.
func (b *Book) Standing(ctx context.Context, herds []Herd) (*Standing, error) {
	ids := make([]uuid.UUID, len(herds))
	for i := range herds {
		ids[i] = herds[i].ID
	}
	list, err := b.db.StatesOf(ctx, ids)
	if err != nil {
		return nil, wrap("read heads", err)
	}
	s := &Standing{book: b, herds: herds, states: make(map[uuid.UUID]store.State, len(herds))}
	for i, id := range ids {
		s.states[id] = list[i]
	}
	return s, nil
}

// Marks gives for each herd a short text that changes whenever anything that an answer about the
// herd may depend on does: its log, its policies, the epoch, the date where it is.
func (s *Standing) Marks() []string {
	out := make([]string, len(s.herds))
	for i := range s.herds {
		h := &s.herds[i]
		st := s.states[h.ID]
		out[i] = fmt.Sprintf("%s %s %d %x %d %d %s", h.ID, h.Name, st.Head.Seq, st.Head.Hash, st.PolicyRev, st.Epoch, s.book.today(h))
	}
	return out
}

// View is [Book.View] of one of the herds, no earlier than where it stood.
func (s *Standing) View(ctx context.Context, h *Herd, asOf AsOf, fn func(*View) error) error {
	return s.book.viewFrom(ctx, h, s.states[h.ID], asOf, false, fn)
}

// Glance is [Book.Glance] of one of the herds, no earlier than where it stood.
func (s *Standing) Glance(ctx context.Context, h *Herd, asOf AsOf, fn func(*View) error) error {
	return s.book.viewFrom(ctx, h, s.states[h.ID], asOf, true, fn)
}

func newStates(db *store.DB) states {
	return states{waiting: map[uuid.UUID]*question{}, ask: func(ctx context.Context, herd uuid.UUID) (s store.State, err error) {
		if herd == uuid.Nil {
			s.Epoch, err = db.Epoch(ctx)
			return s, err
		}
		return db.StateOf(ctx, herd)
	}}
}

// question is what is asked about a herd: next is the reply to the question that
// nobody has put yet. A herd is in the map while one is due or under way.
type question struct {
	next    *reply
	readers int // that wait for next
}

// Behind a question that a crowd had waited for, the next one waits a moment longer, so
// that more share it; measured, a fifth of the processor time of a read. Few readers, or
// one after the other, never wait for it.
const (
	aCrowd    = 4
	gathering = 100 * time.Microsecond
)

// longestQuestion is after how long a question is given up.
const longestQuestion = 10 * time.Second

type reply struct {
	done  chan struct{}
	state store.State
	err   error
}

// of gives the state of the herd as of a moment after the call; of uuid.Nil, which
// is no herd, the epoch alone.
func (s *states) of(ctx context.Context, herd uuid.UUID) (store.State, error) {
	s.mu.Lock()
	q := s.waiting[herd]
	idle := q == nil
	if idle {
		q = &question{}
		s.waiting[herd] = q
	}
	r := q.next
	if r == nil {
		r = &reply{done: make(chan struct{})}
		q.next = r
	}
	q.readers++
	s.mu.Unlock()
	if idle {
		// Not the caller's goroutine: it may be gone before the last question.
		guard.Go("book.states", func() error { return s.serve(herd, q) }, func(err error) {
			if err != nil {
				s.give(herd, q, err)
			}
		})
	}
	// Two questions take no longer than this: the one under way, and the one that the reply
	// is to. Who has more time than that just waits, which is two microseconds less; a client
	// that goes away meanwhile is noticed after the reply.
	if end, ok := ctx.Deadline(); ok && time.Until(end) > 2*longestQuestion+time.Second {
		<-r.done
		return r.state, r.err
	}
	select {
	case <-r.done:
		return r.state, r.err
	case <-ctx.Done():
		return store.State{}, ctx.Err()
	}
}

// give answers with an error whoever waits for a question that nobody puts any more.
func (s *states) give(herd uuid.UUID, q *question, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.waiting, herd)
	if r := q.next; r != nil {
		r.err = err
		close(r.done)
	}
}

func (s *states) serve(herd uuid.UUID, q *question) error {
	crowd := false
	for {
		if crowd {
			time.Sleep(gathering)
		}
		s.room(q)
		s.mu.Lock()
		r := q.next
		crowd = q.readers >= aCrowd
		q.next, q.readers = nil, 0
		if r == nil {
			delete(s.waiting, herd)
			s.mu.Unlock()
			return nil
		}
		s.mu.Unlock()
		ctx, cancel := context.WithTimeout(context.Background(), longestQuestion)
		r.err = guard.Do("book.state", func() (err error) {
			r.state, err = s.ask(ctx, herd)
			return err
		})
		cancel()
		if r.err == nil {
			s.heard(r.state.Epoch)
		}
		close(r.done)
	}
}

// heard keeps an epoch for a while. Not longer than that after it was read: what is
// read meanwhile of the same epoch does not lengthen it.
func (s *states) heard(epoch int64) {
	old := s.lately.Load()
	if old != nil && *old == epoch {
		return
	}
	p := &epoch
	if s.lately.CompareAndSwap(old, p) {
		time.AfterFunc(lastingEpoch, func() { s.lately.CompareAndSwap(p, nil) })
	}
}

// room lets who could run at this moment come first, and share the question: on a busy
// machine that is many readers, on an idle one nobody is waited for.
func (s *states) room(q *question) {
	for range 8 {
		s.mu.Lock()
		before := q.readers
		s.mu.Unlock()
		runtime.Gosched()
		s.mu.Lock()
		after := q.readers
		s.mu.Unlock()
		if after == before {
			return
		}
	}
}
