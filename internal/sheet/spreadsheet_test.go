package sheet_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// exportSpreadsheet writes a log in the spreadsheet profile.
func exportSpreadsheet(t interface{ Fatal(...any) }, log []*event.Recorded, delim byte) []byte {
	var out bytes.Buffer
	w, err := sheet.NewSpreadsheetWriter(&out, herd, delim)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range log {
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// spoilable draws texts that spreadsheets make something else of, and texts
// that look like guarded ones.
func spoilable() *rapid.Generator[string] {
	return rapid.SampledFrom([]string{
		"0017", "007", "17", "0", "840003123456789", "8400031234567890", "1E5", "12e3", "3/4", "1-2", "3.0", "TRUE", "Mar-11",
		"=A1", "+1", "-3", "@x", "＝x", "'x", "''", "'=x", "''=x", "'0017", "' =x", "'", "E-11", "Noël", "北",
	})
}

// spoiled puts such texts into the animals and notes of a log, and chains it
// anew.
func spoiled(t *rapid.T, log []*event.Recorded) []*event.Recorded {
	var head event.Digest
	for i, r := range log {
		if r.Animal != "" && rapid.Bool().Draw(t, "spoilable") {
			r.Animal = spoilable().Draw(t, "animal")
			if to, ok := r.Data.(*event.Renumber); ok && to.To == r.Animal {
				r.Animal = "a" + r.Animal
			}
		}
		if r.Note != "" && rapid.Bool().Draw(t, "spoilable note") {
			r.Note = rapid.SampledFrom([]string{"", " ", "\n", "\t"}).Draw(t, "before") + spoilable().Draw(t, "note")
			r.Seal(r.NoteSalt)
		}
		r.Bytes = r.Canonical()
		r.Leaf = event.Leaf(r.Bytes)
		r.Hash = event.Link(herd, int64(i+1), r.RecordedAt, head, r.Leaf)
		head = r.Hash
	}
	return log
}

// TestSpreadsheetRoundTrip: what is exported for people comes back as the same
// bytes, notes and salts, verifies as the same head, and is the same interchange
// file when it is exported again.
func TestSpreadsheetRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := spoiled(t, recorded(12).Draw(t, "log"))
		doc := exportSpreadsheet(t, log, rapid.SampledFrom([]byte{0, ';', ',', '\t'}).Draw(t, "delimiter"))
		back := fromExport(t, doc)
		if len(back) != len(log) {
			t.Fatalf("%d events came back of %d", len(back), len(log))
		}
		for i, r := range log {
			b := back[i]
			if !bytes.Equal(r.Bytes, b.Bytes) || r.Note != b.Note || r.NoteSalt != b.NoteSalt || r.NoteHash != b.NoteHash {
				t.Fatalf("seq %d came back changed:\n%s note %q\n%s note %q", r.Seq, r.Bytes, r.Note, b.Bytes, b.Note)
			}
		}
		if !bytes.Equal(export(t, log), export(t, back)) {
			t.Fatal("exported again for programs it is another file")
		}
		report, err := sheet.VerifyExport(bytes.NewReader(doc))
		if err != nil || !report.Complete || report.Events != int64(len(log)) || len(log) > 0 && report.Hash != log[len(log)-1].Hash {
			t.Fatalf("%+v, %v", report, err)
		}
	})
}

// TestFormulaGuard is T55: in the spreadsheet profile no cell begins, behind
// spaces or not, with what a program takes for a formula; what we type is written
// bare. Control: the interchange profile has such cells as they are recorded.
func TestFormulaGuard(t *testing.T) {
	bare := 0
	rapid.Check(t, func(t *rapid.T) {
		log := spoiled(t, recorded(8).Draw(t, "log"))
		reader := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(exportSpreadsheet(t, log, ';'), []byte("\ufeff"))))
		reader.Comma = ';'
		rows, err := reader.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for i, row := range rows {
			for j, c := range row {
				if first, _ := utf8.DecodeRuneInString(strings.TrimLeft(c, " ")); c != "" && strings.ContainsRune("=+-@\t\r\n\x00＝＋－＠", first) {
					t.Fatalf("row %d, %s begins a formula: %q", i, rows[0][j], c)
				}
			}
		}
		for i, r := range log {
			plain := r.Cells(nil)
			for j := range event.Columns() {
				c, got := &event.Columns()[j], rows[i+1][j]
				if ours := c.Type != event.Text || c.Name == "at" || c.Name == "note_salt"; ours && got != plain[j] || got != plain[j] && got != "'"+plain[j] {
					t.Fatalf("%s: %q, recorded as %q", c.Name, got, plain[j])
				}
			}
		}
		rows, err = csv.NewReader(bytes.NewReader(export(t, log))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range slices.Concat(rows...) {
			if strings.HasPrefix(c, "=") {
				bare++
			}
		}
	})
	if bare == 0 {
		t.Error("control: the interchange profile never held a formula")
	}
}

