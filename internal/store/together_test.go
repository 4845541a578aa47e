package store_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// part makes a part of n new events behind a head.
func part(herd uuid.UUID, head store.Head, n int) store.Part {
	return store.Part{Herd: herd, Head: head, Rows: follow(head, n)}
}

// chained checks a herd's log from its start to the head, and gives its length.
func chained(t *testing.T, db *store.DB, id uuid.UUID) int {
	t.Helper()
	prev := [32]byte{}
	rows := scan(t, db, id, 0, 0, true) // refuses gaps
	for _, r := range rows {
		if link(prev, &r) != r.Hash {
			t.Fatalf("the chain breaks at %d", r.Seq)
		}
		prev = r.Hash
	}
	if h := headOf(t, db, id); h.Seq != int64(len(rows)) || len(rows) > 0 && h.Hash != prev {
		t.Fatalf("the head is at %d, the log has %d events", h.Seq, len(rows))
	}
	return len(rows)
}

// What cannot stand in one herd takes nothing away from the others: a head that has
// moved, a head of the same number and another hash, a herd that is not there, and a
// head that somebody holds, which is not waited for.
func TestTogetherLeavesOutWhatDoesNotFit(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	ids := []uuid.UUID{herd(t, db, "first"), herd(t, db, "moved"), herd(t, db, "forged"), herd(t, db, "held"), herd(t, db, "last")}
	heads := make([]store.Head, len(ids))
	for i, id := range ids {
		heads[i] = headOf(t, db, id)
	}
	add(t, db, ids[1], 2)
	heads[2].Hash[0]++
	parts := make([]store.Part, 0, len(ids)+1)
	for i, id := range ids {
		parts = append(parts, part(id, heads[i], i+1))
	}
	parts[0].Rows[0].Note = &store.Note{Salt: [16]byte{1}, Body: "a note that stands"}
	parts[1].Rows[0].Note = &store.Note{Salt: [16]byte{2}, Body: "a note that does not"}
	parts = append(parts, part(uuid.New(), heads[0], 1))

	var stood []bool
	_, err := db.Append(t.Context(), ids[3], store.API, func(store.Head) (store.Batch, error) {
		var err error
		stood, err = db.AppendTogether(t.Context(), parts)
		return store.Batch{}, err
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := []bool{true, false, false, false, true, false}; !slices.Equal(stood, want) {
		t.Fatalf("stood: %v, want %v", stood, want)
	}
	for i, want := range []int{1, 2, 0, 0, 5} {
		if n := chained(t, db, ids[i]); n != want {
			t.Errorf("herd %d has %d events, want %d", i, n, want)
		}
	}
	rows := scan(t, db, ids[0], 0, 0, true)
	if rows[0].Note == nil || rows[0].Note.Body != "a note that stands" {
		t.Errorf("the note is %v", rows[0].Note)
	}
	// The rest can be written where it then stands.
	heads[1] = headOf(t, db, ids[1])
	if stood, err = db.AppendTogether(t.Context(), []store.Part{part(ids[1], heads[1], 3), part(ids[3], heads[3], 1)}); err != nil || !stood[0] || !stood[1] {
		t.Errorf("%v, %v", stood, err)
	}
	same(t, scan(t, db, ids[4], 0, 0, true), parts[4].Rows, true)
}

// An id that is taken in one herd is an error of the whole, and nothing of any herd
// is written. Parts that are no log never reach the server.
func TestTogetherIsRefusedWhole(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	a, b := herd(t, db, "one"), herd(t, db, "two")
	there := add(t, db, a, 1)
	parts := []store.Part{part(b, headOf(t, db, b), 1), part(a, headOf(t, db, a), 1)}
	parts[1].Rows[0].ID = there[0].ID
	_, err := db.AppendTogether(t.Context(), parts)
	wantKind(t, err, store.ErrIDTaken)
	if n, m := chained(t, db, a), chained(t, db, b); n != 1 || m != 0 {
		t.Errorf("%d and %d events", n, m)
	}
	gap := part(b, headOf(t, db, b), 2)
	gap.Rows = gap.Rows[1:]
	for what, parts := range map[string][]store.Part{
		"a gap":          {gap},
		"no events":      {{Herd: b, Head: headOf(t, db, b)}},
		"a herd twice":   {part(b, headOf(t, db, b), 1), part(b, headOf(t, db, b), 1)},
		"too many":       {part(a, headOf(t, db, a), store.MaxBatch), part(b, headOf(t, db, b), 1)},
		"an invalid day": {{Herd: b, Head: headOf(t, db, b), Rows: badDay(headOf(t, db, b))}},
	} {
		if _, err := db.AppendTogether(t.Context(), parts); !errors.Is(err, store.ErrBroken) && !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if n := chained(t, db, b); n != 0 {
		t.Errorf("%d events", n)
	}
}

func badDay(h store.Head) []store.Row {
	rows := follow(h, 1)
	rows[0].On = 1 << 30
	return rows
}

// The wire is cut at every message of a statement over three herds, before and after
// the server has dealt with it: all herds have their part or none has, and what the
// caller is told is true.
func TestTogetherCutAtEveryMessage(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	direct := open(t, store.Config{URL: app})
	p, through := proxied(t, app)
	db := open(t, store.Config{URL: through, Writers: 1})
	ids := []uuid.UUID{herd(t, direct, "cut-a"), herd(t, direct, "cut-b"), herd(t, direct, "cut-c")}
	outcomes := map[string]int{}
	for _, after := range []bool{false, true} {
		for k := int64(1); ; k++ {
			if k > 100 {
				t.Fatal("one statement sends more than 100 messages")
			}
			before := make([]store.Head, len(ids))
			parts := make([]store.Part, len(ids))
			for i, id := range ids {
				before[i] = headOf(t, direct, id)
				parts[i] = part(id, before[i], 2)
			}
			p.arm(k, after)
			stood, err := db.AppendTogether(t.Context(), parts)
			cut := p.cuts.Load() > 0
			p.arm(0, false)
			if err != nil {
				settled(t, direct, parts)
			}
			written := 0
			for i, id := range ids {
				switch now := headOf(t, direct, id); now.Seq {
				case before[i].Seq + 2:
					written++
				case before[i].Seq:
				default:
					t.Fatalf("message %d: the head went from %d to %d", k, before[i].Seq, now.Seq)
				}
			}
			if written != 0 && written != len(ids) {
				t.Fatalf("message %d: %d of %d herds were written", k, written, len(ids))
			}
			outcome := fmt.Sprintf("error %v, written %v", err != nil, written > 0)
			switch {
			case err == nil && (written == 0 || slices.Contains(stood, false)):
				t.Fatalf("message %d: acknowledged as %v, %d written", k, stood, written)
			case err == nil:
			case errors.Is(err, store.ErrOutcomeUnknown):
				outcome = fmt.Sprintf("unknown, written %v", written > 0)
			case written > 0:
				t.Fatalf("message %d: %v, and yet written", k, err)
			case !errors.Is(err, store.ErrUnavailable):
				t.Fatalf("message %d: %v, want unavailable or unknown", k, err)
			}
			outcomes[outcome]++
			if !cut {
				break
			}
		}
	}
	for _, o := range []string{"error false, written true", "error true, written false", "unknown, written false", "unknown, written true"} {
		if outcomes[o] == 0 {
			t.Errorf("never seen: %s; seen %v", o, outcomes)
		}
	}
	for _, id := range ids {
		chained(t, direct, id)
	}
	t.Logf("outcomes: %v", outcomes)
}

// settled waits until the server has done with a statement whose client is gone: it
// holds the heads for as long.
func settled(t *testing.T, db *store.DB, parts []store.Part) {
	t.Helper()
	for i := range parts {
		if _, err := db.Append(t.Context(), parts[i].Herd, store.API, func(store.Head) (store.Batch, error) {
			return store.Batch{}, nil
		}); err != nil {
			t.Fatal(err)
		}
	}
}

// Two processes append to the same herds, together and alone, in every order and with
// heads that they have only heard of: nobody waits for ever, nothing is lost, and
// every log has each acknowledged event once.
func TestTogetherBesideOthers(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	processes := []*store.DB{
		open(t, store.Config{URL: app, Timeouts: patient}), open(t, store.Config{URL: app, Timeouts: patient}),
	}
	ids := make([]uuid.UUID, 6)
	for i := range ids {
		ids[i] = herd(t, processes[0], fmt.Sprintf("shared-%d", i))
	}
	var mu sync.Mutex // guards the rest
	acked := map[uuid.UUID]map[uuid.UUID]bool{}
	together, apart := 0, 0
	note := func(herd uuid.UUID, rows []store.Row, alone bool) {
		mu.Lock()
		defer mu.Unlock()
		if acked[herd] == nil {
			acked[herd] = map[uuid.UUID]bool{}
		}
		for i := range rows {
			acked[herd][rows[i].ID] = true
		}
		if alone {
			apart++
		} else {
			together++
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var wg sync.WaitGroup
	for w := range 8 {
		wg.Go(func() {
			db := processes[w%2]
			rnd := rand.New(rand.NewPCG(5, uint64(w)))
			known := map[uuid.UUID]store.Head{}
			for range 40 {
				var parts []store.Part
				for _, k := range rnd.Perm(len(ids))[:1+rnd.IntN(4)] {
					head, ok := known[ids[k]]
					if !ok {
						var err error
						if head, err = db.HeadOf(ctx, ids[k]); err != nil {
							t.Errorf("head: %v", err)
							return
						}
					}
					parts = append(parts, part(ids[k], head, 1+rnd.IntN(2)))
				}
				stood, err := db.AppendTogether(ctx, parts)
				if err != nil {
					t.Errorf("together: %v", err)
					return
				}
				for i := range parts {
					herd, rows := parts[i].Herd, parts[i].Rows
					if !stood[i] {
						if _, err := db.Append(ctx, herd, store.API, func(h store.Head) (store.Batch, error) {
							rows = follow(h, len(rows))
							return store.Batch{Rows: rows}, nil
						}); err != nil {
							t.Errorf("alone: %v", err)
							return
						}
					}
					last := rows[len(rows)-1]
					known[herd] = store.Head{Seq: last.Seq, Hash: last.Hash, RecordedAt: last.RecordedAt}
					note(herd, rows, !stood[i])
				}
			}
		})
	}
	wg.Wait()
	if together == 0 || apart == 0 {
		t.Errorf("%d parts stood and %d did not: the test proves nothing", together, apart)
	}
	for _, id := range ids {
		if n := chained(t, processes[0], id); n != len(acked[id]) {
			t.Errorf("%d events in the log, %d were acknowledged", n, len(acked[id]))
		}
		for _, r := range scan(t, processes[0], id, 0, 0, false) {
			if !acked[id][r.ID] {
				t.Errorf("%s is in the log and was never acknowledged", r.ID)
			}
		}
	}
}

func headOf(t *testing.T, db *store.DB, herd uuid.UUID) store.Head {
	t.Helper()
	h, err := db.HeadOf(t.Context(), herd)
	if err != nil {
		t.Fatal(err)
	}
	return h
}
