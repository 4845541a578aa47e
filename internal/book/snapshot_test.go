package book_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// long appends enough for a snapshot to be worth it.
func (x *bundle) long() {
	x.t.Helper()
	var events []*event.Event
	for i := range 60 {
		events = append(events, arrival(fmt.Sprint(100+i)))
	}
	for i := range 1140 {
		verdict := event.NotInHeat
		if i%9 == 0 {
			verdict = event.InHeat
		}
		events = append(events, heat(fmt.Sprint(100+i%60), on-event.Date(300-i/60*7), verdict))
	}
	if _, err := x.book.Append(x.t.Context(), x.herd, events, book.AppendOptions{History: true}); err != nil {
		x.t.Fatal(err)
	}
}

// fresh is a book that has nothing in memory.
func (x *bundle) fresh(o book.Options) *book.Book {
	b := book.New(x.db, o)
	x.t.Cleanup(b.Close)
	return b
}

// told is everything that a book says about the herd.
func (x *bundle) told(b *book.Book) string {
	x.t.Helper()
	var out []any
	err := b.View(x.t.Context(), x.herd, book.AsOf{}, func(v *book.View) error {
		out = append(out, v.Head, v.Fold.Animals(on), v.Fold.LastDate())
		for seq := range v.Head.Seq + 1 {
			if v.Voided(seq) {
				out = append(out, seq)
			}
		}
		for _, d := range repro.Keys() {
			a, err := v.Fold.Index(d.Key, repro.Params{On: on})
			if err != nil {
				return err
			}
			out = append(out, a)
		}
		return nil
	})
	if err != nil {
		x.t.Fatal(err)
	}
	text, err := json.Marshal(out)
	if err != nil {
		x.t.Fatal(err)
	}
	return string(text)
}

func (x *bundle) epoch() int64 {
	x.t.Helper()
	n, err := x.book.Epoch(x.t.Context())
	if err != nil {
		x.t.Fatal(err)
	}
	return n
}

// A service that starts from a snapshot, and goes on with what was appended since,
// says the same as one that reads the log.
func TestSnapshotSaysTheSame(t *testing.T) {
	t.Parallel()
	x := setupWith(t, book.Options{Plain: true})
	x.long()
	withdrawn := heat("101", on-1, event.InHeat)
	x.append(withdrawn)
	x.append(void(withdrawn.ID, on))
	maker := x.fresh(book.Options{})
	if seq, err := maker.Snapshot(t.Context(), x.herd); err != nil || seq != 1202 {
		t.Fatalf("snapshot at %d: %v", seq, err)
	}
	plain := x.fresh(book.Options{Plain: true})
	for _, step := range []func(){
		func() {},
		func() { x.append(heat("102", on-1, event.InHeat)) },
		func() {
			e := heat("103", on-2, event.InHeat)
			x.append(e)
			x.append(void(e.ID, on))
		},
		func() { x.append(arrival("999")) },
	} {
		step()
		b := x.fresh(book.Options{})
		if got, want := x.told(b), x.told(plain); got != want {
			t.Fatalf("from the snapshot:\n%.2000s\nfrom the log:\n%.2000s", got, want)
		}
	}
}

// A cold fold that was worth sparing leaves a snapshot behind, and growth a newer one.
func TestSnapshotIsKeptByItself(t *testing.T) {
	t.Parallel()
	x := setup(t)
	seqOf := func() int64 {
		s, _, err := x.db.SnapshotOf(t.Context(), x.herd.ID, book.SnapshotFormat(), x.epoch())
		if err != nil {
			return 0
		}
		return s.Seq
	}
	x.append(arrival("1"))
	b := book.New(x.db, book.Options{})
	x.told(b)
	b.Close()
	if n := seqOf(); n != 0 {
		t.Errorf("a snapshot of one event at %d", n)
	}
	x.long()
	b = book.New(x.db, book.Options{})
	x.told(b)
	for began := time.Now(); seqOf() != 1201; time.Sleep(5 * time.Millisecond) {
		if time.Since(began) > 20*time.Second {
			t.Fatalf("the snapshot stands at %d", seqOf())
		}
	}
	b.Close()
	off := book.New(x.db, book.Options{Plain: true})
	if _, err := off.Snapshot(t.Context(), x.herd); err == nil {
		t.Error("a book without snapshots made one")
	}
	off.Close()
}

