package sheet

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Problem is one fault of one row. Code is stable and for programs; Detail and
// Suggestion are for people. Faults of the event itself have the codes of
// package event, faults of the sheet those of this package.
type Problem struct {
	Line       int    `json:"line"`                 // first physical line of the row
	Column     string `json:"column,omitempty"`     // as the sheet's own header names it; "" for the row as a whole
	Field      string `json:"field,omitempty"`      // the event's column that it was read for
	Value      string `json:"value,omitempty"`      // the cell's text, cut to a sane length
	Code       string `json:"code"`                 //
	Detail     string `json:"detail"`               //
	Suggestion string `json:"suggestion,omitempty"` // what would mend it, where that can be said
}

func (p Problem) String() string {
	s := "line " + strconv.Itoa(p.Line)
	if p.Column != "" {
		s += ", " + p.Column
	}
	return s + ": " + p.Detail
}

// FileError is a fault for which the whole file is refused: what follows it
// cannot be trusted, and what came before it should not be taken either.
type FileError struct {
	Line       int    // physical line; 0 when the fault has none
	Seq        int64  // VerifyExport: the event at fault, 0 if none
	Code       string // stable, for programs
	Detail     string
	Suggestion string
}

func (e *FileError) Error() string {
	var b strings.Builder
	if e.Line > 0 {
		fmt.Fprintf(&b, "line %d", e.Line)
		if e.Seq > 0 {
			fmt.Fprintf(&b, " (seq %d)", e.Seq)
		}
		b.WriteString(": ")
	}
	b.WriteString(e.Detail)
	if e.Suggestion != "" {
		b.WriteString("; ")
		b.WriteString(e.Suggestion)
	}
	return b.String()
}

// Codes of whole-file faults.
const (
	CodeNotCSV         = "not_csv"        // a workbook, a web page
	CodeEncoding       = "encoding"       // bytes that the stated encoding cannot hold
	CodeNUL            = "nul"            // a zero byte
	CodeOpenQuote      = "open_quote"     // the file ends inside quotes: it was cut off
	CodeFieldTooLong   = "field_too_long" // Limits.Field
	CodeTooManyColumns = "too_many_columns"
	CodeRecordTooLong  = "record_too_long"
	CodeTooManyRows    = "too_many_rows"
	CodeFileTooLarge   = "file_too_large"
	CodeNoHeader       = "no_header"    // the file ends before its header
	CodeHeader         = "header"       // unknown, missing or doubled columns
	CodeDelimiter      = "delimiter"    // cannot be told from the header
	CodeEndRecord      = "end_record"   // the end record does not fit the rows: cut off or added to
	CodeChain          = "chain"        // VerifyExport: the hash does not fit the row
	CodeNotWorkbook    = "not_workbook" // it was sent as a workbook and is none that is read here
	CodeWorkbook       = "workbook"     // a workbook that is damaged
	CodeEncrypted      = "encrypted"    // a workbook behind a password
	CodeSheet          = "sheet"        // of a workbook: not there, or which one is not said
	CodeOwnForm        = "own_form"     // Suggest: the project's own profile
	CodeMixedDates     = "mixed_dates"  // a spreadsheet swapped day and month where it could
	CodeOrder          = "order"        // VerifyExport: seq or recorded_at out of order
)

// Codes of row faults that are not faults of the event itself.
const (
	CodeBareQuote      = "bare_quote"           // a quote inside an unquoted field, or text behind a closing one
	CodeExtraCells     = "extra_cells"          // more filled cells than the header has columns
	CodeErrorCell      = "error_cell"           // #N/A and its kin
	CodeFormula        = "formula"              // =A1+1
	CodeScientific     = "scientific_notation"  // 8.4E+14: the digits are gone
	CodePrecision      = "precision_loss"       // notice: 16 or more digits that end in zeros
	CodeDotZero        = "dot_zero"             // notice: 123.0 taken as 123
	CodeGrouped        = "grouped_digits"       // notice: 840 003 … taken without the marks
	CodeFolded         = "folded_digits"        // notice: digits of another width or script taken as plain ones
	CodeLookalike      = "lookalike_letter"     // notice: a letter O or I among digits
	CodeLostZeros      = "lost_zeros"           // fewer digits than the herd's numbers have
	CodeBadNumber      = "bad_number"           //
	CodeAmbiguous      = "ambiguous_number"     // 1,234: thousands or a fraction
	CodeDateCell       = "date_cell"            // a spreadsheet made a date of something else
	CodeCodePage       = "code_page"            // notice: an encoding that nothing in the sheet proves
	CodeDateOrder      = "date_order"           // fits another order than the mapping's
	CodeTwoDigitYear   = "two_digit_year"       //
	CodeDateSerial     = "date_serial"          // a spreadsheet's day number
	CodeTimeOfDay      = "time_of_day"          // a date cell with a time that the mapping does not read
	CodeMojibake       = "mojibake"             // UTF-8 read as another encoding
	CodeUnknownWord    = "unknown_word"         // a word that the mapping does not know
	CodeNoRule         = "no_rule"              // no event of the mapping fits the row
	CodeRowCheck       = "row_check"            // Native: the row is not what was exported
	CodeDuplicateKey   = "duplicate_key"        // the mapping's key again, with other content
	CodeReplacementRun = "undecodable_in_sheet" // U+FFFD: lost before the file reached us
)

// maxShown is how much of a cell a message repeats.
const maxShown = 60

// shown is a cell's text for a Problem's Value.
func shown(s string) string {
	if len(s) <= maxShown {
		return s
	}
	cut := maxShown
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}

// quote is a cell's text inside a message.
func quote(s string) string { return strconv.Quote(shown(s)) }
