package store

import (
	"encoding/binary"
	"sync"
	"time"
)

// arrays are arguments of a statement, each an array of one dimension without nulls in
// the binary form of the protocol (array_recv of the server). The driver could make
// them of slices, by reflection and in new memory every time: a tenth of all memory
// that appends take.
type arrays struct {
	b    []byte
	ends []int // where each ends in b
}

var arrayBuffers = sync.Pool{New: func() any { return new(arrays) }}

// free gives the memory back, unless a large append has made it large.
func (a *arrays) free() {
	const large = 1 << 20
	if cap(a.b) > large {
		return
	}
	a.b, a.ends = a.b[:0], a.ends[:0]
	arrayBuffers.Put(a)
}

// begin starts an array of n elements of the type.
func (a *arrays) begin(oid uint32, n int) {
	dimensions := uint32(1)
	if n == 0 {
		dimensions = 0
	}
	a.b = binary.BigEndian.AppendUint32(a.b, dimensions)
	a.b = binary.BigEndian.AppendUint32(a.b, 0) // no nulls
	a.b = binary.BigEndian.AppendUint32(a.b, oid)
	if n > 0 {
		a.b = binary.BigEndian.AppendUint32(a.b, uint32(n)) //nolint:gosec // at most MaxBatch
		a.b = binary.BigEndian.AppendUint32(a.b, 1)         // its first index
	}
}

func (a *arrays) end() { a.ends = append(a.ends, len(a.b)) }

func (a *arrays) size(n int) {
	a.b = binary.BigEndian.AppendUint32(a.b, uint32(n)) //nolint:gosec // bounded by what an event may hold
}

func (a *arrays) bytes(v []byte) {
	a.size(len(v))
	a.b = append(a.b, v...)
}

func (a *arrays) text(v string) {
	a.size(len(v))
	a.b = append(a.b, v...)
}

func (a *arrays) long(v int64) {
	a.size(8)
	a.b = binary.BigEndian.AppendUint64(a.b, uint64(v)) //nolint:gosec // two's complement is the wire format
}

func (a *arrays) int(v int32) {
	a.size(4)
	a.b = binary.BigEndian.AppendUint32(a.b, uint32(v)) //nolint:gosec // two's complement is the wire format
}

func (a *arrays) time(v time.Time) { a.long(v.UnixMicro() - pgEpochMicros) }

// values are the arguments, each a part of the memory.
func (a *arrays) values() [][]byte {
	list := make([][]byte, len(a.ends))
	from := 0
	for i, end := range a.ends {
		list[i] = a.b[from:end]
		from = end
	}
	return list
}
