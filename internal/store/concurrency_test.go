package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// Sixteen writers over a few herds, with late commits and rollbacks; a reader for
// each herd polls what follows its number. It misses nothing, sees nothing twice,
// and the numbers have no gap (T1 in small).
func TestReaderMissesNothing(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app, Writers: 8, Readers: 8, Timeouts: patient})
	const writers, perWriter = 16, 40
	var herds []uuid.UUID
	for i := range 3 {
		herds = append(herds, herd(t, db, fmt.Sprintf("busy-%d", i)))
	}
	var acked [3]sync.Map // id -> seq
	var committed [3]atomic.Int64
	var writing, reading sync.WaitGroup
	giveUp := errors.New("roll back")
	for w := range writers {
		writing.Go(func() {
			rnd := rand.New(rand.NewPCG(11, uint64(w)))
			for range perWriter {
				h := rnd.IntN(len(herds))
				n := 1 + rnd.IntN(3)
				pause := time.Duration(0)
				if rnd.IntN(4) == 0 {
					pause = time.Duration(rnd.IntN(4)) * time.Millisecond
				}
				rollback := rnd.IntN(20) == 0
				var rows []store.Row
				_, err := db.Append(t.Context(), herds[h], store.API, func(head store.Head) (store.Batch, error) {
					rows = follow(head, n)
					time.Sleep(pause)
					if rollback {
						return store.Batch{}, giveUp
					}
					return store.Batch{Rows: rows}, nil
				})
				switch {
				case rollback && errors.Is(err, giveUp):
				case err != nil:
					t.Errorf("append: %v", err)
				default:
					committed[h].Add(int64(n))
					for _, r := range rows {
						acked[h].Store(r.ID, r.Seq)
					}
				}
			}
		})
	}
	var written atomic.Bool
	for h := range herds {
		reading.Go(func() {
			var after int64
			seen := map[uuid.UUID]int64{}
			for last := false; ; {
				page, err := db.Page(t.Context(), herds[h], store.Filter{After: after, Limit: 50})
				if err != nil {
					t.Errorf("page: %v", err)
					return
				}
				for _, r := range page.Rows {
					if r.Seq != after+1 {
						t.Errorf("herd %d: seq %d after %d", h, r.Seq, after)
					}
					if _, twice := seen[r.ID]; twice {
						t.Errorf("herd %d: %s seen twice", h, r.ID)
					}
					seen[r.ID], after = r.Seq, r.Seq
				}
				if page.Head.Seq < after {
					t.Errorf("herd %d: head %d before the last row %d", h, page.Head.Seq, after)
				}
				if last && !page.More {
					break
				}
				last = written.Load()
				time.Sleep(time.Millisecond)
			}
			if int64(len(seen)) != committed[h].Load() {
				t.Errorf("herd %d: %d events seen, %d committed", h, len(seen), committed[h].Load())
			}
			acked[h].Range(func(id, seq any) bool {
				i, _ := id.(uuid.UUID)
				if at, ok := seq.(int64); !ok || seen[i] != at {
					t.Errorf("herd %d: %s was acknowledged at %d and read at %d", h, id, seq, seen[i])
				}
				return true
			})
		})
	}
	writing.Wait()
	written.Store(true)
	reading.Wait()
	for h := range herds {
		if committed[h].Load() == 0 {
			t.Errorf("herd %d: nothing was written", h)
		}
		prev := [32]byte{}
		for _, r := range scan(t, db, herds[h], 0, 0, false) {
			if link(prev, &r) != r.Hash {
				t.Fatalf("herd %d: the chain breaks at %d", h, r.Seq)
			}
			prev = r.Hash
		}
	}
}
