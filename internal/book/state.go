package book

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/store"
)

// states asks for the state of herds. Every read begins with it, for another
// process may have appended; but of the many that wait for the answer about one
// herd, one question serves all that came before it was asked. So an answer is
// never older than the request, and the number of questions does not grow with
// the number of readers.
type states struct {
	ask func(ctx context.Context, herd uuid.UUID) (store.State, error)

	mu      sync.Mutex // guards waiting
	waiting map[uuid.UUID]*question
}

// Marks gives for each herd a short text that changes whenever anything that an answer about the
// herd may depend on does: its log, its policies, the epoch, the date where it is.
func (b *Book) Marks(ctx context.Context, herds []Herd) ([]string, error) {
	ids := make([]uuid.UUID, len(herds))
	for i := range herds {
		ids[i] = herds[i].ID
	}
	list, err := b.db.StatesOf(ctx, ids)
	if err != nil {
		return nil, wrap("read heads", err)
	}
	out := make([]string, len(herds))
	for i := range herds {
		s := &list[i]
		out[i] = fmt.Sprintf("%s %s %d %x %d %d %s", ids[i], herds[i].Name, s.Head.Seq, s.Head.Hash, s.PolicyRev, s.Epoch, b.today(&herds[i]))
	}
	return out, nil
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
	next *reply
}

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
	s.mu.Unlock()
	if idle {
		// Not the caller's goroutine: it may be gone before the last question.
		go s.serve(herd, q) //nolint:gosec // its context is its own: see above
	}
	select {
	case <-r.done:
		return r.state, r.err
	case <-ctx.Done():
		return store.State{}, ctx.Err()
	}
}

func (s *states) serve(herd uuid.UUID, q *question) {
	for {
		s.mu.Lock()
		r := q.next
		q.next = nil
		if r == nil {
			delete(s.waiting, herd)
			s.mu.Unlock()
			return
		}
		s.mu.Unlock()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		r.state, r.err = s.ask(ctx, herd)
		cancel()
		close(r.done)
	}
}
