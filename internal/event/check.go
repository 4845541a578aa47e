package event

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
)

// Validate tells whether the event can be stored: every field within its
// bounds, the required ones there, nothing dated after today (the civil date in
// the herd's zone). Odd but possible facts are not its business: those are
// findings over a cow's whole history. The error, if any, is a [Problems].
func (e *Event) Validate(today Date) error {
	c := &checker{}
	if !e.Kind.Valid() || e.Data == nil {
		c.add(fieldKind, CodeRequired, "the kind of event is missing")
		return c.list
	}
	spec := e.Kind.Spec()
	c.id(fieldID, &e.ID)
	c.text(fieldHerd, &e.Herd)
	if e.Herd != "" && !validHerd(e.Herd) {
		c.add(fieldHerd, CodeBadText, "a herd's name is 2 to 40 of a-z, 0-9 and -")
	}
	c.text(fieldAnimal, &e.Animal)
	switch {
	case spec.Animal && e.Animal == "":
		c.add(fieldAnimal, CodeRequired, "the animal is missing")
	case !spec.Animal && e.Animal != "":
		c.add(fieldAnimal, CodeNotAllowed, "an event of kind %s is about no single animal", spec.Name)
	}
	c.on(e.On, today)
	c.clock(e)
	c.text(fieldBy, &e.By)
	c.text(fieldSource, &e.Source)
	c.text(fieldRef, &e.Ref)
	if e.Replaces != uuid.Nil && e.Replaces == e.ID {
		c.add(fieldReplaces, CodeContradicts, "an event cannot replace itself")
	}
	c.note(e)
	c.push("data", "")
	e.Data.fields(c)
	c.pair(e, today)
	c.pop("")
	return c.list.err()
}

// checker is the visitor that holds every field against its declaration.
type checker struct {
	path
}

func (c *checker) missing(f *Field, absent bool) bool {
	if absent && f.Required {
		c.add(f, CodeRequired, "%s is missing", f.Name)
	}
	return absent
}

func (c *checker) on(on, today Date) {
	switch {
	case c.missing(fieldOn, on == 0):
	case on < minDate || on > maxDate:
		c.add(fieldOn, CodeBadDate, "%v", errDate)
	case on > today:
		c.add(fieldOn, CodeFuture, "%s lies in the future: today is %s in the herd", on, today)
	}
}

func (c *checker) clock(e *Event) {
	if e.At != "" && !validClock(e.At) {
		c.add(fieldAt, CodeBadTime, "%s is not a time HH:MM", quote(e.At))
	}
	c.enum(fieldHalf, &e.Half)
	if e.At != "" && e.Half != "" {
		c.add(fieldHalf, CodeContradicts, "give the time or the half of the day, not both")
	}
}

func (c *checker) note(e *Event) {
	if e.Note == "" {
		if e.NoteSalt != (Salt{}) {
			c.add(fieldNoteSalt, CodeNotAllowed, "a salt without a note")
		}
		return
	}
	if n := utf8.RuneCountInString(e.Note); n > maxNote {
		c.add(fieldNote, CodeTooLong, "%d characters, at most %d", n, maxNote)
	}
	for _, r := range e.Note {
		if unicode.IsControl(r) && r != '\n' && r != '\t' || r == utf8.RuneError {
			c.add(fieldNote, CodeBadText, "control characters other than line feed and tab are refused")
			return
		}
	}
}

func (c *checker) text(f *Field, v *string) {
	s := *v
	if c.missing(f, s == "") {
		return
	}
	if n := utf8.RuneCountInString(s); n > f.Max {
		c.add(f, CodeTooLong, "%d characters, at most %d", n, f.Max)
		return
	}
	if clean(s) {
		return
	}
	for _, r := range s {
		if unicode.IsControl(r) || r == utf8.RuneError {
			c.add(f, CodeBadText, "control characters are refused")
			return
		}
	}
	if strings.TrimSpace(s) != s {
		c.add(f, CodeBadText, "space before or behind it is refused")
	}
}

// clean is the fast answer for plain ASCII without space at the ends.
func clean(s string) bool {
	for i := range len(s) {
		if s[i] < 0x20 || s[i] >= 0x7f {
			return false
		}
	}
	return s == "" || s[0] != ' ' && s[len(s)-1] != ' '
}

func (c *checker) enum(f *Field, v *string) {
	if c.missing(f, *v == "") {
		return
	}
	if !contains(f.Values, *v) {
		c.add(f, CodeNotAllowed, "%s is not one of %s", quote(*v), strings.Join(f.Values, ", "))
	}
}

