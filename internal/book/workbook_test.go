package book_test

import (
	"bytes"
	"encoding/csv"
	"testing"

	"github.com/xuri/excelize/v2"

	"byrelog.example/internal/book"
)

// A workbook is read as one after a restart too: what it was sent as is kept
// with the import.
func TestInterruptedWorkbookResumes(t *testing.T) {
	t.Parallel()
	file := invented(t, 120, 2)
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	f := excelize.NewFile()
	w, err := f.NewStreamWriter("Sheet1")
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range rows {
		cells := make([]any, len(row))
		for j, c := range row {
			if c != "" {
				cells[j] = c
			}
		}
		name, err := excelize.CoordinatesToCellName(1, i+1)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.SetRow(name, cells); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	resumes(t, b.Bytes(), stated(string(file)), book.ImportOptions{Workbook: true})
}
