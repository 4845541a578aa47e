package sheet

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
)

// iso is the order of dates written exactly YYYY-MM-DD.
const iso = "iso"

// usualOrders are tried to tell what a date that does not fit was meant as.
var usualOrders = []string{iso, "d/m/y", "m/d/y", "d.m.y", "d-m-y", "m-d-y", "y/m/d", "y.m.d", "y-m-d"}

// validOrder tells whether s is iso, or d, m and y in one of the three orders
// in use with one separator between them.
func validOrder(s string) bool {
	if s == iso {
		return true
	}
	if named(s) {
		return true
	}
	if len(s) != 5 || s[1] != s[3] || strings.IndexByte("/.-", s[1]) < 0 {
		return false
	}
	switch string([]byte{s[0], s[2], s[4]}) {
	case "dmy", "mdy", "ymd":
		return true
	}
	return false
}

func orderHelp(s string) string {
	return quote(s) + " is no order of dates: write iso, or d/m/y, m/d/y or y/m/d with / . or - between; with the month as a name d mon y, mon d y or y mon d"
}

// swapped is the order with day and month in each other's place, "" for an
// order that begins with the year, which nobody writes the other way.
func swapped(order string) string {
	if order == iso || order[0] == 'y' || named(order) {
		return ""
	}
	return order[2:3] + order[1:2] + order[0:1] + order[3:]
}

// orderCount gathers what the dates of one column say about their order.
type orderCount struct {
	proven   int // dates that the stated order alone can read
	contrary int // dates that only the swapped order can read
	line     int // the first of those
	order    string
}

// count notes what a cell says of its column's order; d is its date under the
// stated order, zero if it is none.
func (c *conversion) count(s string, d event.Date) {
	other := swapped(c.b.Dates)
	if other == "" {
		return
	}
	o := c.r.foreign.orders[c.b.at]
	if o == nil {
		o = &orderCount{order: c.b.Dates}
		if c.r.foreign.orders == nil {
			c.r.foreign.orders = map[int]*orderCount{}
		}
		c.r.foreign.orders[c.b.at] = o
	}
	if d != 0 {
		if _, _, day := d.Civil(); day > 12 {
			o.proven++
		}
		return
	}
	if _, fault := c.r.m.readDate(s, other, c.r.today); fault == nil {
		if o.contrary++; o.line == 0 {
			o.line = c.line.Number
		}
	}
}

// checkOrders refuses a file with a column whose dates speak against the
// stated order and never for it: those that both orders can read were read
// wrongly, as like as not.
func (r *Reader) checkOrders() error {
	for _, i := range slices.Sorted(maps.Keys(r.foreign.orders)) {
		o := r.foreign.orders[i]
		if o.contrary == 0 || o.proven > 0 {
			continue
		}
		return &FileError{
			Line: o.line, Code: CodeDateOrder,
			Detail: fmt.Sprintf("no date of the column %s shows that its order is %s, and %d, the first in this line, can only be %s",
				quote(r.columnName(i)), o.order, o.contrary, swapped(o.order)),
			Suggestion: "correct dates in the mapping if the whole column is so, else correct the cells",
		}
	}
	return nil
}

// dateFault says why a text is no date of the order.
type dateFault struct{ code, detail string }

// parseDate reads a date of the order. Days and months may lack a leading
// zero, except under iso. A year of two digits is refused unless allowed, and
// then means the latest such year that is not in the future.
func parseDate(s, order string, today event.Date, twoDigits bool) (event.Date, *dateFault) {
	if order == iso {
		if d, err := event.ParseDate(s); err == nil {
			return d, nil
		}
		return 0, &dateFault{event.CodeBadDate, quote(s) + " is not a date YYYY-MM-DD"}
	}
	sep := order[1:2]
	text := s
	if sep == "." {
		text = strings.ReplaceAll(text, ". ", ".")
	}
	parts := strings.Split(text, sep)
	bad := func() (event.Date, *dateFault) {
		return 0, &dateFault{event.CodeBadDate, quote(s) + " is not a date of the order " + order}
	}
	if len(parts) != 3 {
		return bad()
	}
	var year, month, day int
	for i, p := range parts {
		if !allDigits(p) || len(p) > 4 {
			return bad()
		}
		n, err := strconv.Atoi(p)
		if err != nil {
			return bad()
		}
		switch order[2*i] {
		case 'y':
			switch {
			case len(p) == 2 && twoDigits:
				year = 2000 + n
				if now, _, _ := today.Civil(); year > now {
					year -= 100
				}
			case len(p) == 2:
				return 0, &dateFault{CodeTwoDigitYear, quote(s) + " has a year of two digits"}
			case len(p) == 4:
				year = n
			default:
				return bad()
			}
		case 'm':
			month = n
		case 'd':
			day = n
		}
		if order[2*i] != 'y' && len(p) > 2 {
			return bad()
		}
	}
	if d := event.NewDate(year, month, day); d != 0 {
		return d, nil
	}
	return 0, &dateFault{event.CodeBadDate, fmt.Sprintf("there is no such day as %s in the order %s", quote(s), order)}
}

