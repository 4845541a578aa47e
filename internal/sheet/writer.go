package sheet

import (
	"bufio"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"time"

	"byrelog.example/internal/event"
)

// rowWriter writes records of RFC 4180: CRLF, and quotes only around a field
// that holds the delimiter, a quote, CR or LF, or begins or ends with a space.
type rowWriter struct {
	w     *bufio.Writer
	delim byte
	buf   []byte // of a record
}

func newRowWriter(w io.Writer, delim byte) *rowWriter {
	return &rowWriter{w: bufio.NewWriterSize(w, 64<<10), delim: delim}
}

func (w *rowWriter) row(cells []string) error {
	w.fields(cells)
	if len(cells) == 1 && cells[0] == "" {
		_, _ = w.w.WriteString(`""`) // else it would be a blank line, which is no record
	}
	return w.line("")
}

// fields writes cells without the end of their record.
func (w *rowWriter) fields(cells []string) {
	b := w.buf[:0]
	for i, c := range cells {
		if i > 0 {
			b = append(b, w.delim)
		}
		if c != "" {
			b = appendCell(b, c, w.delim)
		}
	}
	w.buf = b
	_, _ = w.w.Write(b) // bufio keeps the first error and gives it again
}

// line ends a line behind s.
func (w *rowWriter) line(s string) error {
	_, _ = w.w.WriteString(s)
	_, err := w.w.WriteString("\r\n")
	return err
}

func appendCell(b []byte, s string, delim byte) []byte {
	if !needsQuotes(s, delim) {
		return append(b, s...)
	}
	b = append(b, '"')
	for i := range len(s) {
		if s[i] == '"' {
			b = append(b, '"')
		}
		b = append(b, s[i])
	}
	return append(b, '"')
}

func needsQuotes(s string, delim byte) bool {
	if s == "" {
		return false
	}
	if s[0] == ' ' || s[len(s)-1] == ' ' {
		return true
	}
	for i := range len(s) {
		if c := s[i]; c == delim || c == '"' || c == '\r' || c == '\n' {
			return true
		}
	}
	return false
}

func (w *rowWriter) flush() error { return w.w.Flush() }

// Writer writes the log of one herd in the project's own profile: UTF-8, comma,
// CRLF, a header, columns in the order of [Header], rows in the order of seq,
// and the end record. Equal logs give equal bytes. It is not safe for
// concurrent use.
type Writer struct {
	out   *rowWriter
	form  Form
	herd  string
	cells []string
	log   []byte // the log's own columns of a row
	check []byte // of the row
	buf   []byte
	seq   int64
	on    event.Date
	at    time.Time

	stamped time.Time // what stamp says
	stamp   []byte

	hash event.Digest
	err  error
}

// NewWriter begins an export of the herd in the interchange profile.
func NewWriter(w io.Writer, herd string) (*Writer, error) { return newWriter(w, herd, Form{}) }

func newWriter(w io.Writer, herd string, f Form) (*Writer, error) {
	if !event.ValidHerdName(herd) {
		return nil, fmt.Errorf("export: %q cannot name a herd", herd)
	}
	out, err := f.begin(w)
	if err != nil {
		return nil, fmt.Errorf("export: %w", err)
	}
	wr := &Writer{out: out, form: f, herd: herd}
	header := Header()
	if f.Spreadsheet {
		header = append(header, columnProfile)
	}
	return wr, wr.out.row(header)
}

// Write adds one event. An export holds the whole log, so the first has seq 1
// and every other the next; anything else is an error, and nothing is written.
func (w *Writer) Write(r *event.Recorded) error {
	switch {
	case w.err != nil:
		return w.err
	case r.Seq != w.seq+1:
		w.err = fmt.Errorf("export: seq %d follows %d: the rows of an export have no gap", r.Seq, w.seq)
		return w.err
	case r.Herd != w.herd:
		w.err = fmt.Errorf("export: seq %d is of herd %q, the export of %q", r.Seq, r.Herd, w.herd)
		return w.err
	}
	w.cells = r.Cells(w.cells)
	w.check, w.buf = appendCheck(w.check[:0], w.buf, &r.Event)
	w.seq, w.on, w.at, w.hash = r.Seq, r.On, r.RecordedAt, r.Hash
	w.err = w.row(r.NoteHash)
	return w.err
}

// row writes the cells and the log's own columns, none of which ever needs
// quotes.
func (w *Writer) row(noteHash event.Digest) error {
	if w.form.Spreadsheet {
		for i, c := range w.cells {
			if userText[i] {
				w.cells[i] = guard(c)
			}
		}
	}
	w.out.fields(w.cells)
	d := w.out.delim
	b := append(w.log[:0], d)
	if noteHash != (event.Digest{}) {
		b = hex.AppendEncode(b, noteHash[:])
	}
	b = append(append(b, d), w.check...)
	b = append(b, d)
	b = strconv.AppendInt(b, w.seq, 10)
	b = append(b, d)
	if !w.at.IsZero() {
		if !w.at.Equal(w.stamped) { // the rows of an import were recorded together
			w.stamped, w.stamp = w.at, w.at.UTC().AppendFormat(w.stamp[:0], timeLayout)
		}
		b = append(b, w.stamp...)
	}
	b = append(b, d)
	b = hex.AppendEncode(b, w.hash[:])
	if w.form.Spreadsheet {
		b = append(append(b, d), profileSpreadsheet...)
	}
	w.log = append(b, "\r\n"...)
	_, err := w.out.w.Write(w.log)
	return err
}

// Close writes the end record and what is buffered. It does not close the
// io.Writer below. An export without it is told as cut off.
func (w *Writer) Close() error {
	if w.err != nil {
		return w.err
	}
	w.cells = make([]string, len(event.Columns()))
	w.cells[columnID] = EndID(w.hash).String()
	w.cells[columnHerd] = w.herd
	w.cells[columnKind] = kindEnd
	w.cells[columnOn] = w.on.String()
	w.check = w.check[:0] // the end record says nothing of an animal
	if err := w.row(event.Digest{}); err != nil {
		return err
	}
	w.err = fmt.Errorf("export: it is closed")
	return w.out.flush()
}
