package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
)

type scanned struct {
	first, last int
	cells       []string
	stray       bool
}

func scanAll(src io.Reader, delim byte, l Limits) ([]scanned, error) {
	l = l.filled()
	s := newScanner(src, delim, &l)
	var out []scanned
	for {
		rec, err := s.next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return out, err
		}
		out = append(out, scanned{rec.first, rec.last, append([]string(nil), rec.cells...), rec.stray != ""})
	}
}

func TestScan(t *testing.T) {
	for _, tc := range []struct {
		name, in string
		want     []scanned
	}{
		{"LF", "a,b\nc,d\n", []scanned{{1, 1, []string{"a", "b"}, false}, {2, 2, []string{"c", "d"}, false}}},
		{"CRLF", "a,b\r\nc,d\r\n", []scanned{{1, 1, []string{"a", "b"}, false}, {2, 2, []string{"c", "d"}, false}}},
		{"CR", "a,b\rc,d\r", []scanned{{1, 1, []string{"a", "b"}, false}, {2, 2, []string{"c", "d"}, false}}},
		{"no end", "a,b\nc,", []scanned{{1, 1, []string{"a", "b"}, false}, {2, 2, []string{"c", ""}, false}}},
		{"blank lines", "\n\r\na\n\n\rb", []scanned{{3, 3, []string{"a"}, false}, {6, 6, []string{"b"}, false}}},
		{"lines inside quotes", "\"a\r\nb\",\"c\rd\"\n\"e\"", []scanned{{1, 3, []string{"a\nb", "c\nd"}, false}, {4, 4, []string{"e"}, false}}},
		{"doubled quotes", `"a ""b""",""""` + "\n", []scanned{{1, 1, []string{`a "b"`, `"`}, false}}},
		{"empty quotes", `"",x` + "\n" + `""`, []scanned{{1, 1, []string{"", "x"}, false}, {2, 2, []string{""}, false}}},
		{"a quote inside", `5" cut,x` + "\ny", []scanned{{1, 1, []string{`5" cut`, "x"}, true}, {2, 2, []string{"y"}, false}}},
		{"space before quotes", `a, "b"` + "\ny", []scanned{{1, 1, []string{"a", ` "b"`}, true}, {2, 2, []string{"y"}, false}}},
		{"text behind quotes", `"a"b,"c"` + "\ny", []scanned{{1, 1, []string{`"a"b`, "c"}, true}, {2, 2, []string{"y"}, false}}},
		{"zeros kept by a formula", `="012",x` + "\n" + `="01"2`, []scanned{{1, 1, []string{`="012"`, "x"}, false}, {2, 2, []string{`="01"2`}, true}}},
	} {
		for name, src := range map[string]io.Reader{
			"whole": strings.NewReader(tc.in), "byte by byte": iotest.OneByteReader(strings.NewReader(tc.in)),
			"error with data": iotest.DataErrReader(strings.NewReader(tc.in)),
		} {
			got, err := scanAll(src, ',', Limits{})
			if err != nil || !equalScans(got, tc.want) {
				t.Errorf("%s, %s: got %+v, %v\nwant %+v", tc.name, name, got, err, tc.want)
			}
		}
	}
}

func equalScans(a, b []scanned) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].first != b[i].first || a[i].last != b[i].last || a[i].stray != b[i].stray ||
			strings.Join(a[i].cells, "\x00") != strings.Join(b[i].cells, "\x00") {
			return false
		}
	}
	return true
}

