package sheet_test

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/sheet"
)

// oddTable has a column of every type.
var oddTable = &sheet.Table{
	Name: "lists/odd", Title: "Odd", About: "A table.",
	Columns: []sheet.TableColumn{
		{Name: "animal", Type: sheet.Text, Doc: "who"},
		{Name: "code", Type: sheet.Word, Doc: "what"},
		{Name: "days", Type: sheet.Integer, Doc: "days"},
		{Name: "value", Type: sheet.Number, Doc: "value"},
		{Name: "on", Type: sheet.Date, Doc: "day"},
		{Name: "small", Type: sheet.Flag, Doc: "few"},
		{Name: "at", Type: sheet.Time, Doc: "when"},
		{Name: "note", Type: sheet.Text, Doc: "note"},
	},
}

func writeTable(t interface{ Fatal(...any) }, rows [][]string, f sheet.Form, more bool) []byte {
	var b bytes.Buffer
	w, err := sheet.NewTableWriter(&b, oddTable, f)
	for _, row := range rows {
		if err == nil {
			err = w.Write(row)
		}
	}
	if err == nil {
		err = w.Close(more)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func oddRow() *rapid.Generator[[]string] {
	return rapid.Custom(func(t *rapid.T) []string {
		cell := rapid.OneOf(spoilable(), text(12), rapid.Just(""), rapid.SampledFrom([]string{"a\nb", "a\r\nb", "\r", " x ", `"`}))
		return []string{
			cell.Draw(t, "animal"), "code", "-3", "-0.25", "2026-01-02", "true", "2026-01-02T03:04:05Z", cell.Draw(t, "note"),
		}
	})
}

// TestTable: a table verifies, is read by another implementation of RFC 4180 as
// what was written, bears guards only in texts, and only there where they are
// needed; whatever row or cell is changed or cut off, it shows.
func TestTable(t *testing.T) {
	guards := 0
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(oddRow(), 0, 6).Draw(t, "rows")
		form := sheet.Form{Spreadsheet: rapid.Bool().Draw(t, "spreadsheet")}
		more := rapid.Bool().Draw(t, "more")
		if form.Spreadsheet {
			form.Delimiter = rapid.SampledFrom([]byte{0, ';', ',', '\t'}).Draw(t, "delimiter")
		}
		doc := writeTable(t, rows, form, more)
		report, err := sheet.VerifyTable(bytes.NewReader(doc))
		if err != nil || report.Rows != len(rows) || report.More != more || !sheet.IsTable(bufio.NewReader(bytes.NewReader(doc))) {
			t.Fatalf("%+v, %v\n%q", report, err, doc)
		}
		rest, marked := bytes.CutPrefix(doc, []byte("\ufeff"))
		r := csv.NewReader(bytes.NewReader(rest))
		r.Comma = ','
		if form.Spreadsheet && form.Delimiter != ',' {
			r.Comma = rune(max(form.Delimiter, '\t'))
			if form.Delimiter == 0 {
				r.Comma = ';'
			}
		}
		got, err := r.ReadAll()
		if err != nil || marked != form.Spreadsheet || len(got) != len(rows)+2 {
			t.Fatalf("%d records, %v, mark %t", len(got), err, marked)
		}
		for i, row := range rows {
			for j, c := range row {
				c = strings.ReplaceAll(c, "\r\n", "\n") // as that reader has it
				switch g := got[i+1][j]; {
				case g == c:
				case g == "'"+c && form.Spreadsheet && oddTable.Columns[j].Type == sheet.Text:
					guards++
				default:
					t.Fatalf("%q was written as %q", c, g)
				}
			}
		}
		cut := rapid.IntRange(0, len(doc)-len("\r\n")-1).Draw(t, "cut")
		if _, err := sheet.VerifyTable(bytes.NewReader(doc[:cut])); err == nil {
			t.Fatalf("cut after %d of %d bytes it verifies", cut, len(doc))
		}
		if len(rows) == 0 {
			return
		}
		at := rapid.IntRange(0, len(rows)-1).Draw(t, "at")
		bad := slices.Clone(doc)
		i := bytes.Index(bad, []byte("2026-01-02T03:04:05Z"))
		bad[i+3]++
		for what, b := range map[string][]byte{
			"a cell changed": bad, "another count": bytes.Replace(doc, []byte("rows="), []byte("rows=1"), 1),
			"rows behind the end": append(slices.Clone(doc), writeTable(t, rows[at:at+1], form, false)...),
		} {
			if _, err := sheet.VerifyTable(bytes.NewReader(b)); err == nil {
				t.Fatalf("%s, and it verifies", what)
			}
		}
	})
	if guards == 0 {
		t.Error("no guard was ever written")
	}
}

