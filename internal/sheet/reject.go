package sheet

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/text/encoding"
)

// The columns that a reject file has behind the sheet's own. Every mapping
// knows and ignores them, so that a mended file can be sent as it is.
var rejectColumns = []string{"byrelog_line", "byrelog_column", "byrelog_reason", "byrelog_suggestion"}

func isRejectColumn(folded string) bool {
	for _, c := range rejectColumns {
		if folded == c {
			return true
		}
	}
	return false
}

// RejectWriter writes the refused rows of a sheet as that sheet has them, in
// its own delimiter, encoding and columns, with reasons behind: to be mended
// and sent again under the same mapping.
type RejectWriter struct {
	out   *rowWriter
	width int // the sheet's own columns
	reach int // how far the mapping reads a sheet without header
	sheet int // with reject columns that it came with
	row   []string
}

// NewRejectWriter begins a reject file: byte order mark, the rows before the
// header, the header.
func NewRejectWriter(w io.Writer, l Layout) (*RejectWriter, error) {
	name, ok := encodingName(l.Encoding)
	if !ok || len(l.Delimiter) != 1 || !validDelimiter(l.Delimiter[0]) {
		return nil, fmt.Errorf("reject file: no layout: encoding %q, delimiter %q", l.Encoding, l.Delimiter)
	}
	if l.BOM || name == "utf-16" {
		mark := bomUTF8
		switch name {
		case "utf-16", "utf-16le":
			name, mark = "utf-16le", bomLE
		case "utf-16be":
			mark = bomBE
		}
		if _, err := w.Write(mark); err != nil {
			return nil, err
		}
	}
	if name != utf8Name {
		// What the sheet held can be written back; only our own words could not,
		// and those are ASCII but for the values they repeat.
		w = encoding.ReplaceUnsupported(charmaps[name].NewEncoder()).Writer(w)
	}
	rw := &RejectWriter{out: newRowWriter(w, l.Delimiter[0]), width: len(l.Header), sheet: len(l.Header), reach: l.Columns}
	if l.Sep {
		if err := rw.out.line("sep=" + l.Delimiter); err != nil {
			return nil, err
		}
	}
	for _, row := range l.Preface {
		if err := rw.out.row(row); err != nil {
			return nil, err
		}
	}
	if l.Header == nil {
		return rw, nil
	}
	for i, h := range l.Header {
		if isRejectColumn(strings.ReplaceAll(foldHeader(h), " ", "_")) {
			rw.width = i // a reject file of a reject file has the columns once
			break
		}
	}
	rw.row = append(append(rw.row[:0], l.Header[:rw.width]...), rejectColumns...)
	if err := rw.out.row(rw.row); err != nil {
		return nil, err
	}
	for _, row := range l.Below {
		if err := rw.out.row(row[:min(len(row), rw.width)]); err != nil {
			return nil, err
		}
	}
	return rw, nil
}

// Write adds a refused row. Cells behind the header's last column come behind
// the reasons: nothing of the row is lost, and as long as they stand there it
// is refused again.
func (w *RejectWriter) Write(cells []string, problems []Problem) error {
	w.row = w.row[:0]
	var extra []string
	if w.width > 0 && len(cells) > w.sheet {
		extra = trimRight(cells[w.sheet:])
	}
	if w.width > 0 {
		w.row = append(w.row, cells[:min(w.width, len(cells))]...)
		for len(w.row) < w.width {
			w.row = append(w.row, "")
		}
	} else {
		// Reasons must not come to lie where the mapping reads.
		w.row = append(w.row, cells...)
		for len(w.row) < w.reach {
			w.row = append(w.row, "")
		}
	}
	line, columns, reasons, suggestions := "", []string{}, []string{}, []string{}
	for _, p := range problems {
		line = strconv.Itoa(p.Line)
		if p.Column != "" {
			columns = append(columns, p.Column)
		}
		reasons = append(reasons, p.Detail)
		if p.Suggestion != "" {
			suggestions = append(suggestions, p.Suggestion)
		}
	}
	w.row = append(w.row, line, strings.Join(columns, ", "), strings.Join(reasons, "; "), strings.Join(suggestions, "; "))
	w.row = append(w.row, extra...)
	return w.out.row(w.row)
}

// Flush writes out what is buffered.
func (w *RejectWriter) Flush() error { return w.out.flush() }
