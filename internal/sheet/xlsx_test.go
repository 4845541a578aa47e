package sheet_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// book writes a workbook with excelize, an implementation that is not ours.
// A cell of type event.Date becomes a date in the style given (14: the usual).
func book(t testing.TB, fill func(f *excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer func() { _ = f.Close() }()
	fill(f)
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// fillRows writes rows from A1 on. A time.Time is written as a date.
func fillRows(t testing.TB, f *excelize.File, name string, rows ...[]any) {
	t.Helper()
	for i, row := range rows {
		if err := f.SetSheetRow(name, "A"+strconv.Itoa(i+1), &row); err != nil {
			t.Fatal(err)
		}
	}
}

func day(y, m, d int) time.Time { return time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC) }

func hazardDefault(t testing.TB) *sheet.Mapping {
	t.Helper()
	doc, err := os.ReadFile(filepath.Join(hazards, "mapping.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	m, err := sheet.ParseMapping(doc)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// readBook reads a workbook and gives what comes of it in the words of the
// hazards' table.
func readBook(t *testing.T, doc []byte, change ...string) hazard {
	t.Helper()
	_, m, err := hazardMapping(t, change)
	if err != nil {
		t.Fatal(err)
	}
	var h hazard
	h.says = strings.Join(h.readWith(doc, m, sheet.WithWorkbook()), "\n")
	return h
}

func TestWorkbookCells(t *testing.T) {
	style := func(f *excelize.File, cell string, s excelize.Style) {
		id, err := f.NewStyle(&s)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.SetCellStyle("Sheet1", cell, cell, id); err != nil {
			t.Fatal(err)
		}
	}
	set := func(f *excelize.File, cell string, v any) {
		if err := f.SetCellValue("Sheet1", cell, v); err != nil {
			t.Fatal(err)
		}
	}
	head := []any{"cow", "date", "what", "bull", "parity", "induced", "note"}
	two := func(extra func(*excelize.File)) []byte {
		return book(t, func(f *excelize.File) {
			fillRows(t, f, "Sheet1", head, []any{"0101", day(2026, 3, 17), "bred", "E-11"}, []any{"0102", day(2026, 3, 18), "heat"})
			if extra != nil {
				extra(f)
			}
		})
	}
	code := func(s string) excelize.Style { return excelize.Style{CustomNumFmt: &s} }
	for _, tc := range []struct {
		name    string
		doc     []byte
		change  []string
		events  []string
		refused []string
		notices []string
		whole   string
		says    string
	}{
		{name: "plain", doc: two(nil), events: []string{bred, heat}},
		{name: "another order in the mapping", doc: two(nil), change: []string{"d/m/y", "m/d/y"}, events: []string{bred, heat}},
		{name: "iso", doc: two(nil), change: []string{"d/m/y", "iso"}, events: []string{bred, heat}},
		{name: "names of months", doc: two(nil), change: []string{"d/m/y", "d mon y\nmonths: [fi]"}, events: []string{bred, heat}},
		{name: "styles of dates", doc: two(func(f *excelize.File) {
			style(f, "B2", code(`[$-409]d\-mmm\-yy;@`))
			style(f, "B3", code(`"on" dd/mm`))
		}), events: []string{bred, heat}},
		{name: "counting from 1904", doc: book(t, func(f *excelize.File) {
			yes := true
			if err := f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &yes}); err != nil {
				t.Fatal(err)
			}
			fillRows(t, f, "Sheet1", head, []any{"0101", 44636, "bred", "E-11"})
			style(f, "B2", excelize.Style{NumFmt: 14})
		}), events: []string{bred}},
		{name: "a number that is no date", doc: two(func(f *excelize.File) {
			set(f, "B2", 46098)
			style(f, "B2", excelize.Style{NumFmt: 0})
		}), events: []string{heat}, refused: []string{`2, date, "46098": date_serial`}},
		{name: "a date as text in the stated order", doc: two(func(f *excelize.File) { set(f, "B2", "17/03/2026") }), events: []string{bred, heat}},
		{name: "a date as text in another", doc: two(func(f *excelize.File) { set(f, "B2", "2026-03-17") }), events: []string{heat}, refused: []string{`2, date, "2026-03-17": date_order`}},
		{name: "swapped where the spreadsheet could", doc: book(t, func(f *excelize.File) {
			fillRows(t, f, "Sheet1", head, []any{"0101", day(2026, 4, 3), "bred"}, []any{"0102", day(2026, 5, 8), "heat"}, []any{"0103", "17/03/2026", "heat"})
		}), whole: "4: mixed_dates"},
		{name: "time of day", doc: two(func(f *excelize.File) {
			set(f, "B2", time.Date(2026, 3, 17, 6, 40, 0, 0, time.UTC))
		}), change: []string{"on: date", "on: {column: date, time: keep}"}, events: []string{"0101 breeding on=2026-03-17 at=06:40 sire=E-11 method=ai", heat}},
		{name: "time of day, not asked for", doc: two(func(f *excelize.File) {
			set(f, "B2", time.Date(2026, 3, 17, 6, 40, 0, 0, time.UTC))
		}), events: []string{heat}, refused: []string{`2, date, "17/03/2026 06:40": time_of_day`}},
		{name: "a number shown with zeros", doc: two(func(f *excelize.File) {
			set(f, "A2", 101)
			style(f, "A2", code("0000"))
		}), change: []string{"dates:", "animal_digits: 4\ndates:"}, events: []string{bred, heat}},
		{name: "a number that lost its zeros", doc: two(func(f *excelize.File) { set(f, "A2", 101) }), change: []string{"dates:", "animal_digits: 4\ndates:"}, events: []string{heat}, refused: []string{`2, cow, "101": lost_zeros`}},
		{name: "15 digits", doc: two(func(f *excelize.File) { set(f, "A2", 840003123456789) }), events: []string{"840003123456789 breeding on=2026-03-17 sire=E-11 method=ai", heat}},
		{name: "16 digits", doc: two(func(f *excelize.File) { set(f, "A2", 8400031234567890) }), events: []string{heat}, refused: []string{`2, cow, "8.40003123456789E+15": scientific_notation`}},
		{name: "an animal that became a date", doc: two(func(f *excelize.File) { set(f, "A2", day(2026, 2, 1)) }), events: []string{heat}, refused: []string{`2, cow, "2026-02-01": date_cell`}},
		{name: "a word that became a date", doc: two(func(f *excelize.File) { set(f, "C2", day(2026, 2, 1)) }), events: []string{heat}, refused: []string{`2, what, "2026-02-01": date_cell`}},
		{name: "fractions", doc: two(func(f *excelize.File) {
			set(f, "C2", "calved")
			set(f, "E2", 2.5)
			set(f, "C3", "calved")
			set(f, "E3", 1.234)
		}), refused: []string{`2, parity, "2.5": bad_number`, `3, parity, "1.234": ambiguous_number`}},
		{name: "a fraction under a decimal comma", doc: two(func(f *excelize.File) {
			set(f, "C2", "calved")
			set(f, "E2", 1.234)
		}), change: []string{"dates:", "decimal: \",\"\ndates:"}, events: []string{heat}, refused: []string{`2, parity, "1,234": bad_number`}},
		{name: "booleans", doc: two(func(f *excelize.File) {
			set(f, "C2", "calved")
			set(f, "D2", "")
			set(f, "F2", true)
		}), events: []string{"0101 calving on=2026-03-17 induced=true", heat}},
		{name: "errors and formulas", doc: two(func(f *excelize.File) {
			if err := errors.Join(f.SetCellFormula("Sheet1", "A2", "A3+1"), f.SetCellValue("Sheet1", "B3", "#N/A")); err != nil {
				t.Fatal(err)
			}
			set(f, "A2", nil)
			if err := f.SetCellFormula("Sheet1", "A2", "A3+1"); err != nil {
				t.Fatal(err)
			}
		}), refused: []string{`2, cow, "=": formula`, `3, date, "#N/A": error_cell`}},
		{name: "line ends in a note", doc: two(func(f *excelize.File) { set(f, "G2", "first\nsecond_x000D_\n_x005F_x000D_") }), events: []string{bred + ` note="first\nsecond\n_x000D_"`, heat}},
		{name: "blank rows and far formats", doc: two(func(f *excelize.File) {
			style(f, "XFD2", excelize.Style{NumFmt: 14})
			set(f, "A9", "0103")
			set(f, "B9", day(2026, 3, 19))
			set(f, "C9", "heat")
		}), events: []string{bred, heat, "0103 heat on=2026-03-19 verdict=in_heat"}},
		{name: "too wide a row", doc: two(func(f *excelize.File) { set(f, "J2", "x") }), events: []string{heat}, refused: []string{`2, , "": extra_cells`}},
		{name: "negative days", doc: two(func(f *excelize.File) {
			set(f, "B2", -1)
			style(f, "B2", excelize.Style{NumFmt: 14})
		}), events: []string{heat}, refused: []string{`2, date, "########": error_cell`}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			h := readBook(t, tc.doc, tc.change...)
			if h.whole != tc.whole || tc.whole == "" && (!slices.Equal(h.events, tc.events) || !slices.Equal(h.refused, tc.refused)) || !strings.Contains(h.says, tc.says) {
				t.Errorf("file %q, events %q, refused %q; want %q, %q, %q\n%s", h.whole, h.events, h.refused, tc.whole, tc.events, tc.refused, h.says)
			}
		})
	}
}

// TestWorkbookSheets: which sheet is read, and what is said where it is not
// clear.
func TestWorkbookSheets(t *testing.T) {
	doc := book(t, func(f *excelize.File) {
		for _, name := range []string{"Cows 2026", "empty", "old", "2"} {
			if _, err := f.NewSheet(name); err != nil {
				t.Fatal(err)
			}
		}
		fillRows(t, f, "Cows 2026", []any{"cow", "date", "what", "bull"}, []any{"0101", day(2026, 3, 17), "bred", "E-11"})
		fillRows(t, f, "old", []any{"cow", "date", "what", "bull"}, []any{"0102", day(2026, 3, 18), "heat", ""})
		fillRows(t, f, "2", []any{"cow", "date", "what", "bull"}, []any{"0103", day(2026, 3, 18), "heat", ""})
		if err := f.SetSheetVisible("old", false); err != nil {
			t.Fatal(err)
		}
	})
	for _, tc := range []struct {
		sheet, whole, says string
		events             []string
	}{
		{"", "0: sheet", `"Cows 2026", "2"`, nil},
		{"sheet: cows  2026\n", "", "", []string{bred}},
		{"sheet: OLD\n", "", "", []string{heat}},
		{"sheet: 4\n", "", "", []string{heat}},
		{"sheet: 2\n", "", "", []string{"0103 heat on=2026-03-18 verdict=in_heat"}}, // its name goes before the number
		{"sheet: none\n", "0: sheet", `"Cows 2026"`, nil},
		{"sheet: 9\n", "0: sheet", "no sheet", nil},
		{"sheet: empty\n", "0: no_header", "before its header", nil},
	} {
		h := readBook(t, doc, "dates:", tc.sheet+"dates:")
		if h.whole != tc.whole || !slices.Equal(h.events, tc.events) || !strings.Contains(h.says, tc.says) {
			t.Errorf("%q: file %q, events %q, %s", tc.sheet, h.whole, h.events, h.says)
		}
	}
}

// rezip copies a workbook with a part changed.
func rezip(t testing.TB, doc []byte, change func(name string, body []byte) []byte) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(doc), int64(len(doc)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		if body = change(f.Name, body); body == nil {
			continue
		}
		part, err := w.Create(f.Name)
		if err == nil {
			_, err = part.Write(body)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func smallBook(t testing.TB, rows int) []byte {
	t.Helper()
	return book(t, func(f *excelize.File) {
		all := [][]any{{"cow", "date", "what", "bull"}}
		for i := range rows {
			all = append(all, []any{fmt.Sprintf("%04d", i+1), day(2026, 1+i%10, 1+i%28), "bred", "E-" + strconv.Itoa(i%7)})
		}
		fillRows(t, f, "Sheet1", all...)
	})
}

const sheetPart = "xl/worksheets/sheet1.xml"

// TestWorkbookRefused: what is no workbook, is damaged, or is made to exhaust
// memory is refused by its own code.
func TestWorkbookRefused(t *testing.T) {
	good := smallBook(t, 5)
	inSheet := func(change func(string) string) []byte {
		return rezip(t, good, func(name string, body []byte) []byte {
			if name == sheetPart {
				return []byte(change(string(body)))
			}
			return body
		})
	}
	replaced := func(old, by string) []byte {
		return inSheet(func(s string) string {
			if !strings.Contains(s, old) {
				t.Fatalf("the sheet has no %q: %s", old, s)
			}
			return strings.Replace(s, old, by, 1)
		})
	}
	var protected bytes.Buffer
	f := excelize.NewFile()
	if err := f.Write(&protected, excelize.Options{Password: "x"}); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		doc  []byte
		code string
	}{
		{"nothing", nil, sheet.CodeNotWorkbook},
		{"CSV", []byte("cow,date\n"), sheet.CodeNotWorkbook},
		{".xls", []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"), sheet.CodeNotWorkbook},
		{"a password", protected.Bytes(), sheet.CodeEncrypted},
		{"a zip", rezip(t, good, func(name string, body []byte) []byte {
			if strings.HasPrefix(name, "xl/") {
				return nil
			}
			return body
		}), sheet.CodeNotWorkbook},
		{"OpenDocument", rezip(t, good, func(name string, body []byte) []byte {
			if name == "xl/theme/theme1.xml" {
				return nil
			}
			return body
		})[:0], sheet.CodeNotWorkbook},
		{"cut off", good[:len(good)-30], sheet.CodeWorkbook},
		{"a part missing", rezip(t, good, func(name string, body []byte) []byte {
			if name == sheetPart {
				return nil
			}
			return body
		}), sheet.CodeWorkbook},
		{"XML that ends", inSheet(func(s string) string { return s[:strings.Index(s, `<row r="4"`)] }), sheet.CodeWorkbook},
		{"XML that is broken", replaced(`<row r="4"`, `<<row r="4"`), sheet.CodeWorkbook},
		{"declarations", inSheet(func(s string) string {
			return strings.Replace(s, "<worksheet", `<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet`, 1)
		}), sheet.CodeWorkbook},
		{"rows out of order", replaced(`<row r="4"`, `<row r="2"`), sheet.CodeWorkbook},
		{"cells out of order", replaced(`<c r="B4"`, `<c r="A4"`), sheet.CodeWorkbook},
		{"a cell without a name that is one", replaced(`<c r="B4"`, `<c r="4"`), sheet.CodeWorkbook},
		{"a cell of no type", replaced(`t="s"`, `t="zz"`), sheet.CodeWorkbook},
		{"a text that is not there", replaced(`t="s"><v>0</v>`, `t="s"><v>99</v>`), sheet.CodeWorkbook},
		{"nested without end", replaced(`<row r="4"`, strings.Repeat("<x>", 100_000)+`<row r="4"`), sheet.CodeWorkbook},
		{"a long tag", replaced(`<row r="4"`, `<row r="4" x="`+strings.Repeat("x", 20<<20)+`"`), sheet.CodeFieldTooLong},
		{"a long cell", inSheet(func(s string) string {
			return strings.Replace(s, `<row r="4"`, `<row r="3" ><c r="A3" t="str"><v>`+strings.Repeat("x", 900<<10)+`</v></c></row><row r="4"`, 1)
		}), sheet.CodeWorkbook},
		{"a bomb", inSheet(func(s string) string {
			return strings.Replace(s, "</sheetData>", strings.Repeat(" ", 20<<20)+"</sheetData>", 1)
		}), sheet.CodeFieldTooLong},
	} {
		if tc.name == "OpenDocument" {
			var b bytes.Buffer
			w := zip.NewWriter(&b)
			part, err := w.Create("mimetype")
			if err == nil {
				_, err = part.Write([]byte("application/vnd.oasis.opendocument.spreadsheet"))
			}
			if err = errors.Join(err, w.Close()); err != nil {
				t.Fatal(err)
			}
			tc.doc = b.Bytes()
		}
		_, _, err := tryAll(tc.doc, hazardDefault(t), sheet.WithWorkbook())
		var fe *sheet.FileError
		if !errors.As(err, &fe) || fe.Code != tc.code || fe.Detail == "" {
			t.Errorf("%s: got %v, want %s", tc.name, err, tc.code)
		}
	}
	_, _, err := tryAll(smallBook(t, 900), hazardDefault(t), sheet.WithWorkbook(), sheet.WithLimits(sheet.Limits{Bytes: 32 << 10}))
	var fe *sheet.FileError
	if !errors.As(err, &fe) || fe.Code != sheet.CodeFileTooLarge {
		t.Errorf("a sheet that inflates beyond its limit: %v", err)
	}
	if _, r, err := tryAll(good, hazardDefault(t), sheet.WithWorkbook()); err != nil || r.Stats().Events != 5 {
		t.Errorf("control: %v", err)
	}
	// Why the rows are not read by excelize: it ends them at broken XML without
	// a word. Should that change, this says so.
	broken, err := excelize.OpenReader(bytes.NewReader(inSheet(func(s string) string { return strings.Replace(s, `<row r="4"`, `<<row r="4"`, 1) })))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := broken.Rows("Sheet1")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for rows.Next() {
		if _, err := rows.Columns(); err != nil {
			t.Errorf("excelize tells of broken XML now: %v", err)
		}
		n++
	}
	if n >= 6 || rows.Error() != nil {
		t.Errorf("excelize reads %d rows of broken XML and says %v", n, rows.Error())
	}
}

// TestWorkbookMemory: bombs and large workbooks stay within 64 MiB.
func TestWorkbookMemory(t *testing.T) {
	fill := func(body func(w io.Writer, rows int), rows int, shared func(w io.Writer)) []byte {
		return rezip(t, smallBook(t, 1), func(name string, old []byte) []byte {
			var b bytes.Buffer
			switch {
			case name == sheetPart:
				b.WriteString(`<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>`)
				b.WriteString(`<row r="1"><c t="inlineStr"><is><t>cow</t></is></c><c t="inlineStr"><is><t>date</t></is></c><c t="inlineStr"><is><t>what</t></is></c><c t="inlineStr"><is><t>bull</t></is></c></row>`)
				body(&b, rows)
				b.WriteString(`</sheetData></worksheet>`)
			case strings.HasSuffix(name, "sharedStrings.xml") && shared != nil:
				b.WriteString(`<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">`)
				shared(&b)
				b.WriteString(`</sst>`)
			default:
				return old
			}
			return b.Bytes()
		})
	}
	plain := func(w io.Writer, rows int) {
		for i := range rows {
			_, _ = fmt.Fprintf(w, `<row><c t="str"><v>%04d</v></c><c t="str"><v>17/03/2026</v></c><c t="str"><v>heat</v></c></row>`, i)
		}
	}
	for _, tc := range []struct {
		name string
		doc  []byte
		code string
	}{
		{"200,000 rows", fill(plain, 200_000, nil), ""},
		{"a million empty rows", fill(func(w io.Writer, n int) { _, _ = io.WriteString(w, strings.Repeat("<row/>", n)) }, 1_000_000, nil), ""},
		{"texts without end", fill(plain, 1, func(w io.Writer) {
			_, _ = io.WriteString(w, strings.Repeat("<si><t>"+strings.Repeat("x", 1000)+"</t></si>", 50_000))
		}), sheet.CodeFileTooLarge},
		{"texts without number", fill(plain, 1, func(w io.Writer) { _, _ = io.WriteString(w, strings.Repeat("<si/>", 2_000_000)) }), sheet.CodeFileTooLarge},
		{"one row of cells", fill(func(w io.Writer, n int) {
			_, _ = io.WriteString(w, "<row>"+strings.Repeat(`<c t="str"><v>x</v></c>`, n)+"</row>")
		}, 1_000_000, nil), sheet.CodeTooManyColumns},
		{"attributes", fill(func(w io.Writer, n int) {
			_, _ = io.WriteString(w, "<row")
			for i := range n {
				_, _ = fmt.Fprintf(w, " a%d=''", i)
			}
			_, _ = io.WriteString(w, "/>")
		}, 1_000_000, nil), sheet.CodeFieldTooLong},
	} {
		if len(tc.doc) > 16<<20 {
			t.Fatalf("%s: %d bytes", tc.name, len(tc.doc))
		}
		runtime.GC()
		var before, m runtime.MemStats
		runtime.ReadMemStats(&before)
		most := before.HeapAlloc
		stop, done := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(done)
			for {
				select {
				case <-stop:
					return
				case <-time.After(2 * time.Millisecond):
					runtime.ReadMemStats(&m)
					most = max(most, m.HeapAlloc)
				}
			}
		}()
		r, err := sheet.NewReader(bytes.NewReader(tc.doc), hazardDefault(t), herd, today, sheet.WithWorkbook())
		for err == nil {
			_, err = r.Next()
		}
		close(stop)
		<-done
		var fe *sheet.FileError
		switch {
		case tc.code == "" && !errors.Is(err, io.EOF), tc.code != "" && (!errors.As(err, &fe) || fe.Code != tc.code):
			t.Errorf("%s: got %v, want %q", tc.name, err, tc.code)
		}
		if grown := int64(most) - int64(before.HeapAlloc); grown > 64<<20 {
			t.Errorf("%s: the heap grew by %d MiB", tc.name, grown>>20)
		}
	}
}

// TestWorkbookDamage: a workbook with any bytes changed or cut gives the same
// events or is refused, and never others.
func TestWorkbookDamage(t *testing.T) {
	good := smallBook(t, 12)
	m := hazardDefault(t)
	events := func(doc []byte) ([]string, error) {
		lines, _, err := tryAll(doc, m, sheet.WithWorkbook())
		var out []string
		for _, l := range lines {
			for _, e := range l.Events {
				out = append(out, fact(e))
			}
		}
		return out, err
	}
	want, err := events(good)
	if err != nil || len(want) != 12 {
		t.Fatal(len(want), err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	refused := 0
	for i := range 3000 {
		doc := bytes.Clone(good)
		if i%3 == 0 {
			doc = doc[:rng.IntN(len(doc))]
		}
		for range rng.IntN(3) {
			if len(doc) > 0 {
				doc[rng.IntN(len(doc))] = byte(rng.UintN(256))
			}
		}
		got, err := events(doc)
		if err != nil {
			inOrder(t, err)
			refused++
		} else if !slices.Equal(got, want) {
			t.Fatalf("damage %d gave other events: %q", i, got)
		}
	}
	if refused < 1000 {
		t.Errorf("%d of 3000 refused: the damage hardly damages", refused)
	}
}

// TestWorkbookIsTheSheet: the rows of a workbook are those that were written,
// whatever they hold, as the other implementation reads them too.
func TestWorkbookIsTheSheet(t *testing.T) {
	m, err := sheet.ParseMapping([]byte(`{version: 1, source: s, delimiter: ",", header_row: 0, dates: iso, fields: {animal: {position: 1}, on: {const: "2026-01-01"}}, events: [{kind: dry_off}]}`))
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		rows := rapid.SliceOfN(rapid.SliceOfN(rapid.OneOf(
			rapid.SampledFrom([]string{"", "", "0101", "a b", "é_x000B_ü", "<&>\"'", "_x0041_", "line\nend", "17/03/2026"}),
			rapid.StringMatching(`[a-zA-Z0-9_ ]{0,12}`)), 1, 6), 1, 6).Draw(rt, "rows")
		f := excelize.NewFile()
		defer func() { _ = f.Close() }()
		for i, row := range rows {
			for j, c := range row {
				name, err := excelize.CoordinatesToCellName(j+1, i+1)
				if err != nil {
					rt.Fatal(err)
				}
				if c == "" {
					continue
				}
				if err := f.SetCellStr("Sheet1", name, c); err != nil {
					rt.Fatal(err)
				}
			}
		}
		var b bytes.Buffer
		if err := f.Write(&b); err != nil {
			rt.Fatal(err)
		}
		lines, _, err := tryAll(b.Bytes(), m, sheet.WithWorkbook())
		var fe *sheet.FileError
		if errors.As(err, &fe) && fe.Code == sheet.CodeNoHeader {
			lines, err = nil, nil
		}
		if err != nil {
			rt.Fatal(err)
		}
		n := 0
		for i, row := range rows {
			for len(row) > 0 && row[len(row)-1] == "" {
				row = row[:len(row)-1]
			}
			if strings.TrimSpace(strings.Join(row, "")) == "" {
				continue
			}
			if n >= len(lines) || lines[n].Number != i+1 || !slices.Equal(lines[n].Cells, row) {
				rt.Fatalf("row %d is %q; read %+v", i+1, row, lines)
			}
			n++
		}
		if n != len(lines) {
			rt.Fatalf("%d rows written, %d read", n, len(lines))
		}
	})
}

// TestWorkbookRejects: the refused rows of a workbook come back as CSV that the
// same mapping reads, and mended they are taken.
func TestWorkbookRejects(t *testing.T) {
	doc := book(t, func(f *excelize.File) {
		fillRows(t, f, "Sheet1", []any{"cow", "date", "what", "bull"}, []any{"0101", day(2026, 3, 17), "zap", "E-11"}, []any{"0102", day(2026, 3, 18), "heat", ""})
	})
	m := hazardDefault(t)
	lines, r := readAll(t, doc, m, sheet.WithWorkbook())
	var out bytes.Buffer
	w, err := sheet.NewRejectWriter(&out, r.Layout())
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(lines[0].Cells, lines[0].Problems), w.Flush()); err != nil {
		t.Fatal(err)
	}
	mended := strings.Replace(out.String(), "zap", "bred", 1)
	again, _ := readAll(t, []byte(mended), m)
	if len(again) != 1 || len(again[0].Events) != 1 || fact(again[0].Events[0]) != bred {
		t.Errorf("%+v\n%s", again, mended)
	}
}

// TestWorkbookNative: an export that was saved as a workbook comes back whole.
func TestWorkbookNative(t *testing.T) {
	log := fixedLog(t, 40)
	doc := export(t, log)
	r, err := sheet.NewReader(bytes.NewReader(doc), sheet.Native(), herd, today+100_000)
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	rows := [][]string{sheet.Header()}
	for {
		line, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, slices.Clone(line.Cells))
		for _, e := range line.Events {
			want = append(want, e.ID.String()+fact(e))
		}
	}
	on, truths := slices.Index(rows[0], "on"), 0
	saved := book(t, func(f *excelize.File) {
		for i, row := range rows {
			for j, c := range row {
				name, err := excelize.CoordinatesToCellName(j+1, i+1)
				if err != nil {
					t.Fatal(err)
				}
				var v any = c
				if d, err := event.ParseDate(c); err == nil && j == on {
					y, m, dd := d.Civil()
					v = day(y, m, dd)
				} else if c == "true" || c == "false" {
					v, truths = c == "true", truths+1
				} else if n, err := strconv.Atoi(c); err == nil && strconv.Itoa(n) == c && i > 0 && slices.Contains([]string{"seq", "parity", "ease", "days_pregnant", "cows_seen"}, rows[0][j]) {
					v = n
				}
				if c != "" {
					if err := f.SetCellValue("Sheet1", name, v); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	})
	lines, _, err := tryAll2(saved, sheet.Native())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, l := range lines {
		for _, p := range l.Problems {
			t.Error(p)
		}
		for _, e := range l.Events {
			got = append(got, e.ID.String()+fact(e))
		}
	}
	if len(want) == 0 || truths == 0 || !slices.Equal(got, want) {
		t.Errorf("%d events, %d booleans: they became %d", len(want), truths, len(got))
	}
}

func tryAll2(doc []byte, m *sheet.Mapping) (lines []sheet.Line, r *sheet.Reader, err error) {
	if r, err = sheet.NewReader(bytes.NewReader(doc), m, herd, today+100_000, sheet.WithWorkbook()); err != nil {
		return nil, nil, err
	}
	for {
		line, err := r.Next()
		if errors.Is(err, io.EOF) {
			return lines, r, nil
		}
		if err != nil {
			return lines, r, err
		}
		lines = append(lines, line)
	}
}

// TestSuggestWorkbook: a draft from a workbook reads the workbook.
func TestSuggestWorkbook(t *testing.T) {
	doc := book(t, func(f *excelize.File) {
		if err := f.SetSheetName("Sheet1", "Cows"); err != nil {
			t.Fatal(err)
		}
		fillRows(t, f, "Cows", []any{"Cow", "Date", "Event", "Bull"}, []any{"0101", day(2026, 3, 7), "AI", "E-11"}, []any{"0102", day(2026, 3, 8), "heat", ""})
	})
	s := suggest(t, doc, sheet.SuggestWorkbook(""))
	if !strings.Contains(s.Mapping, "sheet: Cows #") || strings.Contains(s.Mapping, "encoding") || len(s.Choices) != 0 {
		t.Errorf("%s%+v", s.Mapping, s.Choices)
	}
	m := sound(t, s, firstOption)
	mixed := suggest(t, book(t, func(f *excelize.File) {
		fillRows(t, f, "Sheet1", []any{"Cow", "Date", "Event"}, []any{"0101", day(2026, 3, 7), "heat"}, []any{"0102", "13/3/2026", "heat"}, []any{"0103", "4/3/2026", "heat"})
	}), sheet.SuggestWorkbook("1"))
	if g := columnOf(t, mixed, "Date").Dates; g == nil || g.Order != "d/m/y" || len(g.Proof) != 1 || g.Proof[0].Line != 3 {
		t.Errorf("%+v", g)
	}
	lines, _, err := tryAll(doc, m, sheet.WithWorkbook())
	if err != nil || len(lines) != 2 || fact(lines[0].Events[0]) != "0101 breeding on=2026-03-07 sire=E-11 method=ai" {
		t.Errorf("%v %+v", err, lines)
	}
}

func FuzzWorkbook(f *testing.F) {
	f.Add(smallBook(f, 3))
	f.Add([]byte("PK\x03\x04"))
	f.Add([]byte("\xd0\xcf\x11\xe0"))
	m := hazardDefault(f)
	f.Fuzz(func(t *testing.T, doc []byte) {
		drain(t, doc, m, sheet.WithWorkbook())
		if s, err := sheet.Suggest(bytes.NewReader(doc), today, sheet.SuggestWorkbook("")); err != nil {
			inOrder(t, err)
		} else {
			sound(t, s, firstOption)
		}
	})
}

// FuzzWorkbookXML fuzzes what is in the zip, which its checksums keep a fuzzer
// from reaching.
func FuzzWorkbookXML(f *testing.F) {
	good := smallBook(f, 3)
	rezip(f, good, func(name string, body []byte) []byte {
		f.Add(name, body)
		return body
	})
	m := hazardDefault(f)
	f.Fuzz(func(t *testing.T, part string, body []byte) {
		doc := rezip(t, good, func(name string, old []byte) []byte {
			if name == part {
				return body
			}
			return old
		})
		drain(t, doc, m, sheet.WithWorkbook())
	})
}
