package event

import (
	"fmt"
	"regexp"
	"strconv"
)

// schemes are the well-known identity schemes whose structure is checked; the
// names are those of the ICAR Animal Data Exchange standard 1.3.2 (and us.nues
// for the older United States tags). Another scheme is free text: a herd may
// have its own. Check digits are not enforced: rules differ by country and
// series.
var schemes = map[string]struct {
	pattern *regexp.Regexp
	want    string
}{
	"eu.animalId":   {regexp.MustCompile(`^[0-9]{15}$`), "15 digits with the numeric country code"},
	"eu.bovine":     {regexp.MustCompile(`^[A-Z]{2}[0-9A-Z]{1,12}$`), "two letters of the country and at most 12 characters"},
	"std.iso.11785": {regexp.MustCompile(`^[0-9]{15}$`), "15 digits, leading zeros kept"},
	"usa.ain":       {regexp.MustCompile(`^(840[0-9]{12}|USA[0-9]{12}|9[0-9]{14})$`), "15 characters, 840 or USA and 12 digits"},
	"us.nues":       {regexp.MustCompile(`^[0-9]{2}[A-Z]{2,3}[0-9]{4}$`), "state number, letters and four digits"},
	"uk.cts.eartag": {regexp.MustCompile(`^(UK|GB)[0-9A-Z]{1,14}$`), "UK and the herd and animal number"},
}

var scientific = regexp.MustCompile(`^[0-9]([.,][0-9]+)?[eE]\+?[0-9]{1,2}$`)

// maxTransponder is the largest national number of a transponder: ISO 11784
// gives it 38 bits.
const maxTransponder = 1<<38 - 1

// fault tells what is wrong with the identity's structure, or "".
func (d *OfficialID) fault() string {
	if scientific.MatchString(d.ID) {
		return fmt.Sprintf("%s was cut by a spreadsheet: the digits behind the exponent are lost; take the number from the tag", quote(d.ID))
	}
	s, known := schemes[d.Scheme]
	if !known {
		return ""
	}
	if !s.pattern.MatchString(d.ID) {
		return fmt.Sprintf("%s does not fit %s: %s", quote(d.ID), d.Scheme, s.want)
	}
	if d.Scheme == "std.iso.11785" {
		if n, err := strconv.ParseInt(d.ID[3:], 10, 64); err != nil || n > maxTransponder || d.ID[:3] == "000" {
			return fmt.Sprintf("%s cannot be a transponder code: ISO 11784 gives the national number 38 bits", quote(d.ID))
		}
	}
	return ""
}
