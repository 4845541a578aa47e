package event_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
)

const (
	someID  = "01234567-89ab-8def-8123-456789abcdef"
	otherID = "fedcba98-7654-8321-8fed-cba987654321"
	someDay = "2026-01-02"
)

// sample is a valid value of a field, as generic JSON.
func sample(f *event.Field) any {
	switch f.Type {
	case event.Text:
		return "x"
	case event.Enum:
		return f.Values[0]
	case event.Integer:
		return f.Min
	case event.Bool:
		return true
	case event.DateOn:
		return someDay
	case event.ID:
		return otherID
	case event.EnumSet:
		return []any{f.Values[0]}
	case event.Object:
		return samples(f.Fields)
	case event.Objects:
		return []any{samples(f.Fields)}
	}
	panic("no such type")
}

func samples(fields []*event.Field) map[string]any {
	m := map[string]any{}
	for _, f := range fields {
		m[f.Name] = sample(f)
	}
	return m
}

// full is a valid event of the kind that has every field.
func full(s *event.Spec) map[string]any {
	m := map[string]any{
		"id": someID, "herd": "alder-row", "kind": s.Name, "on": someDay, "at": "06:30", "by": "t1", "source": "office",
		"ref": "12", "replaces": otherID, "note": "note", "note_salt": strings.Repeat("1f", 16),
	}
	if s.Animal {
		m["animal"] = "0042"
	}
	if len(s.Fields) > 0 {
		m["data"] = samples(s.Fields)
	}
	if s.Kind == event.KindBreeding { // only a run with a bull has a last day
		members(m["data"])["method"] = event.Natural
	}
	return m
}

// members is a generic object; anything else has none.
func members(v any) map[string]any {
	m, _ := v.(map[string]any)
	return m
}

// follow walks a JSON Pointer without escapes to the container of its last part.
func follow(m map[string]any, pointer string) (any, string) {
	parts := strings.Split(pointer[1:], "/")
	var v any = m
	for _, p := range parts[:len(parts)-1] {
		switch c := v.(type) {
		case map[string]any:
			v = c[p]
		case []any:
			v = c[int(p[0]-'0')]
		}
	}
	return v, parts[len(parts)-1]
}

func set(m map[string]any, pointer string, v any) {
	c, last := follow(m, pointer)
	switch c := c.(type) {
	case map[string]any:
		if c[last] = v; v == nil {
			delete(c, last)
		}
	case []any:
		c[int(last[0]-'0')] = v
	}
}

// problems decodes and validates.
func problems(raw string) event.Problems {
	e, err := event.Decode([]byte(raw))
	if err == nil {
		err = e.Validate(eventtest.Today)
	}
	var list event.Problems
	errors.As(err, &list)
	return list
}

// rule is one change of a valid event and what must come of it; code "" is
// nothing.
type rule struct {
	pointer string
	value   any // nil deletes
	code    string
	at      string // pointer of the problem, where it is not the field's own
}

