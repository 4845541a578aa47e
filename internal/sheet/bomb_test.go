package sheet_test

import (
	"errors"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// endless gives a head, then a body again and again up to n bytes.
type endless struct {
	head, body string
	number     bool // # in the body is the count of its copies
	copies     int
	left       int
	pos        int
	read       int
	most       uint64 // the heap's largest size while reading
}

func (e *endless) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) && e.left > 0 {
		src := e.body
		if e.head != "" {
			src = e.head
		}
		c := copy(p[n:min(len(p), n+e.left)], src[e.pos:])
		n, e.left, e.pos = n+c, e.left-c, e.pos+c
		if e.pos == len(src) {
			e.pos, e.head = 0, ""
			if e.copies++; e.number {
				e.body = fmt.Sprintf("move,2026-01-01,%d,a\n", e.copies)
			}
		}
	}
	if e.read+n>>20 > e.read>>20 || n == 0 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		e.most = max(e.most, m.HeapAlloc)
	}
	if e.read += n; n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// TestBombs is T48: files made to exhaust memory or to hang are refused, or
// read to their end, with less than 64 MiB.
func TestBombs(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(100)) // what is held counts, not what a lazier collector leaves lying
	const head = "kind,on,animal,pen\n"
	for _, tc := range []struct {
		name, head, body string
		size             int
		code             string // "" : read to the end
	}{
		{"field of 10 MB", head + "move,2026-01-01,1,", "x", 10 << 20, sheet.CodeFieldTooLong},
		{"header of 10 MB", "", "x", 10 << 20, sheet.CodeDelimiter},
		{"100,000 columns", head + "move", ",", 100_000, sheet.CodeTooManyColumns},
		{"10 million blank lines", head, "\n", 10_000_000, ""},
		{"10 million blank lines and no header", "", "\r", 10_000_000, sheet.CodeNoHeader},
		{"blank rows", head, ",,,\n", 10 << 20, ""},
		{"open quote", head + "\"", "a,b\n", 100 << 20, sheet.CodeFieldTooLong},
		{"quotes", head, "\"", 10 << 20, sheet.CodeFieldTooLong},
		{"zero bytes", "", "\x00", 10 << 20, sheet.CodeNUL},
		{"UTF-16", head, "a\x00", 10 << 20, sheet.CodeNUL},
		{"bad UTF-8", head, "\xff\xfe\n", 10 << 20, sheet.CodeEncoding},
		{"rows without ids", head, "move,2026-01-01,#,a\n", 40 << 20, sheet.CodeTooManyRows},
		{"bad rows", head, "move,x,\"1\"2,a\n", 20 << 20, ""},
		{"a file over its limit", head, "move,2026-01-01,1,a\n", 1 << 30, sheet.CodeFileTooLarge},
	} {
		t.Run(tc.name, func(t *testing.T) {
			runtime.GC()
			var before runtime.MemStats
			runtime.ReadMemStats(&before)
			limits := sheet.Limits{}
			if tc.code == sheet.CodeFileTooLarge {
				limits.Bytes = 1 << 20
			}
			src := &endless{head: tc.head, body: tc.body, number: strings.Contains(tc.body, "#"), left: len(tc.head) + tc.size}
			r, err := sheet.NewReader(src, sheet.Native(), herd, today, sheet.WithLimits(limits))
			for err == nil {
				_, err = r.Next()
			}
			var fe *sheet.FileError
			switch {
			case tc.code == "" && !errors.Is(err, io.EOF):
				t.Errorf("got %v, want the end of the file", err)
			case tc.code != "" && (!errors.As(err, &fe) || fe.Code != tc.code):
				t.Errorf("got %v, want %s", err, tc.code)
			}
			if grown := int64(src.most) - int64(before.HeapAlloc); grown > 64<<20 {
				t.Errorf("the heap grew by %d MiB", grown>>20)
			}
		})
	}
}

