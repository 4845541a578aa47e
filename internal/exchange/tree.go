package exchange

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"byrelog.example/internal/event"
)

// parse reads one JSON value into maps, slices, strings, bools and
// json.Numbers. A member that stands twice is refused: two programs could read
// it differently.
func parse(raw []byte) (any, error) {
	if !utf8.Valid(raw) {
		return nil, errors.New("the text is not UTF-8")
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	v, err := parseValue(dec)
	if err != nil {
		return nil, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something follows the end of the value")
	}
	return v, nil
}

var errNotJSON = errors.New("this is not JSON")

func parseValue(dec *json.Decoder) (any, error) {
	t, err := dec.Token()
	if err != nil {
		return nil, errNotJSON
	}
	switch t {
	case json.Delim('['):
		list := []any{}
		for dec.More() {
			v, err := parseValue(dec)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		return list, end(dec)
	case json.Delim('{'):
		object := map[string]any{}
		for dec.More() {
			t, err := dec.Token()
			name, ok := t.(string)
			if err != nil || !ok {
				return nil, errNotJSON
			}
			if _, twice := object[name]; twice {
				return nil, fmt.Errorf("the member %s stands twice", quote(name))
			}
			if object[name], err = parseValue(dec); err != nil {
				return nil, err
			}
		}
		return object, end(dec)
	}
	if _, ok := t.(json.Delim); ok {
		return nil, errNotJSON
	}
	return t, nil
}

func end(dec *json.Decoder) error {
	if _, err := dec.Token(); err != nil {
		return errNotJSON
	}
	return nil
}

// quote shows a value in a message, cut to a sane length.
func quote(s string) string { return strconv.Quote(cut(s)) }

func cut(s string) string {
	const most = 64
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}

// Problem is one fault of a resource.
type Problem struct {
	Pointer      string // JSON Pointer into the body
	ResourceType string // "" where it is not known
	Code         string // as in event.Problem
	Detail       string
}

// object is a JSON object that is being read. It remembers which members were
// looked at: what is left over has no place in the log.
type object struct {
	it   *item
	at   string // JSON Pointer
	name string // path of members, for counting; "" for the resource
	m    map[string]any
	seen map[string]bool
	sub  []*object
}

func (o *object) child(token, name string, m map[string]any) *object {
	c := &object{it: o.it, at: o.at + "/" + escape(token), name: name, m: m, seen: map[string]bool{}}
	o.sub = append(o.sub, c)
	return c
}

func escape(token string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(cut(token))
}

func (o *object) path(name string) string {
	if o.name == "" {
		return name
	}
	return o.name + "." + name
}

// take gives a member; null counts as absent. A nil object has no members.
func (o *object) take(name string) (any, bool) {
	if o == nil {
		return nil, false
	}
	o.seen[name] = true
	v, ok := o.m[name]
	return v, ok && v != nil
}

func (o *object) bad(name, code, format string, args ...any) {
	o.it.problem(o.at+"/"+escape(name), code, format, args...)
}

func (o *object) text(name string) string {
	v, ok := o.take(name)
	if !ok {
		return ""
	}
	s, ok := v.(string)
	if !ok {
		o.bad(name, event.CodeWrongType, "a text is expected")
	}
	return s
}

// flag reads a boolean.
func (o *object) flag(name string) event.OptBool {
	v, ok := o.take(name)
	if !ok {
		return event.OptBool{}
	}
	b, ok := v.(bool)
	if !ok {
		o.bad(name, event.CodeWrongType, "true or false is expected")
		return event.OptBool{}
	}
	return event.OptBool{V: b, Set: true}
}

// number reads a whole number; 2.0 is one.
func (o *object) number(name string) event.OptInt {
	v, ok := o.take(name)
	if !ok {
		return event.OptInt{}
	}
	n, ok := v.(json.Number)
	if !ok {
		o.bad(name, event.CodeWrongType, "a number is expected")
		return event.OptInt{}
	}
	f, err := n.Float64()
	if err != nil || f != math.Trunc(f) || math.Abs(f) > 1<<31 {
		o.bad(name, event.CodeOutOfRange, "%s is no whole number that fits", quote(n.String()))
		return event.OptInt{}
	}
	return event.Int(int(f))
}

func (o *object) object(name string) *object {
	v, ok := o.take(name)
	if !ok {
		return nil
	}
	m, ok := v.(map[string]any)
	if !ok {
		o.bad(name, event.CodeWrongType, "an object is expected")
		return nil
	}
	return o.child(name, o.path(name), m)
}

func (o *object) array(name string) []any {
	v, ok := o.take(name)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		o.bad(name, event.CodeWrongType, "a list is expected")
	}
	return list
}

func (o *object) texts(name string) []string {
	var out []string
	for i, v := range o.array(name) {
		s, ok := v.(string)
		if !ok {
			o.it.problem(o.at+"/"+escape(name)+"/"+strconv.Itoa(i), event.CodeWrongType, "a text is expected")
			continue
		}
		out = append(out, s)
	}
	return out
}

func (o *object) objects(name string) []*object {
	var out []*object
	for i, v := range o.array(name) {
		m, ok := v.(map[string]any)
		if !ok {
			o.it.problem(o.at+"/"+escape(name)+"/"+strconv.Itoa(i), event.CodeWrongType, "an object is expected")
			continue
		}
		c := o.child(name, o.path(name), m)
		c.at += "/" + strconv.Itoa(i)
		out = append(out, c)
	}
	return out
}

// identifier reads {id, scheme}; the zero Identifier if it is absent.
func (o *object) identifier(name string) Identifier { return o.object(name).asIdentifier() }

func (o *object) asIdentifier() Identifier {
	if o == nil {
		return Identifier{}
	}
	id := Identifier{ID: o.text("id"), Scheme: o.text("scheme")}
	for _, part := range []struct{ name, v string }{{"id", id.ID}, {"scheme", id.Scheme}} {
		if part.v == "" {
			o.bad(part.name, event.CodeRequired, "%s is missing", part.name)
		}
	}
	return id
}

// word translates a word of an enumeration. One that the table does not have is
// none of 1.3.2 or of its successors that are known: a tolerant reader goes on
// without it, and counts it.
func (o *object) word(name string, table map[string]string, also ...string) string {
	v := o.text(name)
	if v == "" {
		return ""
	}
	own, ok := table[v]
	if !ok && !slices.Contains(also, v) {
		o.it.lose(o.path(name))
	}
	return own
}

// leftovers counts the members that nobody looked at.
func (o *object) leftovers() {
	for name, v := range o.m {
		if !o.seen[name] && v != nil {
			o.it.lose(o.path(cut(name)))
		}
	}
	for _, c := range o.sub {
		c.leftovers()
	}
}
