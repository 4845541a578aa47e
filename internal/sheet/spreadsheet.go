package sheet

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"byrelog.example/internal/event"
)

// Form is how a CSV file of ours is written. The zero Form is the interchange
// profile: comma, no byte order mark, every cell as it is recorded.
type Form struct {
	// Spreadsheet chooses the spreadsheet profile, for people who open the file
	// in a spreadsheet program: a byte order mark of UTF-8, since such programs
	// take the file for another encoding without it (a line sep= would disable
	// the mark and is never written), and guards in front of texts that a
	// program would take for a formula or for a number.
	Spreadsheet bool
	// Delimiter of the spreadsheet profile: ';' (which zero means, and which
	// programs expect where a decimal comma is written), ',' or a tab. The
	// interchange profile has the comma.
	Delimiter byte
}

// ParseForm reads a Form from the words that users choose it by: profile
// interchange or spreadsheet, delimiter comma, semicolon or tab; empty words
// mean their defaults. The error says what would be right.
func ParseForm(profile, delimiter string) (Form, error) {
	var f Form
	switch profile {
	case "", "interchange":
	case profileSpreadsheet:
		f.Spreadsheet = true
	default:
		return f, fmt.Errorf("%q is no profile: choose interchange or spreadsheet", profile)
	}
	switch delimiter {
	case "":
	case "comma":
		f.Delimiter = ','
	case "semicolon":
		f.Delimiter = ';'
	case "tab":
		f.Delimiter = '\t'
	default:
		return f, fmt.Errorf("%q is no delimiter: choose comma, semicolon or tab", delimiter)
	}
	return f, f.check()
}

func (f Form) check() error {
	switch {
	case !f.Spreadsheet && f.Delimiter != 0 && f.Delimiter != ',':
		return fmt.Errorf("the interchange profile is always separated by commas: another delimiter goes with the spreadsheet profile")
	case f.Delimiter != 0 && f.Delimiter != ',' && f.Delimiter != ';' && f.Delimiter != '\t':
		return fmt.Errorf("%q is no delimiter of the spreadsheet profile: choose comma, semicolon or tab", f.Delimiter)
	}
	return nil
}

func (f Form) delimiter() byte {
	switch {
	case f.Delimiter != 0:
		return f.Delimiter
	case f.Spreadsheet:
		return ';'
	}
	return ','
}

// begin starts a file of this form.
func (f Form) begin(w io.Writer) (*rowWriter, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	out := newRowWriter(w, f.delimiter())
	if f.Spreadsheet {
		_, _ = out.w.Write(bomUTF8) // bufio keeps the first error and gives it again
	}
	return out, nil
}

const (
	// columnProfile is the last column of an export in the spreadsheet profile,
	// and profileSpreadsheet what it holds in every row: by it a reader knows that
	// texts may bear a guard.
	columnProfile      = "profile"
	profileSpreadsheet = "spreadsheet"
)

// userText tells which of event.Columns are texts of whoever recorded them.
// The time of day and the salt are written by us, though their type is a text.
var userText = func() []bool {
	columns := event.Columns()
	list := make([]bool, len(columns))
	for i := range columns {
		list[i] = columns[i].Type == event.Text && columns[i].Name != "at" && columns[i].Name != "note_salt"
	}
	return list
}()

// guard puts one apostrophe in front of a text that a spreadsheet program would
// make something else of (CWE-1236 names the apostrophe; a tab, the other usual
// guard, is stripped by some programs).
func guard(s string) string {
	if needsGuard(s) {
		return "'" + s
	}
	return s
}

// unguard takes away the apostrophe that guard put there, and no other one.
func unguard(s string) string {
	if rest, found := strings.CutPrefix(s, "'"); found && needsGuard(rest) {
		return rest
	}
	return s
}

// needsGuard looks past the apostrophes in front, so that it says of 's what it
// says of s: that is what makes unguard(guard(s)) = s for every s.
func needsGuard(s string) bool {
	s = strings.TrimLeft(s, "'")
	return beginsFormula(s) || losesDigits(s)
}

// beginsFormula tells whether the first character behind spaces is one that
// programs begin a formula at (CWE-1236; OWASP's list with LF, of 2025).
func beginsFormula(s string) bool {
	first, _ := utf8.DecodeRuneInString(strings.TrimLeft(s, " "))
	return strings.ContainsRune("=+-@\t\r\n\x00＝＋－＠", first)
}

// plainDigits is how many digits a number may have to be shown as it is: from
// 12 on programs show an exponent, and from 16 on they lose digits.
const plainDigits = 11

// losesDigits tells whether a text is made of digits and the marks of numbers,
// dates and times only, and would not come back as it is: 0017, 1E5, 3/4, 3.0,
// 840003123456789. A plain number such as 412 would.
func losesDigits(s string) bool {
	if s == "" || s[0] < '0' || s[0] > '9' {
		return false
	}
	digits := 0
	for i := range len(s) {
		switch c := s[i]; {
		case c >= '0' && c <= '9':
			digits++
		case strings.IndexByte(".,:/eE+- ", c) < 0:
			return false
		}
	}
	return digits != len(s) || digits > plainDigits || s[0] == '0' && digits > 1
}

// NewSpreadsheetWriter begins an export of the herd in the spreadsheet profile
// of [Form], with ';', ',' or a tab between cells (zero is ';'). It holds what
// the interchange profile of [NewWriter] holds, in the same columns and rows,
// and one more column at the end, profile. Guards stand in texts of users only,
// never in front of numbers, dates or coded words; [Native] takes them away
// again, so that nothing is lost.
func NewSpreadsheetWriter(w io.Writer, herd string, delimiter byte) (*Writer, error) {
	return newWriter(w, herd, Form{Spreadsheet: true, Delimiter: delimiter})
}

// NewFormWriter begins an export of the herd in either profile.
func NewFormWriter(w io.Writer, herd string, f Form) (*Writer, error) { return newWriter(w, herd, f) }
