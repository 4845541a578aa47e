package sheet_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"unicode"

	"github.com/google/uuid"

	"byrelog.example/internal/sheet"
)

// drain reads a sheet to its end and holds what every caller relies on.
func drain(t *testing.T, doc []byte, m *sheet.Mapping, opts ...sheet.Option) {
	t.Helper()
	r, err := sheet.NewReader(bytes.NewReader(doc), m, herd, today, append(opts, sheet.WithLimits(sheet.Limits{Field: 4096, Rows: 10_000}))...)
	if err != nil {
		inOrder(t, err)
		return
	}
	var out bytes.Buffer
	w, err := sheet.NewRejectWriter(&out, r.Layout())
	if err != nil {
		t.Fatalf("a layout that was read cannot be written: %v", err)
	}
	last, refused := 0, 0
	for {
		line, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			inOrder(t, err)
			return
		}
		if line.Number <= last || line.LastNumber < line.Number {
			t.Fatalf("line %d to %d after %d", line.Number, line.LastNumber, last)
		}
		last = line.LastNumber
		states := 0
		for _, in := range []bool{len(line.Events) > 0, len(line.Problems) > 0, line.Skipped != ""} {
			if in {
				states++
			}
		}
		if states != 1 {
			t.Fatalf("line %d: %d events, problems %v, skipped %q", line.Number, len(line.Events), line.Problems, line.Skipped)
		}
		for _, e := range line.Events {
			if err := e.Validate(today); err != nil || e.ID == uuid.Nil || e.Herd != herd {
				t.Fatalf("line %d gives an event that cannot be stored: %v, %+v", line.Number, err, e)
			}
		}
		for _, p := range line.Problems {
			if p.Code == "" || p.Detail == "" || p.Line != line.Number {
				t.Fatalf("line %d: %+v", line.Number, p)
			}
		}
		if len(line.Problems) > 0 {
			refused++
			if err := w.Write(line.Cells, line.Problems); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	s := r.Stats()
	if s.Refused != refused {
		t.Fatalf("%d refused, counted %d", refused, s.Refused)
	}
	// The reject file of a sheet is a sheet under the same mapping.
	again, err := sheet.NewReader(&out, m, herd, today)
	for err == nil {
		_, err = again.Next()
	}
	var fe *sheet.FileError
	if errors.As(err, &fe) && fe.Code == sheet.CodeDateOrder {
		return // the rows that proved the order of the dates are not among the refused
	}
	if refused > 0 && !errors.Is(err, io.EOF) {
		t.Fatalf("the reject file cannot be read: %v", err)
	}
}

// inOrder: whatever is wrong with a file is said with a code and in words.
func inOrder(t *testing.T, err error) {
	t.Helper()
	var fe *sheet.FileError
	if !errors.As(err, &fe) || fe.Code == "" || fe.Detail == "" {
		t.Fatalf("not a fault of the file: %v", err)
	}
}

func FuzzNative(f *testing.F) {
	f.Add(export(f, fixedLog(f, 6)))
	f.Add(exportSpreadsheet(f, fixedLog(f, 6), '\t'))
	for _, s := range []string{
		"", "kind,on,animal\ndry_off,2026-01-31,7\n", "sep=;\r\nkind;on;animal\r\ndry_off;2026-01-31;7\r\n",
		"\ufeffkind|on|animal|note\rdry_off|2026-01-31|7|\"a\rb\"\r", "kind,on,seq,hash\nend,,0,\n", "kind\ton\nx\ty\tz\n", "kind,on\n\"", "PK\x03\x04",
		"kind,on,animal,byrelog_line,byrelog_reason\ndry_off,x,7,1,why\n", "kind,on\nend,0\"",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, doc []byte) { drain(t, doc, sheet.Native()) })
}