// fieldRules derives from a declaration what must be refused and what must not.
func fieldRules(f *event.Field, p string) []rule {
	bad := func(v any, code string) rule { return rule{p, v, code, p} }
	good := func(v any) rule { return rule{p, v, "", ""} }
	var list []rule
	if f.Required {
		list = append(list, bad(nil, event.CodeRequired))
	} else {
		list = append(list, good(nil))
	}
	wrongType := bad(7, event.CodeWrongType)
	switch f.Type {
	case event.Text:
		list = append(list, wrongType, bad("", event.CodeBadText),
			good(strings.Repeat("é", f.Max)), bad(strings.Repeat("é", f.Max+1), event.CodeTooLong),
			bad("a\x00b", event.CodeBadText), bad("a\u0085b", event.CodeBadText), bad("a\ufffdb", event.CodeBadText),
			bad(" a", event.CodeBadText), bad("a ", event.CodeBadText), bad("a\u00a0", event.CodeBadText))
	case event.Enum:
		list = append(list, wrongType, bad("no such word", event.CodeNotAllowed), bad(strings.ToUpper(f.Values[0]), event.CodeNotAllowed))
		for _, w := range f.Values {
			list = append(list, good(w))
		}
	case event.Integer:
		list = append(list, bad("7", event.CodeWrongType), bad(true, event.CodeWrongType), good(f.Min), good(f.Max),
			bad(f.Min-1, event.CodeOutOfRange), bad(f.Max+1, event.CodeOutOfRange))
	case event.Bool:
		list = append(list, wrongType, bad("true", event.CodeWrongType), good(true), good(false))
	case event.DateOn:
		list = append(list, bad(20260102, event.CodeWrongType), bad("", event.CodeBadDate), bad("2026-02-29", event.CodeBadDate),
			bad("2026-1-2", event.CodeBadDate), bad("1899-12-31", event.CodeBadDate), bad("2200-01-01", event.CodeBadDate),
			bad("2026-01-02T00:00", event.CodeBadDate), bad("02/01/2026", event.CodeBadDate))
	case event.ID:
		list = append(list, wrongType, bad("", event.CodeBadID), bad("x", event.CodeBadID), bad(strings.Repeat("0", 8)+"-0000-0000-0000-"+strings.Repeat("0", 12), event.CodeBadID),
			bad("{"+someID[1:35]+"}", event.CodeBadID), bad(strings.Replace(someID, "-", "_", 1), event.CodeBadID), bad(strings.ReplaceAll(someID, "-", ""), event.CodeBadID))
	case event.EnumSet:
		list = append(list, bad("word", event.CodeWrongType), bad([]any{f.Values[0], 1}, event.CodeWrongType), good([]any{}),
			bad([]any{"no such word"}, event.CodeNotAllowed), bad([]any{f.Values[0], f.Values[0]}, event.CodeContradicts))
		all := []any{}
		for _, w := range f.Values {
			all = append(all, w)
		}
		list = append(list, good(all))
	case event.Object:
		list = append(list, wrongType, bad([]any{}, event.CodeWrongType), rule{p + "/mystery", "x", event.CodeUnknownField, p + "/mystery"})
		for _, sub := range f.Fields {
			list = append(list, fieldRules(sub, p+"/"+sub.Name)...)
		}
	case event.Objects:
		many := func(n int) []any {
			l := []any{}
			for range n {
				l = append(l, samples(f.Fields))
			}
			return l
		}
		list = append(list, wrongType, good([]any{}), good(many(f.Max)), bad(many(f.Max+1), event.CodeTooLong),
			rule{p, []any{"x"}, event.CodeWrongType, p + "/0"}, rule{p + "/0/mystery", "x", event.CodeUnknownField, p + "/0/mystery"})
		for _, sub := range f.Fields {
			list = append(list, fieldRules(sub, p+"/0/"+sub.Name)...)
		}
	}
	return list
}

// Every bound of every field of every kind is held, and what lies just inside
// it is taken. The rules follow from the declarations, so that a new field is
// covered by being declared.
func TestEveryFieldsBounds(t *testing.T) {
	columns := map[string]bool{"": true}
	for _, c := range event.Columns() {
		columns[c.Name] = true
	}
	n := 0
	for _, s := range event.Specs() {
		t.Run(s.Name, func(t *testing.T) {
			if list := problems(jcsOf(full(&s))); list != nil {
				t.Fatalf("the full event is refused: %v", list)
			}
			rules := []rule{
				{"/data/mystery", "x", event.CodeUnknownField, "/data/mystery"},
				{"/data", "x", event.CodeWrongType, "/data"},
			}
			if len(s.Fields) == 0 {
				rules[0] = rule{"/data", map[string]any{"mystery": 1}, event.CodeUnknownField, "/data/mystery"}
			}
			for _, f := range s.Fields {
				rules = append(rules, fieldRules(f, "/data/"+f.Name)...)
			}
			for _, r := range rules {
				m := full(&s)
				set(m, r.pointer, r.value)
				if r.pointer == "/data/method" && r.value != event.Natural && s.Kind == event.KindBreeding {
					delete(members(m["data"]), "until")
				}
				raw := jcsOf(m)
				check(t, raw, r)
				for _, p := range problems(raw) {
					if r.code != event.CodeTooLong && !columns[p.Column] {
						t.Errorf("%s: no such column as %q", raw, p.Column)
					}
				}
				n++
			}
		})
	}
	if n < 400 {
		t.Errorf("only %d rules were derived", n)
	}
}