// TestSpreadsheetForm fixes what the profile looks like: mark, delimiter,
// guards where a program would spoil a text, none elsewhere.
func TestSpreadsheetForm(t *testing.T) {
	for _, tc := range []struct{ text, want string }{
		{"0017", "'0017"},
		{"840003123456789", "'840003123456789"},
		{"412", "412"},
		{"0", "0"},
		{"12345678901", "12345678901"},
		{"123456789012", "'123456789012"},
		{"1E5", "'1E5"},
		{"3/4", "'3/4"},
		{"3.0", "'3.0"},
		{"3 calves", "3 calves"},
		{"=A1", "'=A1"},
		{"-3", "'-3"},
		{"＝A1", "'＝A1"},
		{"'x", "'x"},
		{"'=x", "''=x"},
		{"'0017", "''0017"},
		{"Bella", "Bella"},
	} {
		e := event.New(event.KindMove, herd, tc.text, event.NewDate(2026, 3, 1))
		e.Data = &event.Move{Pen: "north"}
		e.ID = sheet.EndID(event.Digest{1})
		r := &event.Recorded{Event: *e, Seq: 1, RecordedAt: today.Time().UTC(), Bytes: e.Canonical()}
		r.Hash = event.Link(herd, 1, r.RecordedAt, event.Digest{}, event.Leaf(r.Bytes))
		doc := string(exportSpreadsheet(t, []*event.Recorded{r}, 0))
		if !strings.HasPrefix(doc, "\ufeffevent_id;herd;animal;") || strings.Contains(doc, "sep=") ||
			strings.Count(doc, ";spreadsheet\r\n") != 2 || !strings.Contains(doc, ";hash;profile\r\n") {
			t.Fatalf("the form is\n%s", doc)
		}
		if want := ";north-farm;" + tc.want + ";move;2026-03-01;"; !strings.Contains(doc, want) {
			t.Errorf("%q: want %q in\n%s", tc.text, want, doc)
		}
		if back := fromExport(t, []byte(doc)); back[0].Animal != tc.text {
			t.Errorf("%q came back as %q", tc.text, back[0].Animal)
		}
	}
	for _, words := range [][2]string{{"machine", ""}, {"", "pipe"}, {"", "semicolon"}, {"interchange", "tab"}} {
		if _, err := sheet.ParseForm(words[0], words[1]); err == nil {
			t.Errorf("%q was taken", words)
		}
	}
	if _, err := sheet.NewSpreadsheetWriter(io.Discard, herd, '"'); err == nil {
		t.Error("a quote was taken for a delimiter")
	}
	if _, err := sheet.NewSpreadsheetWriter(io.Discard, "North Farm", 0); err == nil {
		t.Error("a herd's name with a space was taken")
	}
}

// TestUnguard: guards are taken away where the row says that it has them, and
// nowhere else.
func TestUnguard(t *testing.T) {
	const head = "kind,on,animal,profile\ndry_off,2026-01-01,"
	for doc, want := range map[string]string{
		head + "'0017,spreadsheet\n": "0017", head + "'x,spreadsheet\n": "'x", head + "''=x,spreadsheet\n": "'=x",
		head + "'0017,\n": "'0017", "kind,on,animal\ndry_off,2026-01-01,'0017\n": "'0017", head + "'0017,other\n": "",
	} {
		lines, _ := readAll(t, []byte(doc), sheet.Native())
		switch {
		case want == "" && (len(lines[0].Problems) != 1 || lines[0].Problems[0].Column != "profile"):
			t.Errorf("%q: %+v", doc, lines[0])
		case want != "" && (len(lines[0].Events) != 1 || lines[0].Events[0].Animal != want):
			t.Errorf("%q: %+v, want animal %q", doc, lines[0], want)
		}
	}
}

