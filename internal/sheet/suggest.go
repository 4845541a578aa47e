package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// How much of a file [Suggest] looks at. What stands behind is not looked at,
// and the answer says so.
const (
	SampleBytes = 4 << 20
	SampleRows  = 5_000
)

// A SuggestOption says how Suggest reads the sample.
type SuggestOption func(*sampler)

// SuggestSource names the system that the sheet comes from, for the draft.
func SuggestSource(name string) SuggestOption { return func(s *sampler) { s.source = name } }

// SuggestWorkbook says that the sample is a workbook (.xlsx) and which of its
// sheets is meant: a name, a number from 1, or "" for the only one with rows.
func SuggestWorkbook(name string) SuggestOption {
	return func(s *sampler) { s.isBook, s.sheet = true, name }
}

// Suggestion is what a sample shows of its sheet, and the mapping that follows
// from it.
type Suggestion struct {
	Rows      int               `json:"rows"`                // that were looked at, the header left out
	Whole     bool              `json:"whole"`               // they are all that the file has
	Sheet     *Guess            `json:"sheet,omitempty"`     // of a workbook
	Encoding  *Guess            `json:"encoding,omitempty"`  // of a text file
	Delimiter *Guess            `json:"delimiter,omitempty"` // of a text file
	Header    Guess             `json:"header"`              //
	Layout    Guess             `json:"layout"`              // "row_per_event" or "row_per_animal"
	Columns   []SuggestedColumn `json:"columns"`             //
	Choices   []Choice          `json:"choices"`             // what only a person can decide, in the order of the draft
	Mapping   string            `json:"mapping"`             // the draft, as YAML; each choice stands in it as CHOOSE
	Footers   []Proof           `json:"footers,omitempty"`   // rows that look like totals
	Unread    []string          `json:"not_read,omitempty"`  // columns that the draft leaves out
}

// A Guess is one finding with its reason. Where Options are given it is no
// more than the first of them, and a person must choose.
type Guess struct {
	Value   string   `json:"value,omitempty"`
	Reason  string   `json:"reason"`
	Options []string `json:"options,omitempty"`
}

// SuggestedColumn is what a column seems to hold.
type SuggestedColumn struct {
	Position int        `json:"position"`
	Name     string     `json:"name"`
	Role     string     `json:"role,omitempty"` // "" where nothing tells
	Reason   string     `json:"reason"`
	Filled   int        `json:"filled"`            // cells that hold anything
	Distinct int        `json:"distinct"`          // different texts, counted up to a bound
	Samples  []string   `json:"samples,omitempty"` // the first different texts
	Dates    *DateGuess `json:"dates,omitempty"`
	Words    []SeenWord `json:"words,omitempty"` // of a coded column, the most frequent first
}

// SeenWord is a word of a coded column.
type SeenWord struct {
	Word    string `json:"word"`
	Count   int    `json:"count"`
	Meaning string `json:"meaning,omitempty"` // guessed; "" where a person must choose
}

// Choice is a place of the draft that a person must fill.
type Choice struct {
	Path    string   `json:"path"`    // such as: fields on dates
	Options []string `json:"options"` // any of them makes the place valid
	Reason  string   `json:"reason"`
}

// sampler is Suggest at work.
type sampler struct {
	source string
	isBook bool
	sheet  string
	today  event.Date

	out     Suggestion
	rows    []sampleRow // with the header and what stands before it
	head    int         // index of the header's last row, -1 for none
	above   int         // header rows above it
	skip    int         // rows below it that are no records
	page    string      // encoding to draft with
	cols    []*column
	footers []footerRow
}

type footerRow struct {
	line, at int
	text     string
}

type sampleRow struct {
	line  int
	cells []string
	typed []bool // of a workbook: which it knows as dates
}

// Suggest drafts a mapping from the beginning of a sheet. Nothing in the draft
// is more than the sample shows: what it cannot tell stands as [Choose], which
// [ParseMapping] refuses by name; as soon as each of those is filled with one
// of its options the draft is a valid mapping. today bounds what can be a date
// of the past. The error is a *[FileError], or what r failed with.
func Suggest(r io.Reader, today event.Date, opts ...SuggestOption) (*Suggestion, error) {
	s := &sampler{source: "sheet", today: today}
	for _, o := range opts {
		o(s)
	}
	if s.source == "" || s.source == Choose || len(s.source) > 64 || strings.TrimSpace(s.source) != s.source {
		return nil, &FileError{Code: event.CodeBadText, Detail: "the source must name the system that the sheet comes from, in 1 to 64 characters"}
	}
	if err := s.read(r); err != nil {
		return nil, err
	}
	if err := s.ownForm(); err != nil {
		return nil, err
	}
	s.findHeader()
	s.readColumns()
	d := s.draft()
	if err := d.finish(); err != nil {
		return nil, err
	}
	return &s.out, nil
}

