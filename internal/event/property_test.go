package event_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"sort"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
)

// Every generated event is valid, and the generator reaches every field of
// every kind: without this the properties below would hold of less than the
// vocabulary.
func TestGeneratorReachesEveryField(t *testing.T) {
	want := map[string]bool{}
	var declare func(prefix string, fields []*event.Field)
	declare = func(prefix string, fields []*event.Field) {
		for _, f := range fields {
			want[prefix+f.Name] = true
			declare(prefix+f.Name+".", f.Fields)
		}
	}
	for _, s := range event.Specs() {
		declare(s.Name+".", s.Fields)
	}
	for seed := range 3000 {
		e := eventtest.Gen("alder-row").Example(seed)
		if err := e.Validate(eventtest.Today); err != nil {
			t.Fatalf("%s: %v", e.Canonical(), err)
		}
		var seen func(prefix string, v any)
		seen = func(prefix string, v any) {
			switch v := v.(type) {
			case map[string]any:
				for name, m := range v {
					delete(want, prefix+"."+name)
					seen(prefix+"."+name, m)
				}
			case []any:
				for _, m := range v {
					seen(prefix, m)
				}
			}
		}
		seen(e.Kind.String(), generic(t, e.Canonical())["data"])
	}
	for name := range want {
		t.Errorf("%s was never generated", name)
	}
}

// T22 of the test plan: what is read from the bytes has the same bytes, and is
// the same event.
func TestCanonicalRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := eventtest.Gen("alder-row").Draw(t, "event")
		want := e.Canonical()
		got, err := event.DecodeCanonical(want)
		if err != nil {
			t.Fatalf("%s: %v", want, err)
		}
		if again := got.Canonical(); !bytes.Equal(again, want) {
			t.Fatalf("not idempotent:\n%s\n%s", want, again)
		}
		e.Note, e.NoteSalt = "", event.Salt{} // only the commitment is in the bytes
		if sorted(e); !reflect.DeepEqual(got, e) {
			t.Fatalf("another event came back from %s:\n%+v\n%+v", want, got, e)
		}
		if e.NoteHash == (event.Digest{}) {
			plain, err := event.Decode(want)
			if err != nil || !reflect.DeepEqual(plain, e) {
				t.Fatalf("Decode(%s) = %+v, %v", want, plain, err)
			}
		}
	})
}

// What a client states reads back as the same event, note and salt included.
func TestStatedRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := eventtest.Gen("alder-row").Draw(t, "event")
		if rapid.IntRange(0, 3).Draw(t, "unsealed") == 0 {
			e.NoteSalt, e.NoteHash = event.Salt{}, event.Digest{}
		}
		raw := e.AppendStated(nil)
		got, err := event.Decode(raw)
		if err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
		if e.NoteSalt != (event.Salt{}) {
			got.Seal(event.Salt{})
		}
		if sorted(e); !reflect.DeepEqual(got, e) {
			t.Fatalf("another event came back from %s:\n%+v\n%+v", raw, got, e)
		}
	})
}

// The bytes are those of a general RFC 8785 serialiser, written here on its
// own, over the generic value.
func TestCanonicalIsJCS(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		got := eventtest.Gen("mill-lane").Draw(t, "event").Canonical()
		if want := jcs(generic(t, got)); string(got) != want {
			t.Fatalf("got  %s\nwant %s", got, want)
		}
	})
}

// Members may come in any order with any white space and any escapes.
func TestDecodeIgnoresLayout(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := eventtest.Gen("alder-row").Draw(t, "event")
		m := generic(t, e.Canonical())
		delete(m, "note_hash")
		if e.Note != "" {
			m["note"], m["note_salt"] = e.Note, e.NoteSalt.String()
		}
		raw := scramble(t, m)
		got, err := event.Decode([]byte(raw))
		if err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
		got.Seal(event.Salt{})
		if !bytes.Equal(got.Canonical(), e.Canonical()) || got.Note != e.Note {
			t.Fatalf("%s\ngave %s\nwant %s", raw, got.Canonical(), e.Canonical())
		}
	})
}

func TestCellsRoundTrip(t *testing.T) {
	var row []string
	rapid.Check(t, func(t *rapid.T) {
		e := eventtest.Gen("alder-row").Draw(t, "event")
		row = e.Cells(row)
		if len(row) != len(event.Columns()) {
			t.Fatalf("%d cells for %d columns", len(row), len(event.Columns()))
		}
		got, err := event.FromCells(row)
		if err != nil {
			t.Fatalf("%q: %v", row, err)
		}
		got.Seal(event.Salt{})
		if sorted(e); !reflect.DeepEqual(got, e) {
			t.Fatalf("another event came back from %q:\n%+v\n%+v", row, got, e)
		}
	})
}

// The order in which the words of a set were given leaves no trace.
func TestSetOrderLeavesNoTrace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := eventtest.GenOf("alder-row", event.KindHeat).Draw(t, "event")
		before, cells := e.Canonical(), e.Cells(nil)
		d, ok := e.Data.(*event.Heat)
		if !ok {
			t.Fatalf("%T", e.Data)
		}
		d.Signs = rapid.Permutation(d.Signs).Draw(t, "order")
		if after := e.Canonical(); !bytes.Equal(before, after) {
			t.Fatalf("%s\n%s", before, after)
		}
		if after := e.Cells(nil); !reflect.DeepEqual(cells, after) {
			t.Fatalf("%q\n%q", cells, after)
		}
	})
}

