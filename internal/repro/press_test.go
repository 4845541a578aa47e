package repro_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"reflect"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// memFile is a file in memory whose operation of a number fails.
type memFile struct {
	b      []byte
	fails  int // 0 = none
	ops    int
	closed int
}

var errMedium = errors.New("the medium failed")

func (f *memFile) op() error {
	if f.closed > 0 {
		return errors.New("used after it was closed")
	}
	if f.ops++; f.ops == f.fails {
		return errMedium
	}
	return nil
}

func (f *memFile) ReadAt(b []byte, off int64) (int, error) {
	if err := f.op(); err != nil {
		return 0, err
	}
	return bytes.NewReader(f.b).ReadAt(b, off)
}

func (f *memFile) WriteAt(b []byte, off int64) (int, error) {
	if err := f.op(); err != nil {
		return 0, err
	}
	if grow := off + int64(len(b)) - int64(len(f.b)); grow > 0 {
		f.b = append(f.b, make([]byte, grow)...)
	}
	return copy(f.b[off:], b), nil
}

func (f *memFile) Close() error {
	f.closed++
	return nil
}

var _ repro.File = (*memFile)(nil)

// A fold that was pressed gives the answers of one that the log was applied to, on the
// shelf and woken, however few records there was room for and whatever was withdrawn.
func TestPress(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := facts(drawCorrections(t, drawLog(t, animals, 30)))
		cut := rapid.IntRange(0, len(all)).Draw(t, "cut")
		want := repro.NewHerd("random", randomPolicies())
		want.Apply(all[:cut])
		file := &memFile{}
		lot := rapid.IntRange(1, 40).Draw(t, "lot")
		p := repro.NewPress("random", randomPolicies(), file, lot)
		for i := 0; i < cut; {
			j := min(cut, i+rapid.IntRange(1, 10).Draw(t, "batch"))
			if err := p.Apply(all[max(0, i-2):j]); err != nil { // what is known already is ignored
				t.Fatal(err)
			}
			i = j
		}
		s, err := p.Finish()
		if err != nil {
			t.Fatal(err)
		}
		if s.Away() != (len(file.b) > 0) || s.Seq() != want.Seq() {
			t.Fatalf("%d events in lots of %d: away %t with %d bytes, at %d", cut, lot, s.Away(), len(file.b), s.Seq())
		}
		most := rapid.SampledFrom([]int{0, 3, math.MaxInt}).Draw(t, "most")
		for _, filter := range []repro.FindingFilter{{}, {Animal: animals[0]}, {About: func(seq int64) bool { return seq%2 == 0 }}} {
			for _, on := range []event.Date{0, lastDay, day("2023-09-15")} {
				list, n, err := s.FirstFindings(on, filter, most)
				if err != nil {
					t.Fatal(err)
				}
				if list2, n2 := want.FirstFindings(on, filter, most); n != n2 || !reflect.DeepEqual(list, list2) {
					t.Fatalf("findings on %s: %d and %d %s", on, n, n2, difference(list, list2))
				}
			}
		}
		got, err := s.Wake()
		if err != nil || file.closed != 1 {
			t.Fatalf("%v, closed %d times", err, file.closed)
		}
		same(t, "pressed", got, want)
		want.Trim()
		if !bytes.Equal(got.Pack(), want.Pack()) {
			t.Fatal("it packs into other bytes")
		}
		for _, h := range []*repro.Herd{want, got} {
			h.Apply(all)
		}
		same(t, "pressed and gone on", got, want)
	})
}

// exampleLog is the same at each call.
func exampleLog() []repro.Fact {
	one := rapid.Custom(func(t *rapid.T) *event.Event { return drawEvent(t, animals) })
	events := rapid.SliceOfN(one, 40, 40).Example(7)
	for i, e := range events {
		e.ID = uuid.NewSHA1(uuid.Nil, []byte{byte(i)})
	}
	return facts(append(events, endWalk("end")))
}

// pressed makes a fold in a file, as far as that goes.
func pressed(all []repro.Fact, f repro.File) (*repro.Shelved, error) {
	p := repro.NewPress("random", nil, f, 8)
	if err := p.Apply(all); err != nil {
		p.Close()
		return nil, err
	}
	return p.Finish()
}

// soundly is the example log as it is pressed when nothing fails.
func soundly(t *testing.T) ([]repro.Fact, *memFile, *repro.Shelved) {
	t.Helper()
	all, file := exampleLog(), &memFile{}
	s, err := pressed(all, file)
	if err != nil || !s.Away() {
		t.Fatal(err)
	}
	return all, file, s
}

// asked puts every question to the file that there is.
func asked(s *repro.Shelved) ([]repro.Finding, error) {
	list, _, err := s.FirstFindings(0, repro.FindingFilter{}, math.MaxInt)
	if err != nil {
		s.Close()
		return nil, err
	}
	_, err = s.Wake()
	return list, err
}

// Whichever operation of the file fails, it is told, and the file is closed.
func TestPressFailing(t *testing.T) {
	t.Parallel()
	all, sound, s := soundly(t)
	if _, err := asked(s); err != nil || sound.closed != 1 {
		t.Fatal(err, sound.closed)
	}
	if sound.ops < 15 {
		t.Fatalf("%d operations are no test", sound.ops)
	}
	for k := 1; k <= sound.ops; k++ {
		f := &memFile{fails: k}
		s, err := pressed(all, f)
		if err == nil {
			_, err = asked(s)
		}
		if !errors.Is(err, errMedium) || f.closed != 1 {
			t.Errorf("operation %d failed: %v, closed %d times", k, err, f.closed)
		}
	}
}

// spoilt is a file that reads other bytes than were written.
type spoilt struct {
	*memFile
	at int64
	by byte
}

func (f *spoilt) ReadAt(b []byte, off int64) (int, error) {
	n, err := f.memFile.ReadAt(b, off)
	if i := f.at - off; i >= 0 && i < int64(n) {
		b[i] ^= f.by
	}
	return n, err
}

var _ io.ReaderAt = (*spoilt)(nil)

// Wherever a byte of the file is not what was written, it is noticed.
func TestPressDamaged(t *testing.T) {
	t.Parallel()
	all, sound, _ := soundly(t)
	for at := range sound.b {
		for _, by := range []byte{1, 0x80, 0xff} {
			s, err := pressed(all, &spoilt{&memFile{}, int64(at), by})
			if err == nil {
				_, err = asked(s)
			}
			if err == nil {
				t.Fatalf("byte %d of %d changed by %#x: nothing was noticed", at, len(sound.b), by)
			}
		}
	}
}
