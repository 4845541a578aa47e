// Package heap tells the collector of garbage how small a heap is not worth its while.
package heap

import (
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
)

// ServiceFloor is the floor of the service, in bytes. By it a herd of a few thousand cows
// is folded without five collections on the way, and an import still takes less than
// 64 MiB beyond the program at rest (decision 38 in DEVELOPERS.md).
const ServiceFloor = 56 << 20

var once sync.Once

// Floor has the collector begin no sooner than at a heap of so many bytes, and at
// twice what is in use where that is more, as it does by itself. A service that has
// just started has a few MiB in use: by itself it would collect every few milliseconds
// under load, and take a tenth of the processor for it. Only the first call counts, and
// none where the environment sets GOGC, which is then obeyed.
func Floor(bytes uint64) {
	if os.Getenv("GOGC") != "" {
		return
	}
	once.Do(func() {
		adjust(bytes)
		again(bytes)
	})
}

// adjust sets the percentage by which the heap may grow beyond what was in use after
// the last collection.
func adjust(bytes uint64) {
	debug.SetGCPercent(percent(bytes, live()))
}

// smallest is what the collector takes a heap for that is smaller: it begins at so much
// times the percentage.
const smallest = 4 << 20

// percent is by how much the heap may grow so that the floor is reached, at least 100.
func percent(floor, live uint64) int {
	return int(max(200, floor*100/max(live, smallest))) - 100 //nolint:gosec // some hundreds
}

// live is what was in use when the last collection marked it, in bytes.
func live() uint64 {
	sample := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(sample)
	if sample[0].Value.Kind() != metrics.KindUint64 {
		return 0
	}
	return sample[0].Value.Uint64()
}

// again adjusts after every collection: it makes an object that nobody holds, which
// the next collection finds.
func again(bytes uint64) {
	type mark struct{ _ *byte } // a pointer keeps it from sharing its room with others
	runtime.SetFinalizer(&mark{}, func(*mark) {
		adjust(bytes)
		again(bytes)
	})
}