// TestErrorsStay: after a file was refused, Next goes on refusing it.
func TestErrorsStay(t *testing.T) {
	r, err := sheet.NewReader(strings.NewReader("kind,on,animal,pen\nmove,2026-01-01,1,\"a\n"), sheet.Native(), herd, event.NewDate(2026, 2, 1))
	if err != nil {
		t.Fatal(err)
	}
	_, first := r.Next()
	_, second := r.Next()
	if first == nil || !errors.Is(second, first) {
		t.Errorf("first %v, then %v", first, second)
	}
}

// TestHostile reads files that are larger than any memory should have to be,
// under every way to read one. Whatever they hold, what comes is an error or
// events, with less than 64 MiB. Under the race detector, which makes it ten
// times slower, the files are shorter; CI runs it without as well.
func TestHostile(t *testing.T) {
	head := strings.Join(sheet.Header(), ",") + "\r\n"
	row := ",north-farm,1,move,2026-01-01" + strings.Repeat(",", 18) + "a\r\n"
	positions, err := sheet.ParseMapping([]byte(`{version: 1, source: s, delimiter: ",", header_row: 0, dates: iso,
		fields: {animal: {position: 1}, on: {position: 2}}, events: [{kind: dry_off}]}`))
	if err != nil {
		t.Fatal(err)
	}
	read := func(m *sheet.Mapping) func(io.Reader) error {
		return func(src io.Reader) error {
			r, err := sheet.NewReader(src, m, herd, today)
			for err == nil {
				_, err = r.Next()
			}
			return err
		}
	}
	ways := map[string]func(io.Reader) error{
		"native": read(sheet.Native()), "mapping": read(mapping(t, "office-events.yaml")), "mapping without header": read(positions),
		"table":  func(src io.Reader) error { _, err := sheet.VerifyTable(src); return err },
		"verify": func(src io.Reader) error { _, err := sheet.VerifyExport(src); return err },
	}
	const half, million = 512 << 20, 1_000_000
	share := 1
	if underRace {
		share = 16
	}
	for _, tc := range []struct {
		name, head, body string
		size             int
	}{
		{"one line of 512 MiB", "", "x", half},
		{"one line of 512 MiB behind a header", head, "x", half},
		{"one quoted field of 512 MiB", head, "\"", half},
		{"one quoted field over lines", head + "\"", "x\r\n", half},
		{"an unterminated quote at the end", head + strings.Repeat(row, 3) + `"`, "x", 10_000},
		{"a header of a million columns", "", "x,", 2 * million},
		{"a million columns", head, "x,", 2 * million},
		{"a million empty columns in every row", head + row, strings.Repeat(",", million) + "\n", 10 * million},
		{"a million rows with one quote each", head, "a\"\r\n", 4 * million},
		{"lines of CR", head, "\r", 8 << 20},
		{"a mark without end", "", "\xef\xbb\xbf", 8 << 20},
		{"halves of characters", head, "\xc3\"\xa9", 8 << 20},
		{"UTF-16 under a mark", "\xff\xfe", "a\x00,\x00", 8 << 20},
		{"UTF-16 lines under a mark", "\xfe\xff", "\x00k\x00\n", 8 << 20},
		{"end records", head, "," + "north-farm,,end,2026-01-01\r\n", 8 << 20},
		{"rows of a table", "animal,end\r\n", "'0017,\r\n", 8 << 20},
		{"one cell of a table", "animal,end\r\n\"", "'0017\r\n", 8 << 20},
		{"headers", "", head, 8 << 20},
		{"rows", head, row, 8 << 20},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for name, way := range ways {
				runtime.GC()
				var before runtime.MemStats
				runtime.ReadMemStats(&before)
				src := &endless{head: tc.head, body: tc.body, left: len(tc.head) + tc.size/share}
				err := way(src)
				var fe *sheet.FileError
				if !errors.Is(err, io.EOF) && !errors.As(err, &fe) {
					t.Errorf("%s: got %v", name, err)
				}
				if grown := int64(src.most) - int64(before.HeapAlloc); grown > 64<<20 {
					t.Errorf("%s: the heap grew by %d MiB", name, grown>>20)
				}
			}
		})
	}
}