func check(t *testing.T, raw string, r rule) {
	t.Helper()
	list := problems(raw)
	if r.code == "" {
		if list != nil {
			t.Errorf("%s: refused: %v", raw, list)
		}
		return
	}
	if !slices.ContainsFunc(list, func(p event.Problem) bool { return p.Code == r.code && p.Pointer == r.at }) {
		t.Errorf("%s: want %s at %s, got %+v", raw, r.code, r.at, list)
	}
	for _, p := range list {
		if p.Detail == "" || strings.Contains(p.Detail, "%!") {
			t.Errorf("%s: a problem without words: %+v", raw, p)
		}
	}
}

// jcsOf writes generic JSON whose numbers are ints.
func jcsOf(v any) string {
	switch v := v.(type) {
	case int:
		return fmt.Sprint(v)
	case []any:
		parts := make([]string, len(v))
		for i := range v {
			parts[i] = jcsOf(v[i])
		}
		return "[" + strings.Join(parts, ",") + "]"
	case map[string]any:
		parts := make([]string, 0, len(v))
		for name := range v {
			parts = append(parts, jcs(name)+":"+jcsOf(v[name]))
		}
		slices.Sort(parts)
		return "{" + strings.Join(parts, ",") + "}"
	}
	return jcs(v)
}

// The envelope's own rules, on a kind about an animal and on one about the herd.
func TestEnvelopeBounds(t *testing.T) {
	text := func(p string, most int) []rule {
		return []rule{
			{p, nil, "", ""},
			{p, 7, event.CodeWrongType, p},
			{p, "", event.CodeBadText, p},
			{p, strings.Repeat("牛", most), "", ""},
			{p, strings.Repeat("牛", most+1), event.CodeTooLong, p},
			{p, "a\x1fb", event.CodeBadText, p},
			{p, "a\x7fb", event.CodeBadText, p},
			{p, " a", event.CodeBadText, p},
			{p, "a\u3000", event.CodeBadText, p},
			{p, "a\nb", event.CodeBadText, p},
		}
	}
	rules := slices.Concat(text("/by", 32), text("/source", 64), text("/ref", 128), text("/animal", 32)[1:], []rule{
		{"/animal", nil, event.CodeRequired, "/animal"},
		{"/id", nil, "", ""}, // the server makes one
		{"/id", otherID, event.CodeContradicts, "/replaces"},
		{"/id", "1", event.CodeBadID, "/id"},
		{"/replaces", nil, "", ""},
		{"/replaces", someID, event.CodeContradicts, "/replaces"},
		{"/replaces", "1", event.CodeBadID, "/replaces"},
		{"/herd", nil, event.CodeRequired, "/herd"},
		{"/herd", "a", event.CodeBadText, "/herd"},
		{"/herd", "Alder", event.CodeBadText, "/herd"},
		{"/herd", "alder row", event.CodeBadText, "/herd"},
		{"/herd", strings.Repeat("a", 40), "", ""},
		{"/herd", strings.Repeat("a", 41), event.CodeTooLong, "/herd"},
		{"/herd", "7-", "", ""},
		{"/kind", nil, event.CodeRequired, "/kind"},
		{"/kind", "milking", event.CodeNotAllowed, "/kind"},
		{"/kind", "Heat", event.CodeNotAllowed, "/kind"},
		{"/kind", 3, event.CodeRequired, "/kind"},
		{"/on", nil, event.CodeRequired, "/on"},
		{"/on", "2026-11-25", "", ""},
		{"/on", "2026-11-26", event.CodeFuture, "/on"},
		{"/on", "1900-01-01", "", ""},
		{"/on", "1899-12-31", event.CodeBadDate, "/on"},
		{"/on", 1, event.CodeWrongType, "/on"},
		{"/at", "00:00", "", ""},
		{"/at", "23:59", "", ""},
		{"/at", "24:00", event.CodeBadTime, "/at"},
		{"/at", "12:60", event.CodeBadTime, "/at"},
		{"/at", "6:30", event.CodeBadTime, "/at"},
		{"/at", "06.30", event.CodeBadTime, "/at"},
		{"/at", "06:3x", event.CodeBadTime, "/at"},
		{"/at", "x6:30", event.CodeBadTime, "/at"},
		{"/half", "am", event.CodeContradicts, "/half"},
		{"/half", "noon", event.CodeNotAllowed, "/half"},
		{"/note", nil, event.CodeNotAllowed, "/note_salt"},
		{"/note", "a\n\tb  ", "", ""},
		{"/note", "a\rb", event.CodeBadText, "/note"},
		{"/note", "\ufffd", event.CodeBadText, "/note"},
		{"/note", strings.Repeat("𝒳", 500), "", ""},
		{"/note", strings.Repeat("a", 501), event.CodeTooLong, "/note"},
		{"/note_salt", nil, "", ""},
		{"/note_salt", "1f", event.CodeBadText, "/note_salt"},
		{"/note_salt", strings.Repeat("1F", 16), event.CodeBadText, "/note_salt"},
		{"/note_salt", strings.Repeat("g0", 16), event.CodeBadText, "/note_salt"},
		{"/note_salt", strings.Repeat("0", 32), event.CodeBadText, "/note_salt"},
		{"/data", nil, event.CodeRequired, "/data/verdict"},
		{"/data", []any{}, event.CodeWrongType, "/data"},
		{"/mystery", 1, event.CodeUnknownField, "/mystery"},
		{"/m~y/stery", 1, event.CodeUnknownField, "/m~0y~1stery"},
		{"/On", someDay, event.CodeUnknownField, "/On"},
		{"/seq", 1, event.CodeServerField, "/seq"},
		{"/recorded_at", "x", event.CodeServerField, "/recorded_at"},
		{"/hash", "x", event.CodeServerField, "/hash"},
		{"/note_hash", "x", event.CodeServerField, "/note_hash"},
		{"/voided_by", "x", event.CodeServerField, "/voided_by"},
	})
	spec := event.KindHeat.Spec()
	for _, r := range rules {
		m := full(spec)
		if strings.Contains(r.pointer, "~") {
			m[r.pointer[1:]] = r.value
		} else {
			set(m, r.pointer, r.value)
		}
		check(t, jcsOf(m), r)
	}

	walk := full(event.KindWalk.Spec())
	walk["animal"] = "7"
	check(t, jcsOf(walk), rule{code: event.CodeNotAllowed, at: "/animal"})
	delete(walk, "animal")
	delete(walk, "at")
	walk["half"] = "pm"
	check(t, jcsOf(walk), rule{})
}

