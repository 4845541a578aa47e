package event_test

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"byrelog.example/internal/event"
)

// The canonical bytes rely on it that every record declares its fields in the
// order of their names.
func TestFieldsAreInOrder(t *testing.T) {
	var hold func(where string, fields []*event.Field)
	hold = func(where string, fields []*event.Field) {
		if !slices.IsSortedFunc(fields, func(a, b *event.Field) int { return strings.Compare(a.Name, b.Name) }) {
			t.Errorf("%s: fields are out of order", where)
		}
		for _, f := range fields {
			switch {
			case f.Name == "" || f.Doc == "" || f.Type == 0:
				t.Errorf("%s: a field without name, type or words: %+v", where, f)
			case f.Type == event.Enum && len(f.Values) < 2, f.Type == event.EnumSet && len(f.Values) < 2:
				t.Errorf("%s.%s has no words", where, f.Name)
			case f.Type == event.Text && (f.Min != 1 || f.Max < 1), f.Type == event.Integer && f.Min >= f.Max:
				t.Errorf("%s.%s has no bounds", where, f.Name)
			case (f.Type == event.Object || f.Type == event.Objects) != (len(f.Fields) > 0):
				t.Errorf("%s.%s: members", where, f.Name)
			}
			for _, r := range f.Name {
				if r != '_' && (r < 'a' || r > 'z') {
					t.Errorf("%s.%s is not snake case in ASCII", where, f.Name)
				}
			}
			hold(where+"."+f.Name, f.Fields)
		}
	}
	names := map[string]bool{}
	for i, s := range event.Specs() {
		if int(s.Kind) != i+1 || names[s.Name] || s.Doc == "" {
			t.Errorf("%+v", s)
		}
		names[s.Name] = true
		hold(s.Name, s.Fields)
		k, ok := event.ParseKind(s.Name)
		text, err := k.MarshalText()
		if !ok || k != s.Kind || !k.Valid() || err != nil || string(text) != s.Name || k.Spec().Name != s.Name {
			t.Errorf("%s is read as %v", s.Name, k)
		}
	}
	if k, ok := event.ParseKind(""); ok || k.Valid() || k.String() != "Kind(0)" || event.Kind(99).String() != "Kind(99)" {
		t.Error("there is a kind without a name")
	}
}

// The order of kinds within a day is part of the contract with the fold and
// with every published figure.
func TestKindOrder(t *testing.T) {
	want := "arrival renumber calving pregnancy_loss walk heat palpation pregnancy_diagnosis breeding_stop breeding_resume treatment size breeding dry_off move departure void"
	var got []string
	for _, s := range event.Specs() {
		got = append(got, s.Name)
	}
	if strings.Join(got, " ") != want {
		t.Errorf("got %s", got)
	}
}

// One column may serve several kinds only if it means one type of thing.
func TestColumns(t *testing.T) {
	columns := event.Columns()
	if len(columns) > 128 {
		t.Errorf("%d columns: FromCells keeps track of 128", len(columns))
	}
	seen := map[string]bool{}
	for i, c := range columns {
		if seen[c.Name] || c.Name == "" {
			t.Errorf("column %d %q", i, c.Name)
		}
		seen[c.Name] = true
		if at, ok := event.ColumnIndex(c.Name); !ok || at != i {
			t.Errorf("%s is found at %d, not %d", c.Name, at, i)
		}
		if len(c.Kinds) != 0 && len(c.Kinds) != len(c.Fields) {
			t.Errorf("%s: %d kinds, %d declarations", c.Name, len(c.Kinds), len(c.Fields))
		}
		for _, f := range c.Fields {
			if f.Type != c.Type {
				t.Errorf("%s has two types", c.Name)
			}
			for _, w := range f.Values {
				if !slices.Contains(c.Values, w) || strings.ContainsAny(w, " ,;") {
					t.Errorf("%s: the word %q", c.Name, w)
				}
			}
			if f.Min < c.Min || f.Max > c.Max {
				t.Errorf("%s: bounds %d to %d", c.Name, c.Min, c.Max)
			}
		}
	}
	if _, ok := event.ColumnIndex("colour"); ok {
		t.Error("there is a column colour")
	}
	var first []string
	for _, c := range columns[:11] {
		first = append(first, c.Name)
	}
	if got := strings.Join(first, " "); got != "event_id herd animal kind on at half by source ref replaces" {
		t.Errorf("the table begins with %s", got)
	}
	n := len(columns)
	if columns[n-2].Name != "note" || columns[n-1].Name != "note_salt" {
		t.Errorf("the table ends with %s, %s", columns[n-2].Name, columns[n-1].Name)
	}
	for _, f := range event.Envelope() {
		if !seen[f.ColumnName()] {
			t.Errorf("no column for %s", f.Name)
		}
	}
}

