package repro

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"byrelog.example/internal/event"
)

// File is where a Press puts what it has no room for in memory. It is closed when
// nothing in it is needed any more.
type File interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
}

// Press is an external merge sort by number: it folds a log that is told from its
// first event on, in memory that is bounded
// however long the log is. Records are packed number by number, and the events of a
// number lie all over the log: so the press takes a bounded lot of records, sorts
// them by number and writes them into the file, and in the end merges the lots into
// the base of a fold that rests there. A log of one lot never sees the file.
//
// What grows with the log is some forty bytes for each text and each number, which are
// about as many as the herd has had animals, and for each void. The records of one
// number, and the walks, are in memory at once.
type Press struct {
	h    *Herd
	file File
	lot  int // the most records in memory

	recs []rec    // of the lot, as they came
	keys []uint64 // number and place in recs
	side side
	runs []run
	end  int64 // of what was written to the file

	voids map[int64]struct{} // seqs that were voided; their records may be in a run

	room    []rec // of one number
	in, out []byte
	parts   []*runReader
	dates   dates // of what was packed
}

// run is a lot in the file: its numbers in the order of their keys, each as a head and
// the packed records.
type run struct{ off, size int64 }

// head stands before the records of a number in a run: its key, how many records and
// bytes there are, and a checksum over all of it.
type head [headLen]byte

const headLen = 16

func headOf(key uint32, recs int, packed []byte) (h head) {
	le := binary.LittleEndian
	le.PutUint32(h[:], key)
	le.PutUint32(h[4:], uint32(recs))
	le.PutUint32(h[8:], uint32(len(packed)))
	le.PutUint32(h[12:], h.sum(packed))
	return h
}

func (h *head) key() uint32  { return binary.LittleEndian.Uint32(h[:]) }
func (h *head) recs() int64  { return int64(binary.LittleEndian.Uint32(h[4:])) }
func (h *head) bytes() int64 { return int64(binary.LittleEndian.Uint32(h[8:])) }

func (h *head) sum(packed []byte) uint32 {
	return crc32.Update(crc32.Checksum(h[:12], castagnoli), castagnoli, packed)
}

func (h *head) fits(packed []byte) bool {
	return h.sum(packed) == binary.LittleEndian.Uint32(h[12:])
}

// LotLen is how many records a Press keeps in memory by default: some 4 MB.
const LotLen = 1 << 16

var errFile = errors.New("the file of a fold is not as it was written")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// NewPress starts a fold under the given policies. The file becomes the press's, and
// in the end the fold's. lot is the most records that are in memory at once.
func NewPress(name string, policies Policies, file File, lot int) *Press {
	return &Press{h: NewHerd(name, policies), file: file, lot: lot, voids: map[int64]struct{}{}}
}

// Seq is the seq of the last fact applied.
func (p *Press) Seq() int64 { return p.h.seq }

// Close gives up the press and its file.
func (p *Press) Close() { _ = p.file.Close() }

// Apply adds facts, as Herd.Apply does. An error is one of the file, and after it there
// is nothing left but to close the press.
func (p *Press) Apply(facts []Fact) error {
	for i := range facts {
		f := &facts[i]
		if f.Seq <= p.h.seq || f.Event == nil {
			continue
		}
		if f.Event.Kind == event.KindVoid {
			p.h.seq = f.Seq
			if f.Voids > 0 {
				p.voids[f.Voids] = struct{}{}
			}
			continue
		}
		n := p.h.about(f.Event)
		r := p.h.take(f, n, &p.side)
		p.keys = append(p.keys, uint64(uint32(n))<<32|uint64(len(p.recs)))
		if p.recs = append(p.recs, r); len(p.recs) >= p.lot {
			if err := p.spill(); err != nil {
				return err
			}
		}
	}
	return nil
}

// each gives the packed records of each number of the lot, which are only there until
// the next, and empties it. Numbers come in the order of their keys: the walks last.
func (p *Press) each(fn func(key uint32, recs int, packed []byte) error) error {
	slices.Sort(p.keys)
	var b []byte
	for from, to := 0, 0; from < len(p.keys); from = to {
		key := uint32(p.keys[from] >> 32)
		p.room = p.room[:0]
		for ; to < len(p.keys) && uint32(p.keys[to]>>32) == key; to++ {
			p.room = append(p.room, p.recs[uint32(p.keys[to])])
		}
		var n int
		if b, n = p.pack(b[:0]); n == 0 {
			continue
		}
		if err := fn(key, n, b); err != nil {
			return err
		}
	}
	p.recs, p.keys = p.recs[:0], p.keys[:0]
	p.side.reset()
	return nil
}

// pack packs the records in the room, which are of one number and in any order: those
// that stand. It tells how many they are.
func (p *Press) pack(b []byte) ([]byte, int) {
	recs := p.room
	if len(p.voids) > 0 {
		recs = slices.DeleteFunc(recs, func(r rec) bool { _, void := p.voids[r.seq]; return void })
	}
	recs = p.h.tidy(recs, &p.side)
	var last rec
	for i := range recs {
		r := &recs[i]
		b = appendRec(b, r, &p.side, last.on, last.seq)
		p.dates.see(r.on)
		last = *r
	}
	return b, len(recs)
}

