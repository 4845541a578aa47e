package sheet_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"byrelog.example/internal/sheet"
)

// form is a way to write the same table.
type form struct {
	delim          byte
	bom, quoteAll  bool
	end            string
	shuffleRows    bool
	shuffleColumns bool
	padColumns     int
	blankRows      bool
	sep            bool
}

func (f form) String() string { return fmt.Sprintf("%+v", struct{ form }{f}) }

func anyForm(r *rand.Rand) form {
	return form{
		delim: []byte(",;\t|")[r.IntN(4)], bom: r.IntN(2) == 0, quoteAll: r.IntN(2) == 0,
		end: []string{"\n", "\r\n", "\r"}[r.IntN(3)], shuffleRows: r.IntN(2) == 0, shuffleColumns: r.IntN(2) == 0,
		padColumns: r.IntN(4), blankRows: r.IntN(2) == 0,
	}
}

// write writes a table whose header is row head (from 0).
func (f form) write(r *rand.Rand, rows [][]string, head int) []byte {
	body := slices.Clone(rows[head+1:])
	if f.shuffleRows {
		r.Shuffle(len(body), func(i, j int) { body[i], body[j] = body[j], body[i] })
	}
	order := make([]int, len(rows[head]))
	for i := range order {
		order[i] = i
	}
	if f.shuffleColumns {
		r.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	}
	var b strings.Builder
	if f.bom {
		b.WriteString("\ufeff")
	}
	if f.sep {
		b.WriteString("sep=" + string(f.delim) + f.end)
	}
	for _, row := range append(slices.Clone(rows[:head+1]), body...) {
		for i, o := range order {
			if i > 0 {
				b.WriteByte(f.delim)
			}
			cell := ""
			if o < len(row) {
				cell = row[o]
			}
			if f.quoteAll || strings.ContainsAny(cell, "\"\r\n ,;\t|") {
				cell = `"` + strings.ReplaceAll(strings.ReplaceAll(cell, `"`, `""`), "\n", f.end) + `"`
			}
			b.WriteString(cell)
		}
		b.WriteString(strings.Repeat(string(f.delim), f.padColumns) + f.end)
		if f.blankRows && r.IntN(3) == 0 {
			b.WriteString([]string{f.end, strings.Repeat(string(f.delim), len(order)-1) + f.end}[r.IntN(2)])
		}
	}
	return []byte(b.String())
}

// told lists the events of a sheet, sorted, ids and notes included.
func toldAll(t *testing.T, doc []byte, m *sheet.Mapping) []string {
	t.Helper()
	lines, _ := readAll(t, doc, m)
	var out []string
	for _, l := range lines {
		for _, p := range l.Problems {
			t.Errorf("unexpected: %v", p)
		}
		for _, e := range l.Events {
			out = append(out, string(told(e)))
		}
	}
	slices.Sort(out)
	return out
}

func parse(t *testing.T, doc []byte, delim rune) [][]string {
	t.Helper()
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(doc, []byte("\ufeff"))))
	r.Comma, r.FieldsPerRecord = delim, -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// without drops columns of a table.
func without(rows [][]string, names ...string) [][]string {
	var out [][]string
	for _, row := range rows {
		var cells []string
		for i, c := range row {
			if !slices.Contains(names, rows[0][i]) {
				cells = append(cells, c)
			}
		}
		out = append(out, cells)
	}
	return out
}