// Rules between fields: only what cannot be is refused.
func TestContradictions(t *testing.T) {
	base := map[string]string{
		"arrival":       `"animal":"1","kind":"arrival","data":{"how":"born",%s}`,
		"breeding":      `"animal":"1","kind":"breeding","data":{%s}`,
		"breeding_stop": `"animal":"1","kind":"breeding_stop","data":{%s}`,
		"treatment":     `"animal":"1","kind":"treatment","data":{%s}`,
		"renumber":      `"animal":"1","kind":"renumber","data":{%s}`,
		"void":          `"kind":"void","data":{"reason":"r",%s}`,
	}
	id := func(scheme, id string) string {
		return fmt.Sprintf(`"official_id":{"scheme":%q,"id":%q}`, scheme, id)
	}
	const official = "/data/official_id/id"
	for _, c := range []struct{ kind, data, code, at string }{
		{"arrival", `"born_on":"2026-01-02"`, "", ""},
		{"arrival", `"born_on":"2026-01-03"`, event.CodeOutOfRange, "/data/born_on"},
		{"arrival", `"conceived_on":"2026-01-03"`, event.CodeOutOfRange, "/data/conceived_on"},
		{"arrival", `"last_bred_on":"2026-01-03"`, event.CodeOutOfRange, "/data/last_bred_on"},
		{"arrival", `"last_calved_on":"2026-01-03"`, event.CodeOutOfRange, "/data/last_calved_on"},
		{"arrival", `"born_on":"2025-01-01","last_calved_on":"2024-12-31"`, event.CodeOutOfRange, "/data/last_calved_on"},
		{"arrival", `"born_on":"2025-01-01","last_calved_on":"2025-01-01"`, "", ""},
		{"arrival", id("std.iso.11785", "999000000000001"), "", ""},
		{"arrival", id("std.iso.11785", "999274877906943"), "", ""}, // 2^38-1: ISO 11784 gives the national number 38 bits
		{"arrival", id("std.iso.11785", "999274877906944"), event.CodeBadID, official},
		{"arrival", id("std.iso.11785", "000000000000001"), event.CodeBadID, official},
		{"arrival", id("std.iso.11785", "99900000000001"), event.CodeBadID, official},
		{"arrival", id("usa.ain", "840003123456789"), "", ""},
		{"arrival", id("usa.ain", "841003123456789"), event.CodeBadID, official},
		{"arrival", id("usa.ain", "8.40003E+14"), event.CodeBadID, official}, // what a spreadsheet leaves of it
		{"arrival", id("herd.own", "8,4E14"), event.CodeBadID, official},
		{"arrival", id("herd.own", "7e5"), event.CodeBadID, official},
		{"arrival", id("herd.own", "e5"), "", ""},
		{"arrival", id("us.nues", "35ABC1234"), "", ""},
		{"arrival", id("us.nues", "35A1234"), event.CodeBadID, official},
		{"arrival", id("eu.animalId", "276000000000001"), "", ""},
		{"arrival", id("eu.bovine", "DE0012345678"), "", ""},
		{"arrival", id("eu.bovine", "de0012345678"), event.CodeBadID, official},
		{"arrival", id("uk.cts.eartag", "UK123456700001"), "", ""},
		{"arrival", id("uk.cts.eartag", "FR123456700001"), event.CodeBadID, official},
		{"breeding", `"method":"natural","until":"2026-01-02"`, "", ""},
		{"breeding", `"method":"natural","until":"2026-01-01"`, event.CodeOutOfRange, "/data/until"},
		{"breeding", `"method":"natural","until":"2026-11-25"`, "", ""},
		{"breeding", `"method":"natural","until":"2026-11-26"`, event.CodeFuture, "/data/until"},
		{"breeding", `"method":"ai","until":"2026-01-03"`, event.CodeNotAllowed, "/data/until"},
		{"breeding_stop", `"until":"2199-12-31"`, "", ""},
		{"breeding_stop", `"until":"2026-01-01"`, event.CodeOutOfRange, "/data/until"},
		{"treatment", `"milk_withheld_until":"2026-01-01"`, event.CodeOutOfRange, "/data/milk_withheld_until"},
		{"treatment", `"meat_withheld_until":"2026-01-01"`, event.CodeOutOfRange, "/data/meat_withheld_until"},
		{"treatment", `"meat_withheld_until":"2026-01-02","milk_withheld_until":"2027-01-01"`, "", ""},
		{"renumber", `"to":"1"`, event.CodeContradicts, "/data/to"},
		{"renumber", `"to":"01"`, "", ""},
		{"void", `"event":"` + someID + `"`, event.CodeContradicts, "/data/event"},
		{"void", `"event":"` + otherID + `"`, "", ""},
	} {
		raw := `{"id":"` + someID + `","herd":"alder-row","on":"2026-01-02",` + fmt.Sprintf(base[c.kind], c.data) + `}`
		check(t, raw, rule{code: c.code, at: c.at})
	}
}

