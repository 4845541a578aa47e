package event

import (
	"bytes"
	"slices"

	"github.com/google/uuid"
)

// straight reads canonical bytes from front to back without a tree in between:
// their members stand in the order in which fields are visited, so each field is
// either what comes next or absent. It is for the log's own bytes, of which a cold
// fold reads hundreds of thousands (measured: eight times as fast as the general
// reader). Whatever is not plain (an escape, a byte beyond ASCII, a member that is
// not expected) makes it give up, and the general reader decides. It looks at every
// byte: those of texts in word, all others by what they must be.
type straight struct {
	b     []byte
	s     string   // b, for texts to be cut from, if there is no decoder
	lends *Decoder // nil if s has the texts
	lot   *Lot     // with lends
	pos   int
	fail  bool
	// more is set after a member of the object that is being read.
	more bool
}

// decodeStraight is DecodeCanonical for plain bytes; false gives the bytes to the
// general reader, and says nothing of whether they are right.
func decodeStraight(raw []byte) (*Event, bool) {
	r := straight{b: raw, s: string(raw)}
	e := &Event{}
	return e, r.event(e)
}

func (r *straight) event(e *Event) bool {
	var kind Kind
	var data span
	r.lit('{')
	r.text(fieldAnimal, &e.Animal)
	r.text(fieldAt, &e.At)
	r.usual(fieldBy, &e.By, lastBy)
	if r.member("data") {
		data.from = r.pos
		r.skipData()
		data.to = r.pos
	}
	r.text(fieldHalf, &e.Half)
	r.usual(fieldHerd, &e.Herd, lastHerd)
	r.id(fieldID, &e.ID)
	if r.member(fieldKind.Name) {
		kind = kindOf(r.word())
	}
	if r.member(fieldNoteHash.Name) {
		r.fail = r.fail || e.NoteHash.UnmarshalText(r.word()) != nil
	}
	r.date(fieldOn, &e.On)
	r.text(fieldRef, &e.Ref)
	r.id(fieldReplaces, &e.Replaces)
	r.usual(fieldSource, &e.Source, lastSource)
	r.lit('}')
	if r.fail || r.pos != len(r.b) || !kind.Valid() {
		return false
	}
	e.Kind, e.Data = kind, r.blank(kind)
	if data.to > data.from {
		r.b, r.pos = r.b[:data.to], data.from
		r.record(e.Data)
	}
	return !r.fail && (data.to == data.from || r.pos == data.to)
}

func (r *straight) blank(k Kind) Data {
	if r.lot != nil {
		return r.lot.blank(k)
	}
	return k.Spec().blank()
}

// span is a part of the text.
type span struct{ from, to int }

func (r *straight) lit(c byte) {
	if r.pos >= len(r.b) || r.b[r.pos] != c {
		r.fail = true
		return
	}
	r.pos++
	r.more = false
}

// member takes the name of the member and its colon, if it comes next.
func (r *straight) member(name string) bool {
	at := r.pos
	if r.fail {
		return false
	}
	if r.more {
		if at >= len(r.b) || r.b[at] != ',' {
			return false
		}
		at++
	}
	n := len(name)
	if len(r.b)-at < n+4 || r.b[at] != '"' || r.b[at+1] != name[0] || string(r.b[at+1:at+1+n]) != name || r.b[at+1+n] != '"' || r.b[at+2+n] != ':' {
		return false
	}
	r.pos, r.more = at+n+3, true
	return true
}

// word reads a plain text in quotes that is not empty.
func (r *straight) word() []byte {
	from := r.pos + 1
	if r.pos < len(r.b) && r.b[r.pos] == '"' {
		for at := from; at < len(r.b); at++ {
			c := r.b[at]
			if c == '"' && at > from {
				r.pos = at + 1
				return r.b[from:at]
			}
			if !plain[c] {
				break
			}
		}
	}
	r.fail = true
	return nil
}

// plain tells of each byte whether it stands for itself inside a text.
var plain = func() (is [256]bool) {
	for c := 0x20; c <= 0x7e; c++ {
		is[c] = c != '"' && c != '\\'
	}
	return is
}()

// fixed reads a text in quotes of a given length, none of whose bytes it looks at.
func (r *straight) fixed(n int) []byte {
	if end := r.pos + n + 1; end < len(r.b) && r.b[r.pos] == '"' && r.b[end] == '"' {
		b := r.b[r.pos+1 : end]
		r.pos = end + 1
		return b
	}
	r.fail = true
	return nil
}

// skipData passes over the data, of which record reads every byte later: up to a
// brace with the next member of an event behind it. A text cannot hold that, for a
// quote in it would be escaped.
func (r *straight) skipData() {
	for {
		n := bytes.IndexByte(r.b[r.pos:], '}')
		if n < 0 {
			r.fail = true
			return
		}
		r.pos += n + 1
		if next := r.b[r.pos:]; len(next) > 6 && (string(next[:6]) == `,"herd` || string(next[:6]) == `,"half`) {
			return
		}
	}
}

