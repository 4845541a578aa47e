package sheet

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
)

// cellFormat is what the style of a cell makes of a number.
type cellFormat struct {
	date, clock bool
	zeros       int // digits that it is shown with, zeros in front
}

var (
	elapsed   = regexp.MustCompile(`(?i)\[(h+|m+|s+)\]`)
	literals  = regexp.MustCompile(`"[^"]*"|\\.|\[[^\]]*\]|_.|\*.`)
	justZeros = regexp.MustCompile(`^0{2,32}$`)
)

// formatOf tells what a number format of a workbook shows. The numbers of the
// built-in ones are those of ISO/IEC 29500-1, 18.8.30, and its regional lists.
func formatOf(id int, code string) cellFormat {
	switch {
	case code != "":
	case id >= 14 && id <= 17, id >= 27 && id <= 31, id == 34, id == 36, id >= 50 && id <= 54, id == 57, id == 58:
		return cellFormat{date: true}
	case id == 22:
		return cellFormat{date: true, clock: true}
	case id >= 18 && id <= 21, id >= 45 && id <= 47, id == 32, id == 33, id == 35, id == 55, id == 56:
		return cellFormat{clock: true}
	default:
		return cellFormat{}
	}
	if elapsed.MatchString(code) {
		return cellFormat{clock: true}
	}
	first, _, _ := strings.Cut(literals.ReplaceAllString(code, ""), ";")
	first = strings.ToLower(first)
	if justZeros.MatchString(first) {
		return cellFormat{zeros: len(first)}
	}
	if first == "general" {
		return cellFormat{}
	}
	clock := strings.ContainsAny(first, "hs")
	return cellFormat{date: strings.ContainsAny(first, "yd") || strings.Contains(first, "m") && !clock, clock: clock}
}

// readFormats lists what each style of cells makes of a number.
func (b *bookFile) readFormats() ([]cellFormat, error) {
	var out []cellFormat
	if b.formats == "" {
		return out, nil
	}
	codes := map[int]string{}
	p, err := b.open(b.formats, bookSmall)
	if err != nil {
		return nil, err
	}
	defer p.close()
	in := false
	for {
		t, err := p.token()
		if err != nil || t == nil {
			return out, err
		}
		switch e := t.(type) {
		case xml.StartElement:
			switch e.Name.Local {
			case "numFmt":
				id, err := strconv.Atoi(attr(e, "numFmtId"))
				if err == nil {
					codes[id] = attr(e, "formatCode")
				}
			case "cellXfs":
				in = true
			case "xf":
				if in {
					id, _ := strconv.Atoi(attr(e, "numFmtId")) // absent: 0, General
					out = append(out, formatOf(id, codes[id]))
				}
			}
		case xml.EndElement:
			in = in && e.Name.Local != "cellXfs"
		}
	}
}

// workbook gives the rows of one sheet of a workbook.
type workbook struct {
	file    *bookFile
	sheet   *bookSheetRef
	part    *xmlPart
	texts   *sharedTexts
	formats []cellFormat
	limits  *Limits

	orders  map[int]string // how the mapping wants the dates of a column written
	months  []string
	decimal string // how it wants fractions
	native  bool   // it is the project's own profile

	row   int
	count int
	ended bool
	cells []string
	typed []bool // which of them the workbook knows as dates
	size  int
}

func newWorkbook(r io.Reader, wanted string, limits *Limits) (*workbook, error) {
	f, err := openBook(r)
	if err != nil {
		return nil, err
	}
	w := &workbook{file: f, limits: limits, decimal: "."}
	if w.sheet, err = f.find(wanted); err != nil {
		return nil, err
	}
	if w.texts, err = f.readTexts(limits.Field); err != nil {
		return nil, err
	}
	if w.formats, err = f.readFormats(); err != nil {
		return nil, err
	}
	w.part, err = f.open(w.sheet.part, min(bookSheet, limits.Bytes))
	return w, err
}

func (w *workbook) at() int { return w.row }

func (w *workbook) nextFilled() (record, error) {
	for {
		rec, err := w.next()
		if err != nil || !allBlank(rec.cells) {
			return rec, err
		}
	}
}

