package book

import (
	"bytes"
	"errors"
	"log/slog"
	"os"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

func filledSpill(t *testing.T, lines int) *spill {
	t.Helper()
	f, err := os.CreateTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	s := &spill{file: tempFile{f}}
	t.Cleanup(s.close)
	w := newSealer(s)
	for i := range lines {
		e := event.New(event.KindHeat, "hazel-end", "17", event.NewDate(2026, 1, 1+i%28))
		e.ID = newID()
		if i%5 == 0 {
			e.Note = "a note"
		}
		w.add(&sheet.Line{Number: i + 2, Events: []*event.Event{e}})
	}
	w.finish(slog.New(slog.DiscardHandler))
	return s
}

// The chunks are those that the file itself is read in, so that an import can go
// on between any two of them, from either.
func TestSpillGoesOn(t *testing.T) {
	t.Parallel()
	s := filledSpill(t, 2*chunkEvents+10)
	for done, want := range map[int64]int{0: 3, chunkEvents: 2, 2 * chunkEvents: 1} {
		if !s.begins(done) {
			t.Fatalf("no chunk begins behind %d lines", done)
		}
		next := s.pieces(done, slog.New(slog.DiscardHandler))
		rows := int64(0)
		for n := 1; ; n++ {
			c := next()
			if c.from != done+rows || c.rows == nil || len(c.rows) != c.spilled.events {
				t.Fatalf("chunk %d behind %d: from %d, %d rows", n, done, c.from, len(c.rows))
			}
			rows += c.lineCount()
			if c.last {
				if n != want || done+rows != 2*chunkEvents+10 {
					t.Errorf("%d chunks behind %d with %d lines, want %d", n, done, rows, want)
				}
				break
			}
		}
	}
	for _, done := range []int64{1, chunkEvents - 1, 2*chunkEvents + 11} {
		if s.begins(done) {
			t.Errorf("a chunk begins behind %d lines", done)
		}
	}
}

// A temporary file that is not what was written is noticed, wherever it was
// changed or cut, and its rows are not used.
func TestSpillDamaged(t *testing.T) {
	t.Parallel()
	s := filledSpill(t, 100)
	c := &s.chunks[0]
	sound := make([]byte, c.size)
	if _, err := s.file.ReadAt(sound, c.off); err != nil {
		t.Fatal(err)
	}
	if rows, err := s.rows(c); err != nil || len(rows) != 100 || rows[5].Note == nil || rows[6].Note != nil {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, i := range []int{0, 1, len(sound) / 2, len(sound) - 1} {
		spoilt := bytes.Clone(sound)
		spoilt[i] ^= 4
		if _, err := s.file.WriteAt(spoilt, c.off); err != nil {
			t.Fatal(err)
		}
		if _, err := s.rows(c); !errors.Is(err, errSpill) {
			t.Errorf("byte %d changed: %v", i, err)
		}
		if p := s.pieces(0, slog.New(slog.DiscardHandler))(); p.rows != nil || p.err != nil || p.spilled != c {
			t.Errorf("byte %d changed: the piece is %+v", i, p)
		}
	}
	if err := s.file.Truncate(c.off + int64(c.size) - 1); err != nil {
		t.Fatal(err)
	}
	if _, err := s.rows(c); err == nil {
		t.Error("a file that was cut was read")
	}
}

// What cannot be written is only left out: where chunks begin is known all the same.
func TestSpillWithoutRoom(t *testing.T) {
	t.Parallel()
	name := t.TempDir() + "/spill"
	if err := os.WriteFile(name, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(name) // for reading only
	if err != nil {
		t.Fatal(err)
	}
	s := &spill{file: tempFile{f}}
	defer s.close()
	w := newSealer(s)
	for range chunkRows + 3 {
		w.add(&sheet.Line{Skipped: "a heading"})
	}
	w.finish(slog.New(slog.DiscardHandler))
	if len(s.chunks) != 2 || s.chunks[0].sealed || s.chunks[1].sealed || s.chunks[1].lines != 3 || !s.begins(chunkRows) {
		t.Errorf("%+v", s.chunks)
	}
}
