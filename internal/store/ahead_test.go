package store_test

import (
	"context"
	"errors"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// ahead is one AppendAhead under way.
type ahead struct {
	began, turn chan struct{}
	done        chan error
}

func sendAhead(ctx context.Context, db *store.DB, herd uuid.UUID, after store.Head, rows []store.Row) *ahead {
	a := &ahead{make(chan struct{}), make(chan struct{}), make(chan error, 1)}
	go func() {
		_, err := db.AppendAhead(ctx, herd, after, store.Batch{Rows: rows}, func() { close(a.began) }, a.turn)
		a.done <- err
	}()
	return a
}

func headAfter(rows []store.Row) store.Head {
	last := &rows[len(rows)-1]
	return store.Head{Seq: last.Seq, Hash: last.Hash, RecordedAt: last.RecordedAt}
}

func headOf(t *testing.T, db *store.DB, herd uuid.UUID) store.Head {
	t.Helper()
	h, err := db.HeadOf(t.Context(), herd)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// Rows are stored behind those that are not committed yet, show only when their
// turn has come, and are then the log's as if they had been appended one after
// the other.
func TestAppendAhead(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app, Timeouts: patient})
	id := herd(t, db, "ahead")
	start := headOf(t, db, id)
	first := follow(start, 100)
	second := follow(headAfter(first), 100)

	b := sendAhead(t.Context(), db, id, headAfter(first), second)
	<-b.began
	a := sendAhead(t.Context(), db, id, start, first)
	<-a.began
	if h := headOf(t, db, id); h.Seq != 0 {
		t.Fatalf("the head is at %d before anybody's turn", h.Seq)
	}
	close(a.turn)
	if err := <-a.done; err != nil {
		t.Fatal(err)
	}
	if page, err := db.Page(t.Context(), id, store.Filter{Limit: store.MaxLimit}); err != nil || len(page.Rows) != 100 || page.Head.Seq != 100 {
		t.Fatalf("%d rows, head %d, %v; want those of the first alone", len(page.Rows), page.Head.Seq, err)
	}
	close(b.turn)
	if err := <-b.done; err != nil {
		t.Fatal(err)
	}
	page, err := db.Page(t.Context(), id, store.Filter{Limit: store.MaxLimit})
	if err != nil || len(page.Rows) != 200 || page.Head.Hash != headAfter(second).Hash {
		t.Fatalf("%d rows, head %d, %v", len(page.Rows), page.Head.Seq, err)
	}
	notes := 0
	for i := range page.Rows {
		if page.Rows[i].Note != nil {
			notes++
		}
	}
	if want := 2 * 34; notes != want { // every third of each hundred
		t.Errorf("%d notes, want %d", notes, want)
	}
}

// Whatever keeps the rows from being the next of the log leaves nothing of them,
// and nobody waits for the head.
func TestAppendAheadComesBack(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app, Timeouts: patient})
	try := func(t *testing.T, id uuid.UUID, after store.Head, rows []store.Row, want store.Kind) {
		t.Helper()
		before := headOf(t, db, id)
		a := sendAhead(t.Context(), db, id, after, rows)
		close(a.turn)
		if err := <-a.done; !errors.Is(err, want) {
			t.Errorf("%v, want %v", err, want)
		}
		if h := headOf(t, db, id); h != before {
			t.Errorf("the head is at %d, was at %d", h.Seq, before.Seq)
		}
		if page, err := db.Page(t.Context(), id, store.Filter{Limit: store.MaxLimit}); err != nil || int64(len(page.Rows)) != before.Seq {
			t.Errorf("%d rows are there, want %d: %v", len(page.Rows), before.Seq, err)
		}
	}
	// filled gives a herd with one event, and rows that follow it.
	filled := func(t *testing.T) (id uuid.UUID, head store.Head, first store.Row, rows []store.Row) {
		t.Helper()
		id = herd(t, db, "back-"+uuid.NewString()[:8])
		head, err := db.Append(t.Context(), id, store.API, func(h store.Head) (store.Batch, error) {
			rows = follow(h, 1)
			return store.Batch{Rows: rows}, nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return id, head, rows[0], follow(head, 50)
	}
	t.Run("an id is taken", func(t *testing.T) {
		id, head, first, rows := filled(t)
		rows[17].ID = first.ID
		try(t, id, head, rows, store.ErrIDTaken)
	})
	t.Run("the chain is another", func(t *testing.T) {
		id, head, _, rows := filled(t)
		head.Hash[0] ^= 1
		try(t, id, head, rows, store.ErrUnavailable)
	})
	t.Run("the head has not come so far", func(t *testing.T) {
		id, _, _, rows := filled(t)
		try(t, id, headAfter(rows), follow(headAfter(rows), 50), store.ErrUnavailable)
	})
	t.Run("the head has moved on", func(t *testing.T) {
		id, _, _, _ := filled(t)
		old := store.Head{RecordedAt: start}
		try(t, id, old, follow(old, 50), store.ErrBroken)
	})
	t.Run("another writer has the head", func(t *testing.T) {
		id, head, _, rows := filled(t)
		has, free, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
		go func() {
			_, err := db.Append(t.Context(), id, store.API, func(h store.Head) (store.Batch, error) {
				close(has)
				<-free
				return store.Batch{Rows: follow(h, 1)}, nil
			})
			done <- err
		}()
		<-has
		try(t, id, head, rows, store.ErrUnavailable)
		close(free)
		if err := <-done; err != nil {
			t.Errorf("the other writer: %v", err)
		}
	})
}

// A caller that ends before its turn leaves nothing, and nobody waits for it.
func TestAppendAheadAbandoned(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app, Timeouts: patient})
	id := herd(t, db, "abandoned")
	ctx, cancel := context.WithCancel(t.Context())
	a := sendAhead(ctx, db, id, headOf(t, db, id), follow(headOf(t, db, id), 50))
	<-a.began
	cancel()
	if err := <-a.done; !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if _, err := db.Append(t.Context(), id, store.API, func(h store.Head) (store.Batch, error) {
		return store.Batch{Rows: follow(h, 1)}, nil
	}); err != nil {
		t.Errorf("the next writer: %v", err)
	}
}
