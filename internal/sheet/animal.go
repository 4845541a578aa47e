package sheet

import (
	"strings"
	"unicode/utf8"
)

// animal reads the number of an animal as the herd calls her: without what the
// sheet writes before it, and with the zeros that the mapping says the sheet
// leaves out.
func (c *conversion) animal(s string) string {
	m := c.r.m
	s = m.stripped(s)
	if d := digits(s); m.Pad && allDigits(d) && len(d) < m.Digits {
		if d != s {
			c.notice(CodeFolded, quote(s)+" was read as "+d)
		}
		s = d
		s = strings.Repeat("0", m.Digits-len(s)) + s
	}
	return c.number(s, m.Digits)
}

// stripped takes off one of the mapping's texts in front, the longest that is
// there, whatever its case and the space behind it. A number that would be
// nothing without it stays.
func (m *Mapping) stripped(s string) string {
	best := s
	for _, w := range m.Strip {
		n := utf8.RuneCountInString(w)
		for i := range s { // the shortest beginning that folds to the text
			if i > 0 && utf8.RuneCountInString(s[:i]) >= n && foldWord(s[:i]) == w {
				if rest := trimCell(s[i:]); rest != "" && len(rest) < len(best) {
					best = rest
				}
				break
			}
		}
	}
	return best
}
