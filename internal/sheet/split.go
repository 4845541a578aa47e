package sheet

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"byrelog.example/internal/event"
)

// CodeOtherHerd is a row of another herd than the import's.
const CodeOtherHerd = "other_herd"

// WithHerdID gives the herd a second name for sheets that have ids in their
// column of herds.
func WithHerdID(id string) Option { return func(r *Reader) { r.herdID = id } }

// herdOf reads the name of the herd that a row belongs to.
func (r *Reader) herdOf(line *Line) (string, bool) {
	b := r.foreign.herd
	s, ok := r.raw(line, b, false)
	switch {
	case !ok:
		return "", false
	case s == "" && b.Default != "":
		return b.Default, true
	case s == "":
		r.addOnce(line, r.fault(line, b.at, "herd", event.CodeRequired, "the row does not say which herd it belongs to", "fill the cell"))
		return "", false
	case b.words != nil:
		if v, known := b.known(s); known && v != "" {
			return v, true
		}
		if b.Others != keepWord {
			r.addOnce(line, r.fault(line, b.at, "herd", CodeUnknownWord, "the mapping does not know the herd "+quote(s),
				"known are "+shownList(sortedKeys(b.Words))+"; mend the cell or add the herd to the mapping"))
			return "", false
		}
	}
	return s, true
}

// ofHerd refuses a row of another herd.
func (r *Reader) ofHerd(line *Line) bool {
	if r.foreign.herd == nil || r.parts != nil {
		return true // a part holds its own herd's rows
	}
	s, ok := r.herdOf(line)
	if ok && s != r.herd && (r.herdID == "" || s != r.herdID) {
		r.addOnce(line, r.fault(line, r.foreign.herd.at, "herd", CodeOtherHerd, "the row belongs to "+quote(s)+", and the import is of "+quote(r.herd),
			"send a file of several herds without naming one"))
		return false
	}
	return ok
}

// Splitter reads a sheet over many herds and tells whose each row is, without
// looking further into it.
type Splitter struct{ r *Reader }

// NewSplitter begins to read a sheet whose mapping names a column of herds. The
// error is as that of [NewReader].
func NewSplitter(from io.Reader, m *Mapping, opts ...Option) (*Splitter, error) {
	if m.Herd == nil {
		return nil, &FileError{Code: CodeHeader, Detail: "the mapping does not say which column names the herd", Suggestion: "add herd to the mapping, or import the file into one herd"}
	}
	r := newReader(m, "", 0, opts)
	if err := r.start(from); err != nil {
		return nil, err
	}
	return &Splitter{r}, nil
}

// Layout tells how the sheet is written.
func (s *Splitter) Layout() Layout { return s.r.layout }

// IsPart is as that of [Reader].
func (s *Splitter) IsPart() bool { return s.r.IsPart() }

// Learn takes over what a part, read to its end, showed of the order of the
// columns' dates: one herd's rows alone may not prove it.
func (s *Splitter) Learn(part *Reader) {
	for at, o := range part.foreign.orders {
		have := s.r.foreign.orders[at]
		if have == nil {
			if s.r.foreign.orders == nil {
				s.r.foreign.orders = map[int]*orderCount{}
			}
			c := *o
			s.r.foreign.orders[at] = &c
			continue
		}
		if have.contrary == 0 || o.contrary > 0 && o.line < have.line {
			have.line = o.line
		}
		have.proven += o.proven
		have.contrary += o.contrary
	}
	for at, m := range part.foreign.mixed {
		have := s.r.foreign.mixed[at]
		if have == nil {
			if s.r.foreign.mixed == nil {
				s.r.foreign.mixed = map[int]*mixCount{}
			}
			c := *m
			s.r.foreign.mixed[at] = &c
			continue
		}
		if have.written == 0 || m.written > 0 && m.line < have.line {
			have.line = m.line
		}
		have.typed += m.typed
		have.written += m.written
		have.typedLate = have.typedLate || m.typedLate
		have.writtenSoon = have.writtenSoon || m.writtenSoon
	}
}

// Check refuses a file with a column whose dates speak against the mapping's
// order and never for it, as [Reader.Next] does at the end of a file of one
// herd. It comes after Learn of all parts.
func (s *Splitter) Check() error { return errors.Join(s.r.checkOrders(), s.r.checkMixed()) }

