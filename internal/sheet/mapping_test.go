package sheet_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"

	"byrelog.example/internal/sheet"
)

func mappingSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(sheet.MappingSchema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("urn:byrelog:mapping:1", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("urn:byrelog:mapping:1")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// asJSON turns YAML into what a JSON decoder would give.
func asJSON(t *testing.T, doc []byte) (any, []byte) {
	t.Helper()
	return asJSONText(t, doc)
}

func asJSONText(t interface{ Fatal(...any) }, doc []byte) (any, []byte) {
	var v any
	if err := yaml.Unmarshal(doc, &v); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	v, err = jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return v, text
}

// TestSchemaFitsSamples: the published schema takes the samples, and as JSON
// they are the same mappings.
func TestSchemaFitsSamples(t *testing.T) {
	schema := mappingSchema(t)
	for _, name := range []string{"office-events", "office-cows", "messy"} {
		v, text := asJSON(t, sample(t, name+".yaml"))
		if err := schema.Validate(v); err != nil {
			t.Errorf("%s.yaml: %v", name, err)
		}
		m, err := sheet.ParseMapping(text)
		if err != nil {
			t.Errorf("%s as JSON: %v", name, err)
			continue
		}
		a, _ := readAll(t, sample(t, name+".csv"), mapping(t, name+".yaml"))
		b, _ := readAll(t, sample(t, name+".csv"), m)
		if !reflect.DeepEqual(a, b) {
			t.Errorf("%s: the JSON form reads another log than the YAML form", name)
		}
	}
}

// TestSchemaNamesEveryMember: what the code reads and what the schema
// describes are the same members.
func TestSchemaNamesEveryMember(t *testing.T) {
	var doc struct {
		Properties map[string]struct {
			Items struct{ Properties map[string]any }
		}
		Defs map[string]struct{ Properties map[string]any } `json:"$defs"`
	}
	if err := json.Unmarshal(sheet.MappingSchema(), &doc); err != nil {
		t.Fatal(err)
	}
	keys := func(m any) (out []string) {
		for _, k := range reflect.ValueOf(m).MapKeys() {
			out = append(out, k.String())
		}
		slices.Sort(out)
		return out
	}
	tags := func(v any) (out []string) {
		for i := range reflect.TypeOf(v).NumField() {
			if tag := reflect.TypeOf(v).Field(i).Tag.Get("yaml"); tag != "" {
				out = append(out, tag)
			}
		}
		slices.Sort(out)
		return out
	}
	for _, tc := range []struct {
		name      string
		got, want []string
	}{
		{"mapping", keys(doc.Properties), tags(sheet.Mapping{})},
		{"rule", keys(doc.Properties["events"].Items.Properties), tags(sheet.Rule{})},
		{"cell", keys(doc.Defs["cell"].Properties), tags(sheet.Cell{})},
		{"condition", keys(doc.Defs["condition"].Properties), tags(sheet.Condition{})},
	} {
		if len(tc.want) == 0 || !slices.Equal(tc.got, tc.want) {
			t.Errorf("%s: the schema has %q, the code %q", tc.name, tc.got, tc.want)
		}
	}
}

const goodMapping = `
version: 1
source: barn
delimiter: ","
dates: iso
fields: {animal: cow, on: day}
events:
  - kind: breeding
    fields: {method: {const: ai}, sire: bull}
`

// TestMappingRefused: every fault of a mapping is named; those that a schema
// can see, the published schema refuses too.
func TestMappingRefused(t *testing.T) {
	schema := mappingSchema(t)
	if _, err := sheet.ParseMapping([]byte(goodMapping)); err != nil {
		t.Fatalf("control: %v", err)
	}
	if v, _ := asJSON(t, []byte(goodMapping)); schema.Validate(v) != nil {
		t.Fatalf("control: %v", schema.Validate(v))
	}
	for _, tc := range []struct {
		name, old, new, says string
		schema               bool // the schema refuses it too
	}{
		{"no version", "version: 1", "", "version must be 1", true},
		{"later version", "version: 1", "version: 2", "version must be 1", true},
		{"no source", "source: barn", "", "source must name", true},
		{"unknown member", "source: barn", "source: barn\nsauce: x", "sauce", true},
		{"unknown member of a cell", "{const: ai}", "{konst: ai}", `"konst"`, true},
		{"doubled member", "source: barn", "source: barn\nsource: byre", "already", false},
		{"encoding", "dates: iso", "dates: iso\nencoding: klingon", "klingon", false},
		{"delimiter of two", `delimiter: ","`, `delimiter: ",;"`, "one character", false},
		{"delimiter a digit", `delimiter: ","`, `delimiter: "1"`, "one character", false},
		{"dates not stated", "dates: iso", "", "cannot be told from the sheet", false},
		{"no such order", "dates: iso", "dates: d/y/m", "no order of dates", true},
		{"mixed separators", "dates: iso", "dates: d/m-y", "no order of dates", true},
		{"no such column", "sire: bull", "bull: bull", "no such column", false},
		{"a column of the log's", "sire: bull", "seq: n", "no such column", false},
		{"source from a column", "sire: bull", "source: x", "mapping's source", true},
		{"no such kind", "kind: breeding", "kind: mating", "no kind of event", false},
		{"kind without words", "kind: breeding", "kind: {column: what}", "needs words", false},
		{"no kind", "kind: breeding", "name: x", "kind is missing", true},
		{"no rule", "events:\n  - kind: breeding\n    fields: {method: {const: ai}, sire: bull}", "events: []", "at least one rule", true},
		{"needed field", "method: {const: ai}, ", "", "needs method", false},
		{"needed animal", "animal: cow, ", "", "needs animal", false},
		{"field of another kind", "sire: bull", "verdict: v", "no verdict", false},
		{"word the log lacks", "{const: ai}", "{column: how, words: {a: ultrasound}}", `"ultrasound" is not one of ai, natural, embryo`, false},
		{"constant the log lacks", "{const: ai}", "{const: airborne}", `"airborne" is not one of ai, natural, embryo`, false},
		{"a word twice", "{const: ai}", "{column: how, words: {A: ai, a: natural}}", "stands twice", false},
		{"a blank word", "{const: ai}", `{column: how, words: {" ": ai}}`, "cannot be blank", false},
		{"column and position", "sire: bull", "sire: {column: bull, position: 2}", "not both", true},
		{"neither", "sire: bull", "sire: {default: x}", "missing", true},
		{"constant and column", "{const: ai}", "{const: ai, column: x}", "a constant has no", true},
		{"position 0", "sire: bull", "sire: {position: -1}", "count from 1", true},
		{"split of a text", "sire: bull", `sire: {column: bull, split: ";"}`, "only a list", false},
		{"only of no kind", "sire: bull", "sire: {column: bull, only: [mating]}", "no kind of event", false},
		{"only of another kind", "sire: bull", "sire: {column: bull, only: [heat]}", "has no sire", false},
		{"others without words", "sire: bull", "sire: {column: bull, others: keep}", "others goes with words", false},
		{"others of no meaning", "sire: bull", "sire: {column: bull, words: {a: b}, others: drop}", "refuse, keep or blank", true},
		{"condition without test", "kind: breeding", "kind: breeding\n    when: [{column: x}]", "exactly one of", true},
		{"condition of two tests", "kind: breeding", "kind: breeding\n    when: [{column: x, is: [a], not: [b]}]", "exactly one of", true},
		{"names without a header", "version: 1", "version: 1\nheader_row: 0", "by position only", false},
		{"far header", "version: 1", "version: 1\nheader_row: 51", "header_row", true},
		{"otherwise", "version: 1", "version: 1\notherwise: guess", "refuse or skip", true},
		{"name with #", "kind: breeding", "kind: breeding\n    name: a#b", "no space, #", true},
		{"digits", "version: 1", "version: 1\nanimal_digits: 40", "animal_digits", true},
		{"default of no kind", "kind: breeding", "kind: {column: k, words: {a: breeding}, default: mating}", "no kind of event", false},
		{"one id for two events", "on: day}\nevents:", "on: day, event_id: id}\nevents:\n  - kind: dry_off", "ids of their own", false},
		{"two documents", "version: 1", "version: 1\n---\nversion: 1", "", false},
		{"not YAML", "version: 1", "version: [", "", false},
		{"a list", "version: 1", "- 1", "", false},
	} {
		doc := []byte(strings.Replace(goodMapping, tc.old, tc.new, 1))
		_, err := sheet.ParseMapping(doc)
		var me *sheet.MappingError
		if !errors.As(err, &me) || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: got %v, want %q", tc.name, err, tc.says)
		}
		if tc.schema {
			if v, _ := asJSON(t, doc); schema.Validate(v) == nil {
				t.Errorf("%s: the schema takes it", tc.name)
			}
		}
	}
	for _, doc := range []string{"", "# nothing\n", strings.Repeat("#", 300<<10)} {
		if _, err := sheet.ParseMapping([]byte(doc)); err == nil {
			t.Errorf("a document of %d bytes without content was taken", len(doc))
		}
	}
}

// TestForeignHeader: what the header lacks or doubles is named.
func TestForeignHeader(t *testing.T) {
	m, err := sheet.ParseMapping([]byte(goodMapping))
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct{ name, doc, says string }{
		{"missing", "cow,day\n", `lacks columns of the mapping: "bull"`},
		{"doubled", "cow,day,bull,Bull \n", `names a column of the mapping twice: "bull"`},
		{"other delimiter", "cow;day;bull\n", "lacks columns"},
		{"nothing", "\n", "before its header"},
	} {
		_, _, err := tryAll([]byte(tc.doc), m)
		if err == nil || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: got %v, want %q", tc.name, err, tc.says)
		}
	}
	lines, r := readAll(t, []byte("COW ,D-a-y,bull,x,x,\n"), strip(t, "dates: iso", "dates: iso\nskip: []", "day", "d a y"))
	if len(lines) != 0 || !slices.Equal(r.Unmapped(), []string{"x", "x"}) {
		t.Errorf("a header in another spelling: %v, unmapped %q", lines, r.Unmapped())
	}
}