func FuzzForeign(f *testing.F) {
	var maps []*sheet.Mapping
	for i, name := range []string{"office-events", "office-cows", "messy"} {
		maps = append(maps, mapping(f, name+".yaml"))
		f.Add(uint8(i), sample(f, name+".csv"))
	}
	m, err := sheet.ParseMapping([]byte(`{version: 1, source: s, delimiter: ";", header_row: 0, encoding: utf-16le, dates: d.m.y, two_digit_years: true,
		fields: {animal: {position: 1}, on: {position: 2}}, events: [{kind: calving, fields: {ease: {position: 3}, calf1_tag: {position: 4}, calf1_outcome: {const: alive}}}]}`))
	if err != nil {
		f.Fatal(err)
	}
	maps = append(maps, m)
	f.Add(uint8(3), []byte("1\x00;\x001\x00.\x002\x00.\x002\x006\x00;\x002\x00\n\x00"))
	f.Fuzz(func(t *testing.T, which uint8, doc []byte) { drain(t, doc, maps[int(which)%len(maps)]) })
}

func FuzzMapping(f *testing.F) {
	sheets := [][]byte{}
	for _, name := range []string{"office-events", "office-cows", "messy"} {
		f.Add(sample(f, name+".yaml"))
		sheets = append(sheets, sample(f, name+".csv"))
	}
	f.Add([]byte(goodMapping))
	f.Add([]byte(`{"version": 1, "source": "s", "events": [{"kind": {"position": 1, "words": {"a": "walk"}}}]}`))
	f.Add([]byte("a: &a [*a]"))
	f.Fuzz(func(t *testing.T, doc []byte) {
		m, err := sheet.ParseMapping(doc)
		if err != nil {
			var me *sheet.MappingError
			if !errors.As(err, &me) || len(me.Faults) == 0 {
				t.Fatalf("not a fault of the mapping: %v", err)
			}
			return
		}
		for _, s := range sheets {
			drain(t, s, m)
		}
	})
}

func FuzzVerify(f *testing.F) {
	f.Add(export(f, fixedLog(f, 6)))
	f.Add(export(f, nil))
	f.Add(exportSpreadsheet(f, fixedLog(f, 6), 0))
	f.Add([]byte("kind,on,seq,hash\nend,,0,0\n"))
	f.Fuzz(func(t *testing.T, doc []byte) {
		report, err := sheet.VerifyExport(bytes.NewReader(doc))
		if err != nil {
			inOrder(t, err)
			return
		}
		// Whatever verifies is a log: written anew it verifies as the same one.
		r, err := sheet.NewReader(bytes.NewReader(doc), sheet.Native(), report.Herd, today+100_000)
		if err != nil {
			t.Fatal(err)
		}
		events := int64(0)
		for {
			line, err := r.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			events += int64(len(line.Events))
		}
		if !report.Complete || events != report.Events || !r.Stats().Complete {
			t.Fatalf("%+v, and the import reads %d events", report, events)
		}
	})
}

// FuzzDamage: whatever becomes of the bytes of an export, an event that is
// taken from a row with a check is one of the log.
func FuzzDamage(f *testing.F) {
	log := fixedLog(f, 6)
	facts := map[string]bool{}
	for _, r := range log {
		facts[string(r.Bytes)+r.Note] = true
	}
	f.Add(export(f, log))
	f.Add(exportSpreadsheet(f, log, ';'))
	f.Fuzz(func(t *testing.T, doc []byte) {
		lines, r, err := tryAll(doc, sheet.Native())
		if err != nil {
			inOrder(t, err)
			return
		}
		check := -1
		for i, h := range r.Layout().Header {
			if strings.EqualFold(strings.Map(letters, h), "rowcheck") {
				check = i
			}
		}
		for _, l := range lines {
			if check < 0 || check >= len(l.Cells) || strings.TrimSpace(l.Cells[check]) == "" {
				continue // a statement of whoever sends it
			}
			for _, e := range l.Events {
				if e.Note != "" {
					e.Seal(e.NoteSalt)
				}
				if !facts[string(e.Canonical())+e.Note] {
					t.Fatalf("line %d became another fact: %s", l.Number, e.Canonical())
				}
			}
		}
	})
}

// letters keeps those of a header's name, whatever stands around and between.
func letters(r rune) rune {
	if unicode.IsLetter(r) {
		return r
	}
	return -1
}