func (c *checker) integer(f *Field, v *OptInt) {
	if c.missing(f, !v.Set) {
		return
	}
	if v.N < f.Min || v.N > f.Max {
		c.add(f, CodeOutOfRange, "%d lies outside %d to %d", v.N, f.Min, f.Max)
	}
}

func (c *checker) boolean(f *Field, v *OptBool) { c.missing(f, !v.Set) }

func (c *checker) date(f *Field, v *Date) {
	if c.missing(f, *v == 0) {
		return
	}
	if *v < minDate || *v > maxDate {
		c.add(f, CodeBadDate, "%v", errDate)
	}
}

func (c *checker) id(f *Field, v *uuid.UUID) { c.missing(f, *v == uuid.Nil) }

func (c *checker) enumSet(f *Field, v *[]string) {
	for i, word := range *v {
		switch {
		case !contains(f.Values, word):
			c.add(f, CodeNotAllowed, "%s is not one of %s", quote(word), strings.Join(f.Values, ", "))
		case contains((*v)[:i], word):
			c.add(f, CodeContradicts, "%s stands twice", quote(word))
		}
	}
}

func (c *checker) object(f *Field, v slot) {
	if r := v.get(); r != nil {
		c.push(f.Name, f.ColumnName())
		r.fields(c)
		c.pop(f.ColumnName())
	}
}

func (c *checker) objects(f *Field, v list) {
	if v.size() > f.Max {
		c.add(f, CodeTooLong, "%d entries, at most %d", v.size(), f.Max)
		return
	}
	c.push(f.Name, "")
	for i := range v.size() {
		column := f.ColumnName() + strconv.Itoa(i+1)
		c.push(strconv.Itoa(i), column)
		v.at(i).fields(c)
		c.pop(column)
	}
	c.pop("")
}

// pair holds fields against each other and against the event's own date. Only
// what cannot be is refused here.
func (c *checker) pair(e *Event, today Date) {
	switch d := e.Data.(type) {
	case *Arrival:
		for _, past := range []struct {
			f *Field
			v Date
		}{
			{arrivalBornOn, d.BornOn},
			{arrivalConceivedOn, d.ConceivedOn},
			{arrivalLastBredOn, d.LastBredOn},
			{arrivalLastCalvedOn, d.LastCalvedOn},
		} {
			if past.v > e.On {
				c.add(past.f, CodeOutOfRange, "%s lies after the arrival on %s", past.v, e.On)
			} else if past.v != 0 && past.v < d.BornOn {
				c.add(past.f, CodeOutOfRange, "%s lies before the birth on %s", past.v, d.BornOn)
			}
		}
		if d.OfficialID != nil {
			if detail := d.OfficialID.fault(); detail != "" {
				c.push(arrivalOfficialID.Name, arrivalOfficialID.ColumnName())
				c.add(officialValue, CodeBadID, "%s", detail)
				c.pop(arrivalOfficialID.ColumnName())
			}
		}
	case *BreedingStop:
		c.notBefore(stopUntil, d.Until, e.On)
	case *Breeding:
		c.notBefore(breedingUntil, d.Until, e.On)
		if d.Until > today {
			c.add(breedingUntil, CodeFuture, "%s lies in the future: today is %s in the herd", d.Until, today)
		}
		if d.Until != 0 && d.Method != Natural {
			c.add(breedingUntil, CodeNotAllowed, "only a run with a bull has a last day")
		}
	case *Treatment:
		c.notBefore(treatmentMilk, d.MilkWithheldUntil, e.On)
		c.notBefore(treatmentMeat, d.MeatWithheldUntil, e.On)
	case *Size:
		if *d == (Size{}) {
			c.add(sizeBigEnough, CodeRequired, "say at least one of big_enough, height_cm and weight_kg")
		}
	case *Renumber:
		if d.To != "" && d.To == e.Animal {
			c.add(renumberTo, CodeContradicts, "she is called so already")
		}
	case *Void:
		if d.Event != uuid.Nil && d.Event == e.ID {
			c.add(voidEvent, CodeContradicts, "a void cannot name itself")
		}
	}
}

func (c *checker) notBefore(f *Field, v, on Date) {
	if v != 0 && v < on {
		c.add(f, CodeOutOfRange, "%s lies before the event on %s", v, on)
	}
}
