package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"unicode/utf8"
)

// scanner splits UTF-8 text into the records of RFC 4180, with CR, LF or CRLF
// as record ends. encoding/csv is not used: it lets NUL and broken UTF-8 pass,
// takes a file of CR line ends as one record, gives no end line of a record,
// and stops at the first stray quote, where a report of every row is wanted.
//
// Line ends inside quotes become LF, so that saving a file with other line
// ends does not change a note.
type scanner struct {
	src    io.Reader
	delim  byte
	limits *Limits

	buf      []byte // read ahead: buf[pos:end]
	pos, end int
	srcErr   error // sticky, after the buffer is used up

	line  int    // physical line at pos, from 1
	text  []byte // fields of the record so far, unquoted
	ends  []int  // where each field ends in text
	cells []string
	count int // records given
}

// record is one record of the file. Cells are valid until the next call.
type record struct {
	first, last int // physical lines
	cells       []string
	stray       string // what is wrong with its quotes, "" if nothing
	strayCell   int    // the field with the stray quote
}

const scanBuffer = 64 << 10

func newScanner(src io.Reader, delim byte, limits *Limits) *scanner {
	return &scanner{src: src, delim: delim, limits: limits, buf: make([]byte, scanBuffer), line: 1}
}

// fill reads more; false at the end of the source.
func (s *scanner) fill() bool {
	if s.pos < s.end {
		return true
	}
	if s.srcErr != nil {
		return false
	}
	s.pos, s.end = 0, 0
	for range 100 {
		n, err := s.src.Read(s.buf)
		s.end = n
		if err != nil {
			s.srcErr = err
		}
		if n > 0 || err != nil {
			return n > 0
		}
	}
	s.srcErr = io.ErrNoProgress
	return false
}

// head gives at least some bytes from the start of the source, up to the whole
// buffer, without using them up.
func (s *scanner) head() []byte {
	for s.end < len(s.buf) && s.srcErr == nil {
		n, err := s.src.Read(s.buf[s.end:])
		s.end += n
		if err != nil {
			s.srcErr = err
		} else if n == 0 {
			break
		}
	}
	return s.buf[s.pos:s.end]
}

func (s *scanner) fail(line int, code, format string, args ...any) error {
	return &FileError{Line: line, Code: code, Detail: fmt.Sprintf(format, args...)}
}

// next gives the next record that is not a blank line; io.EOF at the end. Any
// other error is final.
func (s *scanner) next() (record, error) {
	for s.fill() && (s.buf[s.pos] == '\r' || s.buf[s.pos] == '\n') {
		s.newline()
	}
	if !s.fill() {
		return record{}, s.atEnd()
	}
	rec := record{first: s.line, strayCell: -1}
	s.text, s.ends = s.text[:0], s.ends[:0]
	for {
		more, err := s.field(&rec)
		if err != nil {
			return record{}, err
		}
		if len(s.text) > s.limits.Record {
			return record{}, s.fail(rec.first, CodeRecordTooLong, "the record is longer than %d bytes", s.limits.Record)
		}
		if len(s.ends) == s.limits.Columns {
			return record{}, s.fail(rec.first, CodeTooManyColumns, "the record has more than %d columns", s.limits.Columns)
		}
		s.ends = append(s.ends, len(s.text))
		if !more {
			break
		}
	}
	if s.count++; s.count > s.limits.Rows {
		return record{}, s.fail(rec.first, CodeTooManyRows, "the file has more than %d rows", s.limits.Rows)
	}
	if !s.valid() {
		return record{}, s.notUTF8(rec.first)
	}
	// One string for the whole record: cells share it.
	whole := string(s.text)
	s.cells = s.cells[:0]
	start := 0
	for _, end := range s.ends {
		s.cells = append(s.cells, whole[start:end])
		start = end
	}
	rec.cells = s.cells
	return rec, nil
}

// rowSource gives the rows of a sheet.
type rowSource interface {
	next() (record, error)       // io.EOF at the end
	nextFilled() (record, error) // the next with anything in it
	at() int                     // the line that it has come to
}

func (s *scanner) at() int { return s.line }

// nextFilled gives the next record with anything in it.
func (s *scanner) nextFilled() (record, error) {
	for {
		rec, err := s.next()
		if err != nil || !allBlank(rec.cells) {
			return rec, err
		}
	}
}

// valid tells whether every field is UTF-8: the text as a whole, and no
// character lies across the end of a field.
func (s *scanner) valid() bool {
	if !utf8.Valid(s.text) {
		return false
	}
	for _, end := range s.ends {
		if end < len(s.text) && !utf8.RuneStart(s.text[end]) {
			return false
		}
	}
	return true
}

// atEnd is what a read at the end of the source gives.
func (s *scanner) atEnd() error {
	if s.srcErr == nil {
		return io.EOF
	}
	var fe *FileError
	if errors.As(s.srcErr, &fe) && fe.Line == 0 {
		at := *fe
		at.Line = s.line
		return &at
	}
	return s.srcErr
}

// newline passes one line end; pos stands on it.
func (s *scanner) newline() {
	c := s.buf[s.pos]
	s.pos++
	s.line++
	if c == '\r' && s.fill() && s.buf[s.pos] == '\n' {
		s.pos++
	}
}