// strip parses the good mapping with parts replaced.
func strip(t *testing.T, pairs ...string) *sheet.Mapping {
	t.Helper()
	m, err := sheet.ParseMapping([]byte(strings.NewReplacer(pairs...).Replace(goodMapping)))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestByPosition reads a sheet without a header.
func TestByPosition(t *testing.T) {
	m, err := sheet.ParseMapping([]byte(`
version: 1
source: wand
delimiter: tab
header_row: 0
dates: d.m.y
two_digit_years: true
fields:
  animal: {position: 2}
  on: {position: 1}
  at: {position: 3}
events:
  - kind: heat
    when: [{position: 4, starts: [h]}]
    fields:
      verdict: {position: 4, words: {h: in_heat, "h?": suspect}}
      signs: {position: 5, split: "/", words: {ST: standing, MU: mucus, "-": ""}}
      chalk: {position: 6, default: intact}
  - kind: move
    when: [{position: 4, not: [h, "h?"]}]
    fields: {pen: {position: 4}}
`))
	if err != nil {
		t.Fatal(err)
	}
	lines, _ := readAll(t, []byte("1.2.26\t017\t6:05\th\tMU/ st /-\n1.2.26\t018\t\tpen 4\n2.2.26\t019\t25:00\tH?\n"), m)
	want := []string{
		`{"animal":"017","at":"06:05","data":{"chalk":"intact","signs":["standing","mucus"],"verdict":"in_heat"},"herd":"north-farm","id":"ID","kind":"heat","on":"2026-02-01","source":"wand"}`,
		`{"animal":"018","data":{"pen":"pen 4"},"herd":"north-farm","id":"ID","kind":"move","on":"2026-02-01","source":"wand"}`,
	}
	for i, w := range want {
		if len(lines[i].Events) != 1 {
			t.Fatalf("line %d: %+v", i+1, lines[i])
		}
		e := lines[i].Events[0]
		if got := strings.Replace(string(told(e)), e.ID.String(), "ID", 1); got != w {
			t.Errorf("line %d\n got %s\nwant %s", i+1, got, w)
		}
	}
	file, _ := rejects(t, []byte("2.2.26\t019\t25:00\tH?\n"), m)
	if again, _ := readAll(t, bytes.Replace(file, []byte("25:00"), []byte("23:00"), 1), m); len(again) != 1 || len(again[0].Events) != 1 {
		t.Errorf("mended, the reject file gives %+v\n%s", again, file)
	}
	if p := lines[2].Problems; len(p) != 1 || p[0].Column != "column 3" || p[0].Code != "bad_time" {
		t.Errorf("line 3: %+v", lines[2])
	}
}

// TestIDColumn: an id that the sheet gives is kept.
func TestIDColumn(t *testing.T) {
	const id = "01976f3e-1c1a-7b6e-9d43-0c5d7e0b2a11"
	lines, _ := readAll(t, []byte("cow,day,bull,id\n7,2026-01-01,b,"+id+"\n8,2026-01-01,b,\n"), strip(t, "on: day}", "on: day, event_id: id}"))
	if len(lines) != 2 || lines[0].Events[0].ID.String() != id || lines[1].Events[0].ID.Version() != 5 {
		t.Errorf("%+v", lines)
	}
}

// TestColumnOrder: dates that speak against the stated order, and none for it,
// refuse the file; where the order shows, they refuse their rows.
func TestColumnOrder(t *testing.T) {
	for _, tc := range []struct {
		name, dates, header string
		events              int // -1: the file is refused
	}{
		{"cannot be told", "1/2/2026 3/4/2026", "1", 2},
		{"shows", "1/2/2026 13/4/2026", "1", 2},
		{"one slip", "1/2/2026 13/4/2026 4/13/2026", "1", 2},
		{"all the other way", "1/2/2026 4/13/2026", "1", -1},
		{"all the other way, no header", "1/2/2026 4/13/2026", "0", -1},
	} {
		m, err := sheet.ParseMapping([]byte(`{version: 1, source: s, delimiter: ",", dates: d/m/y, header_row: ` + tc.header + `,
			fields: {animal: {position: 1}, on: {position: 2}}, events: [{kind: dry_off}]}`))
		if err != nil {
			t.Fatal(err)
		}
		doc := ""
		if tc.header == "1" {
			doc = "cow,day\n"
		}
		for _, d := range strings.Fields(tc.dates) {
			doc += "7," + d + "\n"
		}
		_, r, err := tryAll([]byte(doc), m)
		var fe *sheet.FileError
		switch {
		case tc.events < 0 && (!errors.As(err, &fe) || fe.Code != sheet.CodeDateOrder):
			t.Errorf("%s: got %v, want the file refused", tc.name, err)
		case tc.events >= 0 && (err != nil || r.Stats().Events != tc.events):
			t.Errorf("%s: %v, want %d events", tc.name, err, tc.events)
		}
	}
}

// TestWholeRow: one bad cell refuses all events of its row, and the row alone.
func TestWholeRow(t *testing.T) {
	doc := bytes.Replace(sample(t, "office-cows.csv"), []byte("11/10/2026"), []byte("11/31/2026"), 1)
	lines, r := readAll(t, doc, mapping(t, "office-cows.yaml"))
	if len(lines[0].Events) != 0 || len(lines[0].Problems) != 1 {
		t.Fatalf("%+v", lines[0])
	}
	if p := lines[0].Problems[0]; p.Column != "Dry" || p.Line != 5 || p.Value != "11/31/2026" || p.Field != "on" {
		t.Errorf("%+v", p)
	}
	if s := r.Stats(); s.Events != 11 || s.Refused != 1 {
		t.Errorf("%+v, want the 11 events of the other cows", s)
	}
}