// A member that is null and one that is not there are the same.
func TestNullIsAbsent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := eventtest.GenPlain("alder-row").Draw(t, "event")
		e.Note, e.NoteSalt, e.NoteHash = "", event.Salt{}, event.Digest{}
		m := generic(t, e.Canonical())
		data, _ := m["data"].(map[string]any)
		for _, f := range e.Kind.Spec().Fields {
			if _, there := data[f.Name]; !there && data != nil {
				data[f.Name] = nil
			}
		}
		for _, f := range event.Envelope() {
			if _, there := m[f.Name]; !there {
				m[f.Name] = nil
			}
		}
		if data == nil {
			m["data"] = rapid.SampledFrom([]any{nil, map[string]any{}}).Draw(t, "data")
		}
		got, err := event.Decode([]byte(scramble(t, m)))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Canonical(), e.Canonical()) {
			t.Fatalf("%s\n%s", got.Canonical(), e.Canonical())
		}
	})
}

// sorted puts the words of a set in the order of their declaration, which is
// what comes back.
func sorted(e *event.Event) {
	d, ok := e.Data.(*event.Heat)
	if !ok || d.Signs == nil {
		return
	}
	var order []string
	for _, f := range e.Kind.Spec().Fields {
		if f.Name == "signs" {
			order = f.Values
		}
	}
	sort.Slice(d.Signs, func(i, j int) bool { return at(order, d.Signs[i]) < at(order, d.Signs[j]) })
}

func at(list []string, word string) int {
	for i := range list {
		if list[i] == word {
			return i
		}
	}
	return -1
}

type fataler interface {
	Helper()
	Fatalf(format string, args ...any)
}

func generic(t fataler, raw []byte) map[string]any {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var m map[string]any
	if err := d.Decode(&m); err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	return m
}

// jcs is RFC 8785 for the values of our profile, written from the RFC alone:
// members sorted by UTF-16 code units, no white space, the escapes of section
// 3.2.2.2, integers in plain decimals.
func jcs(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case bool:
		return fmt.Sprint(v)
	case json.Number:
		return v.String()
	case string:
		var b strings.Builder
		b.WriteByte('"')
		for _, r := range v {
			short, ok := map[rune]string{'\b': `\b`, '\t': `\t`, '\n': `\n`, '\f': `\f`, '\r': `\r`, '"': `\"`, '\\': `\\`}[r]
			switch {
			case ok:
				b.WriteString(short)
			case r < 0x20:
				fmt.Fprintf(&b, `\u%04x`, r)
			default:
				b.WriteRune(r)
			}
		}
		return b.String() + `"`
	case []any:
		parts := make([]string, len(v))
		for i := range v {
			parts[i] = jcs(v[i])
		}
		return "[" + strings.Join(parts, ",") + "]"
	case map[string]any:
		names := make([]string, 0, len(v))
		for name := range v {
			names = append(names, name)
		}
		sort.Slice(names, func(i, j int) bool { return lessUTF16(names[i], names[j]) })
		for i, name := range names {
			names[i] = jcs(name) + ":" + jcs(v[name])
		}
		return "{" + strings.Join(names, ",") + "}"
	}
	panic(fmt.Sprintf("no such JSON: %T", v))
}

func lessUTF16(a, b string) bool {
	x, y := utf16.Encode([]rune(a)), utf16.Encode([]rune(b))
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return x[i] < y[i]
		}
	}
	return len(x) < len(y)
}

// scramble writes a value as JSON with members in any order, white space
// anywhere and characters escaped at random.
func scramble(t *rapid.T, v any) string {
	space := func() string { return rapid.SampledFrom([]string{"", "", "", " ", "\n\t", "\r\n "}).Draw(t, "space") }
	switch v := v.(type) {
	case string:
		var b strings.Builder
		b.WriteByte('"')
		for _, r := range v {
			switch rapid.IntRange(0, 3).Draw(t, "escape") {
			case 0:
				for _, u := range utf16.Encode([]rune{r}) {
					fmt.Fprintf(&b, rapid.SampledFrom([]string{`\u%04x`, `\u%04X`}).Draw(t, "case"), u)
				}
			default:
				if r == '/' {
					b.WriteString(`\/`)
					continue
				}
				quoted := jcs(string(r))
				b.WriteString(quoted[1 : len(quoted)-1])
			}
		}
		return b.String() + `"`
	case []any:
		parts := make([]string, len(v))
		for i := range v {
			parts[i] = space() + scramble(t, v[i]) + space()
		}
		return "[" + strings.Join(parts, ",") + "]"
	case map[string]any:
		if len(v) == 0 {
			return "{" + space() + "}"
		}
		names := make([]string, 0, len(v))
		for name := range v {
			names = append(names, name)
		}
		sort.Strings(names)
		parts := make([]string, 0, len(v))
		for _, name := range rapid.Permutation(names).Draw(t, "members") {
			parts = append(parts, space()+scramble(t, name)+space()+":"+space()+scramble(t, v[name])+space())
		}
		return space() + "{" + strings.Join(parts, ",") + "}" + space()
	}
	return jcs(v)
}

// No two ways to spell one event: an id in capitals is the same id.
func TestIDCase(t *testing.T) {
	const id = "01234567-89ab-8def-8123-456789abcdef"
	raw := `{"kind":"dry_off","herd":"alder-row","animal":"1","on":"2026-01-02","id":"` + strings.ToUpper(id) + `"}`
	e, err := event.Decode([]byte(raw))
	if err != nil {
		t.Fatal(err)
	}
	if e.ID != uuid.MustParse(id) || !bytes.Contains(e.Canonical(), []byte(id)) {
		t.Fatalf("%s", e.Canonical())
	}
}
