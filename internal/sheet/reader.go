package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"byrelog.example/internal/event"
)

// Reader reads a sheet row by row. It is not safe for concurrent use.
type Reader struct {
	m      *Mapping
	herd   string
	today  event.Date
	limits Limits

	sc     *scanner
	rows   rowSource // sc, or the rows of a workbook
	layout Layout
	names  []string // of the columns, for messages
	stats  Stats
	ids    identity
	done   error // what Next gives from now on
	isBook bool
	book   *workbook // nil for CSV
	paged  bool      // the encoding is proven, or was told
	fatal  error     // a row showed that the file as a whole is refused

	parts   *partSource // rows, where they are one herd's of a file over many
	herdID  string      // another name of herd
	native  nativeColumns
	foreign foreignColumns
	cells   []string // one row in the order of event.Columns
	check   []byte   // of a row
	scratch []byte

	searched int // rows for whose number lost zeros were looked for
}

// Layout is how a sheet is written: what a [RejectWriter] needs to write rows
// that the same mapping reads again.
type Layout struct {
	Encoding  string     `json:"encoding"`
	BOM       bool       `json:"bom"`
	Sep       bool       `json:"sep"` // a first line sep= names the delimiter
	Delimiter string     `json:"delimiter"`
	Preface   [][]string `json:"preface,omitempty"` // rows before the header
	Header    []string   `json:"header,omitempty"`  // nil for a sheet without one
	Columns   int        `json:"columns,omitempty"` // without a header: how many the mapping reaches
	Below     [][]string `json:"below,omitempty"`   // rows below the header that are no records
}

// Stats count what a [Reader] has read so far.
type Stats struct {
	Rows     int  `json:"rows"`    // rows that hold anything, the header and what stands before it left out
	Blank    int  `json:"blank"`   // rows of empty cells
	Skipped  int  `json:"skipped"` // rows that are no records, or records again
	Refused  int  `json:"refused"` // rows with problems
	Events   int  `json:"events"`
	Checked  int  `json:"checked"`  // Native: rows that are what an export said, by their own check
	Complete bool `json:"complete"` // the end record was there and fits; only Native has one
}

// Line is one row of a sheet.
type Line struct {
	Number     int            // first physical line, from 1
	LastNumber int            // last physical line: notes may hold line ends
	Cells      []string       // as read; valid until the next call of Next
	Events     []*event.Event // valid, with ids; none if there is a problem. Notes are not sealed.
	Problems   []Problem      // why the row is refused
	Notices    []Problem      // what was repaired or looks odd; the row is taken
	Key        string         // of a mapping with a key: the row's, also of a refused row; "" if it cannot be read
	Skipped    string         // why the row gives no event and yet is no fault
	End        bool           // Native: the record that ends an export; Stats count it neither as a row nor as skipped
	Stamp      *Stamp         // Native: what the log said of the event when it was exported
}

// Stamp holds the log's own columns of a row of the project's profile. An
// import ignores it: the log that the rows go to numbers them anew.
type Stamp struct {
	Seq        int64
	RecordedAt time.Time
	Hash       event.Digest
}

// NewReader begins to read r, up to its header. herd is the herd that the rows
// belong to; empty, with the project's own profile, every row must name its
// herd. today is the civil date in the herd's zone. The error is a *[FileError]
// for a file that cannot be read, or what r itself failed with.
func NewReader(r io.Reader, m *Mapping, herd string, today event.Date, opts ...Option) (*Reader, error) {
	if herd != "" && !event.ValidHerdName(herd) || herd == "" && !m.native {
		return nil, &FileError{Code: event.CodeBadText, Detail: fmt.Sprintf("%q cannot name a herd", herd)}
	}
	rd := newReader(m, herd, today, opts)
	if err := rd.start(r); err != nil {
		return nil, err
	}
	return rd, nil
}

func newReader(m *Mapping, herd string, today event.Date, opts []Option) *Reader {
	rd := &Reader{m: m, herd: herd, today: today, limits: Limits{}.filled()}
	for _, o := range opts {
		o(rd)
	}
	rd.ids = identity{keyed: len(m.Key) > 0, most: rd.limits.Unkeyed}
	rd.cells = make([]string, len(event.Columns()))
	return rd
}

// start reads up to the header.
func (r *Reader) start(from io.Reader) error {
	if r.isBook {
		return r.openBook(from)
	}
	src, used, bom, err := utf8Source(from, r.m.Encoding, r.limits.Bytes)
	if err != nil {
		return err
	}
	r.sc = newScanner(src, ',', &r.limits)
	r.rows = r.sc
	r.paged = !bom && r.m.beyondASCII()
	r.layout = Layout{Encoding: used, BOM: bom}
	return r.open()
}

