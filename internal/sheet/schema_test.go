package sheet_test

import (
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

const fullMapping = `
version: 1
name: full
description: every member
source: barn
encoding: windows-1252
delimiter: ";"
header_row: 2
header_rows: 2
skip_rows: 1
sheet: 2
dates: d mon y
months: [en, fr]
serials: 1900
decimal: ","
two_digit_years: true
animal_digits: 4
animal_pad: true
animal_strip: [DE, cow]
skip: [{column: cow, starts: [total]}, {position: 3, filled: false}]
key: [no, {position: 2}]
fields: {animal: cow, on: {column: day, dates: d/m/y, time: keep}, note: {column: note, optional: true}}
events:
  - name: a
    when: [{column: what, is: [x]}, {column: what, not: [y]}]
    kind: heat
    fields: {verdict: {column: v, words: {yes: in_heat, no: ""}, others: blank, default: suspect}, signs: {column: s, split: ","}}
  - name: b
    kind: {column: what, words: {b: breeding}, default: dry_off}
    fields: {method: {const: ai, only: [breeding]}}
otherwise: skip
`

// seenByCode are the faults that a schema of this size cannot see: what one
// member says about another, words that need a list of the log's, YAML itself.
var seenByCode = []string{
	"needs", "no such column", "no kind of event", "has no", "is not one of", "stands twice", "cannot be blank", "is blank", "animal_pad needs", "it is no date",
	"cannot be told", "by position only", "must be stated", "others goes with", "only a list", "ids of their own",
	"is not known", "one character", "kind takes", "only the time of on", "goes with a header", "state their languages", "still to choose", "sheet is the name",
	"a constant has no", "a constant or a column, not both", "a part of the key", "cannot be read from a column", "cannot unmarshal", "source must name",
}

// change puts something else into one place of a document.
func change(t *rapid.T, v any) any {
	switch v := v.(type) {
	case map[string]any:
		if len(v) == 0 || rapid.IntRange(0, 5).Draw(t, "here") == 0 {
			break
		}
		v = maps.Clone(v)
		k := rapid.SampledFrom(slices.Sorted(maps.Keys(v))).Draw(t, "member")
		switch rapid.IntRange(0, 9).Draw(t, "how") {
		case 0:
			delete(v, k)
		case 1:
			v[k+"x"] = v[k]
		default:
			v[k] = change(t, v[k])
		}
		return v
	case []any:
		if len(v) == 0 || rapid.IntRange(0, 5).Draw(t, "here") == 0 {
			break
		}
		v = slices.Clone(v)
		i := rapid.IntRange(0, len(v)-1).Draw(t, "item")
		v[i] = change(t, v[i])
		return v
	}
	// YAML reads a bare 5 as the text 5 where a text is meant; so scalars are
	// changed for their like, and for lists and objects.
	junk := []any{[]any{}, []any{"x"}, map[string]any{}, map[string]any{"x": "y"}}
	switch v.(type) {
	case string:
		junk = append(junk, "", " ", "x", "iso", "1900", "a#b", "refuse", "keep")
	case float64:
		junk = append(junk, float64(0), float64(1), float64(-1), float64(99), float64(2000))
	case bool:
		junk = append(junk, true, false)
	}
	return rapid.SampledFrom(junk).Draw(t, "junk")
}

// lenient tells whether a document has an empty text outside of words. The
// reader takes it for a member that is left out; the schema wants it left out.
func lenient(v any) bool {
	switch v := v.(type) {
	case map[string]any:
		for k, below := range v {
			if k != "words" && lenient(below) {
				return true
			}
		}
	case []any:
		return slices.ContainsFunc(v, lenient)
	case string:
		return v == ""
	}
	return false
}

// TestSchemaAgrees: what ParseMapping takes the published schema takes, and
// what ParseMapping refuses the schema refuses, but for the faults listed
// above.
func TestSchemaAgrees(t *testing.T) {
	schema := mappingSchema(t)
	docs := [][]byte{[]byte(goodMapping), []byte(fullMapping)}
	for _, name := range []string{"office-events", "office-cows", "messy"} {
		docs = append(docs, sample(t, name+".yaml"))
	}
	for _, d := range docs {
		v, _ := asJSON(t, d)
		if _, err := sheet.ParseMapping(d); err != nil || schema.Validate(v) != nil {
			t.Fatalf("control: %v, %v\n%s", err, schema.Validate(v), d)
		}
	}
	taken, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		var v any
		_, text := asJSONText(t, docs[rapid.IntRange(0, len(docs)-1).Draw(t, "document")])
		if err := json.Unmarshal(text, &v); err != nil {
			t.Fatal(err)
		}
		v = change(t, v)
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		_, err = sheet.ParseMapping(text)
		bad := schema.Validate(v)
		var me *sheet.MappingError
		switch {
		case err == nil:
			taken++
			if bad != nil && !lenient(v) {
				t.Fatalf("ParseMapping takes what the schema refuses: %v\n%s", bad, text)
			}
		case bad == nil && errors.As(err, &me):
			for _, f := range me.Faults {
				if !slices.ContainsFunc(seenByCode, func(s string) bool { return strings.Contains(f, s) }) {
					t.Fatalf("the schema takes what ParseMapping refuses: %s\n%s", f, text)
				}
			}
		case bad != nil:
			refused++
		}
	})
	if taken == 0 || refused == 0 {
		t.Errorf("%d taken, %d refused by both: the test hardly tests", taken, refused)
	}
}

// TestSchemaWords: the lists in the schema are those of the code.
func TestSchemaWords(t *testing.T) {
	var doc struct {
		Properties map[string]struct {
			Items struct{ Enum []string }
			Enum  []any
		}
		Defs struct {
			Kind struct{ Enum []string }
		} `json:"$defs"`
	}
	if err := json.Unmarshal(sheet.MappingSchema(), &doc); err != nil {
		t.Fatal(err)
	}
	if got := doc.Properties["months"].Items.Enum; !slices.Equal(got, sheet.Languages()) {
		t.Errorf("the schema has the languages %q, the code %q", got, sheet.Languages())
	}
	var kinds []string
	for _, s := range event.Specs() {
		kinds = append(kinds, s.Name)
	}
	if got := doc.Defs.Kind.Enum; !slices.Equal(got, kinds) {
		t.Errorf("the schema has the kinds %q, the code %q", got, kinds)
	}
	for _, e := range sheet.Encodings() {
		if !strings.Contains(string(sheet.MappingSchema()), e) {
			t.Errorf("the schema does not name the encoding %s", e)
		}
	}
}
