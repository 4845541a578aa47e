package book

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"log/slog"
	"os"
	"time"

	"github.com/google/uuid"
	"github.com/klauspost/compress/s2"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// spill keeps the rows of a file as they go into the log, sealed and hashed while
// the file was read through, so that appending them does not read the file a
// second time. It is a convenience beside the staged file, which stays what an
// import is resumed from: what the spill lacks (rows with faults or notices, rows
// that name other events, everything after a failure to write it) is read from
// there, and a restart does without it. It lies in a temporary file without a
// name.
//
// With the rows goes their fold: what the herd's will be if the log takes them one
// after the other from its start, so that the report need not read them back. Of a
// large file it lies in a second temporary file: the import of any file takes as much
// memory as that of another.
type spill struct {
	file   tempFile
	chunks []spillChunk

	press      *repro.Press   // while the file is read; nil: there will be no fold
	shelved    *repro.Shelved // afterwards
	seq        int64
	rev, epoch int64 // of the policies of the fold, and of the log
}

// spillChunk is what stands in the spill for one chunk of the file.
type spillChunk struct {
	lines, rows, skipped int64 // as passage.chunk reads them
	events               int
	sealed               bool // off, size and sum are only set if so
	off                  int64
	size                 int
	sum                  uint32
}

// spillFor makes a spill for an import into an empty log. Into any other there is
// none: what is there already has to be found out event by event, from the file.
// Nor is there one where there is no room for temporary files.
func (b *Book) spillFor(ctx context.Context, h *Herd) (*spill, error) {
	state, err := b.states.of(ctx, h.ID)
	if err != nil || state.Head.Seq > 0 {
		return nil, wrap("read head", err)
	}
	policies, err := b.policies(ctx, h.ID, time.Time{})
	if err != nil {
		return nil, err
	}
	rows, err := newTempFile()
	if err != nil {
		b.log.DebugContext(ctx, "imports are read twice: there is no temporary folder", slog.Any("error", err))
		return nil, nil //nolint:nilnil // it does without
	}
	records, err := newTempFile()
	if err != nil {
		_ = rows.Close()
		return nil, wrap("make temporary file", err)
	}
	return &spill{file: rows, press: repro.NewPress(h.Name, policies, records, b.lot), rev: state.PolicyRev, epoch: state.Epoch}, nil
}

// tempFile is a file without a name, which goes when it is closed.
type tempFile struct{ *os.File }

func newTempFile() (tempFile, error) {
	f, err := os.CreateTemp("", "byrelog-import-")
	if err == nil {
		// Where an open file cannot be removed, Close does it.
		_ = os.Remove(f.Name())
	}
	return tempFile{f}, err
}

func (f tempFile) Close() error {
	err := f.File.Close()
	_ = os.Remove(f.Name())
	return err
}

// close gives the room back; s may be nil.
func (s *spill) close() {
	if s == nil {
		return
	}
	_ = s.file.Close()
	s.foldless()
}

