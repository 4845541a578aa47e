package sheet

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"math"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
)

// CellType says what stands in a column of a [Table].
type CellType uint8

// The types of cells. Text is what somebody recorded, and is guarded in the
// spreadsheet profile; all others are written by us and never are.
const (
	Text CellType = iota
	Word          // a code or a sentence of ours
	Integer
	Number
	Date
	Time
	Flag // true or false
)

// Table describes one of the tables that are given beside the log: animals,
// lists, findings, indices.
type Table struct {
	Name    string // of the file, without .csv
	Title   string
	About   string
	Columns []TableColumn

	fields []FieldDoc // of Columns, where they are described already
}

// TableColumn is a column of a [Table].
type TableColumn struct {
	Name string
	Type CellType
	Doc  string
}

// columnEnd is the last column of every table: empty but in the last record.
const columnEnd = "end"

// TableWriter writes a [Table] in either profile. Its last record has a single
// cell, in the column end: how many rows came before it, whether more follow on
// another page, and a hash of all cells, so that a file that was cut off or
// changed is told from a whole one. It is not safe for concurrent use.
type TableWriter struct {
	out  *rowWriter
	form Form
	cols []TableColumn
	row  []string
	sum  tableSum
}

// NewTableWriter begins a table: the header is written.
func NewTableWriter(w io.Writer, t *Table, f Form) (*TableWriter, error) {
	out, err := f.begin(w)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", t.Name, err)
	}
	tw := &TableWriter{out: out, form: f, cols: t.Columns, sum: newTableSum()}
	for _, c := range t.Columns {
		tw.row = append(tw.row, c.Name)
	}
	tw.sum.add(tw.row)
	tw.sum.rows = 0 // the header is none
	return tw, out.row(append(tw.row, columnEnd))
}

// Write adds a row of as many cells as the table has columns.
func (w *TableWriter) Write(cells []string) error {
	if len(cells) != len(w.cols) {
		return fmt.Errorf("table: %d cells for %d columns", len(cells), len(w.cols))
	}
	w.row = append(w.row[:0], cells...)
	if w.form.Spreadsheet {
		for i, c := range w.cols {
			if c.Type == Text {
				w.row[i] = guard(w.row[i])
			}
		}
	}
	w.sum.add(w.row)
	return w.out.row(append(w.row, ""))
}

// Close writes the last record and what is buffered; more says that further
// rows follow on another page.
func (w *TableWriter) Close(more bool) error {
	w.row = append(w.row[:0], make([]string, len(w.cols))...)
	if err := w.out.row(append(w.row, w.sum.end(more))); err != nil {
		return err
	}
	return w.out.flush()
}

// tableSum counts the rows of a table and hashes their cells: for the header
// and every row, for each cell but that of the column end, its length in bytes
// in decimal, a colon and the cell, and behind the last a line feed. Line ends
// within a cell count as LF.
type tableSum struct {
	rows int
	hash hash.Hash
	buf  []byte
}

func newTableSum() tableSum { return tableSum{hash: sha256.New()} }

var lineEnds = strings.NewReplacer("\r\n", "\n", "\r", "\n")

func (s *tableSum) add(cells []string) {
	s.rows++
	b := s.buf[:0]
	for _, c := range cells {
		c = lineEnds.Replace(c)
		b = append(strconv.AppendInt(b, int64(len(c)), 10), ':')
		b = append(b, c...)
	}
	s.buf = append(b, '\n')
	s.hash.Write(s.buf)
}

func (s *tableSum) end(more bool) string {
	return fmt.Sprintf("end rows=%d more=%t sha256=%s", s.rows, more, hex.EncodeToString(s.hash.Sum(nil)))
}

// TableReport is what [VerifyTable] found.
type TableReport struct {
	Rows int          `json:"rows"`
	More bool         `json:"more"` // a page of several: more rows follow on the next
	Hash event.Digest `json:"hash"`
}