// field reads one field into text; more tells whether another follows in the
// record. The record's line end, if any, is used up.
func (s *scanner) field(rec *record) (more bool, err error) {
	if s.fill() {
		switch s.buf[s.pos] {
		case '"':
			return s.quoted(rec)
		case s.delim: // most cells of a wide table are empty
			s.pos++
			rec.last = s.line
			return true, nil
		}
	}
	return s.plain(rec, len(s.text))
}

// plain reads an unquoted field that began at start in text.
func (s *scanner) plain(rec *record, start int) (more bool, err error) {
	for s.fill() {
		chunk := s.buf[s.pos:s.end]
		i := 0
		for i < len(chunk) {
			c := chunk[i]
			if c == s.delim || c == '"' || c == '\n' || c == '\r' || c == 0 {
				break
			}
			i++
		}
		s.text = append(s.text, chunk[:i]...)
		s.pos += i
		if len(s.text)-start > s.limits.Field {
			return false, s.tooLong(s.line)
		}
		if i == len(chunk) {
			continue
		}
		switch c := chunk[i]; c {
		case s.delim:
			s.pos++
			rec.last = s.line
			return true, nil
		case '"':
			s.pos++
			if !s.wrapper(start) {
				s.stray(rec, "a quote stands inside a field that does not begin with one")
			}
			s.text = append(s.text, c)
		case 0:
			return false, s.nul()
		default:
			rec.last = s.line
			s.newline()
			return false, nil
		}
	}
	rec.last = s.line
	if s.srcErr != nil && !errors.Is(s.srcErr, io.EOF) {
		return false, s.atEnd()
	}
	return false, nil
}

// wrapper tells whether the quote just passed belongs to a field of the form
// ="0123", which spreadsheet users write without further quotes to keep zeros.
func (s *scanner) wrapper(start int) bool {
	field := s.text[start:]
	if len(field) == 0 || field[0] != '=' {
		return false
	}
	if len(field) == 1 {
		return true
	}
	if field[1] != '"' || bytes.IndexByte(field[2:], '"') >= 0 {
		return false
	}
	if !s.fill() {
		return true
	}
	next := s.buf[s.pos]
	return next == s.delim || next == '\r' || next == '\n'
}

// quoted reads a field that begins with a quote.
func (s *scanner) quoted(rec *record) (more bool, err error) {
	opened, start := s.line, len(s.text)
	s.pos++
	for s.fill() {
		chunk := s.buf[s.pos:s.end]
		i := 0
		for i < len(chunk) {
			c := chunk[i]
			if c == '"' || c == '\n' || c == '\r' || c == 0 {
				break
			}
			i++
		}
		s.text = append(s.text, chunk[:i]...)
		s.pos += i
		if len(s.text)-start > s.limits.Field {
			return false, s.tooLong(opened)
		}
		if i == len(chunk) {
			continue
		}
		switch chunk[i] {
		case 0:
			return false, s.nul()
		case '"':
			s.pos++
			if s.fill() && s.buf[s.pos] == '"' {
				s.text = append(s.text, '"')
				s.pos++
				continue
			}
			return s.afterQuote(rec, start)
		default:
			s.text = append(s.text, '\n')
			s.newline()
		}
	}
	if s.srcErr != nil && !errors.Is(s.srcErr, io.EOF) {
		return false, s.atEnd()
	}
	return false, &FileError{
		Line: opened, Code: CodeOpenQuote,
		Detail:     "the quote that opens in this line is never closed: the file was cut off, or a quote is missing",
		Suggestion: "write a quote inside a field twice",
	}
}

// afterQuote passes what stands behind a closing quote.
func (s *scanner) afterQuote(rec *record, start int) (more bool, err error) {
	if !s.fill() {
		rec.last = s.line
		if s.srcErr != nil && !errors.Is(s.srcErr, io.EOF) {
			return false, s.atEnd()
		}
		return false, nil
	}
	switch c := s.buf[s.pos]; c {
	case s.delim:
		s.pos++
		rec.last = s.line
		return true, nil
	case '\r', '\n':
		rec.last = s.line
		s.newline()
		return false, nil
	}
	s.stray(rec, "text follows the closing quote of a field")
	// The quotes were no frame after all: they stay, for whoever mends the row.
	s.text = append(s.text, '"')
	s.text = slices.Insert(s.text, start, '"')
	return s.plain(rec, start)
}

func (s *scanner) stray(rec *record, what string) {
	if rec.stray == "" {
		rec.stray, rec.strayCell = what, len(s.ends)
	}
}

func (s *scanner) tooLong(line int) error {
	return &FileError{
		Line: line, Code: CodeFieldTooLong,
		Detail:     fmt.Sprintf("a field that begins in this line is longer than %s", byteCount(int64(s.limits.Field))),
		Suggestion: "look for a quote that is not closed",
	}
}

func (s *scanner) nul() error {
	return &FileError{
		Line: s.line, Code: CodeNUL, Detail: "the file holds a zero byte, so it is no text in the stated encoding",
		Suggestion: "if it was saved as Unicode text, state utf-16 in the mapping or save it as CSV UTF-8",
	}
}

func byteCount(n int64) string {
	switch {
	case n >= 1<<20 && n%(1<<20) == 0:
		return strconv.FormatInt(n>>20, 10) + " MiB"
	case n >= 1<<10 && n%(1<<10) == 0:
		return strconv.FormatInt(n>>10, 10) + " KiB"
	}
	return strconv.FormatInt(n, 10) + " bytes"
}