// Layout tells how the sheet is written.
func (r *Reader) Layout() Layout { return r.layout }

// Stats counts what was read so far.
func (r *Reader) Stats() Stats { return r.stats }

// Unmapped names the columns that the mapping does not read.
func (r *Reader) Unmapped() []string { return r.foreign.unmapped }

// open settles the delimiter and reads the header.
func (r *Reader) open() error {
	head := r.sc.head()
	sep, n := sepLine(head)
	if n > 0 {
		if !validDelimiter(sep) {
			return &FileError{Line: 1, Code: CodeDelimiter, Detail: fmt.Sprintf("the line sep= names %q, which cannot be a delimiter", sep)}
		}
		r.layout.Sep = true
		r.sc.pos += n
		r.sc.line++
		head = head[n:]
	}
	switch {
	case n > 0:
		r.sc.delim = sep
	case r.m.delim != 0:
		r.sc.delim = r.m.delim
	default:
		d, err := r.tellDelimiter(head)
		if err != nil {
			return err
		}
		r.sc.delim = d
	}
	r.layout.Delimiter = string(rune(r.sc.delim))
	if r.m.headerRow == 0 {
		r.m.places(func(_ string, position int, _ bool) {
			r.layout.Columns = max(r.layout.Columns, position)
		})
		return r.bind(nil, 0)
	}
	return r.openHeader()
}

func (r *Reader) openHeader() error {
	h, err := r.m.readHead(r.rows.nextFilled)
	if errors.Is(err, io.EOF) {
		return r.noHeader()
	}
	if err != nil {
		return err
	}
	if h.stray != "" {
		return &FileError{Line: h.line, Code: CodeHeader, Detail: "the header cannot be read: " + h.stray}
	}
	r.layout.Preface, r.layout.Header = h.preface, h.header
	if err := r.bind(h.names, h.line); err != nil {
		return err
	}
	return r.skipRows()
}

func (r *Reader) noHeader() error {
	return &FileError{
		Line: r.rows.at(), Code: CodeNoHeader,
		Detail: fmt.Sprintf("the file ends before its header, which is expected in row %d", r.m.headerRow),
	}
}

// bind finds the columns; header is nil for a sheet without one.
func (r *Reader) bind(header []string, line int) error {
	r.names = header
	if r.m.native {
		return r.bindNative(header, line)
	}
	return r.bindForeign(header, line)
}

