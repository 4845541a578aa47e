package event

import (
	"strings"

	"github.com/google/uuid"
)

// straight reads canonical bytes from front to back without a tree in between:
// their members stand in the order in which fields are visited, so each field is
// either what comes next or absent. It is for the log's own bytes, of which a cold
// fold reads hundreds of thousands (measured: eight times as fast as the general
// reader). Whatever is not plain (an escape, a byte beyond ASCII, a member that is
// not expected) makes it give up, and the general reader decides.
type straight struct {
	s    string
	pos  int
	fail bool
	// more is set after a member of the object that is being read.
	more bool
}

// decodeStraight is DecodeCanonical for plain bytes; false gives the bytes to the
// general reader, and says nothing of whether they are right.
func decodeStraight(raw []byte) (*Event, bool) {
	for _, c := range raw {
		if c < 0x20 || c > 0x7e || c == '\\' {
			return nil, false
		}
	}
	r := straight{s: string(raw)}
	e := &Event{}
	var kind, noteHash string
	var data span
	r.lit("{")
	r.text(fieldAnimal, &e.Animal)
	r.text(fieldAt, &e.At)
	r.text(fieldBy, &e.By)
	if r.member("data") {
		data.from = r.pos
		r.skipObject()
		data.to = r.pos
	}
	r.text(fieldHalf, &e.Half)
	r.text(fieldHerd, &e.Herd)
	r.id(fieldID, &e.ID)
	r.enum(fieldKind, &kind)
	r.text(fieldNoteHash, &noteHash)
	r.date(fieldOn, &e.On)
	r.text(fieldRef, &e.Ref)
	r.id(fieldReplaces, &e.Replaces)
	r.text(fieldSource, &e.Source)
	r.lit("}")
	if r.fail || r.pos != len(r.s) {
		return nil, false
	}
	k, ok := ParseKind(kind)
	if !ok || noteHash != "" && e.NoteHash.UnmarshalText([]byte(noteHash)) != nil {
		return nil, false
	}
	e.Kind, e.Data = k, k.Spec().blank()
	if data.to > data.from {
		r.s, r.pos = r.s[:data.to], data.from
		r.record(e.Data)
	}
	return e, !r.fail && (data.to == data.from || r.pos == data.to)
}

// span is a part of the text.
type span struct{ from, to int }

func (r *straight) lit(s string) {
	if !strings.HasPrefix(r.s[r.pos:], s) {
		r.fail = true
		return
	}
	r.pos += len(s)
	r.more = false
}

// member takes the name of the member and its colon, if it comes next.
func (r *straight) member(name string) bool {
	at := r.pos
	if r.fail {
		return false
	}
	if r.more {
		if at >= len(r.s) || r.s[at] != ',' {
			return false
		}
		at++
	}
	n := len(name)
	if len(r.s)-at < n+4 || r.s[at] != '"' || r.s[at+1:at+1+n] != name || r.s[at+1+n] != '"' || r.s[at+2+n] != ':' {
		return false
	}
	r.pos, r.more = at+n+3, true
	return true
}

// word reads a text in quotes that is not empty.
func (r *straight) word() string {
	if r.pos >= len(r.s) || r.s[r.pos] != '"' {
		r.fail = true
		return ""
	}
	n := strings.IndexByte(r.s[r.pos+1:], '"')
	if n < 1 {
		r.fail = true
		return ""
	}
	s := r.s[r.pos+1 : r.pos+1+n]
	r.pos += n + 2
	return s
}

// skipObject passes over an object; its texts hold no escapes.
func (r *straight) skipObject() {
	depth := 0
	for r.pos < len(r.s) {
		switch c := r.s[r.pos]; {
		case c == '"':
			n := strings.IndexByte(r.s[r.pos+1:], '"')
			if n < 0 {
				r.fail = true
				return
			}
			r.pos += n + 1
		case c == '{' || c == '[':
			depth++
		case c == '}' || c == ']':
			depth--
		}
		r.pos++
		if depth == 0 {
			return
		}
	}
	r.fail = true
}

func (r *straight) record(d record) {
	r.lit("{")
	d.fields(r)
	r.lit("}")
	r.more = true
}

func (r *straight) text(f *Field, v *string) {
	if r.member(f.Name) {
		*v = r.word()
	}
}

// enum takes the word of the declaration, so that a list of events does not keep
// the bytes of each alive for it.
func (r *straight) enum(f *Field, v *string) {
	if !r.member(f.Name) {
		return
	}
	s := r.word()
	for _, w := range f.Values {
		if w == s {
			*v = w
			return
		}
	}
	r.fail = true
}

func (r *straight) integer(f *Field, v *OptInt) {
	if !r.member(f.Name) {
		return
	}
	n, digits := 0, 0
	for ; r.pos < len(r.s) && r.s[r.pos] >= '0' && r.s[r.pos] <= '9'; r.pos++ {
		n = 10*n + int(r.s[r.pos]-'0')
		digits++
	}
	if digits == 0 || digits > 9 || digits > 1 && r.s[r.pos-digits] == '0' {
		r.fail = true
	}
	*v = Int(n)
}

func (r *straight) boolean(f *Field, v *OptBool) {
	if !r.member(f.Name) {
		return
	}
	switch {
	case strings.HasPrefix(r.s[r.pos:], "true"):
		*v, r.pos = Yes, r.pos+4
	case strings.HasPrefix(r.s[r.pos:], "false"):
		*v, r.pos = No, r.pos+5
	default:
		r.fail = true
	}
}

func (r *straight) date(f *Field, v *Date) {
	if r.member(f.Name) {
		d, err := ParseDate(r.word())
		r.fail = r.fail || err != nil
		*v = d
	}
}

func (r *straight) id(f *Field, v *uuid.UUID) {
	if r.member(f.Name) {
		u, err := parseUUID(r.word())
		r.fail = r.fail || err != nil
		*v = u
	}
}

func (r *straight) enumSet(f *Field, v *[]string) {
	if !r.member(f.Name) {
		return
	}
	r.lit("[")
	for !r.fail {
		s := r.word()
		for _, w := range f.Values {
			if w == s {
				s = w
				break
			}
		}
		*v = append(*v, s)
		if r.pos < len(r.s) && r.s[r.pos] == ',' {
			r.pos++
			continue
		}
		break
	}
	r.lit("]")
	r.more = true
}

func (r *straight) object(f *Field, v slot) {
	if r.member(f.Name) {
		r.record(v.make())
	}
}

func (r *straight) objects(f *Field, v list) {
	if !r.member(f.Name) {
		return
	}
	r.lit("[")
	for !r.fail && v.size() < f.Max {
		r.record(v.add())
		if r.pos < len(r.s) && r.s[r.pos] == ',' {
			r.pos++
			continue
		}
		break
	}
	r.lit("]")
	r.more = true
}