// VerifyTable reads a table of ours, in either profile, and holds it against
// its last record. It tells whether the file is whole and as it was given; it
// does not tell whether the log says so, for which there is the export. The error
// is a *[FileError], or what r failed with.
func VerifyTable(r io.Reader) (TableReport, error) {
	limits := Limits{Rows: math.MaxInt32, Bytes: math.MaxInt64 - 1}.filled()
	src, _, _, err := utf8Source(r, utf8Name, limits.Bytes)
	if err != nil {
		return TableReport{}, err
	}
	sc := newScanner(src, ',', &limits)
	sc.delim = tableDelimiter(sc.head())
	header, err := sc.nextFilled()
	if errors.Is(err, io.EOF) {
		return TableReport{}, &FileError{Line: 1, Code: CodeNoHeader, Detail: "the file is empty"}
	}
	if err != nil {
		return TableReport{}, err
	}
	width := len(header.cells)
	if header.cells[width-1] != columnEnd {
		return TableReport{}, &FileError{Line: header.first, Code: CodeHeader, Detail: "the last column is not end: this is no table of byrelog, or its header was cut off"}
	}
	sum := newTableSum()
	sum.add(header.cells[:width-1])
	sum.rows = 0
	for {
		rec, err := sc.next()
		if errors.Is(err, io.EOF) {
			return TableReport{Rows: sum.rows}, &FileError{Line: sc.line, Code: CodeEndRecord, Detail: "the table has no end record: it was cut off"}
		}
		if err != nil {
			return TableReport{Rows: sum.rows}, err
		}
		switch {
		case rec.stray != "":
			return TableReport{Rows: sum.rows}, &FileError{Line: rec.first, Code: CodeBareQuote, Detail: rec.stray}
		case len(rec.cells) != width:
			return TableReport{Rows: sum.rows}, &FileError{Line: rec.first, Code: CodeEndRecord, Detail: fmt.Sprintf("the row has %d cells and the header %d: it was cut off or changed", len(rec.cells), width)}
		case rec.cells[width-1] != "":
			return sum.atEnd(sc, &rec)
		}
		sum.add(rec.cells[:width-1])
	}
}

// atEnd holds the end record, and what follows it, against the rows.
func (s *tableSum) atEnd(sc *scanner, rec *record) (TableReport, error) {
	report := TableReport{Rows: s.rows}
	copy(report.Hash[:], s.hash.Sum(nil))
	last := len(rec.cells) - 1
	fault := func(detail string) (TableReport, error) {
		return report, &FileError{Line: rec.first, Code: CodeEndRecord, Detail: detail}
	}
	if !allBlank(rec.cells[:last]) {
		return fault("a row has something in the column end")
	}
	switch stated := rec.cells[last]; {
	case stated == s.end(false):
	case stated == s.end(true):
		report.More = true
	case strings.HasPrefix(stated, fmt.Sprintf("end rows=%d ", s.rows)):
		return fault("the hash of the cells is another than the end record states: a cell was changed, or rows or columns were moved")
	default:
		return fault(fmt.Sprintf("the end record says %s, and the file has %d rows", quote(stated), s.rows))
	}
	if _, err := sc.next(); !errors.Is(err, io.EOF) {
		return fault("a row follows the end record")
	}
	return report, nil
}

// tableDelimiter finds the delimiter under which the header ends in the column
// end; a comma if there is none.
func tableDelimiter(head []byte) byte {
	line, _, _ := bytes.Cut(head, []byte("\n"))
	line = bytes.TrimRight(line, "\r")
	if name, found := bytes.CutSuffix(line, []byte(columnEnd)); found && len(name) > 0 {
		if d := name[len(name)-1]; bytes.IndexByte([]byte(",;\t"), d) >= 0 {
			return d
		}
	}
	return ','
}

// IsTable tells whether a file begins as a table of ours does, and not as an
// export, without using up what it looks at.
func IsTable(r *bufio.Reader) bool {
	head, _ := r.Peek(r.Size()) // less is enough
	line, _, _ := bytes.Cut(head, []byte("\n"))
	line = bytes.TrimRight(line, "\r")
	name, found := bytes.CutSuffix(line, []byte(columnEnd))
	return found && len(name) > 0 && bytes.IndexByte([]byte(",;\t"), name[len(name)-1]) >= 0
}

// EventTable is a page of the log as a table: the columns of the export, and as
// in every table the column end.
func EventTable() *Table {
	t := &Table{Name: "events", Title: "Events", About: "One page of the log in the order of seq, with the columns of the export."}
	for i, name := range Header() {
		c := TableColumn{Name: name, Type: Word}
		if i < len(userText) && userText[i] {
			c.Type = Text
		}
		t.Columns = append(t.Columns, c)
	}
	t.fields = TableSchema().Fields
	for i, f := range t.fields {
		if c := f.Constraints; c != nil && (c.Required || c.Unique) {
			free := *c
			free.Required, free.Unique = false, false // the last row has none of them
			t.fields[i].Constraints = &free
		}
	}
	return t
}

// RowCheck is the check of an exported row; see the law of the passage.
func RowCheck(e *event.Event) string {
	check, _ := appendCheck(nil, nil, e)
	return string(check)
}