// trimRight drops empty cells at the end: a formatted area is wider than its
// table.
func trimRight(cells []string) []string {
	for len(cells) > 0 && blank(cells[len(cells)-1]) {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// sepLine recognises a first line such as sep=; and gives its length.
func sepLine(head []byte) (sep byte, n int) {
	line := head
	if i := bytes.IndexAny(head, "\r\n"); i >= 0 {
		line = head[:i]
		n = i + 1
		if head[i] == '\r' && n < len(head) && head[n] == '\n' {
			n++
		}
	} else {
		n = len(head)
	}
	line = bytes.Trim(line, `"`)
	if len(line) != 5 || !bytes.EqualFold(line[:4], []byte("sep=")) {
		return 0, 0
	}
	return line[4], n
}

// tellDelimiter tries the usual delimiters on the header. It is no guess: only
// one under which the header names the columns that are needed is taken.
func (r *Reader) tellDelimiter(head []byte) (byte, error) {
	best, most, width := byte(0), 0, 0
	for _, d := range []byte(",;\t|") {
		cells := r.headerUnder(head, d)
		if found := r.wanted(cells); found > most || found == most && found > 0 && len(cells) > width {
			best, most, width = d, found, len(cells)
		}
	}
	if best == 0 {
		if len(bytes.TrimSpace(head)) == 0 {
			return 0, r.noHeader()
		}
		if bytes.IndexByte(head, 0) >= 0 {
			return 0, r.sc.nul()
		}
		return 0, &FileError{
			Line: r.sc.line, Code: CodeDelimiter,
			Detail:     fmt.Sprintf("no delimiter of , ; tab | makes row %d a header with the columns that are needed", r.m.headerRow),
			Suggestion: "check the header's names, or state delimiter and header_row in the mapping",
		}
	}
	return best, nil
}

func (r *Reader) headerUnder(head []byte, delim byte) []string {
	sc := newScanner(bytes.NewReader(head), delim, &r.limits)
	h, err := r.m.readHead(sc.nextFilled)
	if err != nil {
		return nil
	}
	return h.names
}

// Next gives the next row that holds anything; io.EOF at the end of a whole
// file. A *[FileError] means that the file as a whole is refused, rows already
// given included; any other error is what the source failed with. Errors are
// final: they are given again by every later call.
func (r *Reader) Next() (Line, error) {
	if r.done != nil {
		return Line{}, r.done
	}
	for {
		rec, err := r.rows.next()
		if errors.Is(err, io.EOF) {
			err = r.atEnd()
		}
		if err != nil {
			r.done = err
			return Line{}, err
		}
		if allBlank(rec.cells) {
			r.stats.Blank++
			continue
		}
		line := Line{Number: rec.first, LastNumber: rec.last, Cells: rec.cells}
		r.stats.Rows++
		switch {
		case rec.stray != "" && r.isEnd(&line):
			// Not a row to be set aside: written properly in a reject file it would
			// be read as the end of that file.
			err = &FileError{Line: line.Number, Code: CodeEndRecord, Detail: "the end record cannot be read: " + rec.stray}
		case rec.stray != "":
			r.native.events++
			r.problem(&line, rec.strayCell, "", CodeBareQuote, rec.stray, "put the whole field in quotes and write a quote inside it twice")
		case r.tooWide(&line):
		case r.m.native && r.misdated(&line):
		case r.m.native:
			err = r.nativeRow(&line)
		default:
			err = r.foreignRow(&line)
			r.tellPage(&line)
		}
		if err != nil {
			r.done = err
			return Line{}, err
		}
		r.settle(&line)
		return line, nil
	}
}

// isEnd tells whether the row means to be the end record of an export.
func (r *Reader) isEnd(line *Line) bool {
	if !r.m.native {
		return false
	}
	i := r.native.back[columnKind]
	return i >= 0 && i < len(line.Cells) && trimCell(line.Cells[i]) == kindEnd
}

// settle makes a row whole or nothing, and counts it.
func (r *Reader) settle(line *Line) {
	switch {
	case len(line.Problems) > 0:
		line.Events, line.Skipped = nil, ""
		r.stats.Refused++
	case len(line.Events) > 0:
		line.Skipped = ""
	case line.Skipped != "":
		r.stats.Skipped++
	}
	r.stats.Events += len(line.Events)
}

func allBlank(cells []string) bool {
	for _, c := range cells {
		if !blank(c) {
			return false
		}
	}
	return true
}

// tooWide refuses a row with filled cells behind the header's last column: as
// a rule a delimiter stands unquoted in a note, and every cell behind it would
// be read as another column's.
func (r *Reader) tooWide(line *Line) bool {
	if r.m.headerRow == 0 || len(trimRight(line.Cells)) <= len(r.names) {
		return false
	}
	r.native.events++
	r.problem(line, -1, "", CodeExtraCells,
		fmt.Sprintf("the row has %d cells and the header %d columns", len(trimRight(line.Cells)), len(r.names)),
		"put a field that holds the delimiter in quotes")
	return true
}

// problem adds a fault of the cell in column i, or of the whole row for -1.
func (r *Reader) problem(line *Line, i int, field, code, detail, suggestion string) {
	line.Problems = append(line.Problems, r.fault(line, i, field, code, detail, suggestion))
}

func (r *Reader) fault(line *Line, i int, field, code, detail, suggestion string) Problem {
	p := Problem{Line: line.Number, Field: field, Code: code, Detail: detail, Suggestion: suggestion}
	if i >= 0 {
		p.Column = r.columnName(i)
		if i < len(line.Cells) {
			p.Value = shown(line.Cells[i])
		}
	}
	return p
}

// columnName is how a column is called in a message.
func (r *Reader) columnName(i int) string {
	if i < len(r.names) && !blank(r.names[i]) {
		return trimCell(r.names[i])
	}
	return fmt.Sprintf("column %d", i+1)
}

// tooMany refuses a file whose rows without ids outgrow the memory for them.
func (r *Reader) tooMany(line *Line) error {
	if r.ids.size() <= r.ids.most {
		return nil
	}
	return &FileError{
		Line: line.Number, Code: CodeTooManyRows,
		Detail:     fmt.Sprintf("the file has more than %d rows without an event id", r.ids.most),
		Suggestion: "send it in parts",
	}
}

// missing lists names for a header's fault.
func missing(names []string) string {
	for i, n := range names {
		names[i] = quote(n)
	}
	return strings.Join(names, ", ")
}