// foldless gives up the fold, if there still is one to be.
func (s *spill) foldless() {
	if s.press != nil {
		s.press.Close()
	}
	if s.shelved != nil {
		s.shelved.Close()
	}
	s.press, s.shelved = nil, nil
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// begins tells whether a chunk begins behind so many lines of the file.
func (s *spill) begins(done int64) bool {
	from := int64(0)
	for i := range s.chunks {
		if from >= done {
			break
		}
		from += s.chunks[i].lines
	}
	return from == done && len(s.chunks) > 0
}

// pieces hands out the chunks one by one, up to the last, from the one on before
// which so many lines of the file stand.
func (s *spill) pieces(done int64, log *slog.Logger) func() *piece {
	next, from := 0, int64(0)
	for from < done {
		from += s.chunks[next].lines
		next++
	}
	return func() *piece {
		chunk := &s.chunks[next]
		c := &piece{spilled: chunk, from: from}
		next, from = next+1, from+chunk.lines
		c.last = next == len(s.chunks)
		if !chunk.sealed {
			return c
		}
		var err error
		if c.rows, err = s.rows(chunk); err != nil {
			log.Warn("a part of an import is read again", slog.Any("error", err))
		}
		return c
	}
}

// sealer fills a spill, in a goroutine of its own, from the lines that a reader
// gives one by one.
type sealer struct {
	now  sealing
	todo chan sealing
	done chan error
}

// sealing is a chunk on its way into the spill.
type sealing struct {
	spillChunk
	list []*event.Event
	odd  bool
}

func newSealer(s *spill) *sealer {
	w := &sealer{todo: make(chan sealing, 1), done: make(chan error, 1)}
	guard.Go("book.seal", func() error { return s.fill(w.todo) }, func(err error) {
		var p *guard.Panic
		if errors.As(err, &p) { // nothing is known of what it was at: the rows are read again from the staged file
			for range w.todo {
			}
			s.chunks = nil
			s.foldless()
		}
		w.done <- err
	})
	return w
}

// add takes a line. The chunks are those of passage.chunk.
func (w *sealer) add(line *sheet.Line) {
	c := &w.now
	if c.list == nil {
		c.list = make([]*event.Event, 0, chunkEvents)
	}
	c.lines++
	switch {
	case len(line.Problems) > 0 || len(line.Notices) > 0:
		c.odd = true
	case line.End:
	default:
		c.rows++
		if line.Skipped != "" {
			c.skipped++
		}
		c.list = append(c.list, line.Events...)
	}
	c.events += len(line.Events)
	if c.events >= chunkEvents || c.lines >= chunkRows {
		w.hand()
	}
}

func (w *sealer) hand() {
	w.todo <- w.now
	w.now = sealing{}
}

// finish hands over the last chunk, be it empty, and waits for all of them.
func (w *sealer) finish(log *slog.Logger) {
	w.hand()
	close(w.todo)
	if err := <-w.done; err != nil {
		log.Warn("an import reads again what could not be written to its temporary files", slog.Any("error", err))
	}
}

// fill writes chunks until there are no more. After a failure it notes only where
// chunks begin and end.
func (s *spill) fill(todo <-chan sealing) error {
	var failed, notFolded error
	var plain, packed []byte
	var end int64
	facts := make([]repro.Fact, 0, chunkEvents)
	for c := range todo {
		if !c.odd && failed == nil {
			var ok bool
			if plain, ok = appendSealed(plain[:0], c.list); ok {
				packed = s2.Encode(packed[:cap(packed)], plain)
				c.off, c.size, c.sum, c.sealed = end, len(packed), crc32.Checksum(packed, castagnoli), true
				if _, failed = s.file.WriteAt(packed, end); failed != nil {
					c.sealed = false
				}
				end += int64(len(packed))
			}
		}
		s.chunks = append(s.chunks, c.spillChunk)
		if !c.sealed {
			s.foldless()
		}
		if s.press == nil {
			continue
		}
		facts = facts[:0]
		for _, e := range c.list {
			s.seq++
			facts = append(facts, repro.Fact{Event: e, Seq: s.seq})
		}
		if err := s.press.Apply(facts); err != nil {
			s.foldless()
			notFolded = err
		}
	}
	if s.press != nil {
		s.shelved, notFolded = s.press.Finish()
		s.press = nil
	}
	return errors.Join(failed, notFolded)
}

// appendSealed seals the events and appends their rows; not ok if one of them
// names another event, which the log has to be asked about.
func appendSealed(b []byte, events []*event.Event) (out []byte, ok bool) {
	var canon []byte
	for _, e := range events {
		if target, _ := named(e); target != uuid.Nil {
			return b, false
		}
		seal(e)
		canon = e.AppendCanonical(canon[:0])
		leaf := event.Leaf(canon)
		b = append(append(b, e.ID[:]...), leaf[:]...)
		b = append(b, byte(e.Kind))
		b = binary.AppendVarint(b, int64(e.On.UnixDay()))
		b = appendText(b, e.Animal)
		b = appendText(b, e.Note)
		if e.Note != "" {
			b = append(b, e.NoteSalt[:]...)
		}
		b = appendText(b, string(canon))
	}
	return b, true
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

var errSpill = errors.New("the temporary file of an import is not as it was written")

// rows gives the rows of a sealed chunk, without numbers and hashes.
func (s *spill) rows(c *spillChunk) ([]store.Row, error) {
	packed := make([]byte, c.size)
	if _, err := s.file.ReadAt(packed, c.off); err != nil {
		return nil, fmt.Errorf("read temporary file of an import: %w", err)
	}
	if crc32.Checksum(packed, castagnoli) != c.sum {
		return nil, errSpill
	}
	plain, err := s2.Decode(nil, packed)
	if err != nil {
		return nil, errSpill
	}
	rows := make([]store.Row, c.events)
	r := spillReader{plain}
	for i := range rows {
		row := &rows[i]
		copy(row.ID[:], r.take(len(row.ID)))
		copy(row.Leaf[:], r.take(len(row.Leaf)))
		if k := event.Kind(r.byte()); k.Valid() {
			row.Kind = k.String()
		}
		row.On = int32(r.num()) //nolint:gosec // an UnixDay was written
		row.Animal = string(r.text())
		if note := string(r.text()); note != "" {
			row.Note = &store.Note{Body: note}
			copy(row.Note.Salt[:], r.take(len(row.Note.Salt)))
		}
		row.Bytes = r.text()
	}
	if r.rest == nil || len(r.rest) > 0 {
		return nil, errSpill
	}
	return rows, nil
}

// spillReader takes a chunk apart. What is not there is empty, and rest is nil
// from then on.
type spillReader struct{ rest []byte }

func (r *spillReader) take(n int) []byte {
	if n < 0 || n > len(r.rest) {
		r.rest = nil
		return nil
	}
	b := r.rest[:n:n]
	r.rest = r.rest[n:]
	return b
}

func (r *spillReader) byte() byte {
	if b := r.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (r *spillReader) num() int64 {
	v, n := binary.Varint(r.rest)
	r.take(max(n, 1))
	return v
}

func (r *spillReader) text() []byte {
	v, n := binary.Uvarint(r.rest)
	r.take(max(n, 1))
	return r.take(int(min(v, 1<<30)))
}