// officeDamage is what a spreadsheet program does to an export that it opens
// and saves.
type officeDamage struct {
	delim                              byte
	mark                               bool
	end                                string // of lines
	encoding                           string // of the saved file
	readAs                             bool   // the program took UTF-8 for Windows-1252 on opening
	dates                              string // how it writes dates; "" as they are
	zeros                              bool   // numbers lose zeros in front, long ones turn to 8.4E+14
	guards                             bool   // the guards are taken for its own and dropped
	truth                              string // what true becomes; "" as it is
	pad, blanks, shuffle, columns, cut bool
	wide, narrow                       bool // empty columns behind the last, or empty cells at the end left out
	stamps                             bool // recorded_at is rewritten, seq gets decimals
}

func anyOfficeDamage() *rapid.Generator[officeDamage] {
	return rapid.Custom(func(t *rapid.T) officeDamage {
		rare := func(label string) bool { return rapid.IntRange(0, 7).Draw(t, label) == 0 }
		return officeDamage{
			delim: rapid.SampledFrom([]byte(",;\t|")).Draw(t, "delimiter"), mark: rapid.Bool().Draw(t, "mark"),
			end:      rapid.SampledFrom([]string{"\r\n", "\n", "\r"}).Draw(t, "line end"),
			encoding: rapid.SampledFrom([]string{"utf-8", "utf-8", "utf-8", "windows-1252"}).Draw(t, "encoding"), readAs: rare("read as"),
			dates: rapid.SampledFrom([]string{"", "", "", "", "02/01/2006", "1/2/2006", "2006/01/02", "2006-02-01"}).Draw(t, "dates"),
			zeros: rare("zeros"), guards: rare("guards"), truth: rapid.SampledFrom([]string{"", "", "TRUE", "WAHR", "1"}).Draw(t, "true"),
			pad: rare("pad"), blanks: rare("blanks"), shuffle: rapid.Bool().Draw(t, "shuffle"), columns: rapid.Bool().Draw(t, "columns"),
			cut: rare("cut"), wide: rare("wide"), narrow: rare("narrow"), stamps: rare("stamps"),
		}
	})
}

func (d officeDamage) apply(t *rapid.T, doc []byte, delim rune) []byte {
	reader := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(doc, []byte("\ufeff"))))
	reader.Comma = delim
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	for _, row := range rows[1:] {
		for j, c := range row {
			switch name := rows[0][j]; {
			case name == "recorded_at" && d.stamps && len(c) > 19:
				row[j] = strings.Replace(c[:16], "T", " ", 1)
			case name == "seq" && d.stamps:
				row[j] = c + ".0"
			default:
				row[j] = d.cell(c)
			}
		}
	}
	f := form{delim: d.delim, bom: d.mark, end: d.end, shuffleRows: d.shuffle, shuffleColumns: d.columns, blankRows: d.blanks}
	if d.wide {
		f.padColumns = 3
	}
	out := f.write(rng, rows, 0)
	if d.narrow {
		lines := strings.Split(string(out), d.end)
		for i, l := range lines {
			lines[i] = strings.TrimRight(l, string(d.delim))
		}
		out = []byte(strings.Join(lines, d.end))
	}
	if d.cut {
		out = out[:rng.IntN(len(out))]
	}
	if d.encoding == "windows-1252" {
		// What the code page lacks becomes a question mark, as such programs have it.
		out, _ = encoding.ReplaceUnsupported(charmap.Windows1252.NewEncoder()).Bytes(out)
		out = bytes.ReplaceAll(out, []byte{0x1a}, []byte("?"))
	}
	return out
}

func (d officeDamage) cell(c string) string {
	if d.readAs {
		c, _ = charmap.Windows1252.NewDecoder().String(c)
	}
	if d.guards {
		c = strings.TrimPrefix(c, "'")
	}
	if on, err := event.ParseDate(c); err == nil && d.dates != "" {
		c = on.Time().Format(d.dates)
	}
	if d.zeros && c != "" && strings.Trim(c, "0123456789") == "" {
		if c = strings.TrimLeft(c, "0"); c == "" {
			c = "0"
		}
		if len(c) > 11 {
			c = c[:1] + "." + c[1:6] + fmt.Sprintf("E+%d", len(c)-1)
		}
	}
	if c == "true" && d.truth != "" {
		c = d.truth
	}
	if d.pad {
		c = " " + c + " "
	}
	return c
}

