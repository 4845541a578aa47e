package sheet_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"byrelog.example/internal/sheet"
)

// TestWorkbookLaw is the law of the passage for workbooks: a sheet that a
// spreadsheet of any country opened as text, made dates and numbers of as it
// thought right, and saved as a workbook gives the same events or is refused,
// and never gives another fact without a word.
func TestWorkbookLaw(t *testing.T) {
	m, err := sheet.ParseMapping([]byte(barnMapping))
	if err != nil {
		t.Fatal(err)
	}
	whole := damage{delim: ";", encoding: "windows-1252"}
	taken, refusedFiles, refusedRows := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(anyBarnRow(), 1, 12).Draw(t, "rows")
		rows = append(rows, barnRow{cow: "2001", day: 31, month: 1, year: 2026}) // the order must show
		facts := map[string]bool{}
		lines, _, err := tryAll(whole.write(t, rows), m)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range lines {
			for _, e := range l.Events {
				facts[string(told(e))] = true
			}
		}
		saved := spreadsheet{
			monthFirst: rapid.Bool().Draw(t, "month first"), numbers: rapid.Bool().Draw(t, "numbers"), zeros: rapid.Bool().Draw(t, "zeros"),
			late: rapid.Bool().Draw(t, "1904"), plain: rapid.IntRange(0, 4).Draw(t, "plain days") == 0,
		}
		lines, _, err = tryAll(saved.save(t, rows), m, sheet.WithWorkbook())
		var fe *sheet.FileError
		if errors.As(err, &fe) {
			refusedFiles++
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range lines {
			if len(l.Problems) > 0 {
				refusedRows++
			}
			for _, e := range l.Events {
				taken++
				if !facts[string(told(e))] {
					t.Fatalf("%+v: row %d became another fact: %s", saved, l.Number, told(e))
				}
			}
		}
	})
	if taken == 0 || refusedFiles == 0 || refusedRows == 0 {
		t.Errorf("%d events taken, %d files and %d rows refused: the test hardly tests", taken, refusedFiles, refusedRows)
	}
}

// spreadsheet is what a program makes of a text sheet that it opens.
type spreadsheet struct {
	monthFirst bool // of its country's dates
	numbers    bool // it makes numbers of digits
	zeros      bool // and shows them with zeros in front
	late       bool // its days count from 1904
	plain      bool // it shows days as numbers
}

func (s spreadsheet) save(t *rapid.T, rows []barnRow) []byte {
	f := excelize.NewFile()
	defer func() { _ = f.Close() }()
	check := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	check(f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &s.late}))
	zeros, date := "0000", "dd/mm/yyyy"
	if s.monthFirst {
		date = "mm/dd/yyyy"
	}
	shown, err := f.NewStyle(&excelize.Style{CustomNumFmt: &zeros})
	check(err)
	dated, err := f.NewStyle(&excelize.Style{CustomNumFmt: &date})
	check(err)
	check(f.SetSheetRow("Sheet1", "A1", &[]any{"cow", "day", "bull", "note"}))
	for i, r := range rows {
		at := func(column string) string { return fmt.Sprint(column, i+2) }
		check(f.SetCellStr("Sheet1", at("A"), r.cow))
		if s.numbers {
			var n int
			_, err := fmt.Sscanf(strings.TrimLeft(r.cow, "0")+" ", "%d", &n)
			if err != nil {
				n = 0
			}
			check(f.SetCellInt("Sheet1", at("A"), int64(n)))
			if s.zeros {
				check(f.SetCellStyle("Sheet1", at("A"), at("A"), shown))
			}
		}
		d, mo := r.day, r.month
		if s.monthFirst {
			d, mo = mo, d
		}
		if mo > 12 {
			check(f.SetCellStr("Sheet1", at("B"), fmt.Sprintf("%02d/%02d/%04d", r.day, r.month, r.year)))
		} else {
			check(f.SetCellValue("Sheet1", at("B"), day(r.year, mo, d)))
			if !s.plain {
				check(f.SetCellStyle("Sheet1", at("B"), at("B"), dated))
			} else {
				check(f.SetCellStyle("Sheet1", at("B"), at("B"), 0))
			}
		}
		check(f.SetCellStr("Sheet1", at("C"), r.bull))
		check(f.SetCellStr("Sheet1", at("D"), r.note))
	}
	var b bytes.Buffer
	check(f.Write(&b))
	return b.Bytes()
}
