package store_test

import (
	"bytes"
	"errors"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// Many herds in one question: each gets its own state, and the one that is not
// there fails all of it. Small and large groups are stored alike.
func TestStatesOf(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	var ids []uuid.UUID
	for i, n := range []int{0, 3, 32, 33, 200} { // below and above what is inserted by a statement
		id := herd(t, db, string(rune('a'+i))+"-herd")
		if n > 0 {
			add(t, db, id, n)
		}
		if i%2 == 1 {
			if err := db.PutPolicy(t.Context(), id, store.Policy{From: 20000, Doc: []byte(`{}`), ChangedAt: start, By: "t"}); err != nil {
				t.Fatal(err)
			}
		}
		ids = append(ids, id)
	}
	epoch, err := db.Epoch(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	states, err := db.StatesOf(t.Context(), ids)
	if err != nil {
		t.Fatal(err)
	}
	for i, id := range ids {
		one, err := db.StateOf(t.Context(), id)
		if err != nil || one != states[i] {
			t.Errorf("herd %d: alone %+v, %v; among others %+v", i, one, err, states[i])
		}
		head, err := db.HeadOf(t.Context(), id)
		if err != nil || one.Head != head || one.Epoch != epoch || one.PolicyRev != int64(i%2) {
			t.Errorf("herd %d: %+v; the head is %+v, %v", i, one, head, err)
		}
		if head.Seq == 0 {
			continue
		}
		if at, err := db.HeadAt(t.Context(), id, head.Seq); err != nil || at != head {
			t.Errorf("herd %d: the head at %d is %+v, %v", i, head.Seq, at, err)
		}
		var whole, lean bytes.Buffer
		if err := db.Scan(t.Context(), id, 1, 0, func(r *store.Row) error { _, err := whole.Write(r.Bytes); return err }); err != nil {
			t.Fatal(err)
		}
		last := int64(1)
		if err := db.ScanBytes(t.Context(), id, 1, 0, func() error { return nil }, func(seq int64, raw []byte) error {
			if last++; seq != last {
				t.Errorf("seq %d, want %d", seq, last)
			}
			_, err := lean.Write(raw)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		if whole.Len() == 0 || !bytes.Equal(whole.Bytes(), lean.Bytes()) || last != head.Seq {
			t.Errorf("herd %d: the bytes alone are others", i)
		}
	}
	if _, err := db.StatesOf(t.Context(), append(ids, uuid.New())); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a herd that is not there: %v", err)
	}
	if _, err := db.HeadAt(t.Context(), ids[1], 4); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("beyond the head: %v", err)
	}
	if none, err := db.StatesOf(t.Context(), nil); err != nil || len(none) != 0 {
		t.Errorf("no herds: %v, %v", none, err)
	}
}