// TestSameAgain is T16: the same sheet, its rows and columns in another order
// and written in another way, gives the same ids, so that a second import adds
// nothing. Rows with ids, rows without (R13), and foreign sheets.
func TestSameAgain(t *testing.T) {
	exported := parse(t, export(t, fixedLog(t, 20)), ',')
	bare := without(exported[:len(exported)-1], "event_id", "note_salt", "note_hash", "row_check", "seq", "recorded_at", "hash")
	bare = append(bare, bare[1], bare[1], bare[2]) // identical rows are events of their own
	events := parse(t, decoded(t, sample(t, "office-events.csv")), ';')
	cows := parse(t, sample(t, "office-cows.csv"), ',')
	for _, tc := range []struct {
		name  string
		rows  [][]string
		head  int
		m     *sheet.Mapping
		delim byte // 0: any
	}{
		{"export", exported, 0, sheet.Native(), 0},
		{"rows without ids", bare, 0, sheet.Native(), 0},
		{"office-events", events, 0, inUTF8(t, "office-events.yaml"), ';'},
		{"office-cows", cows, 2, mapping(t, "office-cows.yaml"), ','},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(16, 13))
			plain := form{delim: ',', end: "\r\n"}
			if tc.delim != 0 {
				plain.delim = tc.delim
			}
			want := toldAll(t, plain.write(r, tc.rows, tc.head), tc.m)
			if len(want) < len(tc.rows)/2 {
				t.Fatalf("only %d events of %d rows", len(want), len(tc.rows))
			}
			if n := len(slices.Compact(slices.Clone(want))); n != len(want) {
				t.Fatalf("%d events of %d have the id of another", len(want)-n, len(want))
			}
			for range 60 {
				f := anyForm(r)
				if tc.delim != 0 && f.delim != tc.delim {
					f.sep = true // the mapping states another
				}
				doc := f.write(r, tc.rows, tc.head)
				if got := toldAll(t, doc, tc.m); !slices.Equal(got, want) {
					t.Fatalf("%v: %d events, want %d; first difference: %s", f, len(got), len(want),
						firstDifference([]byte(strings.Join(got, "\n")), []byte(strings.Join(want, "\n"))))
				}
			}
		})
	}
}

// TestOverlap: of a file that repeats a part of an earlier one, only the new
// rows are new.
func TestOverlap(t *testing.T) {
	const head, row = "kind,on,animal\n", "dry_off,2026-01-31,"
	first := toldAll(t, []byte(head+row+"1\n"+row+"2\n"+row+"2\n"), sheet.Native())
	second := toldAll(t, []byte(head+row+"3\n"+row+"2\n"+row+"2\n"+row+"2\n"), sheet.Native())
	fresh := 0
	for _, e := range second {
		if !slices.Contains(first, e) {
			fresh++
		}
	}
	if len(first) != 3 || len(second) != 4 || fresh != 2 {
		t.Errorf("%d and %d events, %d new; want 3 and 4, and 2 new: cow 3 and the third row of cow 2", len(first), len(second), fresh)
	}
}

