package event

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/google/uuid"
)

// serverFields are set by the server alone; a client that sends them back has
// mixed up a recorded event with a new one.
var serverFields = map[string]bool{"seq": true, "recorded_at": true, "hash": true, "note_hash": true, "voided_by": true}

// Decode reads one event as a client states it, in JSON. Unknown, doubled and
// server-set members are refused. The result is not yet validated: call
// [Event.Validate]. The error, if any, is a [Problems].
func Decode(raw []byte) (*Event, error) {
	return decodeTree(raw, false)
}

// DecodeCanonical reads the canonical bytes back. The note's text is not in
// them, only its commitment.
func DecodeCanonical(raw []byte) (*Event, error) {
	if e, ok := decodeStraight(raw); ok {
		return e, nil
	}
	return decodeTree(raw, true)
}

// decodeTree reads any JSON of an event, by way of a tree of its values.
func decodeTree(raw []byte, canonical bool) (*Event, error) {
	m, _ := rooms.Get().(*room)
	defer m.free()
	v, problem := readValue(raw, m)
	if problem != nil {
		return nil, Problems{*problem}
	}
	d := &decoder{}
	e := d.event(&v, canonical)
	if err := d.list.err(); err != nil {
		return nil, err
	}
	return e, nil
}

func readValue(raw []byte, m *room) (value, *Problem) {
	v, err := readJSON(string(raw), m)
	if err != nil {
		return value{}, &Problem{Code: CodeSyntax, Detail: "not the JSON of an event: " + err.Error()}
	}
	if v.typ != objectValue {
		return value{}, &Problem{Code: CodeWrongType, Detail: fmt.Sprintf("an event is an object, not %s", v.typ)}
	}
	return v, nil
}

// decoder sets fields from a JSON object; what it cannot set it reports.
type decoder struct {
	path
	in *value
}

func (d *decoder) event(v *value, canonical bool) *Event {
	d.in = v
	e := &Event{}
	var kind, noteSalt, noteHash string
	d.text(fieldAnimal, &e.Animal)
	d.text(fieldAt, &e.At)
	d.text(fieldBy, &e.By)
	d.text(fieldHalf, &e.Half)
	d.text(fieldHerd, &e.Herd)
	d.id(fieldID, &e.ID)
	d.text(fieldKind, &kind)
	d.text(fieldNote, &e.Note)
	d.text(fieldNoteSalt, &noteSalt)
	if canonical {
		d.text(fieldNoteHash, &noteHash)
	}
	d.date(fieldOn, &e.On)
	d.text(fieldRef, &e.Ref)
	d.id(fieldReplaces, &e.Replaces)
	d.text(fieldSource, &e.Source)
	d.salt(noteSalt, &e.NoteSalt)
	if noteHash != "" && e.NoteHash.UnmarshalText([]byte(noteHash)) != nil {
		d.add(fieldNoteHash, CodeBadText, "64 lower-case hex digits are expected")
	}
	e.Kind = d.kind(kind)
	data := d.take("data", objectValue)
	if e.Kind.Valid() {
		e.Data = e.Kind.Spec().blank()
		if data == nil {
			data = &value{typ: objectValue}
		}
		d.nested("data", "", data, e.Data)
	}
	d.unknown(v, func() []string { return envelope })
	return e
}

func (d *decoder) kind(name string) Kind {
	k, ok := ParseKind(name)
	switch {
	case name == "":
		d.add(fieldKind, CodeRequired, "the kind of event is missing; it is one of %s", strings.Join(fieldKind.Values, ", "))
	case !ok:
		d.add(fieldKind, CodeNotAllowed, "%s is not a kind of event; it is one of %s", quote(name), strings.Join(fieldKind.Values, ", "))
	}
	return k
}

// take finds the member, marks it as known and checks its type; null counts as
// absent.
func (d *decoder) take(name string, want valueType) *value {
	m := d.in.find(name)
	if m == nil {
		return nil
	}
	m.seen = true
	if m.val.typ == nullValue {
		return nil
	}
	if m.val.typ != want {
		d.addAt(name, "", CodeWrongType, "%s is expected, not %s", want, m.val.typ)
		return nil
	}
	return &m.val
}

// envelope names what an event has beside its kind's own fields, as a client may
// send it.
var envelope = []string{"animal", "at", "by", "data", "half", "herd", "id", "kind", "note", "on", "ref", "replaces", "source"}

