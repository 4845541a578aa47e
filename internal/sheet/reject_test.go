package sheet_test

import (
	"bytes"
	"strings"
	"testing"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"byrelog.example/internal/sheet"
)

// rejects writes the refused rows of a sheet.
func rejects(t *testing.T, doc []byte, m *sheet.Mapping) ([]byte, []sheet.Line) {
	t.Helper()
	lines, r := readAll(t, doc, m)
	var out bytes.Buffer
	w, err := sheet.NewRejectWriter(&out, r.Layout())
	if err != nil {
		t.Fatal(err)
	}
	var refused []sheet.Line
	for _, l := range lines {
		if len(l.Problems) == 0 {
			continue
		}
		refused = append(refused, l)
		if err := w.Write(l.Cells, l.Problems); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), refused
}

// TestRejectsAgain: a reject file is read by the mapping of its sheet, says the
// same of its rows, and its own rejects are the same file but for the lines.
func TestRejectsAgain(t *testing.T) {
	m := mapping(t, "messy.yaml")
	file, refused := rejects(t, sample(t, "messy.csv"), m)
	again, second := rejects(t, file, m)
	// A row refused for a stray quote is written as it was read, with its quotes
	// right, and so is sound when it comes back.
	var want []sheet.Line
	for _, l := range refused {
		if l.Problems[0].Code != sheet.CodeBareQuote {
			want = append(want, l)
		}
	}
	if len(want) != len(second) || len(want) == len(refused) {
		t.Fatalf("%d rows are refused again of %d", len(second), len(refused))
	}
	for i := range want {
		a, b := want[i].Problems, second[i].Problems
		if len(a) != len(b) {
			t.Fatalf("line %d: %v, and again %v", want[i].Number, a, b)
		}
		for j := range a {
			a[j].Line, b[j].Line = 0, 0
			if a[j].Code != b[j].Code || a[j].Column != b[j].Column || a[j].Value != b[j].Value {
				t.Errorf("line %d: %+v, and again %+v", want[i].Number, a[j], b[j])
			}
		}
	}
	if n := bytes.Count(again, []byte("byrelog_reason")); n != 1 {
		t.Errorf("the reject file of a reject file names the reason column %d times", n)
	}
}

// TestMended: the office mends the cell in the reject file and sends it again.
func TestMended(t *testing.T) {
	utf16 := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
	for _, tc := range []struct {
		encoding string
		encode   func([]byte) ([]byte, error)
		decode   func([]byte) ([]byte, error)
		front    string
	}{
		{"windows-1252", charmap.Windows1252.NewEncoder().Bytes, charmap.Windows1252.NewDecoder().Bytes, ""},
		{"utf-16", utf16.NewEncoder().Bytes, utf16.NewDecoder().Bytes, ""},
		{"utf-8", same, same, "\ufeff"},
		{"utf-8", same, same, "sep=;\r\n"},
	} {
		text := tc.front + string(decoded(t, sample(t, "office-events.csv")))
		m := restated(t, "office-events.yaml", tc.encoding)
		want := toldAll(t, encoded(t, tc.encode, text), m)
		bad := strings.Replace(text, "28/04/2026;;Écho;pleine", "31/04/2026;;Écho;plène", 1)
		file, refused := rejects(t, encoded(t, tc.encode, bad), m)
		if len(refused) != 1 || len(refused[0].Problems) != 2 {
			t.Fatalf("%s: refused %+v", tc.encoding, refused)
		}
		back := string(encoded(t, tc.decode, string(file)))
		if !strings.HasPrefix(strings.TrimPrefix(back, "\ufeff"), strings.TrimPrefix(tc.front, "\ufeff")+"N° fiche;N° vache;") || !strings.Contains(back, "no such day") ||
			strings.HasPrefix(back, "\ufeff") != strings.HasPrefix(tc.front, "\ufeff") {
			t.Fatalf("%s: the reject file is\n%s", tc.encoding, back)
		}
		mended := strings.Replace(back, "31/04/2026;;Écho;plène", "28/04/2026;;Écho;pleine", 1)
		got := toldAll(t, encoded(t, tc.encode, mended), m)
		if len(got) != 1 || !strings.Contains(strings.Join(want, "\n"), got[0]) {
			t.Errorf("%s: the mended row gives %s", tc.encoding, got)
		}
	}
}

func same(b []byte) ([]byte, error) { return b, nil }

func encoded(t *testing.T, f func([]byte) ([]byte, error), text string) []byte {
	t.Helper()
	b, err := f([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestRejectLayout: a layout that cannot be is an error, not a broken file.
func TestRejectLayout(t *testing.T) {
	for _, l := range []sheet.Layout{{}, {Encoding: "utf-8"}, {Encoding: "x", Delimiter: ","}, {Encoding: "utf-8", Delimiter: `"`}} {
		if _, err := sheet.NewRejectWriter(&bytes.Buffer{}, l); err == nil {
			t.Errorf("%+v was taken", l)
		}
	}
}

// TestRejectsOfNative: rows of the project's own profile are rejected and
// mended in the same way.
func TestRejectsOfNative(t *testing.T) {
	file, refused := rejects(t, []byte("kind;on;animal;pen\nmove;2026-01-32;1;a\nmove;2026-01-31;2;b\n"), sheet.Native())
	if len(refused) != 1 {
		t.Fatalf("%+v", refused)
	}
	lines, _ := readAll(t, bytes.Replace(file, []byte("2026-01-32"), []byte("2026-01-30"), 1), sheet.Native())
	if len(lines) != 1 || len(lines[0].Events) != 1 || lines[0].Events[0].On.String() != "2026-01-30" {
		t.Errorf("%+v\n%s", lines, file)
	}
}
