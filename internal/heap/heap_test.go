package heap

import (
	"runtime"
	"testing"
	"time"
)

func TestPercent(t *testing.T) {
	const mib = 1 << 20
	for _, c := range []struct {
		floor, live uint64
		want        int
	}{
		{48 * mib, 0, 1100},         // before the first collection
		{48 * mib, 4 * mib, 1100},   // 4 MiB + 44
		{48 * mib, 24 * mib, 100},   // where both rules meet
		{48 * mib, 1000 * mib, 100}, // the collector's own
	} {
		if got := percent(c.floor, c.live); got != c.want {
			t.Errorf("percent(%d, %d) is %d, want %d", c.floor, c.live, got, c.want)
		}
	}
}

var garbage []byte

// The floor holds after collections too, when little is in use and when much is.
func TestFloor(t *testing.T) {
	t.Setenv("GOGC", "")
	const floor = 32 << 20
	Floor(floor)
	var held []byte
	for _, size := range []int{1, 40 << 20, 1} {
		held = make([]byte, size)
		goal := uint64(max(floor, 2*size))
		for range 2 { // the percentage is set after the first
			runtime.GC()
			time.Sleep(20 * time.Millisecond)
		}
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		if m.NextGC < goal*8/10 || m.NextGC > goal*3/2 {
			t.Errorf("with %d bytes in use the next collection is at %d, want about %d", size, m.NextGC, goal)
		}
		runtime.KeepAlive(held)
	}
	// Garbage of a hundred MiB is collected a few times, not at every 4 MiB.
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for range 100 {
		garbage = make([]byte, 1<<20)
	}
	runtime.ReadMemStats(&after)
	if n := after.NumGC - before.NumGC; n < 1 || n > 8 {
		t.Errorf("%d collections for 100 MiB of garbage, want about 3", n)
	}
}