// ownForm refuses to draft a mapping for the project's own profile.
func (s *sampler) ownForm() error {
	names := map[string]bool{}
	for _, c := range s.rows[0].cells {
		names[foldHeader(c)] = true
	}
	if names["event id"] && names["kind"] && names["on"] && names["animal"] {
		return &FileError{Line: s.rows[0].line, Code: CodeOwnForm, Detail: "this is byrelog's own form, which needs no mapping", Suggestion: "import it without one"}
	}
	return nil
}

// read takes the sample apart into rows.
func (s *sampler) read(r io.Reader) error {
	if s.isBook {
		return s.readBook(r)
	}
	raw, err := readUpTo(r, SampleBytes+1)
	if err != nil {
		return err
	}
	s.out.Whole = len(raw) <= SampleBytes
	if !s.out.Whole {
		raw = raw[:SampleBytes]
		if i := bytes.LastIndexByte(raw, '\n'); i > 0 {
			raw = raw[:i+1] // no half of a row, nor of a letter
		}
	}
	if len(bytes.TrimSpace(raw)) == 0 {
		return &FileError{Code: CodeNoHeader, Detail: "the sample is empty"}
	}
	s.page, s.out.Encoding = guessEncoding(raw)
	src, _, _, err := utf8Source(bytes.NewReader(raw), s.page, SampleBytes*2)
	if err != nil {
		return err
	}
	text, err := readUpTo(src, 3*len(raw)+8) // a byte becomes at most three
	if err != nil {
		return err
	}
	if bytes.IndexByte(text, 0) >= 0 {
		return &FileError{Code: CodeNUL, Detail: "the sample holds zero bytes, so it is no text", Suggestion: "save the sheet as CSV UTF-8"}
	}
	return s.split(text)
}

// readUpTo reads at most n bytes, without the copies of growing.
func readUpTo(r io.Reader, n int) ([]byte, error) {
	b := make([]byte, min(n, 64<<10))
	at := 0
	for {
		m, err := io.ReadFull(r, b[at:])
		at += m
		switch {
		case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) && at < len(b):
			return b[:at], nil
		case err != nil:
			return nil, err
		case at == n:
			return b, nil
		}
		b = append(make([]byte, 0, min(n, 4*len(b))), b...)
		b = b[:cap(b)]
	}
}

// split finds the delimiter and the rows.
func (s *sampler) split(text []byte) error {
	sep, n := sepLine(text)
	if n > 0 && validDelimiter(sep) {
		text = text[n:]
		s.out.Delimiter = &Guess{Value: delimiterName(sep), Reason: "the first line says sep=" + string(rune(sep))}
	} else {
		sep, s.out.Delimiter = guessDelimiter(text)
	}
	limits := Limits{}.filled()
	sc := newScanner(bytes.NewReader(text), sep, &limits)
	if n > 0 {
		sc.line++
	}
	for len(s.rows) < SampleRows+60 {
		rec, err := sc.nextFilled()
		if errors.Is(err, io.EOF) {
			return s.some()
		}
		var fe *FileError
		if errors.As(err, &fe) && !s.out.Whole && fe.Code == CodeOpenQuote {
			return s.some() // the sample ends there, not the file
		}
		if err != nil {
			return err
		}
		s.rows = append(s.rows, sampleRow{line: rec.first, cells: slices.Clone(rec.cells)})
	}
	s.out.Whole = false
	return s.some()
}

func (s *sampler) some() error {
	if len(s.rows) == 0 {
		return &FileError{Code: CodeNoHeader, Detail: "the sample has no rows with anything in them"}
	}
	return nil
}

func delimiterName(b byte) string {
	if b == '\t' {
		return "tab"
	}
	return string(rune(b))
}

