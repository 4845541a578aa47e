package repro

import (
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"sync"

	"byrelog.example/internal/event"
)

// Shelved is a fold whose records may rest in a file, as a Press leaves it: what it
// can tell is told animal by animal, in memory for one of them. It is a type of its
// own because a file may fail, and because nothing may be applied to it.
//
// Any number of goroutines may ask it at once; Wake must be alone.
type Shelved struct{ h *Herd }

// Away tells whether the records are in the file.
func (s *Shelved) Away() bool { return s.h.shelf != nil }

// Seq is the seq of the last fact applied.
func (s *Shelved) Seq() int64 { return s.h.seq }

// Size estimates the memory that it holds, in bytes.
func (s *Shelved) Size() int64 {
	size := s.h.Size()
	if s.Away() {
		size += 4 * int64(cap(s.h.shelf.sums))
	}
	return size
}

// FirstFindings is that of the fold. An error is one of the file.
func (s *Shelved) FirstFindings(on event.Date, filter FindingFilter, most int) (list []Finding, count int, err error) {
	list, count = s.h.FirstFindings(on, filter, most)
	if s.Away() {
		err = s.h.shelf.failed()
	}
	return list, count, err
}

// Close gives up the fold and its file.
func (s *Shelved) Close() {
	if s.Away() {
		_ = s.h.shelf.file.Close()
	}
}

// Wake takes the records into memory and gives the fold, which takes the place of s.
// The file is closed. After an error there is no fold.
func (s *Shelved) Wake() (*Herd, error) {
	h := s.h
	if !s.Away() {
		return h, nil
	}
	defer func(file io.Closer) { _ = file.Close() }(h.shelf.file)
	base := make([]byte, h.ends[len(h.ends)-1])
	if err := readAt(h.shelf.file, base, h.shelf.off); err != nil {
		return nil, err
	}
	from := uint32(0)
	for i, to := range h.ends {
		if crc32.Checksum(base[from:to], castagnoli) != h.shelf.sums[i] {
			return nil, errFile
		}
		from = to
	}
	h.base, h.shelf = base, nil
	h.changes.Add(1)
	return h, nil
}

// shelf is a base in a file.
type shelf struct {
	file File
	off  int64
	sums []uint32 // of what each number has in it, and the walks

	mu  sync.Mutex
	err error // the first
}

// read reads the packed records of a number into b. If that fails there are none, and
// failed tells.
func (s *shelf) read(b []byte, h *Herd, i int32) []byte {
	at, from, to := h.span(i)
	if from == to {
		return b[:0]
	}
	b = slices.Grow(b[:0], int(to-from))[:to-from]
	err := readAt(s.file, b, s.off+int64(from))
	if err == nil && crc32.Checksum(b, castagnoli) != s.sums[at] {
		err = errFile
	}
	if err == nil {
		return b
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = err
	}
	return b[:0]
}

func (s *shelf) failed() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// readAt fills b. A reader may tell that the file ends there.
func readAt(r io.ReaderAt, b []byte, off int64) error {
	if n, err := r.ReadAt(b, off); n < len(b) {
		return fmt.Errorf("read records of a fold: %w", err)
	}
	return nil
}