// A value that a program set, not a text that was read.
func TestValidateOfBuiltEvents(t *testing.T) {
	for _, c := range []struct {
		e        event.Event
		code, at string
	}{
		{event.Event{}, event.CodeRequired, "/kind"},
		{event.Event{Kind: 200, Data: &event.DryOff{}}, event.CodeRequired, "/kind"},
		{event.Event{Kind: event.KindDryOff}, event.CodeRequired, "/kind"},
		{event.Event{Kind: event.KindDryOff, Herd: "alder-row", Animal: "1", On: -5, Data: &event.DryOff{}}, event.CodeBadDate, "/on"},
		{event.Event{Kind: event.KindDryOff, Herd: "alder-row", Animal: "1", On: 200_000, Data: &event.DryOff{}}, event.CodeBadDate, "/on"},
		{event.Event{Kind: event.KindDryOff, Herd: "alder-row", Animal: "\xff", On: 40_000, Data: &event.DryOff{}}, event.CodeBadText, "/animal"},
		{event.Event{Kind: event.KindBreedingStop, Herd: "alder-row", Animal: "1", On: 40_000, Data: &event.BreedingStop{Until: 200_000}}, event.CodeBadDate, "/data/until"},
		{event.Event{Kind: event.KindCalving, Herd: "alder-row", Animal: "1", On: 40_000, Data: &event.Calving{Calves: make([]event.Calf, 5)}}, event.CodeTooLong, "/data/calves"},
		{event.Event{Kind: event.KindCalving, Herd: "alder-row", Animal: "1", On: 40_000, Data: &event.Calving{Calves: make([]event.Calf, 2)}}, event.CodeRequired, "/data/calves/1/outcome"},
	} {
		var list event.Problems
		if err := c.e.Validate(eventtest.Today); !errors.As(err, &list) {
			t.Errorf("%+v: %v", c.e, err)
		}
		if !slices.ContainsFunc(list, func(p event.Problem) bool { return p.Code == c.code && p.Pointer == c.at }) {
			t.Errorf("%+v: want %s at %s, got %+v", c.e, c.code, c.at, list)
		}
	}
}