// date reads a date cell. A date that does not fit the column's order is
// refused even if another order would take it: an order that changes from row
// to row gives dates that are wrong without a sign.
func (c *conversion) date(s string) string {
	s = digits(s)
	if text, taken := c.serial(s); taken {
		return text
	}
	text, at := s, ""
	if strings.IndexByte(s, ':') >= 0 || strings.IndexByte(s, 'h') >= 0 {
		if m := timedDate.FindStringSubmatch(s); m != nil {
			text, at = m[1], m[2]
		}
	}
	m := c.r.m
	d, fault := m.readDate(text, c.b.Dates, c.r.today)
	typed := c.r.book.isDate(c.b.at)
	if !typed {
		c.count(text, d)
	}
	if fault == nil {
		c.mixed(d, !typed)
		if at != "" && !c.timeOfDay(s, at) {
			return ""
		}
		c.pivoted(text, d)
		return d.String()
	}
	return c.noDate(s, text, fault)
}

// pivoted tells once for a column which years its two digits were taken for.
func (c *conversion) pivoted(s string, d event.Date) {
	if c.r.m.TwoDigits && !strings.Contains(s, d.String()[:4]) && !c.r.foreign.pivots[c.b.at] {
		if c.r.foreign.pivots == nil {
			c.r.foreign.pivots = map[int]bool{}
		}
		c.r.foreign.pivots[c.b.at] = true
		c.notice(CodeTwoDigitYear, quote(s)+" was read as "+d.String()+"; years of two digits mean the latest such year that is not in the future, in the whole column")
	}
}

// noDate refuses a cell, with what its date would be under another order.
func (c *conversion) noDate(s, text string, fault *dateFault) string {
	m := c.r.m
	if n, err := strconv.Atoi(s); err == nil && n >= 20_000 && n <= 80_000 {
		return c.fail(CodeDateSerial, quote(s)+" is the number of a day, not a date",
			fmt.Sprintf("format the column as a date and save again, or state serials in the mapping; it means %s, or %s in a sheet that counts from 1904", serial1900+event.Date(n), serial1904+event.Date(n)))
	}
	if fault.code == CodeTwoDigitYear {
		return c.fail(fault.code, fault.detail, "write the year with four digits, or allow two_digit_years in the mapping")
	}
	var fits []string
	for _, o := range usualOrders {
		if o == "y-m-d" && len(fits) > 0 && fits[0] == iso {
			continue
		}
		if _, f := parseDate(text, o, c.r.today, m.TwoDigits); f == nil && o != c.b.Dates {
			fits = append(fits, o)
		}
	}
	for _, o := range []string{dayMonthYear, monthDayYear, yearMonthDay} {
		for _, l := range Languages() {
			if _, f := namedDate(text, o, []string{l}, c.r.today, m.TwoDigits); f == nil && (o != c.b.Dates || !slices.Contains(m.Months, l)) {
				fits = append(fits, o+" with months: ["+l+"]")
				break
			}
		}
	}
	if len(fits) > 0 {
		return c.fail(CodeDateOrder, fault.detail+", the order of this column", "it would fit "+strings.Join(fits, " or ")+
			": if the whole column is so, correct dates in the mapping; if not, correct the cell")
	}
	return c.fail(fault.code, fault.detail, "")
}