// What does not fit the log in every respect is never used, and is dropped where it
// is at fault. The control shows that the lie would be believed otherwise.
func TestSnapshotIsReadInPieces(t *testing.T) {
	t.Parallel()
	x := setupWith(t, book.Options{Plain: true})
	x.long()
	const piece = 64 << 10
	for _, size := range []int{1, piece - 1, piece, piece + 1, 5*piece + 7} {
		want := store.Snapshot{Format: "pieces", Epoch: x.epoch(), Seq: 1000, Bytes: make([]byte, size)}
		for i := range want.Bytes {
			want.Bytes[i] = byte(i ^ i>>8 ^ i>>16) // no two pieces are the same
		}
		want.Digest = want.Sum(x.herd.ID)
		if err := x.db.DropSnapshot(t.Context(), x.herd.ID); err != nil {
			t.Fatal(err)
		}
		if err := x.db.KeepSnapshot(t.Context(), x.herd.ID, want); err != nil {
			t.Fatal(err)
		}
		got, _, err := x.db.SnapshotOf(t.Context(), x.herd.ID, want.Format, want.Epoch)
		if err != nil || !got.Fits || !bytes.Equal(got.Bytes, want.Bytes) {
			t.Errorf("of %d bytes %d came, which fit: %v; %v", size, len(got.Bytes), got.Fits, err)
		}
	}
}

func TestSnapshotIsNeverTrusted(t *testing.T) {
	t.Parallel()
	x := setupWith(t, book.Options{Plain: true})
	x.long()
	want := x.told(x.fresh(book.Options{Plain: true}))
	head, err := x.book.Head(t.Context(), x.herd)
	if err != nil {
		t.Fatal(err)
	}
	liar := arrival("liar")
	liar.Herd, liar.ID = x.herd.Name, uuid.New()
	fold := repro.NewHerd(x.herd.Name, nil)
	fold.Apply([]repro.Fact{{Event: liar, Seq: head.Seq}})
	good := store.Snapshot{
		Format: book.SnapshotFormat(), Epoch: x.epoch(), Seq: head.Seq, Hash: head.Hash,
		Bytes: append([]byte{0}, fold.Pack()...),
	}
	for _, c := range []struct {
		why           string
		change        func(*store.Snapshot)
		believed      bool
		unsummed      bool // the digest is left as it was
		dropped, kept bool
	}{
		{why: "control: everything fits", change: func(*store.Snapshot) {}, believed: true, kept: true},
		{why: "another format", change: func(s *store.Snapshot) { s.Format = "0/" + s.Format }},
		{why: "another epoch", change: func(s *store.Snapshot) { s.Epoch++ }},
		{why: "another chain", change: func(s *store.Snapshot) { s.Hash[0] ^= 1 }, dropped: true},
		{why: "an earlier seq", change: func(s *store.Snapshot) { s.Seq-- }, dropped: true},
		{why: "ahead of the log", change: func(s *store.Snapshot) { s.Seq++ }},
		{why: "a byte that changed", change: func(s *store.Snapshot) { s.Bytes[len(s.Bytes)/2] ^= 1 }, unsummed: true, dropped: true},
		{why: "a digest that changed", change: func(s *store.Snapshot) { s.Digest[31] ^= 1 }, unsummed: true, dropped: true},
		{why: "cut off, and summed", change: func(s *store.Snapshot) { s.Bytes = s.Bytes[:len(s.Bytes)-1] }, dropped: true},
		{why: "empty, and summed", change: func(s *store.Snapshot) { s.Bytes = nil }, dropped: true},
	} {
		s := good
		s.Bytes = append([]byte{}, good.Bytes...)
		s.Digest = s.Sum(x.herd.ID)
		c.change(&s)
		if !c.unsummed {
			s.Digest = s.Sum(x.herd.ID)
		}
		if s.Bytes == nil {
			s.Bytes = []byte{}
		}
		if err := x.db.DropSnapshot(t.Context(), x.herd.ID); err != nil {
			t.Fatal(err)
		}
		if err := x.db.KeepSnapshot(t.Context(), x.herd.ID, s); err != nil {
			t.Fatal(err)
		}
		b := book.New(x.db, book.Options{})
		got := x.told(b)
		b.Close()
		if (got != want) != c.believed {
			t.Errorf("%s: believed %v", c.why, got != want)
		}
		// Dropped, or already made again from the log.
		after, _, err := x.db.SnapshotOf(t.Context(), x.herd.ID, s.Format, s.Epoch)
		if same := err == nil && after.Digest == s.Digest; c.kept && !same || c.dropped && same {
			t.Errorf("%s: afterwards it is there: %v, %v", c.why, same, err)
		}
	}
	// Digest and chain hold the herd as well: a snapshot cannot be moved to another.
	if a, b := good.Sum(x.herd.ID), good.Sum(uuid.New()); a == b {
		t.Error("the digest does not hold the herd")
	}
}