// next gives the next row that the sheet has; io.EOF at its end, when the rest
// of the part was read too, since only its end shows that nothing was changed.
func (w *workbook) next() (record, error) {
	for !w.ended {
		t, err := w.part.token()
		if err != nil {
			return record{}, w.placed(err)
		}
		switch e := t.(type) {
		case nil:
			w.ended = true
			w.part.close()
		case xml.StartElement:
			if e.Name.Local != "row" {
				continue
			}
			if err := w.readRow(e); err != nil {
				return record{}, w.placed(err)
			}
			return record{first: w.row, last: w.row, cells: w.cells, strayCell: -1}, nil
		}
	}
	return record{}, io.EOF
}

// placed says where a fault was met.
func (w *workbook) placed(err error) error {
	if fe, ok := err.(*FileError); ok && fe.Line == 0 { //nolint:errorlint // they are made here
		at := *fe
		at.Line = w.row
		return &at
	}
	return err
}

func (w *workbook) readRow(e xml.StartElement) error {
	row := w.row + 1
	if r := attr(e, "r"); r != "" {
		n, err := strconv.Atoi(r)
		if err != nil || n < row || n > 1<<20 {
			return badBook("its rows are out of order at %s", quote(r))
		}
		row = n
	}
	w.row = row
	if w.count++; w.count > w.limits.Rows {
		return &FileError{Code: CodeTooManyRows, Detail: fmt.Sprintf("the sheet has more than %d rows", w.limits.Rows)}
	}
	w.cells, w.typed, w.size = w.cells[:0], w.typed[:0], 0
	column := 0
	for {
		t, err := w.part.token()
		if err != nil {
			return err
		}
		switch e := t.(type) {
		case nil:
			return badBook("the sheet ends in the middle of a row")
		case xml.EndElement:
			if e.Name.Local == "row" {
				return nil
			}
		case xml.StartElement:
			if e.Name.Local != "c" {
				continue
			}
			at, err := columnAtRef(attr(e, "r"), column)
			if err != nil {
				return err
			}
			if column = at + 1; column > 1<<14 {
				return badBook("it has a cell behind the last column")
			}
			if err := w.readCell(e, at); err != nil {
				return err
			}
		}
	}
}

// columnAtRef finds the column of a cell by its name, such as BC17; without one
// it is the next.
func columnAtRef(ref string, next int) (int, error) {
	if ref == "" {
		return next, nil
	}
	n := 0
	for _, c := range []byte(ref) {
		if c >= '0' && c <= '9' {
			break
		}
		if c < 'A' || c > 'Z' || n > 1<<14 {
			return 0, badBook("it has a cell named %s", quote(ref))
		}
		n = n*26 + int(c-'A') + 1
	}
	if n == 0 || n-1 < next {
		return 0, badBook("its cells are out of order at %s", quote(ref))
	}
	return n - 1, nil
}

// readCell reads one cell into the row.
func (w *workbook) readCell(e xml.StartElement, at int) error {
	kind, style := attr(e, "t"), attr(e, "s")
	var value, inline []byte
	in, formula := "", false
	for depth := 1; depth > 0; {
		t, err := w.part.token()
		if err != nil {
			return err
		}
		switch t := t.(type) {
		case nil:
			return badBook("the sheet ends in the middle of a cell")
		case xml.StartElement:
			if in = t.Name.Local; in == "is" {
				if inline, err = w.part.text("is", w.limits.Field); err != nil {
					return err
				}
				in = ""
				continue
			}
			formula = formula || in == "f"
			depth++
		case xml.EndElement:
			in = ""
			depth--
		case xml.CharData:
			if in == "v" {
				value = append(value, t...)
			}
			if len(value) > w.limits.Field {
				return &FileError{Code: CodeFieldTooLong, Detail: "a cell is longer than " + byteCount(int64(w.limits.Field))}
			}
		}
	}
	text, typed, err := w.value(kind, style, string(unescape(value)), string(inline), at)
	if err != nil {
		return err
	}
	if text == "" && formula && len(value) == 0 {
		text = "=" // it was never worked out, so its value is not known
	}
	return w.put(at, text, typed)
}