// HerdColumn is how the sheet calls its column of herds.
func (s *Splitter) HerdColumn() string { return s.r.columnName(s.r.foreign.herd.at) }

// Next gives the next row with the name of its herd as the sheet has it. A row
// with problems, or one that is skipped, belongs to none. Its cells are valid
// until the next call. Errors are those of [Reader.Next].
func (s *Splitter) Next() (Line, string, error) {
	r := s.r
	for {
		rec, err := r.rows.next()
		if errors.Is(err, io.EOF) {
			return Line{}, "", io.EOF
		}
		if err != nil {
			return Line{}, "", err
		}
		if allBlank(rec.cells) {
			continue
		}
		line := Line{Number: rec.first, LastNumber: rec.last, Cells: rec.cells}
		herd := ""
		switch {
		case rec.stray != "":
			r.problem(&line, rec.strayCell, "", CodeBareQuote, rec.stray, "put the whole field in quotes and write a quote inside it twice")
		case r.tooWide(&line):
		case r.leftOut(&line):
		default:
			herd, _ = r.herdOf(&line)
		}
		return line, herd, nil
	}
}

// partHead opens a part: what a Reader would find out from the sheet's head.
type partHead struct {
	Layout Layout   `json:"layout"`
	Names  []string `json:"names"`
}

// partRow is one row of a part, with its lines in the whole file; or, with
// Unread, what ends the part of a file with rows that could be given to no herd.
type partRow struct {
	First  int      `json:"n,omitempty"`
	Last   int      `json:"l,omitempty"`
	Cells  []string `json:"c,omitempty"`
	Unread bool     `json:"unread,omitempty"`
}

// PartWriter writes the rows of one herd for a [NewPartReader]: JSON lines, so
// that cells and line numbers are those of the file that they come from,
// whatever it was written in.
type PartWriter struct{ out *json.Encoder }

// NewPartWriter begins a part of the splitter's sheet.
func (s *Splitter) NewPartWriter(w io.Writer) (*PartWriter, error) {
	p := &PartWriter{json.NewEncoder(w)}
	p.out.SetEscapeHTML(false)
	if err := p.out.Encode(partHead{s.r.layout, s.r.names}); err != nil {
		return nil, fmt.Errorf("write part: %w", err)
	}
	return p, nil
}

// Write adds a row.
func (p *PartWriter) Write(line *Line) error {
	return p.encode(partRow{First: line.Number, Last: line.LastNumber, Cells: line.Cells})
}

// EndUnread ends the part with the word that the file has rows which could be
// given to no herd: what the part lacks may be one of them.
func (p *PartWriter) EndUnread() error { return p.encode(partRow{Unread: true}) }

func (p *PartWriter) encode(row partRow) error {
	if err := p.out.Encode(row); err != nil {
		return fmt.Errorf("write part: %w", err)
	}
	return nil
}

// partSource reads a part.
type partSource struct {
	in     *json.Decoder
	line   int // of the whole file
	unread bool
}

func (p *partSource) next() (record, error) {
	var row partRow
	if err := p.in.Decode(&row); err != nil {
		if errors.Is(err, io.EOF) {
			return record{}, io.EOF
		}
		return record{}, fmt.Errorf("read part: %w", err)
	}
	if row.Unread {
		p.unread = true
		return p.next()
	}
	p.line = row.First
	return record{first: row.First, last: row.Last, cells: row.Cells, strayCell: -1}, nil
}

// Unread tells, once the last row was read, whether this is a part of a file
// with rows that could be given to no herd.
func (r *Reader) Unread() bool { return r.parts != nil && r.parts.unread }

func (p *partSource) nextFilled() (record, error) { return p.next() } // a part has no blank rows

func (p *partSource) at() int { return p.line }

// NewPartReader is [NewReader] for a part that a [PartWriter] wrote: one
// herd's rows of a sheet over many.
func NewPartReader(from io.Reader, m *Mapping, herd string, today event.Date, opts ...Option) (*Reader, error) {
	r := newReader(m, herd, today, opts)
	r.parts = &partSource{in: json.NewDecoder(bufio.NewReader(from))}
	r.rows, r.paged = r.parts, r.m.beyondASCII()
	var head partHead
	if err := r.parts.in.Decode(&head); err != nil {
		return nil, fmt.Errorf("read part: %w", err)
	}
	if err := r.bind(head.Names, 0); err != nil {
		return nil, err
	}
	r.layout = head.Layout
	return r, nil
}
