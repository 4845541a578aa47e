package sheet_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"golang.org/x/text/encoding/charmap"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// filled puts one option into each choice of a draft: pick says which.
func filled(doc string, choices []sheet.Choice, pick func(sheet.Choice) string) (string, error) {
	var root yaml.Node
	if err := yaml.Unmarshal([]byte(doc), &root); err != nil {
		return "", err
	}
	next := 0
	var visit func(n *yaml.Node)
	visit = func(n *yaml.Node) {
		for i, c := range n.Content {
			if n.Kind != yaml.MappingNode || i%2 == 1 {
				visit(c)
			}
		}
		if n.Kind == yaml.ScalarNode && n.Value == sheet.Choose && next < len(choices) {
			n.Value, n.Tag = pick(choices[next]), ""
			if n.Value == "" {
				n.Tag = "!!str"
			}
			next++
		}
	}
	visit(&root)
	out, err := yaml.Marshal(&root)
	if err == nil && next != len(choices) {
		err = fmt.Errorf("the draft has %d places to choose, the answer lists %d", next, len(choices))
	}
	return string(out), err
}

func firstOption(c sheet.Choice) string { return c.Options[0] }

// sound holds what every answer promises: each choice is refused by its name,
// and the draft is a mapping as soon as all are made, whichever is made.
func sound(t interface{ Fatalf(string, ...any) }, s *sheet.Suggestion, pick func(sheet.Choice) string) *sheet.Mapping {
	m, err := sheet.ParseMapping([]byte(s.Mapping))
	var me *sheet.MappingError
	switch {
	case len(s.Choices) == 0 && err != nil:
		t.Fatalf("nothing is left to choose, and the draft is refused: %v\n%s", err, s.Mapping)
	case len(s.Choices) == 0:
		return m
	case !errors.As(err, &me) || len(me.Faults) != len(s.Choices):
		t.Fatalf("%d choices, and the draft is refused for %v\n%s", len(s.Choices), err, s.Mapping)
	}
	for i, c := range s.Choices {
		if !strings.HasPrefix(me.Faults[i], c.Path+" is still to choose") || len(c.Options) == 0 || c.Reason == "" {
			t.Fatalf("choice %+v, refused as %q", c, me.Faults[i])
		}
	}
	doc, err := filled(s.Mapping, s.Choices, pick)
	if err != nil {
		t.Fatalf("%v\n%s", err, s.Mapping)
	}
	if m, err = sheet.ParseMapping([]byte(doc)); err != nil {
		t.Fatalf("all is chosen, and the draft is refused: %v\n%s", err, doc)
	}
	return m
}