// TestExportDamage is the law of both profiles: an export that a spreadsheet
// program opened and saved gives the same log, or says what it refuses; no event
// that comes of it is another than the log's, and none is missing without a
// word.
func TestExportDamage(t *testing.T) {
	counts := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		log := spoiled(t, recorded(10).Draw(t, "log"))
		facts := map[string]bool{}
		for _, r := range log {
			facts[string(r.Bytes)+r.Note] = true
		}
		doc, delim := export(t, log), ','
		if rapid.Bool().Draw(t, "spreadsheet") {
			doc, delim = exportSpreadsheet(t, log, ';'), ';'
		}
		d := anyOfficeDamage().Draw(t, "damage")
		lines, reader, err := tryAll(d.apply(t, doc, delim), sheet.Native())
		var fe *sheet.FileError
		if errors.As(err, &fe) {
			if fe.Code == "" || fe.Detail == "" {
				t.Fatalf("a refusal without a word: %+v", fe)
			}
			counts["file refused"]++
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		events, refused := 0, 0
		for _, l := range lines {
			for _, e := range l.Events {
				if e.Note != "" {
					e.Seal(e.NoteSalt)
				}
				if !facts[string(e.Canonical())+e.Note] {
					t.Fatalf("%+v: line %d became another fact: %s %q", d, l.Number, e.Canonical(), e.Note)
				}
				events++
			}
			if len(l.Problems) > 0 {
				refused++
			}
		}
		switch {
		case refused > 0:
			counts["rows refused"]++
		case d.cut && reader.Stats().Rows == 0 && !reader.Stats().Complete:
			counts["no row, which is told"]++ // cut in the header, between two columns
		case events != len(log):
			t.Fatalf("%+v: %d events of %d, and nothing is refused; stats %+v", d, events, len(log), reader.Stats())
		default:
			counts["the same log"]++
		}
	})
	for _, what := range []string{"file refused", "rows refused", "the same log"} {
		if counts[what] == 0 {
			t.Errorf("%s: never; the test hardly tests: %v", what, counts)
		}
	}
}

// changed is an export with one cell of its second row changed.
func changed(rows [][]string, name, to string) [][]string {
	out := slices.Clone(rows)
	out[2] = slices.Clone(rows[2])
	out[2][slices.Index(rows[0], name)] = to
	return out
}

// TestLostZeros: 0017 that a spreadsheet made 17 of is refused where the log
// does not have the event, too, and the number that it was is proposed. The rows
// around it are taken.
func TestLostZeros(t *testing.T) {
	log := fixedLog(t, 12)
	log[1].Event = *event.New(event.KindDryOff, herd, "0017", event.NewDate(2026, 1, 31))
	log[1].ID = sheet.EndID(event.Digest{7})
	log[2].Note = "lame"
	log[2].Seal(event.Salt{1})
	rows := parse(t, export(t, log), ',')
	plain := form{delim: ',', end: "\r\n"}
	lines, r := readAll(t, plain.write(nil, changed(rows, "animal", "17"), 0), sheet.Native())
	p := lines[1].Problems
	if len(p) != 1 || p[0].Code != sheet.CodeRowCheck || !strings.Contains(p[0].Suggestion, `"0017"`) {
		t.Errorf("%+v", lines[1])
	}
	if s := r.Stats(); s.Refused != 1 || s.Events != len(log)-1 || s.Checked != len(log)-1 {
		t.Errorf("%+v", s)
	}
	// Any other cell: refused as well, and there is nothing to propose.
	lines, _ = readAll(t, plain.write(nil, changed(rows, "by", "x"), 0), sheet.Native())
	if p := lines[1].Problems; len(p) != 1 || p[0].Code != sheet.CodeRowCheck || strings.Contains(p[0].Suggestion, "zeros") {
		t.Errorf("%+v", lines[1])
	}
	// A note that was emptied is not a note that was erased.
	for _, name := range []string{"note", "note_salt"} {
		rows[3][slices.Index(rows[0], name)] = ""
	}
	if lines, _ := readAll(t, plain.write(nil, rows, 0), sheet.Native()); len(lines[2].Problems) != 1 {
		t.Errorf("%+v", lines[2])
	}
}

