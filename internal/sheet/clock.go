package sheet

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
)

var (
	clockText = regexp.MustCompile(`^([0-9]{1,2})[:h]([0-9]{2})(:[0-9]{2}([.,][0-9]+)?)?(?: ?([AaPp])\.?[Mm]\.?)?$`)
	timedDate = regexp.MustCompile(`^(.*?[^ ,T])(?:,? +|T)([0-9]{1,2}[:h][0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?(?: ?[AaPp]\.?[Mm]\.?)?)$`)
	fraction  = regexp.MustCompile(`^0?[.,][0-9]+$`)
)

// clock writes H:MM, HH:MM:SS and their kin with AM or PM as HH:MM; anything
// else is left for the event's own check to refuse.
func clock(s string) string {
	m := clockText.FindStringSubmatch(s)
	if m == nil {
		return s
	}
	hour, err := strconv.Atoi(m[1])
	if err != nil {
		return s
	}
	if m[5] != "" {
		if hour < 1 || hour > 12 {
			return s
		}
		hour %= 12
		if m[5] == "p" || m[5] == "P" {
			hour += 12
		}
	}
	return fmt.Sprintf("%02d:%s", hour, m[2])
}

// clockOf writes a part of a day, as spreadsheets keep times, as HH:MM.
func clockOf(part float64) string {
	minute := int(math.Round(part*1440)) % 1440
	return fmt.Sprintf("%02d:%02d", minute/60, minute%60)
}

// clock reads a time of day; a number only where the mapping reads numbers as
// days.
func (c *conversion) clock(s string) string {
	if c.r.m.Serials != "" && fraction.MatchString(s) {
		if part, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64); err == nil && part < 1 {
			return clockOf(part)
		}
	}
	return clock(s)
}

// What becomes of the time of day in a cell that is read for a date.
const (
	keepTime = "keep"
	dropTime = "drop"
)

var columnAt = index("at")

// timeOfDay deals with the time in a date cell. Midnight is how a spreadsheet
// writes "no time". ok is false when the row is refused for it.
func (c *conversion) timeOfDay(s, text string) (ok bool) {
	at := clock(text)
	switch {
	case at == "00:00" && strings.Trim(text, "0:.,h") == "", at == "00:00" && strings.ContainsAny(text, "AaPp"):
	case c.b.Time == keepTime:
		if c.r.cells[columnAt] == "" { // a column of its own goes before
			c.r.cells[columnAt] = at
		}
	case c.b.Time != dropTime:
		c.fail(CodeTimeOfDay, quote(s)+" holds a time of day, and the mapping reads a date", "split the cell into a date and a time, or say time: keep or time: drop in the mapping")
		return false
	}
	return true
}

// The first days of the two systems in which spreadsheets count days.
var (
	serial1900 = event.NewDate(1900, 1, 1) - 2 // so that 61 is 1900-03-01, behind a leap day that never was
	serial1904 = event.NewDate(1904, 1, 1)
)

// What a mapping says of numbers in a column of dates.
const (
	serialsAuto = "auto"
	serials1900 = "1900"
	serials1904 = "1904"
)

var serialText = regexp.MustCompile(`^([2-7][0-9]{4}|80000)([.,][0-9]+)?$`)

// serial reads a spreadsheet's day number. In which system a file counts is
// decided for the file, never for a row: under auto every number must be a day
// that has been under the system of 1900 and one to come under that of 1904,
// else the file is refused. taken is false where s is no such number, or the
// mapping does not read them.
func (c *conversion) serial(s string) (text string, taken bool) {
	if c.r.m.Serials == "" {
		return "", false
	}
	m := serialText.FindStringSubmatch(s)
	if m == nil {
		return "", false
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		return "", false
	}
	at := ""
	if part, err := strconv.ParseFloat("0."+strings.Trim(m[2], ".,")+"0", 64); err == nil && part > 0 {
		if at = clockOf(part); at == "00:00" && part > 0.5 {
			n++ // the last half minute of the day
		}
	}
	d, late := serial1900+event.Date(n), serial1904+event.Date(n) //nolint:gosec // five digits
	switch c.r.m.Serials {
	case serials1904:
		d = late
	case serialsAuto:
		if late <= c.r.today {
			c.r.fatal = &FileError{
				Line: c.line.Number, Code: CodeDateSerial,
				Detail:     fmt.Sprintf("%s in the column %s is %s or, in a sheet that counts from 1904, %s: which, the file does not show", quote(s), quote(c.r.columnName(c.b.at)), d, late),
				Suggestion: "state serials: 1900 or serials: 1904 in the mapping, or format the column as a date",
			}
			return "", true
		}
	}
	c.mixed(d, false)
	if at != "" && !c.timeOfDay(s, at) {
		return "", true
	}
	return d.String(), true
}

// mixCount tells how a column of dates came to hold two kinds of cells.
type mixCount struct {
	typed, written         int // days that a spreadsheet knows as days, and texts
	typedLate, writtenSoon bool
	line                   int // of the first text
}

// mixed notes a date of a column: written as a text, or known to the
// spreadsheet as a day.
func (c *conversion) mixed(d event.Date, written bool) {
	if c.r.m.Serials == "" && c.r.book == nil {
		return
	}
	m := c.r.foreign.mixed[c.b.at]
	if m == nil {
		m = &mixCount{}
		if c.r.foreign.mixed == nil {
			c.r.foreign.mixed = map[int]*mixCount{}
		}
		c.r.foreign.mixed[c.b.at] = m
	}
	_, _, day := d.Civil()
	if !written {
		m.typed++
		m.typedLate = m.typedLate || day > 12
		return
	}
	if m.written++; m.line == 0 {
		m.line = c.line.Number
	}
	m.writtenSoon = m.writtenSoon || day <= 12
}

// checkMixed refuses a file with a column whose real dates all lie on the
// first twelve days of a month, and whose texts never do: a spreadsheet took
// those that its own order could read, and swapped their day and month.
func (r *Reader) checkMixed() error {
	for at, m := range r.foreign.mixed {
		if m.typed == 0 || m.written == 0 || m.typedLate || m.writtenSoon {
			continue
		}
		return &FileError{
			Line: m.line, Code: CodeMixedDates,
			Detail: fmt.Sprintf("in the column %s, %d dates that the spreadsheet knows as dates all lie on the first 12 days of a month, and %d that it left as text never do: it swapped day and month where it could",
				quote(r.columnName(at)), m.typed, m.written),
			Suggestion: "open the original file with the right order of dates and save again, or write the whole column in one way",
		}
	}
	return nil
}
