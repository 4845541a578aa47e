package sheet

import (
	"regexp"
	"strings"
)

var (
	dotZero   = regexp.MustCompile(`^([0-9]+)[.,]0+$`)
	either    = regexp.MustCompile(`^[0-9]{1,3}[.,][0-9]{3}$`)
	grouped   = regexp.MustCompile(`^[0-9]{1,3}([ ,.'\x{a0}\x{2009}\x{202f}][0-9]{3}){2,}$`)
	oneMark   = regexp.MustCompile(`^[0-9]{1,3}[ ,.'][0-9]{3}$`)
	decimals  = regexp.MustCompile(`^([0-9]+)[.,]([0-9]+)$`)
	pointLast = regexp.MustCompile(`^([0-9]{1,3}(?:[ ,'][0-9]{3})+)(?:\.([0-9]+))?$`)
	commaLast = regexp.MustCompile(`^([0-9]{1,3}(?:[ .'][0-9]{3})+)(?:,([0-9]+))?$`)
	numerals  = strings.NewReplacer("\u2018", "'", "\u2019", "'", "\u2013", "-", "\u2212", "-", "\u201c", "", "\u201d", "", "\u00a0", " ", "\u2009", " ", "\u202f", " ")
)

// foldNumber takes off what spreadsheets and typewriters put into numbers: the
// digits of other widths, curly quotes, dashes for minus, hard spaces.
func foldNumber(s string) string {
	return strings.TrimPrefix(trimCell(numerals.Replace(digits(s))), "'")
}

// maxSheets is how many sheets of a workbook can be named by number.
const maxSheets = 1000

const ambiguousHelp = "state decimal in the mapping (the mark before the fraction: \".\" or \",\"), or format the column without marks"

// whole takes a number apart under the mapping's decimal mark. digits is its
// whole part and part its fraction; code is a fault's, "" for none. Without a
// stated mark 1,234 is anybody's guess and refused.
func (m *Mapping) whole(s string) (digits, part, code string) {
	strip := strings.NewReplacer(" ", "", "'", "", ",", "", ".", "")
	if allDigits(s) {
		return s, "", ""
	}
	if m.Decimal == "" && either.MatchString(s) {
		return "", "", CodeAmbiguous
	}
	for _, style := range []struct {
		mark string
		re   *regexp.Regexp
	}{{".", pointLast}, {",", commaLast}} {
		if m.Decimal == "" || m.Decimal == style.mark {
			if p := style.re.FindStringSubmatch(s); p != nil {
				return strip.Replace(p[1]), p[2], ""
			}
		}
	}
	if p := decimals.FindStringSubmatch(s); p != nil && (m.Decimal == "" || strings.Contains(s, m.Decimal)) {
		return p[1], p[2], ""
	}
	return "", "", CodeBadNumber
}

func (c *conversion) integer(s string) string {
	n := foldNumber(s)
	if lostDigits.MatchString(n) && !allDigits(n) {
		return c.fail(CodeScientific, scientificDetail(s), "write the number out")
	}
	whole, part, code := c.r.m.whole(n)
	switch {
	case code == CodeAmbiguous:
		return c.fail(code, quote(s)+" is one number where the comma marks thousands and another where it marks the fraction", ambiguousHelp)
	case code != "" || strings.Trim(part, "0") != "":
		return c.fail(CodeBadNumber, quote(s)+" is not a whole number", "")
	case part != "":
		c.notice(CodeDotZero, quote(s)+" was read as "+whole)
	case whole != n:
		c.notice(CodeGrouped, quote(s)+" was read as "+whole)
	}
	return whole
}

// marks deals with the marks that a number format puts into the number of an
// animal. ok is false when the row is refused for them.
func (c *conversion) marks(s string) (number string, ok bool) {
	if allDigits(s) {
		return s, true
	}
	decimal := c.r.m.Decimal
	switch {
	case decimal == "" && either.MatchString(s) && strings.HasSuffix(s, "000"):
		c.fail(CodeAmbiguous, quote(s)+" is one number where the mark stands for thousands and another where it marks the fraction", ambiguousHelp)
		return "", false
	case decimal != "" && (oneMark.MatchString(s) || grouped.MatchString(s)):
		if whole, part, code := c.r.m.whole(s); code == "" && strings.Trim(part, "0") == "" {
			c.notice(CodeGrouped, quote(s)+" was read as "+whole)
			return whole, true
		}
	case oneMark.MatchString(s) && dotZero.FindString(s) == "":
		c.notice(CodeGrouped, quote(s)+" was kept as it stands: if a spreadsheet put the mark in, format the column as text")
	}
	if m := dotZero.FindStringSubmatch(s); m != nil {
		c.notice(CodeDotZero, quote(s)+" was read as "+m[1])
		return m[1], true
	}
	return s, true
}

// truth are the words that spreadsheets and people write for yes and no, in
// a column of booleans without words of its own.
var truth = map[string]string{
	"true": "true", "wahr": "true", "vrai": "true", "verdadero": "true", "verdadeiro": "true", "vero": "true", "waar": "true", "sant": "true", "sann": "true", "prawda": "true", "tosi": "true",
	"yes": "true", "y": "true", "ja": "true", "j": "true", "oui": "true", "sí": "true", "si": "true", "sì": "true", "sim": "true", "tak": "true", "kyllä": "true", "x": "true", "1": "true", "✓": "true", "✔": "true", "☑": "true",
	"false": "false", "falsch": "false", "faux": "false", "falso": "false", "onwaar": "false", "falsk": "false", "falskt": "false", "fałsz": "false", "epätosi": "false",
	"no": "false", "n": "false", "nein": "false", "non": "false", "nee": "false", "nej": "false", "nei": "false", "não": "false", "nie": "false", "ei": "false", "0": "false", "✗": "false", "✘": "false", "☐": "false",
}

// boolean reads yes or no; another word is left for the event's own check.
func boolean(s string) string {
	w := foldWord(s)
	if v, ok := truth[w]; ok {
		return v
	}
	return w
}