func TestScanRefuses(t *testing.T) {
	small := Limits{Field: 8, Record: 20, Columns: 3, Rows: 4}
	for _, tc := range []struct {
		name, in, code string
		line           int
	}{
		{"open quote", "a\nb,\"c\nd\n", CodeOpenQuote, 2},
		{"open quote at the end", "a\n\"", CodeOpenQuote, 2},
		{"long field", "a\n123456789\n", CodeFieldTooLong, 2},
		{"long quoted field", "a\n\"1234\n56789\"\n", CodeFieldTooLong, 2},
		{"longest field", "a\n12345678\n", "", 0},
		{"long record", "a\n1234567,1234567,1234567\n", CodeRecordTooLong, 2},
		{"many columns", "a\n,,,\n", CodeTooManyColumns, 2},
		{"most columns", "a\n,,\n", "", 0},
		{"many rows", "a\nb\nc\nd\ne\n", CodeTooManyRows, 5},
		{"most rows", "a\nb\n\n\nc\nd\n", "", 0},
		{"zero byte", "a\nb\x00\n", CodeNUL, 2},
		{"quoted zero byte", "a\n\"b\n\x00\"\n", CodeNUL, 3},
		{"broken UTF-8", "a\n\xff\n", CodeEncoding, 2},
		{"UTF-8 over a cell's end", "a\n\xc3,\xa9\n", CodeEncoding, 2},
	} {
		_, err := scanAll(strings.NewReader(tc.in), ',', small)
		var fe *FileError
		switch {
		case tc.code == "" && err != nil:
			t.Errorf("%s: %v", tc.name, err)
		case tc.code != "" && (!errors.As(err, &fe) || fe.Code != tc.code || fe.Line != tc.line):
			t.Errorf("%s: got %v, want %s in line %d", tc.name, err, tc.code, tc.line)
		}
	}
	broken := errors.New("the line broke")
	for _, in := range []string{"", "a", "a,", "a\n", `"a`, `"a"`, `"a",`} {
		if _, err := scanAll(io.MultiReader(strings.NewReader(in), iotest.ErrReader(broken)), ',', Limits{}); !errors.Is(err, broken) {
			t.Errorf("a source that fails after %q: %v", in, err)
		}
	}
}

// agree holds the scanner against encoding/csv, another implementation: what
// that takes without complaint, the scanner takes as the same cells, and what
// the scanner takes without complaint, that takes too.
func agree(t interface{ Fatalf(string, ...any) }, in []byte, delim byte) {
	if bytes.ContainsAny(in, "\r\x00") || !utf8.Valid(in) || bytes.Contains(in, []byte(`="`)) {
		return // here the two differ on purpose
	}
	r := csv.NewReader(bytes.NewReader(in))
	r.Comma, r.FieldsPerRecord = rune(delim), -1
	want, wantErr := r.ReadAll()
	got, err := scanAll(bytes.NewReader(in), delim, Limits{Columns: 1 << 20})
	stray := false
	for _, g := range got {
		stray = stray || g.stray
	}
	if (wantErr == nil) != (err == nil && !stray) {
		t.Fatalf("%q: encoding/csv says %v, the scanner %v, stray quotes %v", in, wantErr, err, stray)
	}
	if wantErr != nil {
		return
	}
	if len(got) != len(want) {
		t.Fatalf("%q: %d records, encoding/csv has %d", in, len(got), len(want))
	}
	for i := range want {
		if strings.Join(got[i].cells, "\x00") != strings.Join(want[i], "\x00") {
			t.Fatalf("%q: record %d is %q, encoding/csv has %q", in, i, got[i].cells, want[i])
		}
	}
}

func TestScanAgrees(t *testing.T) {
	alphabet := rapid.SampledFrom([]byte("ab,;\"\n\" é")[:])
	rapid.Check(t, func(t *rapid.T) {
		agree(t, rapid.SliceOfN(alphabet, 0, 40).Draw(t, "in"), ',')
	})
}

// TestWrittenRowsComeBack: whatever cells are written, under any delimiter,
// both readers give them back.
func TestWrittenRowsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(rapid.SliceOfN(rapid.StringMatching(`[a,;"|\t\n =é' -]{0,12}`), 1, 6), 0, 6).Draw(t, "rows")
		delim := rapid.SampledFrom([]byte(",;\t|")).Draw(t, "delimiter")
		var out bytes.Buffer
		w := newRowWriter(&out, delim)
		for _, row := range rows {
			if err := w.row(row); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.flush(); err != nil {
			t.Fatal(err)
		}
		got, err := scanAll(&out, delim, Limits{})
		if err != nil || len(got) != len(rows) {
			t.Fatalf("%d rows of %d, %v", len(got), len(rows), err)
		}
		for i, row := range rows {
			if got[i].stray || strings.Join(got[i].cells, "\x00") != strings.Join(row, "\x00") {
				t.Fatalf("row %q came back as %q", row, got[i].cells)
			}
		}
	})
}