func (r *straight) record(d record) {
	r.lit('{')
	d.fields(r)
	r.lit('}')
	r.more = true
}

func (r *straight) text(f *Field, v *string) {
	if !r.member(f.Name) {
		return
	}
	b := r.word()
	switch {
	case r.fail:
	case r.lends != nil:
		*v = string(b)
	default:
		*v = r.s[r.pos-1-len(b) : r.pos-1]
	}
}

// usual is text for a field that often says the same as in the event before.
func (r *straight) usual(f *Field, v *string, which int) {
	if r.lends == nil {
		r.text(f, v)
		return
	}
	if !r.member(f.Name) {
		return
	}
	last := &r.lends.last[which]
	if b := r.word(); string(b) != *last {
		*last = string(b)
	}
	*v = *last
}

// enum takes the word of the declaration, so that a list of events does not keep
// the bytes of each alive for it.
func (r *straight) enum(f *Field, v *string) {
	if !r.member(f.Name) {
		return
	}
	s := r.word()
	for _, w := range f.Values {
		if w == string(s) {
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
	for ; r.pos < len(r.b) && r.b[r.pos] >= '0' && r.b[r.pos] <= '9' && digits < 10; r.pos++ {
		n = 10*n + int(r.b[r.pos]-'0')
		digits++
	}
	if digits == 0 || digits > 9 || digits > 1 && r.b[r.pos-digits] == '0' {
		r.fail = true
	}
	*v = Int(n)
}

func (r *straight) boolean(f *Field, v *OptBool) {
	if !r.member(f.Name) {
		return
	}
	switch {
	case bytes.HasPrefix(r.b[r.pos:], []byte("true")):
		*v, r.pos = Yes, r.pos+4
	case bytes.HasPrefix(r.b[r.pos:], []byte("false")):
		*v, r.pos = No, r.pos+5
	default:
		r.fail = true
	}
}

func (r *straight) date(f *Field, v *Date) {
	if r.member(f.Name) {
		const form = len("2006-01-02")
		var err error
		if b := r.fixed(form); r.lends != nil {
			*v, err = r.lends.dateOf(b)
		} else {
			*v, err = ParseDate(string(b))
		}
		r.fail = r.fail || err != nil
	}
}

func (r *straight) id(f *Field, v *uuid.UUID) {
	if r.member(f.Name) {
		r.fail = !readUUID(r.fixed(uuidForm), v) || r.fail
	}
}

func (r *straight) enumSet(f *Field, v *[]string) {
	if !r.member(f.Name) {
		return
	}
	r.lit('[')
	for !r.fail {
		s := r.word()
		i := slices.IndexFunc(f.Values, func(w string) bool { return w == string(s) })
		if i < 0 {
			r.fail = true
			return
		}
		*v = append(*v, f.Values[i])
		if r.pos < len(r.b) && r.b[r.pos] == ',' {
			r.pos++
			continue
		}
		break
	}
	r.lit(']')
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
	r.lit('[')
	for !r.fail && v.size() < f.Max {
		r.record(v.add())
		if r.pos < len(r.b) && r.b[r.pos] == ',' {
			r.pos++
			continue
		}
		break
	}
	r.lit(']')
	r.more = true
}

// kindOf is ParseKind; 0 = none.
func kindOf(name []byte) Kind {
	if len(name) > 0 {
		for _, k := range kindsByLetter[name[0]] {
			if specs[k].Name == string(name) {
				return k
			}
		}
	}
	return 0
}

var kindsByLetter = func() (by [256][]Kind) {
	for k := KindArrival; k < kindEnd; k++ {
		c := specs[k].Name[0]
		by[c] = append(by[c], k)
	}
	return by
}()

// readUUID reads the one usual form, as parseUUID does.
func readUUID(b []byte, to *uuid.UUID) bool {
	if len(b) != uuidForm || b[8] != '-' || b[13] != '-' || b[18] != '-' || b[23] != '-' {
		return false
	}
	text := (*[uuidForm]byte)(b)
	var all byte
	for i, at := range [...]uint8{0, 2, 4, 6, 9, 11, 14, 16, 19, 21, 24, 26, 28, 30, 32, 34} {
		hi, lo := hexValues[text[at]], hexValues[text[at+1]]
		all |= hi | lo
		to[i] = hi<<4 | lo&15
	}
	return all < noHex && *to != uuid.Nil
}

// uuidForm is how many hex digits and hyphens a UUID has.
const uuidForm = 36

// noHex stands in hexValues for what is no hex digit: above all of them.
const noHex = 0x80

var hexValues = func() (v [256]byte) {
	for i := range v {
		v[i] = noHex
	}
	for i, c := range []byte(hexDigits) {
		v[c] = byte(i)
	}
	for i, c := range []byte("ABCDEF") {
		v[c] = byte(10 + i)
	}
	return v
}()