func (w *workbook) put(at int, text string, typed bool) error {
	if text == "" {
		return nil // formatted and empty cells are no columns
	}
	if at >= w.limits.Columns {
		return &FileError{Code: CodeTooManyColumns, Detail: fmt.Sprintf("the row has more than %d columns", w.limits.Columns)}
	}
	if w.size += len(text); w.size > w.limits.Record {
		return &FileError{Code: CodeRecordTooLong, Detail: fmt.Sprintf("the row is longer than %d bytes", w.limits.Record)}
	}
	for len(w.cells) < at {
		w.cells, w.typed = append(w.cells, ""), append(w.typed, false)
	}
	w.cells, w.typed = append(w.cells, text), append(w.typed, typed)
	return nil
}

// value writes what a cell holds as the text that a CSV file of the mapping
// would have there.
func (w *workbook) value(kind, style, v, inline string, at int) (text string, typed bool, err error) {
	switch kind {
	case "s":
		if strings.TrimSpace(v) == "" {
			return "", false, nil
		}
		i, err := strconv.Atoi(strings.TrimSpace(v))
		if err != nil {
			i = -1
		}
		text, ok := w.texts.get(i)
		if !ok {
			return "", false, badBook("a cell names the text %s, which is not there", quote(v))
		}
		return text, false, nil
	case "inlineStr":
		return inline, false, nil
	case "str", "e":
		return v, false, nil
	case "b":
		text := strconv.FormatBool(strings.TrimSpace(v) == "1")
		if w.native {
			return text, false, nil // as the profile has it
		}
		return strings.ToUpper(text), false, nil
	case "d":
		day, clock, _ := strings.Cut(v, "T")
		if d, err := event.ParseDate(day); err == nil {
			return w.date(d, clock[:min(len(clock), 5)], at), true, nil
		}
		return v, false, nil
	case "", "n":
		if strings.TrimSpace(v) == "" {
			return "", false, nil
		}
		text, typed = w.number(v, style, at)
		return text, typed, nil
	}
	return "", false, badBook("it has a cell of the unknown type %s", quote(kind))
}

func (w *workbook) format(style string) cellFormat {
	n, err := strconv.Atoi(style)
	if err != nil && style != "" || n < 0 || n >= len(w.formats) {
		return cellFormat{}
	}
	return w.formats[n]
}

// number writes a number, by the style of its cell a date, a time or a number
// with zeros in front. Numbers with more digits than a spreadsheet keeps are
// written with their exponent, so that they are told for what they are.
func (w *workbook) number(v, style string, at int) (text string, typed bool) {
	x, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return v, false
	}
	f := w.format(style)
	whole, part := math.Modf(x)
	switch {
	case (f.date || f.clock) && (x < 0 || x >= 2_958_466):
		return "########", false // as the spreadsheet shows it
	case f.date && whole > 0, f.clock && whole > 0:
		clock := ""
		if minutes := math.Round(part * 1440); minutes == 1440 {
			whole++
		} else if minutes > 0 {
			clock = clockOf(part)
		}
		d := w.file.day(event.Date(whole))
		if d == 0 {
			return "1900-02-29", false // which no calendar has
		}
		return w.date(d, clock, at), true
	case f.clock:
		return clockOf(part), true
	case part == 0 && math.Abs(x) < 1e15:
		text = strconv.FormatFloat(x, 'f', -1, 64)
		if n := f.zeros - len(text); n > 0 && x >= 0 {
			text = strings.Repeat("0", n) + text
		}
		return text, false
	case math.Abs(x) >= 1e15:
		return strconv.FormatFloat(x, 'E', -1, 64), false
	}
	return strings.Replace(strconv.FormatFloat(x, 'f', -1, 64), ".", w.decimal, 1), false
}

