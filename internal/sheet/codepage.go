package sheet

import (
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// usualPages are the encodings of single bytes that spreadsheets save in where
// they do not save UTF-8: their default, that of old Macs, that of "MS-DOS".
var usualPages = []string{"windows-1252", "macintosh", "ibm850"}

// readAs shows what bytes say in each of the usual code pages.
func readAs(raw []byte) string {
	var says []string
	for _, name := range usualPages {
		text, err := charmaps[name].NewDecoder().Bytes(raw)
		if err == nil && !strings.ContainsRune(string(text), utf8.RuneError) {
			says = append(says, name+" it says "+quote(trimCell(string(text))))
		}
	}
	return strings.Join(says, ", read as ")
}

// notUTF8 refuses a record, with what its first broken field says in the usual
// code pages: whoever knows the word sees which is right.
func (s *scanner) notUTF8(line int) error {
	start := 0
	field := s.text
	for _, end := range s.ends {
		if f := s.text[start:end]; !utf8.Valid(f) {
			field = f
			break
		}
		start = end
	}
	help := "save the sheet as CSV UTF-8, or state its encoding in the mapping"
	if says := readAs(field[:min(len(field), maxShown)]); says != "" {
		help += ": read as " + says
	}
	return &FileError{Line: line, Code: CodeEncoding, Detail: "the row is not UTF-8", Suggestion: help}
}

// beyondASCII tells whether the mapping has names or words with letters that
// code pages differ in: reading them as the mapping has them proves the page.
func (m *Mapping) beyondASCII() bool {
	beyond := func(s string) bool {
		return strings.ContainsFunc(s, func(r rune) bool { return r >= utf8.RuneSelf })
	}
	found := false
	m.places(func(column string, _ int, _ bool) { found = found || beyond(column) })
	fields := func(f Fields) {
		for _, c := range f {
			for w := range c.Words {
				found = found || beyond(w)
			}
		}
	}
	fields(m.Fields)
	for i := range m.Events {
		fields(Fields{"kind": m.Events[i].Kind})
		fields(m.Events[i].Fields)
	}
	return found
}

// tellPage adds one notice to the first row with letters beyond ASCII, if the
// encoding is the mapping's word alone: every code page of single bytes reads
// every file, and only the reader knows whether the names are right.
func (r *Reader) tellPage(line *Line) {
	if _, page := charmaps[r.layout.Encoding].(*charmap.Charmap); !page || r.paged || line.Skipped != "" {
		return
	}
	for i, c := range line.Cells {
		if strings.ContainsFunc(c, func(r rune) bool { return r >= utf8.RuneSelf && r != '\u00a0' }) {
			r.paged = true
			line.Notices = append(line.Notices, r.fault(line, i, "", CodeCodePage,
				"read as "+r.layout.Encoding+", as the mapping states, the cell says "+quote(trimCell(c))+": nothing else in the sheet proves the encoding", "if the letters are wrong, correct encoding in the mapping"))
			return
		}
	}
}