func TestProblemsTell(t *testing.T) {
	one := event.Problem{Pointer: "/on", Code: event.CodeRequired, Detail: "on is missing"}
	for _, c := range []struct {
		list event.Problems
		want string
	}{
		{nil, "no problem"},
		{event.Problems{one}, "/on: on is missing"},
		{event.Problems{one, {Detail: "not JSON"}}, "/on: on is missing (and 1 more)"},
		{event.Problems{{Detail: "not JSON"}}, "not JSON"},
	} {
		if got := c.list.Error(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// A hostile value or member name is cut before it reaches a message.
func TestMessagesStayShort(t *testing.T) {
	long := strings.Repeat("é", 5000)
	for _, raw := range []string{
		`{"kind":"` + long + `"}`,
		`{"kind":"heat","` + long + `":1}`,
		`{"kind":"heat","on":"` + long + `","id":"` + long + `"}`,
		`{"kind":"heat","data":{"verdict":"` + long + `","signs":["` + long + `"]}}`,
	} {
		list := problems(raw)
		if len(list) == 0 {
			t.Errorf("taken: %.60s", raw)
		}
		for _, p := range list {
			if len(p.Detail) > 600 || len(p.Pointer) > 200 {
				t.Errorf("%d and %d bytes: %.80s", len(p.Detail), len(p.Pointer), p.Detail)
			}
		}
	}
}
