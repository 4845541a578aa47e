package event

import (
	"fmt"
	"strconv"
	"strings"
	"sync"
	"unicode/utf16"
	"unicode/utf8"
)

// This is a strict reader for the profile of the log: I-JSON (RFC 7493) without
// fractions. encoding/json takes duplicate member names, lone surrogates and
// names in another case without a word; each of those would let two programs
// read one record differently, so they are refused here.

const maxDepth = 8

type valueType uint8

const (
	nullValue valueType = iota
	boolValue
	intValue
	stringValue
	arrayValue
	objectValue
)

func (t valueType) String() string {
	return [...]string{"null", "true or false", "a number", "a text", "a list", "an object"}[t]
}

type value struct {
	typ     valueType
	bool    bool
	int     int64
	str     string
	elems   []value
	members []member
}

type member struct {
	name string
	val  value
	seen bool
}

func (v *value) find(name string) *member {
	for i := range v.members {
		if v.members[i].name == name {
			return &v.members[i]
		}
	}
	return nil
}

// syntaxError is a fault of the JSON text itself.
type syntaxError struct {
	offset int
	reason string
}

func (e *syntaxError) Error() string {
	return fmt.Sprintf("at byte %d: %s", e.offset, e.reason)
}

type reader struct {
	s    string
	pos  int
	room *room
}

// room is memory for the members of the objects of one text, used again for the
// next: they are the largest part of what reading an event takes.
type room struct {
	lists [][]member
	used  int
}

var rooms = sync.Pool{New: func() any { return new(room) }}

const fewMembers = 12

// take hands out an empty list, and the place where it is to be kept when it is full.
func (m *room) take() (list []member, place int) {
	if m.used == len(m.lists) {
		m.lists = append(m.lists, make([]member, 0, fewMembers))
	}
	m.used++
	return m.lists[m.used-1], m.used - 1
}

// free takes all lists back. A room that a strange text has made large is not kept.
func (m *room) free() {
	const many = 8
	if len(m.lists) > many {
		return
	}
	for i := range m.lists[:m.used] {
		clear(m.lists[i]) // nothing keeps the text alive
		if m.lists[i] = m.lists[i][:0]; cap(m.lists[i]) > 4*fewMembers {
			return
		}
	}
	m.used = 0
	rooms.Put(m)
}

// readJSON reads exactly one JSON value with nothing behind it. What the value holds
// is valid until the room is freed, but for its texts.
func readJSON(s string, m *room) (value, error) {
	if !utf8.ValidString(s) {
		return value{}, &syntaxError{0, "the text is not valid UTF-8"}
	}
	r := reader{s: s, room: m}
	v, err := r.value(0)
	if err != nil {
		return value{}, err
	}
	r.space()
	if r.pos < len(r.s) {
		return value{}, r.fail("something follows the end of the value")
	}
	return v, nil
}

func (r *reader) fail(reason string) error { return &syntaxError{r.pos, reason} }

func (r *reader) space() {
	for r.pos < len(r.s) {
		switch r.s[r.pos] {
		case ' ', '\t', '\n', '\r':
			r.pos++
		default:
			return
		}
	}
}

func (r *reader) peek() byte {
	r.space()
	if r.pos < len(r.s) {
		return r.s[r.pos]
	}
	return 0
}

func (r *reader) value(depth int) (value, error) {
	if depth > maxDepth {
		return value{}, r.fail("the value is nested too deeply")
	}
	switch c := r.peek(); {
	case c == '{':
		return r.object(depth)
	case c == '[':
		return r.array(depth)
	case c == '"':
		s, err := r.string()
		return value{typ: stringValue, str: s}, err
	case c == '-' || c >= '0' && c <= '9':
		return r.number()
	case r.word("true"):
		return value{typ: boolValue, bool: true}, nil
	case r.word("false"):
		return value{typ: boolValue}, nil
	case r.word("null"):
		return value{}, nil
	case r.pos >= len(r.s):
		return value{}, r.fail("the value ends too early")
	default:
		return value{}, r.fail("this is not JSON")
	}
}

func (r *reader) word(w string) bool {
	if strings.HasPrefix(r.s[r.pos:], w) {
		r.pos += len(w)
		return true
	}
	return false
}