// unknown reports members that are not known, with those that are.
func (d *decoder) unknown(v *value, known func() []string) {
	for i := range v.members {
		m := &v.members[i]
		switch {
		case m.seen:
		case len(d.pointer) == 0 && serverFields[m.name]:
			d.addAt(m.name, "", CodeServerField, "this member is set by the server and cannot be sent")
		default:
			names := strings.Join(known(), ", ")
			d.addAt(m.name, "", CodeUnknownField, "there is no field %s here; there are %s", quote(m.name), cmp.Or(names, "none"))
		}
	}
}

func fieldNames(r record) []string {
	var c collector
	r.fields(&c)
	names := make([]string, len(c.list))
	for i, f := range c.list {
		names[i] = f.Name
	}
	return names
}

func (d *decoder) nested(name, column string, v *value, r record) {
	outer := d.in
	d.in = v
	d.push(name, column)
	r.fields(d)
	d.unknown(v, func() []string { return fieldNames(r) })
	d.pop(column)
	d.in = outer
}

func (d *decoder) text(f *Field, v *string) {
	if in := d.take(f.Name, stringValue); in != nil {
		*v = in.str
		if in.str == "" {
			d.add(f, CodeBadText, "an empty text says nothing; leave the field out")
		}
	}
}

func (d *decoder) enum(f *Field, v *string) { d.text(f, v) }

func (d *decoder) integer(f *Field, v *OptInt) {
	if in := d.take(f.Name, intValue); in != nil {
		*v = Int(int(in.int))
	}
}

func (d *decoder) boolean(f *Field, v *OptBool) {
	if in := d.take(f.Name, boolValue); in != nil {
		*v = OptBool{V: in.bool, Set: true}
	}
}

func (d *decoder) date(f *Field, v *Date) {
	if in := d.take(f.Name, stringValue); in != nil {
		date, err := ParseDate(in.str)
		if err != nil {
			d.add(f, CodeBadDate, "%s is not a date: %v", quote(in.str), err)
		}
		*v = date
	}
}

func (d *decoder) id(f *Field, v *uuid.UUID) {
	if in := d.take(f.Name, stringValue); in != nil {
		u, err := parseUUID(in.str)
		if err != nil {
			d.add(f, CodeBadID, "%s is not a UUID: %v", quote(in.str), err)
		}
		*v = u
	}
}

func (d *decoder) enumSet(f *Field, v *[]string) {
	in := d.take(f.Name, arrayValue)
	if in == nil {
		return
	}
	for i := range in.elems {
		if in.elems[i].typ != stringValue {
			d.add(f, CodeWrongType, "a list of words is expected")
			return
		}
		*v = append(*v, in.elems[i].str)
	}
}

func (d *decoder) object(f *Field, v slot) {
	if in := d.take(f.Name, objectValue); in != nil {
		d.nested(f.Name, f.ColumnName(), in, v.make())
	}
}

func (d *decoder) objects(f *Field, v list) {
	in := d.take(f.Name, arrayValue)
	if in == nil {
		return
	}
	if len(in.elems) > f.Max {
		d.add(f, CodeTooLong, "at most %d entries", f.Max)
		return
	}
	d.push(f.Name, "")
	for i := range in.elems {
		if in.elems[i].typ != objectValue {
			d.addAt(strconv.Itoa(i), "", CodeWrongType, "an object is expected, not %s", in.elems[i].typ)
			continue
		}
		d.nested(strconv.Itoa(i), f.ColumnName()+strconv.Itoa(i+1), &in.elems[i], v.add())
	}
	d.pop("")
}

// salt reads the salt of a note. All zeros stands for "none yet" inside the
// program, so it cannot be one.
func (p *path) salt(s string, to *Salt) {
	if s != "" && (to.UnmarshalText([]byte(s)) != nil || *to == Salt{}) {
		p.add(fieldNoteSalt, CodeBadText, "32 lower-case hex digits are expected, not all zero")
	}
}

var errUUID = errors.New("write it as 8-4-4-4-12 hex digits, not all zero")

// parseUUID takes the one usual form, in either case; the package uuid also
// takes braces and a URN, which would give one event several spellings.
func parseUUID(s string) (uuid.UUID, error) {
	if len(s) != 36 {
		return uuid.Nil, errUUID
	}
	u, err := uuid.Parse(s)
	if err != nil || u == uuid.Nil {
		return uuid.Nil, errUUID
	}
	return u, nil
}

// quote shows a user's own value in a message, cut to a sane length.
func quote(s string) string {
	const most = 40
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return strconv.Quote(s)
}
