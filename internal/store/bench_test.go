package store_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/store"
)

// The benchmarks run on a cluster that keeps what it acknowledges (fsync on).

func BenchmarkAppend(b *testing.B) {
	_, db := cluster(b, nil)
	for _, n := range []int{1, 100, 5000} {
		b.Run(fmt.Sprintf("group=%d", n), func(b *testing.B) {
			id := herd(b, db, fmt.Sprintf("bench-%d-%d", n, time.Now().UnixNano()%1e9))
			var spent time.Duration // hashing is the caller's work
			size := 0
			for b.Loop() {
				var began time.Time
				if _, err := db.Append(b.Context(), id, store.API, func(h store.Head) (store.Batch, error) {
					rows := follow(h, n)
					for i := range rows {
						rows[i].Note = nil
						size = len(rows[i].Bytes)
					}
					began = time.Now()
					return store.Batch{Rows: rows}, nil
				}); err != nil {
					b.Fatal(err)
				}
				spent += time.Since(began)
			}
			b.ReportMetric(float64(spent.Nanoseconds())/float64(b.N), "ns/write")
			b.ReportMetric(float64(b.N*n)/spent.Seconds(), "events/s")
			b.ReportMetric(float64(size), "bytes/event")
		})
	}
}

func BenchmarkScan(b *testing.B) {
	_, db := cluster(b, nil)
	id := filled(b, db, 100_000)
	for _, notes := range []bool{false, true} {
		b.Run(fmt.Sprintf("notes=%v", notes), func(b *testing.B) {
			f := db.Scan
			if notes {
				f = db.ScanNotes
			}
			b.ReportAllocs()
			for b.Loop() {
				n := 0
				if err := f(b.Context(), id, 0, 0, func(*store.Row) error { n++; return nil }); err != nil || n != 100_000 {
					b.Fatal(n, err)
				}
			}
			b.ReportMetric(float64(b.N)*100_000/b.Elapsed().Seconds(), "events/s")
		})
	}
	b.Run("page=1000", func(b *testing.B) {
		for b.Loop() {
			if _, err := db.Page(b.Context(), id, store.Filter{After: 50_000, Limit: 1000}); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.N)*1000/b.Elapsed().Seconds(), "events/s")
	})
	b.Run("seq-at", func(b *testing.B) {
		for b.Loop() {
			if _, err := db.SeqAt(b.Context(), id, start.Add(11*time.Millisecond)); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkKnown(b *testing.B) {
	_, db := cluster(b, nil)
	id := filled(b, db, 100_000)
	ids := make([]uuid.UUID, 0, 5000)
	if err := db.Scan(b.Context(), id, 60_000, 65_000, func(r *store.Row) error {
		ids = append(ids, r.ID)
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if known, err := db.Known(b.Context(), id, ids); err != nil || len(known) != len(ids) {
			b.Fatal(len(known), err)
		}
	}
	b.ReportMetric(float64(b.N*len(ids))/b.Elapsed().Seconds(), "ids/s")
}

func filled(b *testing.B, db *store.DB, n int) uuid.UUID {
	b.Helper()
	id := herd(b, db, fmt.Sprintf("bench-%d", time.Now().UnixNano()%1e9))
	for range n / 5000 {
		if _, err := db.Append(b.Context(), id, store.Bulk, func(h store.Head) (store.Batch, error) {
			return store.Batch{Rows: follow(h, 5000)}, nil
		}); err != nil {
			b.Fatal(err)
		}
	}
	return id
}
