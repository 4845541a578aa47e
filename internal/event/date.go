package event

import (
	"errors"
	"time"
)

// Date is a civil date in the herd's own calendar: whole days, no zone, no
// time. The zero Date is "no date". Subtracting two dates gives whole days.
type Date int32

// unixOffset is the Date of 1970-01-01; Date 1 is 1900-01-01, the first day
// that the log accepts, so that zero can mean "none".
const unixOffset = 25568

const (
	minDate Date = 1      // 1900-01-01
	maxDate Date = 109573 // 2199-12-31
)

// errDate is what every malformed date is reported as; the text is for users.
var errDate = errors.New("a date is written YYYY-MM-DD, from 1900-01-01 to 2199-12-31")

// NewDate gives the Date of a civil year, month and day. It returns the zero
// Date if there is no such day or it lies outside 1900 to 2199.
func NewDate(year, month, day int) Date {
	if year < 1900 || year > 2199 || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) {
		return 0
	}
	return Date(daysFromCivil(year, month, day) + unixOffset)
}

// ParseDate reads exactly YYYY-MM-DD.
func ParseDate(s string) (Date, error) {
	if len(s) != 10 || s[4] != '-' || s[7] != '-' {
		return 0, errDate
	}
	y, ok1 := digits(s[0:4])
	m, ok2 := digits(s[5:7])
	d, ok3 := digits(s[8:10])
	date := NewDate(y, m, d)
	if !ok1 || !ok2 || !ok3 || date == 0 {
		return 0, errDate
	}
	return date, nil
}

// DateOf is the civil date of t in t's own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return NewDate(y, int(m), d)
}

// FromUnixDay gives the Date that lies n days after 1970-01-01.
func FromUnixDay(n int32) Date { return Date(n) + unixOffset }

// UnixDay is the number of days since 1970-01-01; negative before it.
func (d Date) UnixDay() int32 { return int32(d) - unixOffset }

// Civil splits the date. The zero Date gives zeros.
func (d Date) Civil() (year, month, day int) {
	if d == 0 {
		return 0, 0, 0
	}
	return civilFromDays(int(d) - unixOffset)
}

// Time is midnight UTC of the date: for formatting and calendars only, never
// to be converted to another zone.
func (d Date) Time() time.Time {
	y, m, day := d.Civil()
	return time.Date(y, time.Month(m), day, 0, 0, 0, 0, time.UTC)
}

// String writes YYYY-MM-DD; the zero Date is the empty string.
func (d Date) String() string {
	if d == 0 {
		return ""
	}
	return string(d.AppendText(nil))
}

// AppendText appends YYYY-MM-DD to b, or nothing for the zero Date.
func (d Date) AppendText(b []byte) []byte {
	if d == 0 {
		return b
	}
	y, m, day := d.Civil()
	return append(b,
		byte('0'+y/1000), byte('0'+y/100%10), byte('0'+y/10%10), byte('0'+y%10), '-',
		byte('0'+m/10), byte('0'+m%10), '-',
		byte('0'+day/10), byte('0'+day%10))
}

// MarshalText writes YYYY-MM-DD.
func (d Date) MarshalText() ([]byte, error) { return d.AppendText(nil), nil }

// UnmarshalText reads YYYY-MM-DD; empty text is the zero Date.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = 0
		return nil
	}
	v, err := ParseDate(string(b))
	if err != nil {
		return err
	}
	*d = v
	return nil
}

func digits(s string) (int, bool) {
	n := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}

func daysIn(year, month int) int {
	switch month {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

// daysFromCivil and civilFromDays are the proleptic Gregorian conversions with
// the year begun in March, so that the leap day comes last; time.Time is ten
// times slower and dates are the hottest value of the log.
func daysFromCivil(y, m, d int) int {
	if m <= 2 {
		y--
	}
	era := y / 400
	yoe := y - era*400
	mp := (m + 9) % 12
	doy := (153*mp+2)/5 + d - 1
	doe := yoe*365 + yoe/4 - yoe/100 + doy
	return era*146097 + doe - 719468
}

func civilFromDays(z int) (year, month, day int) {
	z += 719468
	era := z / 146097
	doe := z - era*146097
	yoe := (doe - doe/1460 + doe/36524 - doe/146096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	day = doy - (153*mp+2)/5 + 1
	month = mp + 3
	if month > 12 {
		month -= 12
	}
	year = yoe + era*400
	if month <= 2 {
		year++
	}
	return year, month, day
}