// spill writes the lot into the file.
func (p *Press) spill() error {
	out := bufio.NewWriterSize(io.NewOffsetWriter(p.file, p.end), 64<<10)
	r := run{off: p.end}
	err := p.each(func(key uint32, recs int, packed []byte) error {
		head := headOf(key, recs, packed)
		r.size += headLen + int64(len(packed))
		_, _ = out.Write(head[:]) // its error is told again
		_, err := out.Write(packed)
		return err
	})
	if err == nil {
		err = out.Flush()
	}
	if err != nil {
		return fmt.Errorf("write records of a fold: %w", err)
	}
	p.runs = append(p.runs, r)
	p.end += r.size
	p.h.words.settle(p.h.token)
	return nil
}

// Finish ends the press and gives the fold. It is as Trim leaves one, and its records
// rest in the file if they were more than a lot. Otherwise, and after an error, the
// file is closed.
func (p *Press) Finish() (s *Shelved, err error) {
	defer func() {
		if s == nil || !s.Away() {
			p.Close()
		}
	}()
	h := p.h
	ends := make([]uint32, len(h.names)+1) // lengths, at first
	if len(p.runs) == 0 {
		err := p.each(func(key uint32, _ int, packed []byte) error {
			h.base = append(h.base, packed...)
			ends[slot(key, ends)] = uint32(len(packed))
			return nil
		})
		if err != nil {
			return nil, err
		}
		h.base = slices.Clip(slices.Clone(h.base))
	} else {
		if err := p.spill(); err != nil {
			return nil, err
		}
		p.recs, p.keys, p.dates = nil, nil, dates{}
		if h.shelf, err = p.merge(ends); err != nil {
			return nil, err
		}
	}
	size := uint64(0)
	for i, n := range ends {
		if size += uint64(n); size > maxBase {
			return nil, errors.New("a fold of so many events cannot be made")
		}
		ends[i] = uint32(size)
	}
	h.ends = ends
	if len(p.voids) > 0 {
		h.cache.dates = p.dates
	}
	h.clip()
	return &Shelved{h: h}, nil
}

// slot is where in the list of ends that of a number stands, or of the walks.
func slot(key uint32, ends []uint32) int { return min(int(key), len(ends)-1) }

// merge writes the base behind the runs, and notes how long what each number has in it is.
func (p *Press) merge(lens []uint32) (*shelf, error) {
	runs := make([]*runReader, len(p.runs))
	for i, r := range p.runs {
		runs[i] = &runReader{in: bufio.NewReaderSize(io.NewSectionReader(p.file, r.off, r.size), 16<<10), left: r.size}
		if err := runs[i].next(); err != nil {
			return nil, err
		}
	}
	s := &shelf{file: p.file, off: p.end, sums: make([]uint32, len(lens))}
	out := bufio.NewWriterSize(io.NewOffsetWriter(p.file, s.off), 64<<10)
	for i := range lens {
		packed, err := p.join(runs, func(key uint32) bool { return slot(key, lens) == i })
		if err != nil {
			return nil, err
		}
		lens[i], s.sums[i] = uint32(len(packed)), crc32.Checksum(packed, castagnoli)
		if _, err := out.Write(packed); err != nil {
			return nil, fmt.Errorf("write records of a fold: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return nil, fmt.Errorf("write records of a fold: %w", err)
	}
	if slices.ContainsFunc(runs, func(r *runReader) bool { return !r.done }) {
		return nil, errFile // out of order: a key is not what was written
	}
	return s, nil
}

// join puts together what the runs have next of one number. It is only there until
// the next call.
func (p *Press) join(runs []*runReader, of func(key uint32) bool) ([]byte, error) {
	parts, recs, size := p.parts[:0], int64(0), int64(0)
	for _, r := range runs {
		if !r.done && of(r.head.key()) {
			parts, recs, size = append(parts, r), recs+r.head.recs(), size+r.head.bytes()
		}
	}
	p.parts = parts
	// At once, for the walks of a large herd are many.
	p.room, p.out = slices.Grow(p.room[:0], int(recs)), slices.Grow(p.out[:0], int(size)+mostPacked)
	p.side.reset()
	for _, r := range parts {
		var err error
		if p.in, err = r.take(p.in); err != nil {
			return nil, err
		}
		if len(parts) == 1 && len(p.voids) == 0 {
			return p.in, nil
		}
		p.room = unpackTo(p.room, over(p.in), &p.side)
	}
	p.out, _ = p.pack(p.out)
	return p.out, nil
}

// runReader reads a run, number by number.
type runReader struct {
	in   *bufio.Reader
	left int64 // bytes behind the head
	head head  // of the number that comes next
	done bool
}

// next reads the next head.
func (r *runReader) next() error {
	if r.left == 0 {
		r.done = true
		return nil
	}
	if _, err := io.ReadFull(r.in, r.head[:]); err != nil {
		return fmt.Errorf("read records of a fold: %w", err)
	}
	r.left -= headLen
	if r.head.bytes() > r.left || r.head.recs() > r.head.bytes()/leastPacked {
		return errFile
	}
	return nil
}

// take reads the records of the number into b, and the next head.
func (r *runReader) take(b []byte) ([]byte, error) {
	b = slices.Grow(b[:0], int(r.head.bytes()))[:r.head.bytes()]
	if _, err := io.ReadFull(r.in, b); err != nil {
		return b, fmt.Errorf("read records of a fold: %w", err)
	}
	if !r.head.fits(b) {
		return b, errFile
	}
	r.left -= int64(len(b))
	return b, r.next()
}