func decoded(t *testing.T, doc []byte) []byte {
	t.Helper()
	out, err := charmap.Windows1252.NewDecoder().Bytes(doc)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// inUTF8 is a mapping with another encoding stated.
func inUTF8(t *testing.T, name string) *sheet.Mapping {
	t.Helper()
	return restated(t, name, "utf-8")
}

func restated(t *testing.T, name, encoding string) *sheet.Mapping {
	t.Helper()
	doc := bytes.Replace(sample(t, name), []byte("encoding: windows-1252"), []byte("encoding: "+encoding), 1)
	m, err := sheet.ParseMapping(doc)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestEncodings: one sheet in every encoding that can hold it gives one log;
// stated wrongly it is refused, never read as something else.
func TestEncodings(t *testing.T) {
	text := decoded(t, sample(t, "office-events.csv"))
	want := toldAll(t, text, restated(t, "office-events.yaml", "utf-8"))
	encode := func(e interface {
		Bytes([]byte) ([]byte, error)
	},
	) []byte {
		b, err := e.Bytes(text)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	utf16 := func(e unicode.Endianness, b unicode.BOMPolicy) []byte {
		return encode(unicode.UTF16(e, b).NewEncoder())
	}
	for _, tc := range []struct {
		encoding string
		doc      []byte
		wrong    []string // encodings under which the same bytes must not pass
	}{
		{"utf-8", text, []string{"windows-1252", "latin1", "macintosh", "utf-16", "utf-16le"}},
		{"windows-1252", encode(charmap.Windows1252.NewEncoder()), []string{"utf-8", "utf-16le", "macintosh"}},
		{"utf-16", utf16(unicode.LittleEndian, unicode.UseBOM), nil},
		{"utf-16", utf16(unicode.BigEndian, unicode.UseBOM), nil},
		{"utf-16le", utf16(unicode.LittleEndian, unicode.IgnoreBOM), []string{"utf-8", "windows-1252", "utf-16be", "utf-16"}},
		{"utf-16be", utf16(unicode.BigEndian, unicode.IgnoreBOM), []string{"utf-8", "utf-16le"}},
		{"windows-1252", append([]byte("\ufeff"), text...), nil},
	} {
		if got := toldAll(t, tc.doc, restated(t, "office-events.yaml", tc.encoding)); !slices.Equal(got, want) {
			t.Errorf("%s gives another log", tc.encoding)
		}
		if marked := bytes.HasPrefix(tc.doc, []byte("\xff\xfe")) || bytes.HasPrefix(tc.doc, []byte("\xfe\xff")); marked {
			for _, stated := range sheet.Encodings() { // the mark goes before what is stated
				if got := toldAll(t, tc.doc, restated(t, "office-events.yaml", stated)); !slices.Equal(got, want) {
					t.Errorf("%s with a mark, stated as %s, gives another log", tc.encoding, stated)
				}
			}
			continue
		}
		for _, wrong := range tc.wrong {
			lines, _, err := tryAll(tc.doc, restated(t, "office-events.yaml", wrong))
			for _, l := range lines {
				for _, e := range l.Events {
					if !slices.Contains(want, string(told(e))) {
						t.Errorf("%s read as %s passes as %s", tc.encoding, wrong, told(e))
					}
				}
			}
			var fe *sheet.FileError
			if err != nil && !errors.As(err, &fe) {
				t.Errorf("%s read as %s: %v", tc.encoding, wrong, err)
			}
		}
	}
}

// TestKeys: under a mapping with a key a row that comes twice is one record,
// and a key with two contents is refused.
func TestKeys(t *testing.T) {
	m, err := sheet.ParseMapping([]byte(`{version: 1, source: s, delimiter: ",", dates: iso, key: [no],
		fields: {animal: cow, on: day}, events: [{kind: dry_off}]}`))
	if err != nil {
		t.Fatal(err)
	}
	lines, r := readAll(t, []byte("no,cow,day\n1,a,2026-01-01\n1,a,2026-01-01\n1,a,2026-01-02\n2,a,2026-01-01\n,a,2026-01-03\n"), m)
	got := ""
	for _, l := range lines {
		switch {
		case l.Skipped != "":
			got += l.Skipped + "; "
		case len(l.Problems) > 0:
			got += l.Problems[0].Code + "; "
		default:
			got += l.Events[0].Ref + "; "
		}
	}
	if want := "1; the same record as in line 2; duplicate_key; 2; required; "; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if s := r.Stats(); s.Rows != 5 || s.Events != 2 || s.Skipped != 1 || s.Refused != 2 {
		t.Errorf("stats %+v", s)
	}
}

// TestIDsHold fixes ids for ever: a sheet imported by an earlier version and
// sent again must find its events. Made with Python's uuid.uuid5 over the
// canonical bytes, a zero byte, the note, a zero byte and the ordinal.
func TestIDsHold(t *testing.T) {
	const row = "dry_off,2026-01-31,0017,barn,r1,"
	const doc = "kind,on,animal,source,ref,note\n" + row + "\n" + row + "\n" + row + "lame\n"
	r, err := sheet.NewReader(strings.NewReader(doc), sheet.Native(), herd, today)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"7aaaa522-2700-5347-b61b-a0f1403fe80d", "fbbc201a-2aee-54f4-ad02-397613c804db", "ab4cf4c0-2ede-5ef2-b237-47522d71d071"} {
		line, err := r.Next()
		if err != nil {
			t.Fatal(err)
		}
		if got := line.Events[0].ID.String(); got != want {
			t.Errorf("line %d: id %s, want %s", line.Number, got, want)
		}
	}
	if _, err := r.Next(); !errors.Is(err, io.EOF) {
		t.Error(err)
	}
}