// guessDelimiter takes the delimiter under which most of the first rows have
// the same number of cells, more than one.
func guessDelimiter(text []byte) (byte, *Guess) {
	const look = 50
	best, bestShare, bestWidth := byte(','), 0.0, 1
	limits := Limits{}.filled()
	for _, d := range []byte(",;\t|") {
		widths := map[int]int{}
		n := 0
		sc := newScanner(bytes.NewReader(text), d, &limits)
		for n < look {
			rec, err := sc.nextFilled()
			if err != nil {
				break
			}
			n++
			widths[len(rec.cells)]++
		}
		for w, count := range widths {
			share := float64(count) / float64(n)
			if w > 1 && (share > bestShare || share == bestShare && w > bestWidth) {
				best, bestShare, bestWidth = d, share, w
			}
		}
	}
	if bestWidth == 1 {
		return ',', &Guess{Reason: "every row is one cell under each of , ; tab |", Options: []string{",", ";", "tab", "|"}}
	}
	return best, &Guess{
		Value:  delimiterName(best),
		Reason: fmt.Sprintf("%.0f %% of the first rows have %d cells under it", 100*bestShare, bestWidth),
	}
}

// guessEncoding decides what bytes decide: marks, zero bytes, UTF-8. Code pages
// of single bytes read anything, so they are a choice, unless a word that is
// known shows which.
func guessEncoding(raw []byte) (use string, g *Guess) {
	switch {
	case bytes.HasPrefix(raw, bomUTF8):
		return utf8Name, &Guess{Value: utf8Name, Reason: "the file begins with the mark of UTF-8"}
	case bytes.HasPrefix(raw, bomLE), bytes.HasPrefix(raw, bomBE):
		return "utf-16", &Guess{Value: "utf-16", Reason: "the file begins with the mark of UTF-16"}
	}
	if order := zeroPattern(raw[:min(len(raw), 1024)]); order != "" {
		return order, &Guess{Value: order, Reason: "every other byte is zero"}
	}
	whole := raw
	for i := 0; i < 4 && len(whole) == SampleBytes; i++ {
		whole = whole[:len(whole)-1]
	}
	if validUTF8(whole) {
		if isASCII(raw) {
			return utf8Name, &Guess{Value: utf8Name, Reason: "the sample has no letters beyond ASCII, which every encoding writes alike"}
		}
		return utf8Name, &Guess{Value: utf8Name, Reason: "its letters beyond ASCII are sound UTF-8, which other encodings hardly ever are"}
	}
	return guessPage(raw)
}

// guessPage shows the words with letters beyond ASCII under the usual pages.
func guessPage(raw []byte) (string, *Guess) {
	words := foreignWords(raw)
	var options, says []string
	for _, page := range usualPages {
		var read []string
		sound := true
		for _, w := range words {
			text, err := charmaps[page].NewDecoder().Bytes(w)
			if err != nil || strings.ContainsRune(string(text), '\ufffd') {
				sound = false
				break
			}
			read = append(read, string(text))
			if knownWord(string(text)) {
				return page, &Guess{Value: page, Reason: fmt.Sprintf("it is not UTF-8, and read as %s it has the word %s", page, quote(string(text)))}
			}
		}
		if sound {
			options = append(options, page)
			says = append(says, page+": "+strings.Join(read[:min(len(read), 4)], ", "))
		}
	}
	if len(options) == 0 {
		options, says = []string{"windows-1252", "windows-1250", "windows-1251"}, []string{"none of the usual ones reads all of it"}
	}
	return options[0], &Guess{Value: options[0], Options: options, Reason: "it is not UTF-8: choose the one that reads right; " + strings.Join(says, "; ")}
}

// foreignWords collects the first words with bytes beyond ASCII.
func foreignWords(raw []byte) (words [][]byte) {
	letter := func(c byte) bool { return c >= 0x80 || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' }
	for i := 0; i < len(raw); i++ {
		start := i
		for i < len(raw) && letter(raw[i]) {
			i++
		}
		w := raw[start:i]
		if !isASCII(w) && len(w) > 1 && len(w) < 40 && !slices.ContainsFunc(words, func(x []byte) bool { return bytes.Equal(x, w) }) {
			if words = append(words, w); len(words) == 200 {
				break
			}
		}
	}
	return words
}

// knownWord tells whether a word with letters beyond ASCII is one of ours.
func knownWord(w string) bool {
	if isASCII([]byte(w)) {
		return false
	}
	w = foldWord(w)
	for _, list := range meanings {
		if _, ok := list[w]; ok {
			return true
		}
	}
	for _, c := range columnWords {
		for _, p := range strings.Split(c.phrases, ",") {
			if strings.TrimSpace(p) == w {
				return true
			}
		}
	}
	return false
}

func isASCII(b []byte) bool {
	return !slices.ContainsFunc(b, func(c byte) bool { return c >= 0x80 })
}
