package event_test

import (
	"encoding/json"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
)

// Whatever comes: no panic; what is taken is JSON for the standard library too;
// a valid event's bytes are those of the general serialiser and read back as
// the same event.
func FuzzDecode(f *testing.F) {
	for seed := range 64 {
		f.Add(eventtest.Gen("alder-row").Example(seed).Canonical())
	}
	for _, name := range []string{"bytes.json", "refused.json"} {
		raw, err := os.ReadFile(vectors + name)
		if err != nil {
			f.Fatal(err)
		}
		var list []struct{ In, Raw string }
		if err := json.Unmarshal(raw, &list); err != nil {
			f.Fatal(err)
		}
		for _, x := range list {
			f.Add([]byte(x.In + x.Raw))
		}
	}
	f.Add([]byte(`{"kind":"palpation","data":{"left":{},"right":null,"verdict":"in_heat"}}`))
	f.Add([]byte(`{"kind":"heat","data":{"signs":["mucus","mucus","x"]}}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		e, err := event.Decode(raw)
		if (e == nil) == (err == nil) {
			t.Fatalf("%v and %v", e, err)
		}
		if err != nil {
			if list, ok := err.(event.Problems); !ok || len(list) == 0 { //nolint:errorlint // the contract: the error is a Problems itself
				t.Fatalf("%T", err)
			}
			if _, err := event.DecodeCanonical(raw); err != nil && err.Error() == "" {
				t.Fatal("an error without words")
			}
			return
		}
		if !json.Valid(raw) {
			t.Fatalf("taken, but not JSON: %q", raw)
		}
		e.Seal(event.Salt{1})
		b := e.Canonical()
		if e.Validate(eventtest.Today) != nil {
			return
		}
		if want := jcs(generic(t, b)); string(b) != want {
			t.Fatalf("got %s, want %s", b, want)
		}
		back, err := event.DecodeCanonical(b)
		if err != nil {
			t.Fatalf("%s: %v", b, err)
		}
		if again := back.Canonical(); string(again) != string(b) || back.Validate(eventtest.Today) != nil {
			t.Fatalf("%s\n%s", b, again)
		}
		row := e.Cells(nil)
		fromRow, err := event.FromCells(row)
		if err != nil {
			t.Fatalf("%q: %v", row, err)
		}
		fromRow.Seal(event.Salt{1})
		if string(fromRow.Canonical()) != string(b) || fromRow.Note != e.Note {
			t.Fatalf("through cells:\n%s\n%s", b, fromRow.Canonical())
		}
	})
}

// The cells are one text with a cell a line, for the fuzzer's sake.
func FuzzFromCells(f *testing.F) {
	const sep = "\x1e"
	for seed := range 64 {
		f.Add(strings.Join(eventtest.Gen("alder-row").Example(seed).Cells(nil), sep))
	}
	f.Add(strings.Repeat("x"+sep, 300))
	f.Fuzz(func(t *testing.T, text string) {
		e, err := event.FromCells(strings.Split(text, sep))
		if (e == nil) == (err == nil) {
			t.Fatalf("%v and %v", e, err)
		}
		if err != nil {
			return
		}
		e.Seal(event.Salt{1})
		row := e.Cells(nil)
		if e.Validate(eventtest.Today) != nil {
			return
		}
		again, err := event.FromCells(row)
		if err != nil {
			t.Fatalf("%q: %v", row, err)
		}
		again.Seal(event.Salt{1})
		if !reflect.DeepEqual(again.Cells(nil), row) || string(again.Canonical()) != string(e.Canonical()) {
			t.Fatalf("%q\n%q", row, again.Cells(nil))
		}
		back, err := event.DecodeCanonical(e.Canonical())
		if err != nil || string(back.Canonical()) != string(e.Canonical()) {
			t.Fatalf("%s: %v", e.Canonical(), err)
		}
	})
}

func benchEvents() []*event.Event {
	list := make([]*event.Event, 512)
	for i := range list {
		list[i] = eventtest.Gen("alder-row").Example(i)
	}
	return list
}

func BenchmarkDecode(b *testing.B) {
	var raw [][]byte
	total := 0
	for _, e := range benchEvents() {
		e.Seal(event.Salt{})
		e.NoteHash = event.Digest{}
		raw = append(raw, e.Canonical())
		total += len(raw[len(raw)-1])
	}
	b.SetBytes(int64(total / len(raw)))
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if _, err := event.Decode(raw[i%len(raw)]); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCanonical(b *testing.B) {
	list := benchEvents()
	buf := make([]byte, 0, 1<<16)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		buf = list[i%len(list)].AppendCanonical(buf[:0])
	}
}

func BenchmarkValidate(b *testing.B) {
	list := benchEvents()
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if err := list[i%len(list)].Validate(eventtest.Today); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkRow is the way of a row of an import: cells, checks, bytes, link.
func BenchmarkRow(b *testing.B) {
	var rows [][]string
	for _, e := range benchEvents() {
		rows = append(rows, e.Cells(nil))
	}
	at := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	var chain event.Digest
	var buf []byte
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		e, err := event.FromCells(rows[i%len(rows)])
		if err != nil {
			b.Fatal(err)
		}
		if err := e.Validate(eventtest.Today); err != nil {
			b.Fatal(err)
		}
		e.Seal(event.Salt{1})
		buf = e.AppendCanonical(buf[:0])
		chain = event.Link("alder-row", int64(i+1), at, chain, event.Leaf(buf))
	}
}
