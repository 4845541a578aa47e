package sheet

import (
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// foldWord makes two spellings of one coded word equal: compatibility forms
// (NFKC), case, space around and runs of space inside. Letters are not bared
// of their accents: in many languages those are other letters.
func foldWord(s string) string {
	if plain(s) {
		return s
	}
	s = norm.NFKC.String(cases.Fold().String(norm.NFKC.String(trimCell(s))))
	return strings.Join(strings.Fields(s), " ")
}

// plain tells whether s is its own folded form: lower-case ASCII without space.
func plain(s string) bool {
	for i := range len(s) {
		c := s[i]
		if c <= ' ' || c >= 0x7f || c >= 'A' && c <= 'Z' {
			return false
		}
	}
	return true
}

// foldHeader folds a column's name: as a word, and space, underscore and
// hyphen are one, and the marks * and : that forms put behind names are none.
func foldHeader(s string) string {
	s = foldWord(s)
	s = strings.Map(func(r rune) rune {
		switch r {
		case '_', '-', '\u2010', '\u2011':
			return ' '
		case '*', ':':
			return -1
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

// trimCell takes away white space of every kind around a cell, and the
// characters without width that copying from web pages leaves.
func trimCell(s string) string {
	if n := len(s); n == 0 || s[0] > ' ' && s[0] < 0x7f && s[n-1] > ' ' && s[n-1] < 0x7f {
		return s
	}
	return strings.TrimFunc(s, func(r rune) bool {
		return unicode.IsSpace(r) || r == '\u200b' || r == '\u200c' || r == '\u200d' || r == '\u2060' || r == '\ufeff'
	})
}

// blank tells whether a cell holds nothing.
func blank(s string) bool { return s == "" || trimCell(s) == "" }