func row(t *testing.T, cells map[string]string) []string {
	t.Helper()
	list := make([]string, len(event.Columns()))
	for name, s := range cells {
		i, ok := event.ColumnIndex(name)
		if !ok {
			t.Fatalf("no column %s", name)
		}
		list[i] = s
	}
	return list
}

func TestFromCellsRefuses(t *testing.T) {
	for _, c := range []struct{ kind, column, cell, code, pointer string }{
		{"heat", "kind", "", event.CodeRequired, "/kind"},
		{"heat", "kind", "HEAT", event.CodeNotAllowed, "/kind"},
		{"heat", "event_id", "7", event.CodeBadID, "/id"},
		{"heat", "on", "2026-02-30", event.CodeBadDate, "/on"},
		{"heat", "on", "45731", event.CodeBadDate, "/on"},
		{"heat", "replaces", "x", event.CodeBadID, "/replaces"},
		{"heat", "note_salt", "1F", event.CodeBadText, "/note_salt"},
		{"heat", "note_salt", strings.Repeat("0", 32), event.CodeBadText, "/note_salt"},
		{"heat", "sire", "b-104", event.CodeNotAllowed, ""},
		{"heat", "calf4_tag", "9", event.CodeNotAllowed, ""},
		{"walk", "cows_seen", "many", event.CodeWrongType, "/data/seen"},
		{"walk", "cows_seen", "+7", event.CodeWrongType, "/data/seen"},
		{"walk", "cows_seen", "7.0", event.CodeWrongType, "/data/seen"},
		{"walk", "cows_seen", " 7", event.CodeWrongType, "/data/seen"},
		{"walk", "cows_seen", "99999999999999999999", event.CodeWrongType, "/data/seen"},
		{"calving", "induced", "TRUE", event.CodeWrongType, "/data/induced"},
		{"palpation", "left_follicle_mm", "x", event.CodeWrongType, "/data/left/follicle_mm"},
		{"palpation", "right_corpus_luteum", "1", event.CodeWrongType, "/data/right/corpus_luteum"},
		{"void", "void_event", "x", event.CodeBadID, "/data/event"},
		{"breeding", "until", "soon", event.CodeBadDate, "/data/until"},
	} {
		cells := row(t, map[string]string{"kind": c.kind, "herd": "alder-row", "animal": "7", "on": "2026-01-02"})
		i, _ := event.ColumnIndex(c.column)
		cells[i] = c.cell
		_, err := event.FromCells(cells)
		var list event.Problems
		errors.As(err, &list)
		if len(list) != 1 || list[0].Code != c.code || list[0].Column != c.column || list[0].Pointer != c.pointer {
			t.Errorf("%s %s=%q: %+v", c.kind, c.column, c.cell, list)
		}
	}
}

// A gap among the calves is a calf of which nothing is known, which validation
// refuses: it is not closed up without a word.
func TestGapAmongCalves(t *testing.T) {
	cells := row(t, map[string]string{
		"kind": "calving", "event_id": someID, "herd": "alder-row", "animal": "7", "on": "2026-01-02", "calf2_outcome": "alive", "calf2_tag": "8",
	})
	e, err := event.FromCells(cells)
	if err != nil {
		t.Fatal(err)
	}
	var list event.Problems
	errors.As(e.Validate(e.On), &list)
	if len(list) != 1 || list[0].Column != "calf1_outcome" || list[0].Pointer != "/data/calves/0/outcome" {
		t.Errorf("%+v", list)
	}
}

func TestShortAndLongRows(t *testing.T) {
	e, err := event.FromCells([]string{someID, "alder-row", "7", "dry_off", "2026-01-02"})
	if err != nil || e.Validate(e.On) != nil || e.Kind != event.KindDryOff {
		t.Errorf("%+v, %v", e, err)
	}
	long := append(e.Cells(nil), "41", "2026-01-02T00:00:00Z", "")
	if again, err := event.FromCells(long); err != nil || string(again.Canonical()) != string(e.Canonical()) {
		t.Errorf("%+v, %v: cells beyond the table are the log's own", again, err)
	}
	if _, err := event.FromCells(nil); err == nil {
		t.Error("an empty row is an event")
	}
	dirty := make([]string, 200)
	for i := range dirty {
		dirty[i] = "left over"
	}
	if got := e.Cells(dirty); len(got) != len(event.Columns()) || slices.Contains(got, "left over") {
		t.Errorf("a used row shines through: %q", got)
	}
}