// date writes a date in the order that the mapping states for the column.
func (w *workbook) date(d event.Date, clock string, at int) string {
	s := d.String()
	y, m, day := d.Civil()
	switch order := w.orders[at]; {
	case order == "" || order == iso:
	case named(order):
		month := strings.Fields(monthNames[w.months[0]][m-1])[0]
		parts := map[string]string{"d": strconv.Itoa(day), "mon": month, "y": strconv.Itoa(y)}
		words := strings.Fields(order)
		s = parts[words[0]] + " " + parts[words[1]] + " " + parts[words[2]]
	default:
		s = ""
		for _, c := range []byte(order) {
			switch c {
			case 'd':
				s += fmt.Sprintf("%02d", day)
			case 'm':
				s += fmt.Sprintf("%02d", m)
			case 'y':
				s += fmt.Sprintf("%04d", y)
			default:
				s += string(rune(c))
			}
		}
	}
	if clock != "" && clock != "00:00" {
		s += " " + clock
	}
	return s
}

// isDate tells whether the workbook knows a cell of the current row as a date
// or a time.
func (w *workbook) isDate(at int) bool {
	return w != nil && at >= 0 && at < len(w.typed) && w.typed[at]
}

// openBook begins to read a workbook, up to its header.
func (r *Reader) openBook(src io.Reader) error {
	w, err := newWorkbook(src, r.m.Sheet, &r.limits)
	if err != nil {
		return err
	}
	r.book, r.rows, w.native = w, w, r.m.native
	delim := r.m.delim
	if delim == 0 {
		delim = ','
	}
	// Refused rows are given out as CSV that the same mapping reads.
	r.layout = Layout{Encoding: utf8Name, BOM: true, Delimiter: string(rune(delim))}
	if r.m.headerRow == 0 {
		r.m.places(func(_ string, position int, _ bool) { r.layout.Columns = max(r.layout.Columns, position) })
		err = r.bind(nil, 0)
	} else {
		err = r.openHeader()
	}
	w.orders = map[int]string{}
	for i := range r.foreign.rules {
		for _, b := range r.foreign.rules[i].fields {
			if _, twice := w.orders[b.at]; !twice && b.Dates != "" {
				w.orders[b.at] = b.Dates
			}
		}
	}
	w.months = r.m.Months
	if r.m.Decimal != "" {
		w.decimal = r.m.Decimal
	}
	return err
}

// misdated refuses a row of the project's profile with a date where a text is
// meant: a spreadsheet made it of what was written there.
func (r *Reader) misdated(line *Line) bool {
	if r.book == nil {
		return false
	}
	for i := range line.Cells {
		if i >= len(r.native.is) || !r.book.isDate(i) || r.native.is[i] < 0 {
			continue
		}
		if c := &event.Columns()[r.native.is[i]]; c.Type != event.DateOn && c.Name != "note" && c.Name != "at" {
			r.problem(line, i, c.Name, CodeDateCell, dateCellDetail(line.Cells[i]), dateCellHelp)
			r.native.events++
			return true
		}
	}
	return false
}

func dateCellDetail(s string) string {
	return "the spreadsheet made the date " + quote(s) + " of what was written in the cell"
}

const dateCellHelp = "format the column as text and write the cell again"

// readBook takes the sample out of a workbook.
func (s *sampler) readBook(r io.Reader) error {
	limits := Limits{}.filled()
	w, err := newWorkbook(r, s.sheet, &limits)
	if err != nil {
		return err
	}
	defer w.part.close()
	reason := "it is the only visible one that holds anything"
	if s.sheet != "" {
		reason = "as it was asked for"
	}
	s.out.Sheet = &Guess{Value: w.sheet.name, Reason: reason}
	if n, err := strconv.Atoi(w.sheet.name); err == nil && n > 0 || w.sheet.name == Choose || strings.TrimSpace(w.sheet.name) == "" {
		for i := range w.file.sheets {
			if &w.file.sheets[i] == w.sheet {
				s.out.Sheet.Value = strconv.Itoa(i + 1)
			}
		}
	}
	size := 0
	for len(s.rows) < SampleRows+60 && size < SampleBytes {
		rec, err := w.nextFilled()
		if errors.Is(err, io.EOF) {
			s.out.Whole = true
			return s.some()
		}
		if err != nil {
			return err
		}
		size += w.size
		s.rows = append(s.rows, sampleRow{rec.first, append([]string(nil), rec.cells...), append([]bool(nil), w.typed...)})
	}
	return s.some()
}