// TestEditedOnPurpose: a row without its check is a statement of whoever sends
// it, and so is a file without the column. That is the way to change a row, and
// the end of what the check can do: of these rows nobody can tell any more.
func TestEditedOnPurpose(t *testing.T) {
	log := fixedLog(t, 12)
	log[1].Event = *event.New(event.KindDryOff, herd, "0017", event.NewDate(2026, 1, 31))
	log[1].ID = sheet.EndID(event.Digest{7})
	rows := parse(t, export(t, log), ',')
	plain := form{delim: ',', end: "\r\n"}
	lines, r := readAll(t, plain.write(nil, changed(changed(rows, "animal", "18"), "row_check", ""), 0), sheet.Native())
	if len(lines[1].Events) != 1 || lines[1].Events[0].Animal != "18" || r.Stats().Refused != 0 {
		t.Errorf("%+v, %+v", lines[1], r.Stats())
	}
	lines, r = readAll(t, plain.write(nil, without(changed(rows, "animal", "18"), "row_check"), 0), sheet.Native())
	if len(lines[1].Events) != 1 || r.Stats().Checked != 0 {
		t.Errorf("%+v, %+v", lines[1], r.Stats())
	}
	// A number in exponent form has lost its digits, whoever says so.
	lines, _ = readAll(t, plain.write(nil, changed(changed(rows, "animal", "8.4E+14"), "row_check", ""), 0), sheet.Native())
	if p := lines[1].Problems; len(p) != 1 || p[0].Code != sheet.CodeScientific {
		t.Errorf("%+v", lines[1])
	}
	for _, doc := range []string{"renumber,2026-01-31,7,8.4E+14,\n", "calving,2026-01-31,7,,8.4E+14\n"} {
		lines, _ = readAll(t, []byte("kind,on,animal,to,calf1_tag\n"+doc), sheet.Native())
		if p := lines[0].Problems; len(p) == 0 || p[0].Code != sheet.CodeScientific {
			t.Errorf("%s: %+v", doc, lines[0])
		}
	}
	// A check that was spoiled itself is no leave.
	lines, _ = readAll(t, plain.write(nil, changed(rows, "row_check", "#N/A"), 0), sheet.Native())
	if p := lines[1].Problems; len(p) != 1 || p[0].Code != sheet.CodeRowCheck {
		t.Errorf("%+v", lines[1])
	}
	// A log may move to a herd of another name.
	moved := bytes.ReplaceAll(export(t, log), []byte(",north-farm,"), []byte(",south-farm,"))
	s, err := sheet.NewReader(bytes.NewReader(moved), sheet.Native(), "south-farm", today)
	for err == nil {
		var line sheet.Line
		if line, err = s.Next(); len(line.Problems) > 0 {
			t.Fatal(line.Problems)
		}
	}
	if !errors.Is(err, io.EOF) || s.Stats().Checked != len(log) {
		t.Errorf("%v, %+v", err, s.Stats())
	}
	// Some rows of it, without the end record: the column hash goes, the checks stay.
	if _, _, err := tryAll(plain.write(nil, rows[:5], 0), sheet.Native()); err == nil {
		t.Error("a part of an export passes for a whole one")
	}
	if _, r := readAll(t, plain.write(nil, without(rows[:5], "hash"), 0), sheet.Native()); r.Stats().Checked != 4 {
		t.Errorf("%+v", r.Stats())
	}
}

// TestPartOfAPage: rows of a page of events can be sent, as its refusal says.
func TestPartOfAPage(t *testing.T) {
	log := fixedLog(t, 6)
	var b bytes.Buffer
	w, err := sheet.NewTableWriter(&b, sheet.EventTable(), sheet.Form{})
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range parse(t, export(t, log), ',')[1 : len(log)+1] {
		if err := w.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(true); err != nil {
		t.Fatal(err)
	}
	if _, _, err := tryAll(b.Bytes(), sheet.Native()); err == nil || !strings.Contains(err.Error(), "take the columns hash and end out, and the last row") {
		t.Errorf("a page as it is: %v", err)
	}
	rows := parse(t, b.Bytes(), ',')
	plain := form{delim: ',', end: "\r\n"}
	if _, r := readAll(t, plain.write(nil, without(rows[:len(rows)-1], "hash", "end"), 0), sheet.Native()); r.Stats().Checked != len(log) {
		t.Errorf("%+v", r.Stats())
	}
}