func TestDates(t *testing.T) {
	today := event.NewDate(2026, 11, 25)
	for _, tc := range []struct {
		in, order string
		two       bool
		want      string // or "!code"
	}{
		{"2026-03-01", "iso", false, "2026-03-01"},
		{"2026-3-1", "iso", false, "!bad_date"},
		{"2026-3-1", "y-m-d", false, "2026-03-01"},
		{"1/2/2026", "d/m/y", false, "2026-02-01"},
		{"1/2/2026", "m/d/y", false, "2026-01-02"},
		{"01.02.2026", "d.m.y", false, "2026-02-01"},
		{"1. 2. 2026", "d.m.y", false, "2026-02-01"},
		{"2026/2/1", "y/m/d", false, "2026-02-01"},
		{"29/2/2024", "d/m/y", false, "2024-02-29"},
		{"29/2/2026", "d/m/y", false, "!bad_date"},
		{"29/2/2100", "d/m/y", false, "!bad_date"},
		{"13/13/2026", "d/m/y", false, "!bad_date"},
		{"1/2/26", "d/m/y", false, "!two_digit_year"},
		{"1/2/26", "d/m/y", true, "2026-02-01"},
		{"1/2/27", "d/m/y", true, "1927-02-01"},
		{"1/2/00", "d/m/y", true, "2000-02-01"},
		{"1/2/126", "d/m/y", true, "!bad_date"},
		{"001/2/2026", "d/m/y", false, "!bad_date"},
		{"1/2", "d/m/y", false, "!bad_date"},
		{"1/2/2026/3", "d/m/y", false, "!bad_date"},
		{"-1/2/2026", "d/m/y", false, "!bad_date"},
		{"1/ 2/2026", "d/m/y", false, "!bad_date"},
		{"", "d/m/y", false, "!bad_date"},
	} {
		d, fault := parseDate(tc.in, tc.order, today, tc.two)
		got := d.String()
		if fault != nil {
			got = "!" + fault.code
		}
		if got != tc.want {
			t.Errorf("%q as %s: %s, want %s", tc.in, tc.order, got, tc.want)
		}
	}
	// Measured in spreadsheet programs (standards.md 6.2): 45731 is 2025-03-15,
	// or 2029-03-16 where days are counted from 1904.
	if a, b := (serial1900 + 45731).String(), (serial1904 + 45731).String(); a != "2025-03-15" || b != "2029-03-16" {
		t.Errorf("day 45731 is %s or %s", a, b)
	}
	if got := (serial1900 + 61).String(); got != "1900-03-01" {
		t.Errorf("day 61 is %s, want 1900-03-01", got)
	}
}

func TestFolding(t *testing.T) {
	for _, tc := range []struct{ in, word, header string }{
		{" First  Bred ", "first bred", "first bred"},
		{"FIRST_BRED*", "first_bred*", "first bred"},
		{"first-bred:", "first-bred:", "first bred"},
		{"\u00a0Ｃｏｗ\u200b", "cow", "cow"},
		{"Straße", "strasse", "strasse"},
		{"E\u0301cho", "écho", "écho"},
		{"ÉCHO", "écho", "écho"},
		{"", "", ""},
	} {
		if w, h := foldWord(tc.in), foldHeader(tc.in); w != tc.word || h != tc.header {
			t.Errorf("%q folds to %q and %q, want %q and %q", tc.in, w, h, tc.word, tc.header)
		}
	}
}

// TestColumnsAreThere holds the names that this package takes for granted.
func TestColumnsAreThere(t *testing.T) {
	for _, name := range []string{"event_id", "herd", "animal", "kind", "on", "at", "note", "dam", "to", "from_animal", "official_id", "calf1_tag"} {
		if _, ok := event.ColumnIndex(name); !ok {
			t.Errorf("package event has no column %s", name)
		}
	}
	for _, name := range logColumns {
		if _, taken := event.ColumnIndex(name); taken {
			t.Errorf("package event has a column %s of its own", name)
		}
	}
	if n := (Limits{}).filled().Columns; len(Header())+len(rejectColumns) > n {
		t.Errorf("the profile has more than %d columns", n)
	}
}

func FuzzScan(f *testing.F) {
	for _, s := range []string{"", "a,b\n", "\"a\"\"\n\",b\n\nc", "a\"b\n", "\"a\"b", "\"", "a;b\n\"c;\"", "\xff", "é,\n"} {
		f.Add([]byte(s), byte(','))
	}
	f.Fuzz(func(t *testing.T, in []byte, delim byte) {
		if validDelimiter(delim) {
			agree(t, in, delim)
		}
	})
}
