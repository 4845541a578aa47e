package event

import (
	"fmt"
	"strings"
)

// Problem is one fault of an event. Code is stable and for programs, Detail is
// for people and never repeats more than a field's own value.
type Problem struct {
	Pointer string // JSON Pointer (RFC 6901) into the event, "" for the whole
	Column  string // the CSV column, "" if the fault has none
	Code    string
	Detail  string
}

// Problems are all faults found in one event, in the order of the fields. It
// is an error; a nil or empty Problems means that none was found.
type Problems []Problem

// Codes of problems.
const (
	CodeSyntax       = "syntax"        // the text is not JSON of the profile
	CodeUnknownField = "unknown_field" // a member that the kind does not have
	CodeServerField  = "server_field"  // a member that only the server sets
	CodeWrongType    = "wrong_type"    // a text where a number belongs …
	CodeRequired     = "required"      // a field is missing
	CodeNotAllowed   = "not_allowed"   // a field or word that does not belong here
	CodeBadDate      = "bad_date"      // not a civil date YYYY-MM-DD
	CodeBadTime      = "bad_time"      // not HH:MM
	CodeBadID        = "bad_id"        // not a UUID, or a malformed official identity
	CodeTooLong      = "too_long"      // more characters or entries than allowed
	CodeOutOfRange   = "out_of_range"  // a number or date outside its bounds
	CodeBadText      = "bad_text"      // control characters, or space around a code
	CodeFuture       = "future"        // dated after today
	CodeContradicts  = "contradicts"   // two fields that cannot both hold
	CodeHerdMismatch = "herd_mismatch" // names another herd than the one addressed
)

func (p Problem) String() string {
	if p.Pointer == "" {
		return p.Detail
	}
	return p.Pointer + ": " + p.Detail
}

func (ps Problems) Error() string {
	switch len(ps) {
	case 0:
		return "no problem"
	case 1:
		return ps[0].String()
	}
	return fmt.Sprintf("%s (and %d more)", ps[0], len(ps)-1)
}

// err gives the problems as an error, or nil when there is none.
func (ps Problems) err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}

// path keeps where in the event a visitor stands.
type path struct {
	pointer []string
	column  []string
	list    Problems
}

func (p *path) push(pointer, column string) {
	p.pointer = append(p.pointer, pointer)
	if column != "" {
		p.column = append(p.column, column)
	}
}

func (p *path) pop(column string) {
	p.pointer = p.pointer[:len(p.pointer)-1]
	if column != "" {
		p.column = p.column[:len(p.column)-1]
	}
}

func (p *path) add(f *Field, code, format string, args ...any) {
	p.addAt(f.Name, columnOf(p.column, f), code, format, args...)
}

func (p *path) addAt(name, column, code, format string, args ...any) {
	ptr := ""
	for _, s := range p.pointer {
		ptr += "/" + escape(s)
	}
	ptr += "/" + escape(name)
	p.list = append(p.list, Problem{Pointer: ptr, Column: column, Code: code, Detail: fmt.Sprintf(format, args...)})
}

// columnOf is the CSV column of a field below the given prefixes; a column
// that the field names itself stands alone.
func columnOf(prefix []string, f *Field) string {
	if f.Column != "" || len(prefix) == 0 {
		return f.ColumnName()
	}
	return strings.Join(prefix, "_") + "_" + f.Name
}

var pointerEscapes = strings.NewReplacer("~", "~0", "/", "~1")

func escape(s string) string {
	const most = 64 // a hostile member name must not fill a log
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return pointerEscapes.Replace(s)
}
