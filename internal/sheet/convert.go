package sheet

import (
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/unicode/norm"

	"byrelog.example/internal/event"
)

const scientificHelp = "the digits behind the exponent are lost: take the number from the tag, and format the column as text"

func scientificDetail(s string) string {
	return quote(s) + " was cut by a spreadsheet, as long numbers are"
}

var (
	errorCell = regexp.MustCompile(`^(#(N/A|NA|REF!|VALUE!|DIV/0!|NAME\?|NULL!|NUM!|NV|WERT!|BEZUG!|WERT|SPILL!|CALC!)|#{3,})$`)
	lookalike = regexp.MustCompile(`^[0-9OoIl]{3,}$`)
	longZeros = regexp.MustCompile(`^[0-9]{13,}000$`)
)

// guarded are the characters that a spreadsheet takes for the start of a
// formula; one apostrophe in front of them is a guard and no text (CWE-1236).
const guarded = "=+-@\t\r\n\x00＝＋－＠"

// raw is the text of a cell that a mapping reads, freed of what a spreadsheet
// wraps around it. ok is false when the row is refused for it.
func (r *Reader) raw(line *Line, b *bound, note bool) (s string, ok bool) {
	// Notes are trimmed too: a program that pads its columns must not make every
	// note another one.
	s = trimCell(cellAt(line.Cells, b.at))
	if s == "" {
		return "", true
	}
	field := event.Columns()[b.target].Name
	fail := func(code, detail, suggestion string) (string, bool) {
		r.addOnce(line, r.fault(line, b.at, field, code, detail, suggestion))
		return "", false
	}
	switch {
	case r.book.isDate(b.at) && !note && field != "at" && event.Columns()[b.target].Type != event.DateOn:
		return fail(CodeDateCell, dateCellDetail(s), dateCellHelp)
	case errorCell.MatchString(s):
		return fail(CodeErrorCell, "the cell holds the error of a formula", "mend the formula or clear the cell")
	case strings.ContainsRune(s, utf8.RuneError):
		return fail(CodeReplacementRun, "characters of the cell were lost before the file came here (U+FFFD)", "export the sheet again")
	case (!note || r.layout.Encoding != utf8Name) && r.mojibake(s):
		return fail(CodeMojibake, mojibakeDetail(r.layout.Encoding), "state the right encoding in the mapping, or mend the cell")
	case s[0] == '=':
		inner := strings.TrimSuffix(strings.TrimPrefix(s, `="`), `"`)
		if len(inner) != len(s)-3 || strings.Contains(inner, `"`) {
			return fail(CodeFormula, "the cell holds a formula, which is not worked out here", "save the sheet with values instead of formulas")
		}
		return inner, true
	case s[0] == '\'' && len(s) > 1:
		next, _ := utf8.DecodeRuneInString(s[1:])
		if strings.ContainsRune(guarded, next) || !note && next >= '0' && next <= '9' {
			return s[1:], true
		}
	}
	return s, true
}

// mojibake tells whether the letters of s are what UTF-8 looks like when it is
// read as an encoding of single bytes: a name would become another name.
func (r *Reader) mojibake(s string) bool {
	table, ok := charmaps[r.layout.Encoding].(*charmap.Charmap)
	if !ok {
		table = charmap.Windows1252 // saved as such once, on the way here
	}
	if len(strings.TrimFunc(s, func(c rune) bool { return c < utf8.RuneSelf })) == 0 {
		return false
	}
	var raw []byte
	high := false
	for _, c := range s {
		b, ok := table.EncodeRune(c)
		if !ok {
			return false
		}
		high = high || b >= utf8.RuneSelf
		raw = append(raw, b)
	}
	return high && utf8.Valid(raw)
}

func mojibakeDetail(encoding string) string {
	if encoding == utf8Name {
		return "the letters look like UTF-8 that was read as another encoding on its way here"
	}
	return "the letters look like UTF-8 that is read as " + encoding
}

// word finds the log's word for the cell of a column of kinds.
func (r *Reader) word(line *Line, b *bound) (string, bool) {
	s, ok := r.raw(line, &bound{target: columnKind, at: b.at}, false)
	if !ok {
		return "", false
	}
	if s == "" {
		if b.Default != "" {
			return b.Default, true
		}
		r.addOnce(line, r.fault(line, b.at, "kind", event.CodeRequired, "the kind of event is missing", "fill the cell"))
		return "", false
	}
	return r.translate(line, b, s, "kind")
}

// translate turns the sheet's word into the log's.
func (r *Reader) translate(line *Line, b *bound, s, field string) (string, bool) {
	v, ok := b.known(s)
	if !ok {
		r.addOnce(line, r.fault(line, b.at, field, CodeUnknownWord, "the mapping does not know the word "+quote(s),
			"known are "+shownList(sortedKeys(b.Words))+"; mend the cell or add the word to the mapping"))
	}
	return v, ok
}

