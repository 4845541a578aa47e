package sheet

import (
	"slices"
	"strconv"
	"strings"
)

// style checks the members of a mapping that say how the sheet writes what it
// holds.
func (c *mappingCheck) style() {
	m := c.m
	if m.headerRows = max(m.HeaderRows, 1); m.HeaderRows < 0 || m.HeaderRows > 3 {
		c.add("header_rows must lie between 1 and 3")
	}
	if m.HeaderRows > 0 && m.headerRow == 0 {
		c.add("header_rows goes with a header, and header_row is 0")
	}
	if m.SkipRows < 0 || m.SkipRows > 50 {
		c.add("skip_rows must lie between 0 and 50")
	}
	if m.SkipRows > 0 && m.headerRow == 0 {
		c.add("skip_rows goes with a header, and header_row is 0")
	}
	switch m.Serials {
	case "refuse":
		m.Serials = ""
	case "", serialsAuto, serials1900, serials1904:
	default:
		c.add("serials is refuse, auto, 1900 or 1904")
	}
	switch m.Decimal {
	case "", ".", ",":
	default:
		c.add(`decimal is "." or ","`)
	}
	if m.Pad && m.Digits == 0 {
		c.add("animal_pad needs animal_digits: how many digits the numbers have")
	}
	for i, w := range m.Strip {
		if m.Strip[i] = foldWord(w); m.Strip[i] == "" {
			c.add("animal_strip: a text cannot be blank")
		}
	}
	for _, l := range m.Months {
		if _, ok := monthNames[l]; !ok {
			c.add("months: %s is not known; known are %s", quote(l), strings.Join(Languages(), ", "))
		}
	}
	if named(m.Dates) {
		c.months("dates")
	}
	if n, err := strconv.Atoi(m.Sheet); err == nil && (n < 1 || n > maxSheets) {
		c.add("sheet is the name of one of the workbook's sheets, or its number from 1")
	}
}

// months tells a mapping that reads names of months and does not say in which
// language: the same word is another month elsewhere.
func (c *mappingCheck) months(at string) {
	const fault = "the months are names: state their languages in months, such as [en]"
	if len(c.m.Months) == 0 && !slices.ContainsFunc(c.faults, func(f string) bool { return strings.HasSuffix(f, fault) }) {
		c.add("%s: %s", at, fault)
	}
}

// timed checks what a cell says of the time in its dates.
func (c *mappingCheck) timed(at string, cell *Cell, target string) {
	if named(cell.Dates) {
		c.months(at)
	}
	switch cell.Time {
	case "", dropTime:
	case refuse:
		cell.Time = ""
	case keepTime:
		if target != "on" {
			c.add("%s: only the time of on can be kept: it becomes at", at)
		}
	default:
		c.add("%s: time is refuse, keep or drop", at)
	}
}
