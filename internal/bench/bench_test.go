package bench

import (
	"context"
	"fmt"
	"net/http"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"byrelog.example/internal/book"
)

// The benchmarks do what the rows of the table do, on the data of -quick, without
// the bare thing beside it: their output is for benchstat, before and after a change.

func benchWorld(b *testing.B) *world {
	b.Helper()
	s := quick()
	w, err := newWorld(b.Context(), s)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(w.close)
	return w
}

// herdOf gives the large herd and the service over it.
func herdOf(b *testing.B, w *world) (*filled, *service) {
	b.Helper()
	f, err := w.herd()
	if err != nil {
		b.Fatal(err)
	}
	s, err := w.serve(f.database, book.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.close)
	return f, s
}

// BenchmarkImport is row a.
func BenchmarkImport(b *testing.B) {
	w := benchWorld(b)
	path, err := w.sheetOf(w.size.rows)
	if err != nil {
		b.Fatal(err)
	}
	var took time.Duration
	for b.Loop() {
		d, err := w.importOnce(path, w.size.rows, nil)
		if err != nil {
			b.Fatal(err)
		}
		took += d
	}
	b.ReportMetric(float64(b.N*w.size.rows)/took.Seconds(), "rows/s")
}

// BenchmarkExport is row b.
func BenchmarkExport(b *testing.B) {
	f, s := herdOf(b, benchWorld(b))
	for b.Loop() {
		if _, err := s.exportOnce(b.Context(), f.herds[0]); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N*f.events)/b.Elapsed().Seconds(), "rows/s")
}

// BenchmarkCold is rows c and d, and BenchmarkColdPool row f: the metric is the
// answer alone, without the start of the service.
func BenchmarkCold(b *testing.B) {
	w := benchWorld(b)
	f, err := w.herd()
	if err != nil {
		b.Fatal(err)
	}
	b.Run("log", func(b *testing.B) { coldly(b, w, f, summaryPath(f.herds[0]), withoutSnapshots()) })
	if err := w.snapshots(f); err != nil {
		b.Fatal(err)
	}
	b.Run("snapshot", func(b *testing.B) { coldly(b, w, f, summaryPath(f.herds[0]), book.Options{}) })
}

func BenchmarkColdPool(b *testing.B) {
	w := benchWorld(b)
	f, err := w.herdPool()
	if err == nil {
		err = w.snapshots(f)
	}
	if err != nil {
		b.Fatal(err)
	}
	coldly(b, w, f, summaryPath(""), book.Options{})
}

func coldly(b *testing.B, w *world, f *filled, path string, o book.Options) {
	b.Helper()
	var took time.Duration
	for b.Loop() {
		d, err := w.cold(f, path, o)
		if err != nil {
			b.Fatal(err)
		}
		took += d
	}
	b.ReportMetric(float64(took.Nanoseconds())/float64(b.N), "ns/answer")
}

// BenchmarkWarm is row e.
func BenchmarkWarm(b *testing.B) {
	f, s := herdOf(b, benchWorld(b))
	for b.Loop() {
		if _, _, err := s.get(b.Context(), summaryPath(f.herds[0])); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkAppend is rows g and h.
func BenchmarkAppend(b *testing.B) {
	for name, n := range map[string]int{"herd": 1, "herds": 300} {
		b.Run(name, func(b *testing.B) { appending(b, n) })
	}
}

func appending(b *testing.B, n int) {
	b.Helper()
	w := benchWorld(b)
	name, err := w.database()
	if err != nil {
		b.Fatal(err)
	}
	s, err := w.serve(name, book.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.close)
	herds := make([]string, n)
	for i := range herds {
		herds[i] = fmt.Sprintf("herd-%03d", i+1)
		if _, err := s.book.CreateHerd(b.Context(), book.HerdSpec{Name: herds[i]}); err != nil {
			b.Fatal(err)
		}
	}
	post, done, err := appendTo(b.Context(), s, &readings{herds: herds})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(done)
	together(b, clients, post)
}

// BenchmarkUnchanged is row j, BenchmarkEligibility row i.
func BenchmarkUnchanged(b *testing.B) {
	f, s := herdOf(b, benchWorld(b))
	path := "/v1/herds/" + f.herds[0] + "/indices?on=" + lastDay.String()
	_, head, err := s.get(b.Context(), path)
	if err != nil {
		b.Fatal(err)
	}
	together(b, readers, asking(s, path, http.StatusNotModified, "If-None-Match", head.Get("ETag")))
}

func BenchmarkEligibility(b *testing.B) {
	f, s := herdOf(b, benchWorld(b))
	path, err := openCow(context.WithoutCancel(b.Context()), f, s)
	if err != nil {
		b.Fatal(err)
	}
	together(b, readers, asking(s, path, http.StatusOK))
}

// together spreads the loop over so many clients.
func together(b *testing.B, n int, deed func(context.Context, int, int) error) {
	b.Helper()
	var next atomic.Int64
	b.SetParallelism(max(1, n/runtime.GOMAXPROCS(0)))
	b.ResetTimer()
	b.RunParallel(func(pb *testing.PB) {
		client := int(next.Add(1)) - 1
		for i := 0; client < n && pb.Next(); i++ { // there may be more cores than clients
			if err := deed(b.Context(), client, i); err != nil {
				b.Error(err)
				return
			}
		}
	})
}
