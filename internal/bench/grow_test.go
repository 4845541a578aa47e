package bench

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"time"

	"byrelog.example/internal/book"
)

// withoutSnapshots is a book that reads the log itself.
func withoutSnapshots() book.Options { return book.Options{Plain: true} }

// snapshots makes sure that every herd has one.
func (w *world) snapshots(f *filled) error {
	s, err := w.serve(f.database, book.Options{CacheSize: -1})
	if err != nil {
		return err
	}
	defer s.close()
	for _, name := range f.herds {
		h, err := s.book.Herd(w.ctx, name)
		if err != nil {
			return err
		}
		if seq, err := s.book.Snapshot(w.ctx, h); err != nil || seq == 0 {
			return fmt.Errorf("no snapshot of %s at %d: %w", name, seq, err)
		}
	}
	return nil
}

func rowD(w *world) ([]line, error) {
	f, err := w.herd()
	if err != nil {
		return nil, err
	}
	if err := w.snapshots(f); err != nil {
		return nil, err
	}
	p, err := w.inTurn(
		func() (time.Duration, error) { return w.cold(f, summaryPath(f.herds[0]), book.Options{}) },
		func() (time.Duration, error) { return w.scan(f) })
	if err != nil {
		return nil, err
	}
	return []line{{
		name: "d", ours: "the same, from the herd's snapshot", beside: "the same scan", oursAt: span(medianTime(p.ours)), besideAt: span(medianTime(p.beside)),
		ratios: p.slower(), target: bound{value: 0.25, unit: "x its time"},
	}}, nil
}

// rowK is memory: of the program while it imports, and of folded herds.
func rowK(w *world) ([]line, error) {
	one, err := w.importMemory()
	if err != nil {
		return nil, err
	}
	two, err := w.foldMemory()
	return []line{one, two}, err
}

// importMemory imports a file of a tenth of the rows and one of all into the
// program itself, in a process of its own, and tells by how much the second
// needed more than the program at rest.
func (w *world) importMemory() (line, error) {
	l := line{
		name: "k", ours: fmt.Sprintf("memory growth of the program during the import of %s rows", thousands(float64(w.size.rows))), beside: "the program at rest",
		target: bound{value: 128, unit: "MiB"},
	}
	if *binFlag == "" || runtime.GOOS != "linux" {
		l.skipped = "needs Linux and the program (-byrelog)"
		return l, nil
	}
	path, err := w.sheetOf(w.size.rows)
	if err != nil {
		return l, err
	}
	var rests []time.Duration // in KiB, to share the helpers
	for range w.size.rounds {
		rest, peak, err := w.peak(path)
		if err != nil {
			return l, err
		}
		rests = append(rests, time.Duration(rest))
		l.ratios = append(l.ratios, float64(peak-rest)/1024)
	}
	rest := float64(medianTime(rests)) / 1024
	l.oursAt, l.besideAt = figure(rest+median(l.ratios))+" MiB", figure(rest)+" MiB"
	return l, nil
}

// address is where the program says that it listens.
var address = regexp.MustCompile(`"byrelog serves","address":"(?:http://)?([^"]+)"`)

// peak runs one import in the program and reads its resident memory before and
// at its highest.
func (w *world) peak(path string) (rest, highest int64, err error) {
	name, err := w.database()
	if err != nil {
		return 0, 0, err
	}
	defer func() { _ = w.drop(name) }()
	s, err := w.serve(name, book.Options{}) // makes herd and token, and is gone before
	if err != nil {
		return 0, 0, err
	}
	_, err = s.book.CreateHerd(w.ctx, book.HerdSpec{Name: importHerd})
	s.close()
	if err != nil {
		return 0, 0, err
	}
	ctx, stop := context.WithCancel(w.ctx)
	defer stop()
	cmd := run(ctx, *binFlag, "serve", "--listen", "127.0.0.1:0", "--database-url", w.pg.AppURL(name))
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.Stderr = nil
	out, err := cmd.StderrPipe()
	if err != nil {
		return 0, 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, 0, err
	}
	defer func() { stop(); _ = cmd.Wait() }()
	lines := bufio.NewScanner(out)
	for s.url = ""; s.url == "" && lines.Scan(); {
		if m := address.FindStringSubmatch(lines.Text()); m != nil {
			s.url = "http://" + m[1]
		}
	}
	go func() {
		for lines.Scan() { // the access log must not fill the pipe
		}
	}()
	s.http = client()
	if _, _, err := s.get(w.ctx, "/v1/heads"); err != nil {
		return 0, 0, err
	}
	if rest, err = status(cmd.Process.Pid, "VmRSS:"); err != nil {
		return 0, 0, err
	}
	if err := imported(w.ctx, s, path, w.size.rows); err != nil {
		return 0, 0, err
	}
	highest, err = status(cmd.Process.Pid, "VmHWM:")
	return rest, highest, err
}