func suggest(t *testing.T, doc []byte, opts ...sheet.SuggestOption) *sheet.Suggestion {
	t.Helper()
	s, err := sheet.Suggest(bytes.NewReader(doc), today, opts...)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestSuggestSamples: the drafts of the office sheets, and that they read the
// same log as the mappings that were written by hand.
func TestSuggestSamples(t *testing.T) {
	t.Run("one row per event", func(t *testing.T) {
		s := suggest(t, sample(t, "office-events.csv"), sheet.SuggestSource("office-events"))
		golden(t, "office-events.draft.yaml", []byte(s.Mapping))
		if len(s.Choices) != 0 || s.Layout.Value != "row_per_event" {
			t.Errorf("layout %+v, choices %+v", s.Layout, s.Choices)
		}
		got, _ := readAll(t, sample(t, "office-events.csv"), sound(t, s, firstOption))
		want, _ := readAll(t, sample(t, "office-events.csv"), mapping(t, "office-events.yaml"))
		sameEvents(t, got, want)
	})
	t.Run("one row per animal", func(t *testing.T) {
		s := suggest(t, sample(t, "office-cows.csv"), sheet.SuggestSource("office-cows"))
		golden(t, "office-cows.draft.yaml", []byte(s.Mapping))
		m := sound(t, s, func(c sheet.Choice) string {
			switch {
			case slices.Contains(c.Options, "m/d/y"):
				return "m/d/y"
			case slices.Contains(c.Options, "ultrasound"):
				return "ultrasound"
			}
			return "ai"
		})
		if s.Layout.Value != "row_per_animal" || len(s.Choices) != 6 {
			t.Errorf("layout %+v, %d choices", s.Layout, len(s.Choices))
		}
		got, r := readAll(t, sample(t, "office-cows.csv"), m)
		want, _ := readAll(t, sample(t, "office-cows.csv"), mapping(t, "office-cows.yaml"))
		for _, lines := range [][]sheet.Line{got, want} {
			for _, l := range lines {
				for _, e := range l.Events {
					e.Note, e.ID = "", [16]byte{} // whose a note is, a person must say
				}
			}
		}
		sameEvents(t, got, want)
		if r.Stats().Refused != 0 {
			t.Errorf("%+v", r.Stats())
		}
	})
}

func sameEvents(t *testing.T, got, want []sheet.Line) {
	t.Helper()
	told := func(lines []sheet.Line) (out []string) {
		for _, l := range lines {
			for _, p := range l.Problems {
				t.Errorf("%s (%s)", p, p.Suggestion)
			}
			for _, e := range l.Events {
				out = append(out, string(e.Canonical()))
			}
		}
		return out
	}
	g, w := told(got), told(want)
	if len(w) == 0 || !slices.Equal(g, w) {
		t.Errorf("the draft reads another log:\n got %s\nwant %s", strings.Join(g, "\n     "), strings.Join(w, "\n     "))
	}
}

// column finds a column of the answer by its name.
func columnOf(t *testing.T, s *sheet.Suggestion, name string) sheet.SuggestedColumn {
	t.Helper()
	for _, c := range s.Columns {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no column %q in %+v", name, s.Columns)
	return sheet.SuggestedColumn{}
}

// TestSuggestDates: the order of a column is told by the rows that only one
// order can read, and by nothing else.
func TestSuggestDates(t *testing.T) {
	for _, tc := range []struct {
		dates, order string
		options      []string
		says         string
		proof        int // line of the first
	}{
		{"1/2/2026 3/4/2026 13/4/2026", "d/m/y", nil, "only d/m/y reads line 4: 13/4/2026", 4},
		{"1/2/2026 3/14/2026", "m/d/y", nil, "only m/d/y reads line 3: 3/14/2026", 3},
		{"1/2/2026 3/4/2026", "", []string{"d/m/y", "m/d/y"}, "cannot be told: choose", 0},
		{"13/2/2026 3/14/2026", "", []string{"d/m/y", "m/d/y"}, "contradicts itself", 0},
		{"1.2.2026 28.2.2026", "d.m.y", nil, "line 3", 3},
		{"01-02-2026 28-02-2026", "d-m-y", nil, "line 3", 3},
		{"2026-02-01 2026-02-28", "iso", nil, "written YYYY-MM-DD", 0},
		{"2026-2-1 2026-02-28", "y-m-d", nil, "year stands first", 0},
		{"2026/02/01", "y/m/d", nil, "year stands first", 0},
		{"3-Mar-2026 4-Apr-2026", "d mon y", nil, "read in en", 0},
		{"3-mai-2026 4-juin-2026", "d mon y", nil, "read in fr", 0},
		{"1/2/26 13/4/26", "d/m/y", nil, "line 3", 3},
		{"3-Mar-26 4-Mar-26", "d mon y", nil, "read in en", 0},
		{"46098 46099", "iso", nil, "count from 1900", 0},
	} {
		doc := "cow,date,what\n"
		for i, d := range strings.Fields(tc.dates) {
			doc += fmt.Sprintf("%04d,%s,dry\n", i+1, d)
		}
		s := suggest(t, []byte(doc))
		g := columnOf(t, s, "date").Dates
		if g == nil {
			t.Errorf("%s: no dates", tc.dates)
			continue
		}
		if g.Order != tc.order || !strings.Contains(g.Reason, tc.says) || tc.options != nil && !slices.Equal(g.Options, tc.options) {
			t.Errorf("%s: %+v", tc.dates, g)
		}
		if tc.proof > 0 && (len(g.Proof) == 0 || g.Proof[0].Line != tc.proof) {
			t.Errorf("%s: proofs %+v, want line %d", tc.dates, g.Proof, tc.proof)
		}
		m := sound(t, s, firstOption)
		if lines, r := readAll(t, []byte(doc), m); tc.options == nil && r.Stats().Refused > 0 {
			t.Errorf("%s: the draft refuses %+v", tc.dates, lines)
		}
	}
	s := suggest(t, []byte("cow,date,what\n1,43000,dry\n2,43001,dry\n"))
	if m := s.Mapping; !strings.Contains(m, "serials: CHOOSE # 1900 or 1904") {
		t.Errorf("days that both systems have had:\n%s", m)
	}
}

// TestSuggestEncoding: marks, zero bytes and UTF-8 decide; a known word proves
// a code page; else it is a choice, with what each reads.
func TestSuggestEncoding(t *testing.T) {
	page := func(c *charmap.Charmap, s string) []byte {
		b, err := c.NewEncoder().Bytes([]byte(s))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	const plain = "cow,date,what,bull\n1,13/02/2026,dry,Noël\n"
	const proof = "vache,date,événement,taureau\n1,13/02/2026,tarissement,Noël\n"
	for _, tc := range []struct {
		name, encoding string
		doc            []byte
		choose         bool
		says           string
	}{
		{"ASCII", "utf-8", []byte("cow,date\n1,13/02/2026\n"), false, "no letters beyond ASCII"},
		{"UTF-8", "utf-8", []byte(plain), false, "sound UTF-8"},
		{"mark", "utf-8", []byte("\ufeff" + plain), false, "mark of UTF-8"},
		{"UTF-16", "utf-16", []byte("\xff\xfec\x00,\x00d\x00\n\x001\x00,\x002\x00"), false, "mark of UTF-16"},
		{"UTF-16 without mark", "utf-16le", []byte("c\x00o\x00w\x00,\x00d\x00\n\x001\x00,\x002\x00\n\x00"), false, "zero"},
		{"page, proven", "windows-1252", page(charmap.Windows1252, proof), false, "événement"},
		{"another, proven", "macintosh", page(charmap.Macintosh, proof), false, "événement"},
		{"page", "windows-1252", page(charmap.Windows1252, plain), true, "windows-1252: Noël"},
		{"another page", "windows-1252", page(charmap.Macintosh, plain), true, "macintosh: Noël"},
	} {
		s := suggest(t, tc.doc)
		if g := s.Encoding; g.Value != tc.encoding || (len(g.Options) > 0) != tc.choose || !strings.Contains(g.Reason, tc.says) {
			t.Errorf("%s: %+v", tc.name, g)
		}
		sound(t, s, firstOption)
	}
}

// TestSuggestShape: delimiter, header, rows that are no records, layout.
func TestSuggestShape(t *testing.T) {
	for _, tc := range []struct{ name, doc, draft string }{
		{"semicolon", "cow;date;what\n1;13/02/2026;dry\n", `delimiter: ;`},
		{"sep line", "sep=|\ncow|date|what\n1|13/02/2026|dry\n", `delimiter: '|' # the first line says`},
		{"one column", "cow\n1\n2\n", "delimiter: CHOOSE # , or ; or tab or |"},
		{"titles", "List\n\nMay,,\ncow,date,what\n1,13/02/2026,dry\n", "header_row: 3 # line 4 has"},
		{"no header", "17,13/02/2026,dry\n18,14/02/2026,dry\n", "header_row: 0"},
		{"groups", "cow,service,,check,\nno,date,bull,date,result\n017,13/02/2026,a,14/03/2026,p\n018,13/02/2026,a,14/03/2026,o\n", "header_rows: 2"},
		{"units", "cow,date,what,parity\nno,d/m/y,,n\n17,13/02/2026,calved,2\n18,13/02/2026,calved,2\n", "skip_rows: 1"},
		{"a name twice", "cow,date,date,what\n17,13/02/2026,,dry\n18,13/02/2026,,dry\n", "position: 2"},
		{"unknown words", "cow,date,what\n1,13/02/2026,dry\n2,13/02/2026,zap\n3,13/02/2026,zap\n4,13/02/2026,dry\n", `zap: CHOOSE # calving or`},
		{"no words at all", "cow,date\n17,13/02/2026\n", "kind: CHOOSE"},
		{"no animal", "date,what\n13/02/2026,dry\n14/02/2026,dry\n", "column: CHOOSE # date or what"},
		{"footer", "cow,calved,dry,x\n17,13/02/2026,,\n18,14/02/2026,,\n19,15/02/2026,,\nherd 3,,,\n", "starts: [herd]"},
		{"times", "cow,date,what\n1,13/02/2026 06:30,heat\n", "time: keep"},
		{"zeros", "cow,date,what\n0017,13/02/2026,dry\n", "animal_digits: 4"},
		{"one date named for an event", "cow,calving date,calf\n17,13/02/2026,f\n", "kind: calving"},
		{"hostile names", "cow,\"da\x1fte: # x\",what\n17,13/02/2026,dry\n", "column: \"da\\x1Fte: # x\""},
	} {
		s := suggest(t, []byte(tc.doc))
		if !strings.Contains(s.Mapping, tc.draft) {
			t.Errorf("%s: the draft lacks %q:\n%s", tc.name, tc.draft, s.Mapping)
		}
		m := sound(t, s, firstOption)
		if lines, _, err := tryAll([]byte(tc.doc), m); err != nil && tc.name != "one column" && tc.name != "no animal" {
			t.Errorf("%s: the draft does not read its own sample: %v %v\n%s", tc.name, err, lines, s.Mapping)
		}
	}
}

// TestSuggestWords: the words of coded columns, with counts and guesses.
func TestSuggestWords(t *testing.T) {
	s := suggest(t, sample(t, "office-events.csv"))
	words := columnOf(t, s, "Événement").Words
	if len(words) != 8 || words[0] != (sheet.SeenWord{Word: "Chaleur", Count: 3, Meaning: "heat"}) {
		t.Errorf("%+v", words)
	}
	s = suggest(t, []byte("cow;date;what\n1;13/02/2026;BRED\n2;14/02/2026;bred\n3;15/02/2026;zap\n"))
	words = columnOf(t, s, "what").Words
	if len(words) != 2 || words[0].Count != 2 || words[0].Meaning != "breeding" || words[1].Meaning != "" {
		t.Errorf("%+v", words)
	}
	if !slices.ContainsFunc(s.Choices, func(c sheet.Choice) bool { return c.Path == `events 1 kind words "zap"` }) {
		t.Errorf("%+v", s.Choices)
	}
}

// TestSuggestBounds: the sample is bounded, and the answer says so.
// A technician's own sheet, with a column for each thing that was read or felt.
func TestSuggestReadings(t *testing.T) {
	const notebook = "Cow;Date;Reading;Chalk;Felt result;Tone;Mucus\n" +
		"0412;13/02/2026;suspect;smeared;in heat;strong;clear\n0388;13/02/2026;in heat;rubbed off;;;\n" +
		"0071;13/02/2026;not in heat;intact;;;\n6122;14/02/2026;suspect;smeared;pregnant;none;none\n0555;14/02/2026;suspect;gone;unclear;some;cloudy\n"
	s := suggest(t, []byte(notebook))
	if len(s.Choices) != 0 {
		t.Fatalf("%+v\n%s", s.Choices, s.Mapping)
	}
	m, err := sheet.ParseMapping([]byte(s.Mapping))
	if err != nil {
		t.Fatalf("%v\n%s", err, s.Mapping)
	}
	got := map[string]string{}
	lines, _ := readAll(t, []byte(notebook), m)
	for _, line := range lines {
		for _, e := range line.Events {
			switch d := e.Data.(type) {
			case *event.Heat:
				got[e.Animal] += "read " + d.Verdict + " " + d.Chalk + "; "
			case *event.Palpation:
				got[e.Animal] += "felt " + d.Verdict + " " + d.Tone + " " + d.Mucus + "; "
			}
		}
	}
	for cow, want := range map[string]string{
		"0412": "read suspect disturbed; felt in_heat strong clear; ", "0388": "read in_heat rubbed; ", "0071": "read not_in_heat intact; ",
		"6122": "read suspect disturbed; felt pregnant none none; ", "0555": "read suspect gone; felt unclear some cloudy; ",
	} {
		if got[cow] != want {
			t.Errorf("%s: %q, want %q\n%s", cow, got[cow], want, s.Mapping)
		}
	}
	// With a column of events they are fields of theirs.
	s = suggest(t, []byte("Cow;Date;Event;Reading;Chalk;Tone;Bull\n1;13/02/2026;heat;suspect;smeared;;\n1;13/02/2026;palpation;;;strong;\n2;14/02/2026;bred;;;;b-101\n"))
	for _, want := range []string{"chalk:", "smeared: disturbed", "tone:", "strong: strong"} {
		if !strings.Contains(s.Mapping, want) {
			t.Errorf("no %q in\n%s", want, s.Mapping)
		}
	}
	// What is only the short code of some export is for whoever has the sheet to say.
	s = suggest(t, []byte("Cow;Date;Event\n1;13/02/2026;bred\n1;13/02/2026;sold\n2;14/02/2026;DNB\n3;14/02/2026;PD\n4;14/02/2026;PREG\n4;14/02/2026;heat\n5;14/02/2026;calved\n"))
	for _, code := range []string{"dnb", "pd", "preg"} {
		if !slices.ContainsFunc(s.Choices, func(c sheet.Choice) bool { return strings.EqualFold(c.Path, `events 1 kind words "`+code+`"`) }) {
			t.Errorf("%s is no choice: %+v", code, s.Choices)
		}
	}
}

func TestSuggestBounds(t *testing.T) {
	src := &endless{head: "cow,date,what\n", body: "0017,13/02/2026,dry\n", left: 1 << 30}
	s, err := sheet.Suggest(src, today)
	if err != nil {
		t.Fatal(err)
	}
	if s.Whole || s.Rows == 0 || s.Rows > sheet.SampleRows+60 || src.read > sheet.SampleBytes+1 || !strings.Contains(s.Mapping, "was not looked at") {
		t.Errorf("%d rows of %d bytes, whole %v", s.Rows, src.read, s.Whole)
	}
	long := &endless{head: "cow,date,what,x\n", body: "0017,13/02/2026,dry," + strings.Repeat("y", 5000) + "\n", left: 1 << 30}
	if s, err = sheet.Suggest(long, today); err != nil || s.Whole || long.read > sheet.SampleBytes+1 {
		t.Errorf("%v, %d bytes read", err, long.read)
	}
	for _, body := range []string{strings.Repeat(",", 199) + "\n", "x,1/2/2026,y\n", "\"a b c\"\n", "\xe9\xe8,\n"} {
		runtime.GC()
		var before runtime.MemStats
		runtime.ReadMemStats(&before)
		src := &endless{head: "cow,date" + strings.Repeat(",x", 198) + "\n", body: body, left: 1 << 30}
		if _, err := sheet.Suggest(src, today); err != nil {
			inOrder(t, err)
		}
		var after runtime.MemStats
		runtime.ReadMemStats(&after)
		if grown := int64(max(after.HeapAlloc, src.most)) - int64(before.HeapAlloc); grown > 64<<20 {
			t.Errorf("%q: the heap grew by %d MiB", body[:4], grown>>20)
		}
	}
	for _, doc := range []string{"", " \n", "PK\x03\x04", "<html>", "a,b\n\"open"} {
		var fe *sheet.FileError
		if _, err := sheet.Suggest(strings.NewReader(doc), today); !errors.As(err, &fe) || fe.Code == "" {
			t.Errorf("%q: %v", doc, err)
		}
	}
	var own *sheet.FileError
	if _, err := sheet.Suggest(bytes.NewReader(export(t, fixedLog(t, 3))), today); !errors.As(err, &own) || own.Code != sheet.CodeOwnForm {
		t.Errorf("the project's own form: %v", err)
	}
	if _, err := sheet.Suggest(strings.NewReader("a,b\n"), today, sheet.SuggestSource(" x")); err == nil {
		t.Error("a source with a space in front was taken")
	}
}

// TestSuggestHazards: whatever the samples of hazards hold, the draft is sound.
func TestSuggestHazards(t *testing.T) {
	names, err := filepath.Glob(filepath.Join(hazards, "*.csv"))
	if err != nil || len(names) < 50 {
		t.Fatal(len(names), err)
	}
	for _, name := range names {
		doc, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		s, err := sheet.Suggest(bytes.NewReader(doc), today)
		if err != nil {
			inOrder(t, err)
			continue
		}
		sound(t, s, firstOption)
	}
}

// TestSuggestAnySheet: any sheet of names, words and dates gives a sound draft,
// whichever options are taken.
func TestSuggestAnySheet(t *testing.T) {
	names := []string{"Cow", "cow no", "Date", "calved", "Last bred", "First bred", "Times bred", "Bull", "What", "Result", "Remarks", "Dry", "Left", "Why left", "Calf", "Ease", "Lact", "Born", "Bought", "Time", "By", "Method", "Pen", "x", "", "No.", "Checked", "Heat", "Aborted", "CHOOSE", "Vêlage", "due"}
	words := []string{"", "bred", "heat", "preg check", "sold", "bought", "moved", "palpated", "dry", "calved", "zap", "p", "o", "?", "yes", "no", "f", "m", "dead", "am", "7:30", "ai", "scan", "CHOOSE", "1", "0017", "a long remark, with; marks", "Total"}
	rapid.Check(t, func(t *rapid.T) {
		header := rapid.SliceOfN(rapid.SampledFrom(names), 1, 10).Draw(t, "header")
		cell := rapid.OneOf(rapid.SampledFrom(words), rapid.Custom(func(t *rapid.T) string {
			d := event.NewDate(2025, rapid.IntRange(1, 12).Draw(t, "month"), rapid.IntRange(1, 28).Draw(t, "day"))
			y, m, day := d.Civil()
			return rapid.SampledFrom([]string{fmt.Sprintf("%d/%d/%d", day, m, y), fmt.Sprintf("%d/%d/%d", m, day, y), d.String(), fmt.Sprintf("%d Jun %d", day, y%100), "45800"}).Draw(t, "form")
		}))
		kinds := make([]*rapid.Generator[string], len(header))
		for i := range kinds {
			kinds[i] = cell
			if rapid.Bool().Draw(t, "one form") {
				kinds[i] = rapid.Just(cell.Draw(t, "the cell"))
			}
		}
		doc := strings.Join(quoted(header), ";") + "\n"
		for range rapid.IntRange(0, 8).Draw(t, "rows") {
			var row []string
			for _, k := range kinds {
				row = append(row, k.Draw(t, "cell"))
			}
			doc += strings.Join(quoted(row), ";") + "\n"
		}
		s, err := sheet.Suggest(strings.NewReader(doc), today)
		var fe *sheet.FileError
		if errors.As(err, &fe) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		m := sound(t, s, func(c sheet.Choice) string { return rapid.SampledFrom(c.Options).Draw(t, c.Path) })
		lines, _, err := tryAll([]byte(doc), m)
		if err != nil && !errors.As(err, &fe) {
			t.Fatal(err)
		}
		for _, l := range lines {
			for _, p := range l.Problems {
				if p.Code == sheet.CodeTwoDigitYear {
					t.Fatalf("the draft does not read its sample: %s\n%s%s", p, doc, s.Mapping)
				}
			}
		}
	})
}

func quoted(cells []string) []string {
	out := slices.Clone(cells)
	for i, c := range out {
		if strings.ContainsAny(c, ";\"") {
			out[i] = `"` + c + `"`
		}
	}
	return out
}

// FuzzSuggest: any bytes give a sound draft or a fault that is told.
func FuzzSuggest(f *testing.F) {
	for _, name := range []string{"office-events", "office-cows", "messy"} {
		f.Add(sample(f, name+".csv"))
	}
	for _, s := range []string{"", "a;b\n1;2\n", "\xff\xfea\x00", "cow\tcalved\n1\t13/02/2026\n", "sep=;\ncow;date\n1;46000\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, doc []byte) {
		s, err := sheet.Suggest(bytes.NewReader(doc), today)
		if err != nil {
			inOrder(t, err)
			return
		}
		sound(t, s, firstOption)
	})
}