func (r *reader) object(depth int) (value, error) {
	v := value{typ: objectValue}
	place := 0
	v.members, place = r.room.take()
	r.pos++
	if r.peek() == '}' {
		r.pos++
		return v, nil
	}
	for {
		if r.peek() != '"' {
			return value{}, r.fail("a member name in double quotes is expected")
		}
		at := r.pos
		name, err := r.string()
		if err != nil {
			return value{}, err
		}
		if v.find(name) != nil {
			return value{}, &syntaxError{at, "the member " + strconv.Quote(name) + " appears twice"}
		}
		if r.peek() != ':' {
			return value{}, r.fail("a colon is expected")
		}
		r.pos++
		val, err := r.value(depth + 1)
		if err != nil {
			return value{}, err
		}
		if len(v.members) == 200 {
			return value{}, r.fail("the object has too many members")
		}
		v.members = append(v.members, member{name: name, val: val})
		r.room.lists[place] = v.members
		switch r.peek() {
		case ',':
			r.pos++
		case '}':
			r.pos++
			return v, nil
		default:
			return value{}, r.fail("a comma or a closing brace is expected")
		}
	}
}

func (r *reader) array(depth int) (value, error) {
	v := value{typ: arrayValue}
	r.pos++
	if r.peek() == ']' {
		r.pos++
		return v, nil
	}
	for {
		val, err := r.value(depth + 1)
		if err != nil {
			return value{}, err
		}
		v.elems = append(v.elems, val)
		switch r.peek() {
		case ',':
			r.pos++
		case ']':
			r.pos++
			return v, nil
		default:
			return value{}, r.fail("a comma or a closing bracket is expected")
		}
	}
}

func (r *reader) number() (value, error) {
	start := r.pos
	if r.s[r.pos] == '-' {
		r.pos++
	}
	first := r.pos
	for r.pos < len(r.s) && r.s[r.pos] >= '0' && r.s[r.pos] <= '9' {
		r.pos++
	}
	digits := r.s[first:r.pos]
	if r.pos < len(r.s) && strings.IndexByte(".eE", r.s[r.pos]) >= 0 {
		return value{}, r.fail("numbers are whole: no fraction, no exponent")
	}
	if digits == "" || len(digits) > 1 && digits[0] == '0' || digits == "0" && first > start {
		return value{}, &syntaxError{start, "this is not a JSON number"}
	}
	n, err := strconv.ParseInt(r.s[start:r.pos], 10, 64)
	if err != nil || n > 1<<53-1 || n < -(1<<53-1) {
		return value{}, &syntaxError{start, "the number lies outside ±(2^53-1)"}
	}
	return value{typ: intValue, int: n}, nil
}

func (r *reader) string() (string, error) {
	r.pos++
	start := r.pos
	for r.pos < len(r.s) {
		switch c := r.s[r.pos]; {
		case c == '"':
			s := r.s[start:r.pos]
			r.pos++
			return s, nil
		case c == '\\':
			return r.escaped(start)
		case c < 0x20:
			return "", r.fail("a control character must be written as an escape")
		default:
			r.pos++
		}
	}
	return "", r.fail("a text has no closing quote")
}

// escaped continues a string at its first backslash.
func (r *reader) escaped(start int) (string, error) {
	b := append(make([]byte, 0, 64), r.s[start:r.pos]...)
	for r.pos < len(r.s) {
		c := r.s[r.pos]
		switch {
		case c == '"':
			r.pos++
			return string(b), nil
		case c < 0x20:
			return "", r.fail("a control character must be written as an escape")
		case c != '\\':
			b = append(b, c)
			r.pos++
			continue
		}
		if r.pos+1 >= len(r.s) {
			break
		}
		e := r.s[r.pos+1]
		if i := strings.IndexByte(`"\/bfnrt`, e); i >= 0 {
			b = append(b, "\"\\/\b\f\n\r\t"[i])
			r.pos += 2
			continue
		}
		if e != 'u' {
			return "", r.fail("unknown escape")
		}
		u, err := r.unicode()
		if err != nil {
			return "", err
		}
		b = utf8.AppendRune(b, u)
	}
	return "", r.fail("a text has no closing quote")
}

// unicode reads \uXXXX, or the two of them that make a surrogate pair.
func (r *reader) unicode() (rune, error) {
	u, ok := r.hex4()
	if !ok {
		return 0, r.fail(`four hex digits must follow \u`)
	}
	if !utf16.IsSurrogate(u) {
		return u, nil
	}
	low, ok := r.hex4()
	if u = utf16.DecodeRune(u, low); !ok || u == utf8.RuneError {
		return 0, r.fail("half of a surrogate pair stands alone")
	}
	return u, nil
}

func (r *reader) hex4() (rune, bool) {
	if r.pos+6 > len(r.s) || r.s[r.pos] != '\\' || r.s[r.pos+1] != 'u' {
		return 0, false
	}
	n, err := strconv.ParseUint(r.s[r.pos+2:r.pos+6], 16, 16)
	if err != nil {
		return 0, false
	}
	r.pos += 6
	return rune(n), true
}