// status reads a figure of a process in KiB.
func status(pid int, name string) (kib int64, err error) {
	text, err := os.ReadFile(filepath.Join("/proc", fmt.Sprint(pid), "status"))
	if err != nil {
		return 0, err
	}
	_, rest, found := strings.Cut(string(text), name)
	if !found {
		return 0, fmt.Errorf("no %s of process %d", name, pid)
	}
	_, err = fmt.Sscanf(rest, "%d kB", &kib)
	return kib, err
}

// foldMemory folds the pool and tells what an event takes of the heap.
func (w *world) foldMemory() (line, error) {
	l := line{name: "k", beside: "-", besideAt: "-", target: bound{value: 40, unit: "bytes an event"}}
	f, err := w.herdPool()
	if err != nil {
		return l, err
	}
	l.ours = fmt.Sprintf("heap of %d herds x %s cows folded, %s events", len(f.herds), thousands(float64(w.size.herdCows)), thousands(float64(f.events)))
	var total float64
	for range w.size.rounds {
		settledHeap()
		s, err := w.serve(f.database, book.Options{CacheSize: 4 << 30})
		if err != nil {
			return l, err
		}
		before := heapInUse()
		_, _, err = s.get(w.ctx, summaryPath(""))
		total = float64(heapInUse() - before)
		s.close()
		if err != nil {
			return l, err
		}
		l.ratios = append(l.ratios, total/float64(f.events))
	}
	l.oursAt = fmt.Sprintf("%s MiB", figure(total/(1<<20)))
	return l, nil
}

func heapInUse() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// settledHeap waits until nothing goes any more of what the connections and timers of
// a service before still held.
func settledHeap() {
	low := heapInUse()
	for still := 0; still < 20; still++ {
		time.Sleep(100 * time.Millisecond)
		if now := heapInUse(); now < low-low/50 {
			low, still = now, 0
		}
	}
}

// rowL takes rows a, c and f at a tenth of the data and at all of it, or at all
// of it and ten times as much where that is still a matter of seconds.
func rowL(w *world) ([]line, error) {
	var lines []line
	for _, part := range []struct {
		what  string
		times func() (small, large float64, p pairs, err error)
	}{
		{"import (a)", w.growA}, {"cold summary (c)", w.growC}, {"cold pool (f)", w.growF},
	} {
		small, large, p, err := part.times()
		if err != nil {
			return nil, err
		}
		l := line{
			name: "l", ours: fmt.Sprintf("%s: %s events", part.what, thousands(large)), beside: fmt.Sprintf("the same with %s events", thousands(small)),
			oursAt: span(medianTime(p.ours)), besideAt: span(medianTime(p.beside)), target: bound{value: 1.1, unit: "x the growth of the data"},
		}
		for _, r := range p.slower() {
			l.ratios = append(l.ratios, r/(large/small))
		}
		lines = append(lines, l)
	}
	return lines, nil
}

func (w *world) growA() (small, large float64, p pairs, err error) {
	n := w.size.rows
	paths := map[int]string{}
	for _, k := range []int{n / 10, n} {
		if paths[k], err = w.sheetOf(k); err != nil {
			return 0, 0, p, err
		}
	}
	p, err = w.inTurn(
		func() (time.Duration, error) { return w.importOnce(paths[n], n, nil) },
		func() (time.Duration, error) { return w.importOnce(paths[n/10], n/10, nil) })
	return float64(n / 10), float64(n), p, err
}

func (w *world) growC() (small, large float64, p pairs, err error) {
	one, err := w.herd()
	if err != nil {
		return 0, 0, p, err
	}
	ten, err := w.fill(1, 10*w.size.cows, 5)
	if err != nil {
		return 0, 0, p, err
	}
	p, err = w.inTurn(
		func() (time.Duration, error) { return w.cold(ten, summaryPath(ten.herds[0]), withoutSnapshots()) },
		func() (time.Duration, error) { return w.cold(one, summaryPath(one.herds[0]), withoutSnapshots()) })
	return float64(one.events), float64(ten.events), p, err
}

func (w *world) growF() (small, large float64, p pairs, err error) {
	one, err := w.fill(w.size.herds/10, w.size.herdCows, 1)
	if err != nil {
		return 0, 0, p, err
	}
	ten, err := w.herdPool()
	if err != nil {
		return 0, 0, p, err
	}
	p, err = w.inTurn(
		func() (time.Duration, error) { return w.cold(ten, summaryPath(""), withoutSnapshots()) },
		func() (time.Duration, error) { return w.cold(one, summaryPath(""), withoutSnapshots()) })
	return float64(one.events), float64(ten.events), p, err
}