func TestMinute(t *testing.T) {
	for _, c := range []struct {
		at, half string
		want     int
	}{{"", "", 720}, {"", "am", 360}, {"", "pm", 1080}, {"00:00", "", 0}, {"23:59", "", 1439}, {"06:30", "", 390}} {
		if got := (&event.Event{At: c.at, Half: c.half}).Minute(); got != c.want {
			t.Errorf("%+v: %d", c, got)
		}
	}
}

func TestDigestText(t *testing.T) {
	var row struct {
		D event.Digest
		S event.Salt
	}
	row.D[0], row.S[15] = 0xab, 0x0c
	b, err := json.Marshal(row)
	want := `{"D":"ab` + strings.Repeat("0", 62) + `","S":"` + strings.Repeat("0", 31) + `c"}`
	if err != nil || string(b) != want {
		t.Errorf("%s, %v", b, err)
	}
	back := row
	back.D, back.S = event.Digest{}, event.Salt{}
	if err := json.Unmarshal(b, &back); err != nil || back != row {
		t.Errorf("%+v, %v", back, err)
	}
	for _, bad := range []string{"", "ab", strings.Repeat("AA", 32), strings.Repeat("FF", 32), strings.Repeat("g", 64), strings.Repeat("0", 63)} {
		if err := back.D.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q is a digest", bad)
		}
	}
}

// A note is committed to with its own salt, and without a note there is none.
func TestSeal(t *testing.T) {
	salt, other := event.Salt{1}, event.Salt{2}
	e := event.Event{Note: "weak calf"}
	e.Seal(salt)
	if e.NoteSalt != salt || e.NoteHash != event.Commit(salt, "weak calf") {
		t.Errorf("%+v", e)
	}
	e.Seal(other)
	if e.NoteSalt != salt {
		t.Error("a salt was replaced")
	}
	if e.NoteHash == event.Commit(other, "weak calf") || e.NoteHash == event.Commit(salt, "weak calf ") {
		t.Error("the commitment does not depend on salt and text")
	}
	e.Note = ""
	e.Seal(other)
	if e.NoteSalt != (event.Salt{}) {
		t.Error("a salt without a note")
	}
}

// Every part of a link changes it, and no two neighbours run into each other.
func TestLinkDependsOnEverything(t *testing.T) {
	at := time.Date(2026, 11, 25, 10, 0, 0, 1000, time.UTC)
	base := event.Link("alder-row", 1, at, event.Digest{1}, event.Digest{2})
	for name, other := range map[string]event.Digest{
		"herd":         event.Link("alder-rox", 1, at, event.Digest{1}, event.Digest{2}),
		"shorter herd": event.Link("alder-ro", 1, at, event.Digest{1}, event.Digest{2}),
		"seq":          event.Link("alder-row", 2, at, event.Digest{1}, event.Digest{2}),
		"time":         event.Link("alder-row", 1, at.Add(time.Microsecond), event.Digest{1}, event.Digest{2}),
		"previous":     event.Link("alder-row", 1, at, event.Digest{3}, event.Digest{2}),
		"leaf":         event.Link("alder-row", 1, at, event.Digest{1}, event.Digest{3}),
		"swapped":      event.Link("alder-row", 1, at, event.Digest{2}, event.Digest{1}),
	} {
		if other == base {
			t.Errorf("%s does not matter", name)
		}
	}
	if same := event.Link("alder-row", 1, at.In(time.FixedZone("x", 3600)), event.Digest{1}, event.Digest{2}); same != base {
		t.Error("the zone in which a time is shown matters")
	}
}

func TestValidHerdName(t *testing.T) {
	for name, want := range map[string]bool{
		"": false, "a": false, "ab": true, "alder-row": true, "--": true, "Ab": false, "a_b": false, "a b": false, "å1": false,
		strings.Repeat("a", 40): true, strings.Repeat("a", 41): false,
	} {
		if event.ValidHerdName(name) != want {
			t.Errorf("%q", name)
		}
	}
}