// value is what a field of the event is read as, in the form of
// event.FromCells; "" where there is nothing or the row is refused.
func (r *Reader) value(line *Line, b *bound) string {
	if b.Const != "" {
		return b.Const
	}
	column := &event.Columns()[b.target]
	s, ok := r.raw(line, b, column.Name == "note")
	if !ok {
		return ""
	}
	if s == "" {
		return b.Default
	}
	if column.Name == "note" {
		if r.mojibake(s) { // saved so once: nobody can state it away
			line.Notices = append(line.Notices, r.fault(line, b.at, column.Name, CodeMojibake, mojibakeDetail(r.layout.Encoding), ""))
		}
		return s
	}
	switch {
	case column.Type == event.EnumSet:
		return r.set(line, b, s, column.Name)
	case b.words != nil:
		v, known := b.known(s)
		switch {
		case known:
			return v
		case b.Others == blankWord:
			return ""
		case b.Others != keepWord:
			v, _ = r.translate(line, b, s, column.Name)
			return v
		}
	}
	c := conversion{r: r, line: line, b: b, field: column.Name}
	switch column.Type { //nolint:exhaustive // the others stand as they are, or were dealt with above
	case event.DateOn:
		return c.date(s)
	case event.Integer:
		return c.integer(s)
	case event.Enum:
		return foldWord(s)
	case event.Bool:
		return boolean(s)
	case event.Text:
		switch {
		case column.Name == "at":
			return c.clock(s)
		case column.Name == "animal" || column.Name == "dam" || column.Name == "to":
			return c.animal(s)
		case column.Name == "from_animal" || strings.HasSuffix(column.Name, "_tag"):
			return c.number(s, 0)
		case column.Name == "official_id":
			return c.official(s)
		}
	}
	return s
}

// known finds a word in its own spelling, which is quick, or folded.
func (c *Cell) known(s string) (string, bool) {
	v, ok := c.Words[s]
	if !ok {
		v, ok = c.words[foldWord(s)]
	}
	return v, ok
}

// set turns a list of the sheet's words into the log's.
func (r *Reader) set(line *Line, b *bound, s, field string) string {
	parts := strings.Fields(s)
	if b.Split != "" {
		parts = strings.Split(s, b.Split)
	}
	var out []string
	for _, p := range parts {
		if blank(p) {
			continue
		}
		w := foldWord(p)
		if b.words != nil {
			v, ok := r.translate(line, b, trimCell(p), field)
			if !ok {
				return ""
			}
			w = v
		}
		if w != "" {
			out = append(out, w)
		}
	}
	return strings.Join(out, " ")
}

// conversion is the reading of one cell.
type conversion struct {
	r     *Reader
	line  *Line
	b     *bound
	field string
}

func (c *conversion) fail(code, detail, suggestion string) string {
	c.r.addOnce(c.line, c.r.fault(c.line, c.b.at, c.field, code, detail, suggestion))
	return ""
}

func (c *conversion) notice(code, detail string) {
	p := c.r.fault(c.line, c.b.at, c.field, code, detail, "")
	for _, q := range c.line.Notices {
		if q == p {
			return
		}
	}
	c.line.Notices = append(c.line.Notices, p)
}

// digits folds digits of other widths and scripts' compatibility forms.
func digits(s string) string {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return norm.NFKC.String(s)
		}
	}
	return s
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// number reads the name or number of an animal, which is a text: leading zeros
// stay, and a number that a spreadsheet has spoilt is refused, never repaired.
func (c *conversion) number(s string, width int) string {
	if d := digits(s); allDigits(d) {
		if d != s {
			c.notice(CodeFolded, quote(s)+" was read as "+d)
		}
		s = d
	}
	if lostDigits.MatchString(s) {
		return c.fail(CodeScientific, scientificDetail(s), scientificHelp)
	}
	s, ok := c.marks(s)
	if !ok {
		return ""
	}
	if allDigits(s) && len(s) < width {
		return c.fail(CodeLostZeros, fmt.Sprintf("%s has %d digits, the herd's numbers have %d", quote(s), len(s), width),
			"if a spreadsheet dropped zeros in front it is "+quote(strings.Repeat("0", width-len(s))+s)+": format the column as text and write it so")
	}
	if (width > 0 || c.field == "official_id") && lookalike.MatchString(s) && !allDigits(s) && strings.ContainsAny(s, "0123456789") {
		c.notice(CodeLookalike, quote(s)+" has a letter that looks like a digit (O and 0, I or l and 1): compare it with the tag")
	}
	if longZeros.MatchString(s) {
		c.notice(CodePrecision, quote(s)+" has more digits than a spreadsheet keeps, and ends in zeros: compare it with the tag")
	}
	return s
}

// official reads an official identity: as a number, and marks between groups
// of digits are dropped.
func (c *conversion) official(s string) string {
	if grouped.MatchString(s) {
		plain := strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' {
				return r
			}
			return -1
		}, s)
		c.notice(CodeGrouped, quote(s)+" was read as "+plain)
		s = plain
	}
	return c.number(s, 0)
}
