package event

import (
	"strconv"
	"unicode/utf8"

	"github.com/google/uuid"
)

// AppendCanonical appends the event's canonical bytes: the JSON of its stated
// part under RFC 8785 (members in order, no white space, minimal escapes),
// with the note replaced by its commitment. e must be valid; the bytes of an
// invalid event are of no use to anyone.
//
// The profile holds only strings, integers below 2^53, booleans, arrays and
// objects, so the number rules of RFC 8785 reduce to plain decimal integers,
// and all member names are ASCII, so its UTF-16 order is byte order.
func (e *Event) AppendCanonical(b []byte) []byte {
	return e.appendJSON(b, func(c *encoder) {
		if e.NoteHash != (Digest{}) {
			c.name("note_hash")
			c.b = append(c.b, '"')
			c.b = e.NoteHash.appendHex(c.b)
			c.b = append(c.b, '"')
		}
	})
}

// AppendStated appends the event as a client states it: as the canonical
// bytes, but with the note (and its salt, if it has one) in place of the
// commitment. [Decode] reads it back.
func (e *Event) AppendStated(b []byte) []byte {
	return e.appendJSON(b, func(c *encoder) {
		c.text(fieldNote, &e.Note)
		if e.Note != "" && e.NoteSalt != (Salt{}) {
			salt := e.NoteSalt.String()
			c.text(fieldNoteSalt, &salt)
		}
	})
}

func (e *Event) appendJSON(b []byte, note func(*encoder)) []byte {
	c := encoder{b: append(b, '{')}
	c.text(fieldAnimal, &e.Animal)
	c.text(fieldAt, &e.At)
	c.text(fieldBy, &e.By)
	if e.Data != nil {
		c.nested("data", e.Data)
	}
	c.text(fieldHalf, &e.Half)
	c.text(fieldHerd, &e.Herd)
	c.id(fieldID, &e.ID)
	kind := e.Kind.String()
	c.text(fieldKind, &kind)
	note(&c)
	c.date(fieldOn, &e.On)
	c.text(fieldRef, &e.Ref)
	c.id(fieldReplaces, &e.Replaces)
	c.text(fieldSource, &e.Source)
	return append(c.b, '}')
}

// Canonical is AppendCanonical into a new slice.
func (e *Event) Canonical() []byte { return e.AppendCanonical(make([]byte, 0, 256)) }

// encoder is the visitor that writes canonical JSON. Absent values leave no
// trace, so an absent field and an empty one have the same bytes.
type encoder struct {
	b []byte
}

func (c *encoder) name(name string) {
	if last := c.b[len(c.b)-1]; last != '{' && last != '[' {
		c.b = append(c.b, ',')
	}
	c.b = append(c.b, '"')
	c.b = append(c.b, name...)
	c.b = append(c.b, '"', ':')
}

// nested writes a member that holds a record, or nothing if the record is empty.
func (c *encoder) nested(name string, r record) {
	start := len(c.b)
	c.name(name)
	c.b = append(c.b, '{')
	inner := len(c.b)
	r.fields(c)
	if len(c.b) == inner {
		c.b = c.b[:start]
		return
	}
	c.b = append(c.b, '}')
}

func (c *encoder) text(f *Field, v *string) {
	if *v != "" {
		c.name(f.Name)
		c.b = appendString(c.b, *v)
	}
}

func (c *encoder) enum(f *Field, v *string) { c.text(f, v) }

func (c *encoder) integer(f *Field, v *OptInt) {
	if v.Set {
		c.name(f.Name)
		c.b = strconv.AppendInt(c.b, int64(v.N), 10)
	}
}

func (c *encoder) boolean(f *Field, v *OptBool) {
	if v.Set {
		c.name(f.Name)
		c.b = strconv.AppendBool(c.b, v.V)
	}
}

func (c *encoder) date(f *Field, v *Date) {
	if *v != 0 {
		c.name(f.Name)
		c.b = append(c.b, '"')
		c.b = v.AppendText(c.b)
		c.b = append(c.b, '"')
	}
}

func (c *encoder) id(f *Field, v *uuid.UUID) {
	if *v != uuid.Nil {
		c.name(f.Name)
		c.b = append(c.b, '"')
		c.b = appendUUID(c.b, *v)
		c.b = append(c.b, '"')
	}
}

// enumSet writes the words in the order of their declaration, so that the same
// set has the same bytes whatever order it came in.
func (c *encoder) enumSet(f *Field, v *[]string) {
	if len(*v) == 0 {
		return
	}
	c.name(f.Name)
	c.b = append(c.b, '[')
	first := true
	for _, word := range f.Values {
		if !contains(*v, word) {
			continue
		}
		if !first {
			c.b = append(c.b, ',')
		}
		first = false
		c.b = appendString(c.b, word)
	}
	c.b = append(c.b, ']')
}

func (c *encoder) object(f *Field, v slot) {
	if r := v.get(); r != nil {
		c.nested(f.Name, r)
	}
}

// objects writes every record of the list, empty ones too: a calf of which
// nothing is known is still a calf.
func (c *encoder) objects(f *Field, v list) {
	if v.size() == 0 {
		return
	}
	c.name(f.Name)
	c.b = append(c.b, '[')
	for i := range v.size() {
		if i > 0 {
			c.b = append(c.b, ',')
		}
		c.b = append(c.b, '{')
		v.at(i).fields(c)
		c.b = append(c.b, '}')
	}
	c.b = append(c.b, ']')
}

func contains(list []string, word string) bool {
	for _, w := range list {
		if w == word {
			return true
		}
	}
	return false
}

const hexDigits = "0123456789abcdef"

func appendUUID(b []byte, id uuid.UUID) []byte {
	for i, c := range id {
		switch i {
		case 4, 6, 8, 10:
			b = append(b, '-')
		}
		b = append(b, hexDigits[c>>4], hexDigits[c&15])
	}
	return b
}

// appendString writes s as RFC 8785 section 3.2.2.2 has it. s is valid UTF-8.
func appendString(b []byte, s string) []byte {
	b = append(b, '"')
	start := 0
	for i := 0; i < len(s); i++ {
		c := s[i]
		if c >= 0x20 && c != '"' && c != '\\' {
			continue
		}
		b = append(b, s[start:i]...)
		start = i + 1
		switch c {
		case '"', '\\':
			b = append(b, '\\', c)
		case '\b':
			b = append(b, '\\', 'b')
		case '\f':
			b = append(b, '\\', 'f')
		case '\n':
			b = append(b, '\\', 'n')
		case '\r':
			b = append(b, '\\', 'r')
		case '\t':
			b = append(b, '\\', 't')
		default:
			b = append(b, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		}
	}
	b = append(b, s[start:]...)
	return append(b, '"')
}

// AppendJSONString appends s as a JSON string with minimal escapes; bytes that
// are not UTF-8 become U+FFFD.
func AppendJSONString(b []byte, s string) []byte {
	if !utf8.ValidString(s) {
		s = string([]rune(s))
	}
	return appendString(b, s)
}