// TestTableEnd fixes the end record; the hash was made with Python's hashlib.
func TestTableEnd(t *testing.T) {
	row := []string{"0017", "open", "3", "0.25", "2026-01-02", "true", "", "a \"b\"\r\nc"}
	for _, tc := range []struct {
		form sheet.Form
		want string
	}{
		{sheet.Form{}, ",,,,,,,,end rows=1 more=false sha256=dcd32270dd58630738b77803b7a271aa5524294e1a2f846d6165d305958af672\r\n"},
		{sheet.Form{Spreadsheet: true}, ";;;;;;;;end rows=1 more=false sha256=e318cf40564f1dfc1fd1c860ddf60e9110dfc53cf7538e78e0a3afafbc18d3d2\r\n"},
	} {
		if doc := writeTable(t, [][]string{row}, tc.form, false); !bytes.HasSuffix(doc, []byte(tc.want)) {
			t.Errorf("%q, want it to end in %q", doc, tc.want)
		}
	}
	w, err := sheet.NewTableWriter(&bytes.Buffer{}, oddTable, sheet.Form{})
	if err != nil {
		t.Fatal(err)
	}
	if w.Write(row[:3]) == nil {
		t.Error("a short row was taken")
	}
	if _, err := sheet.NewTableWriter(&bytes.Buffer{}, oddTable, sheet.Form{Delimiter: ';'}); err == nil {
		t.Error("a semicolon was taken for the interchange profile")
	}
}

// TestPageIsNoLog: a page of events is not taken for an export, and an export
// not for a table.
func TestPageIsNoLog(t *testing.T) {
	var b bytes.Buffer
	w, err := sheet.NewTableWriter(&b, sheet.EventTable(), sheet.Form{})
	if err == nil {
		err = w.Close(false)
	}
	if err != nil {
		t.Fatal(err)
	}
	var fe *sheet.FileError
	if _, err := sheet.VerifyExport(bytes.NewReader(b.Bytes())); !errors.As(err, &fe) || !strings.Contains(fe.Error(), "page") {
		t.Errorf("a page as an export: %v", err)
	}
	if sheet.IsTable(bufio.NewReader(bytes.NewReader(export(t, nil)))) {
		t.Error("an export is taken for a table")
	}
	if _, err := sheet.VerifyTable(bytes.NewReader(export(t, nil))); !errors.As(err, &fe) || fe.Code != sheet.CodeHeader {
		t.Errorf("an export as a table: %v", err)
	}
}

func FuzzTable(f *testing.F) {
	row := []string{"'=0017", "a", "1", "1", "2026-01-01", "true", "", "a\nb"}
	f.Add(writeTable(f, [][]string{row, row}, sheet.Form{}, true))
	f.Add(writeTable(f, [][]string{row}, sheet.Form{Spreadsheet: true, Delimiter: '\t'}, false))
	f.Add([]byte("a,end\n,end rows=0 more=false sha256="))
	f.Fuzz(func(t *testing.T, doc []byte) {
		if _, err := sheet.VerifyTable(bytes.NewReader(doc)); err != nil {
			inOrder(t, err)
		}
	})
}
