package sheet_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

const hazards = "../../testdata/hazards"

// bred and heat are the events of the two sound rows that most samples have.
const (
	bred = "0101 breeding on=2026-03-17 sire=E-11 method=ai"
	heat = "0102 heat on=2026-03-18 verdict=in_heat"
)

// hazard is one sample: how the mapping differs from mapping.yaml, and what
// comes of the file.
type hazard struct {
	file    string
	change  []string // pairs: a part of the mapping, and what stands in its place
	limits  sheet.Limits
	events  []string
	refused []string // line, column, value: code
	notices []string // line, column: code
	skipped []string // line: reason
	whole   string   // line: code of the file's refusal
	says    string   // what the messages hold
}

// hazardTable has a row for every sample; those of one hazard stand together,
// in the order of the README of the folder.
var hazardTable = []hazard{
	{file: "delimiter-comma.csv", events: []string{bred, heat}},
	{file: "delimiter-semicolon.csv", events: []string{bred, heat}},
	{file: "delimiter-tab.csv", events: []string{bred, heat}},
	{file: "delimiter-pipe.csv", events: []string{bred, heat}},
	{file: "sep-line.csv", events: []string{bred, heat}},
	{file: "bom.csv", events: []string{bred, heat}},
	{file: "old-mac-line-ends.csv", events: []string{bred, heat}},
	{file: "unicode-text-le.csv", events: []string{"0101 breeding on=2026-03-17 sire=Noël method=ai"}},
	{file: "unicode-text-be.csv", events: []string{"0101 breeding on=2026-03-17 sire=Noël method=ai"}},
	{file: "unicode-text-no-mark.csv", events: []string{"0101 breeding on=2026-03-17 sire=Noël method=ai"}},
	{file: "code-page-unstated.csv", whole: "2: encoding", says: `read as windows-1252 it says "Noël"`},
	{
		file: "code-page-stated.csv", change: []string{"dates:", "encoding: windows-1252\ndates:"},
		events: []string{"0101 breeding on=2026-03-17 sire=Noël method=ai"}, notices: []string{"2, bull: code_page"}, says: `"Noël"`,
	},
	{file: "code-page-mac.csv", whole: "2: encoding", says: `read as macintosh it says "Noël"`},
	{file: "mojibake.csv", refused: []string{`2, bull, "NoÃ«l": mojibake`}},
	{file: "serial-unstated.csv", refused: []string{`2, date, "46098": date_serial`}, says: "2026-03-17, or 2030-03-18"},
	{
		file: "serial-1900.csv", change: []string{"dates:", "serials: 1900\ndates:", "on: date", "on: {column: date, time: keep}"},
		events: []string{bred, "0102 heat on=2026-03-18 at=06:00 verdict=in_heat"},
	},
	{file: "serial-1904.csv", change: []string{"dates:", "serials: 1904\ndates:"}, events: []string{bred}},
	{file: "serial-auto.csv", change: []string{"dates:", "serials: auto\ndates:"}, events: []string{bred, heat}},
	{file: "serial-auto-unclear.csv", change: []string{"dates:", "serials: auto\ndates:"}, whole: "3: date_serial", says: "2020-06-18 or, in a sheet that counts from 1904, 2024-06-19"},
	{file: "serial-swapped.csv", change: []string{"dates:", "serials: auto\ndates:"}, whole: "4: mixed_dates"},
	{
		file: "time-in-date.csv", events: []string{heat},
		refused: []string{`2, date, "17/03/2026 06:40": time_of_day`, `4, date, "18/03/2026 7:30 PM": time_of_day`},
	},
	{
		file: "time-in-date.csv", change: []string{"on: date", "on: {column: date, time: keep}"},
		events: []string{"0101 breeding on=2026-03-17 at=06:40 sire=E-11 method=ai", heat, "0103 heat on=2026-03-18 at=19:30 verdict=in_heat"},
	},
	{file: "order-shown.csv", events: []string{"0101 breeding on=2026-05-04 sire=E-11 method=ai", "0102 heat on=2026-05-17 verdict=in_heat"}},
	{file: "order-other.csv", whole: "3: date_order", says: "can only be m/d/y"},
	{
		file: "order-both.csv", events: []string{"0101 breeding on=2026-05-17 sire=E-11 method=ai"},
		refused: []string{`3, date, "05/17/2026": date_order`},
	},
	{file: "order-not-stated.csv", change: []string{"dates: d/m/y\n", ""}, whole: "mapping", says: "cannot be told from the sheet"},
	{file: "two-digit-year.csv", refused: []string{`2, date, "17/03/26": two_digit_year`, `3, date, "18/03/98": two_digit_year`}},
	{
		file: "two-digit-year.csv", change: []string{"dates:", "two_digit_years: true\ndates:"},
		events: []string{bred, "0102 heat on=1998-03-18 verdict=in_heat"}, notices: []string{"2, date: two_digit_year"}, says: "2026-03-17",
	},
	{
		file: "month-names.csv", change: []string{"dates: d/m/y", "dates: d mon y\nmonths: [en, fr, de]"},
		events: []string{bred, "0102 heat on=2026-05-02 verdict=in_heat", "0103 heat on=2026-06-03 verdict=in_heat"},
	},
	{file: "month-names.csv", change: []string{"dates: d/m/y", "dates: d mon y"}, whole: "mapping", says: "state their languages"},
	{
		file: "month-names.csv", refused: []string{`2, date, "17 Mar 2026": date_order`, `3, date, "2. mai 2026": date_order`, `4, date, "3-juin-2026": date_order`},
		says: "d mon y with months: [fr]",
	},
	{
		file: "date-forms.csv", change: []string{"dates: d/m/y", "dates: y-m-d"},
		events:  []string{"0101 breeding on=2026-03-02 sire=E-11 method=ai", "0102 heat on=2026-03-17 verdict=in_heat"},
		refused: []string{`4, date, "17.03.2026": date_order`}, says: "it would fit d.m.y",
	},
	{
		file: "impossible-date.csv", events: []string{"0103 heat on=2024-02-29 verdict=in_heat"},
		refused: []string{`2, date, "31/02/2026": bad_date`, `3, date, "29/02/2026": bad_date`},
	},
	{
		file:    "numbers.csv",
		events:  []string{"0102 calving on=2026-03-17 parity=3", "0104 calving on=2026-03-17 parity=4", "0105 calving on=2026-03-17 parity=5"},
		notices: []string{"3, parity: dot_zero"},
		refused: []string{
			`2, parity, "1,234": ambiguous_number`, `4, parity, "2,5": bad_number`, `7, parity, "–1": bad_number`,
			`8, parity, "1.234,5": bad_number`, `9, parity, "2,000": ambiguous_number`,
		},
	},
	{
		file: "decimal-comma.csv", change: []string{"dates:", "decimal: \",\"\ndates:"},
		events: []string{"1234 calving on=2026-03-17 parity=3"}, notices: []string{"2, cow: grouped_digits", "2, parity: dot_zero"},
	},
	{file: "scientific-id.csv", refused: []string{`2, cow, "8.40003E+14": scientific_notation`}},
	{file: "long-id.csv", events: []string{"8400031234567000 breeding on=2026-03-17 sire=E-11 method=ai"}, notices: []string{"2, cow: precision_loss"}},
	{file: "lost-zeros.csv", change: []string{"dates:", "animal_digits: 4\ndates:"}, refused: []string{`2, cow, "101": lost_zeros`}, says: `"0101"`},
	{file: "lost-zeros.csv", change: []string{"dates:", "animal_digits: 4\nanimal_pad: true\ndates:"}, events: []string{bred}},
	{
		file: "named-animals.csv", change: []string{"dates:", "animal_strip: [Cow, cow no., DE 09]\nanimal_digits: 4\nanimal_pad: true\ndates:"},
		events: []string{bred, "0102 heat on=2026-03-18 verdict=in_heat", "0103 heat on=2026-03-18 verdict=in_heat", "cow heat on=2026-03-18 verdict=in_heat"},
	},
	{file: "dot-zero-id.csv", events: []string{"101 breeding on=2026-03-17 sire=E-11 method=ai"}, notices: []string{"2, cow: dot_zero"}},
	{file: "full-width-digits.csv", events: []string{bred}, notices: []string{"2, cow: folded_digits"}},
	{
		file: "lookalike-letters.csv", change: []string{"dates:", "animal_digits: 4\ndates:"},
		events: []string{"01O1 breeding on=2026-03-17 sire=E-11 method=ai"}, notices: []string{"2, cow: lookalike_letter"},
	},
	{file: "trailing-blank.csv", events: []string{bred}},
	{file: "title-lines.csv", change: []string{"dates:", "header_row: 3\ndates:"}, events: []string{bred}},
	{file: "title-lines.csv", whole: "1: delimiter", says: "header_row"},
	{
		file: "merged-header.csv", change: []string{"dates:", "header_rows: 2\nskip_rows: 1\ndates:", "on: date", "on: Service date", "column: what", "column: Service what", "column: bull", "column: Service bull"},
		events: []string{bred},
	},
	{file: "duplicate-header.csv", whole: "1: header", says: "twice"},
	{
		file: "duplicate-header.csv", change: []string{"on: date", "on: {position: 4}"},
		events: []string{"0101 breeding on=2026-03-18 sire=E-11 method=ai"},
	},
	{file: "header-variants.csv", events: []string{bred}},
	{file: "missing-column.csv", whole: "1: header", says: `"date"`},
	{
		file: "footer.csv", events: []string{bred, heat}, refused: []string{`6, date, "": required`},
		skipped: []string{`4: a row of totals: "Total" and no date`, `5: a row of totals: "Average" and no date`},
	},
	{
		file: "ragged.csv", events: []string{heat}, refused: []string{`2, , "": extra_cells`}, says: "in quotes",
	},
	{
		file:   "line-ends-in-note.csv",
		events: []string{bred + ` note="first\nsecond\tline"`, heat},
	},
	{file: "zero-byte.csv", whole: "2: nul"},
	{file: "control-character.csv", refused: []string{"2, cow, \"01\a01\": bad_text"}},
	{file: "hard-spaces.csv", events: []string{bred}},
	{
		file: "error-cells.csv",
		refused: []string{
			`2, cow, "#N/A": error_cell`, `3, date, "#VALUE!": error_cell`, `4, date, "########": error_cell`,
			`5, what, "#REF!": error_cell`, `6, bull, "#DIV/0!": error_cell`,
		},
	},
	{
		file: "booleans.csv",
		events: []string{
			"0101 calving on=2026-03-17 induced=true", "0102 calving on=2026-03-17 induced=false",
			"0103 calving on=2026-03-17 induced=true", "0104 calving on=2026-03-17 induced=true",
		},
		refused: []string{`6, induced, "perhaps": wrong_type`},
	},
	{
		file: "booleans.csv", change: []string{"{column: induced, ", "{column: induced, words: {perhaps: \"\"}, others: keep, "},
		events: []string{
			"0101 calving on=2026-03-17 induced=true", "0102 calving on=2026-03-17 induced=false",
			"0103 calving on=2026-03-17 induced=true", "0104 calving on=2026-03-17 induced=true", "0105 calving on=2026-03-17",
		},
	},
	{
		file: "formulas.csv", events: []string{bred, "0102 breeding on=2026-03-17 sire=E-11 method=ai"},
		refused: []string{`4, cow, "=A2+1": formula`},
	},
	{file: "apostrophe.csv", events: []string{"0101 breeding on=2026-03-17 sire==x method=ai"}},
	{file: "truncated.csv", whole: "2: open_quote", says: "cut off"},
	{file: "bare-quote.csv", events: []string{heat}, refused: []string{`2, bull, "5\" straw": bare_quote`}},
	{file: "workbook.csv", whole: "1: not_csv", says: "workbook"},
	{file: "old-workbook.csv", whole: "1: not_csv", says: "save"},
	{file: "web-page.csv", whole: "1: not_csv", says: "web page"},
	{file: "html-table.csv", whole: "1: not_csv", says: "web page"},
	{file: "size.csv", limits: sheet.Limits{Rows: 5}, whole: "6: too_many_rows"},
	{file: "size.csv", limits: sheet.Limits{Bytes: 64}, whole: "3: file_too_large"},
	{file: "size.csv", change: []string{"dates:", "delimiter: \",\"\ndates:"}, limits: sheet.Limits{Columns: 3}, whole: "1: too_many_columns"},
	{file: "size.csv", limits: sheet.Limits{Field: 8}, whole: "2: field_too_long"},
	{file: "same-rows.csv", events: []string{heat, bred}},
}

// fact writes an event as its filled columns.
func fact(e *event.Event) string {
	var b strings.Builder
	b.WriteString(e.Animal + " " + e.Kind.String())
	cells := e.Cells(nil)
	for i, c := range event.Columns() {
		switch c.Name {
		case "event_id", "herd", "animal", "kind", "source", "ref":
		default:
			if cells[i] == "" {
				continue
			}
			if c.Name == "note" {
				cells[i] = fmt.Sprintf("%q", cells[i])
			}
			fmt.Fprintf(&b, " %s=%s", c.Name, cells[i])
		}
	}
	return b.String()
}

func hazardMapping(t *testing.T, change []string) ([]byte, *sheet.Mapping, error) {
	t.Helper()
	doc, err := os.ReadFile(filepath.Join(hazards, "mapping.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	text := string(doc)
	for i := 0; i < len(change); i += 2 {
		if !strings.Contains(text, change[i]) {
			t.Fatalf("the mapping has no %q", change[i])
		}
		text = strings.Replace(text, change[i], change[i+1], 1)
	}
	m, err := sheet.ParseMapping([]byte(text))
	return []byte(text), m, err
}

// TestHazards reads every sample of testdata/hazards through the reader and
// holds what comes of it: the events, or the exact refusal.
func TestHazards(t *testing.T) {
	for i, h := range hazardTable {
		t.Run(fmt.Sprintf("%02d %s", i, h.file), func(t *testing.T) {
			doc, err := os.ReadFile(filepath.Join(hazards, h.file))
			if err != nil {
				t.Fatal(err)
			}
			var got hazard
			var words []string
			_, m, err := hazardMapping(t, h.change)
			if err != nil {
				got.whole, words = "mapping", append(words, err.Error())
			} else {
				words = got.read(doc, m, h.limits)
			}
			if got.whole != h.whole {
				t.Errorf("the file: %q, want %q (%q)", got.whole, h.whole, words)
			}
			for _, part := range []struct {
				name      string
				got, want []string
			}{{"events", got.events, h.events}, {"refused", got.refused, h.refused}, {"notices", got.notices, h.notices}, {"skipped", got.skipped, h.skipped}} {
				if h.whole == "" && !slices.Equal(part.got, part.want) {
					t.Errorf("%s\n got %q\nwant %q", part.name, part.got, part.want)
				}
			}
			if said := strings.Join(words, "\n"); !strings.Contains(said, h.says) {
				t.Errorf("the messages lack %q:\n%s", h.says, said)
			}
		})
	}
}

// read fills in what comes of a file and gives what was said of it.
func (h *hazard) read(doc []byte, m *sheet.Mapping, limits sheet.Limits) (words []string) {
	return h.readWith(doc, m, sheet.WithLimits(limits))
}

func (h *hazard) readWith(doc []byte, m *sheet.Mapping, opts ...sheet.Option) (words []string) {
	lines, _, err := tryAll(doc, m, opts...)
	var fe *sheet.FileError
	if errors.As(err, &fe) {
		h.whole, words = fmt.Sprintf("%d: %s", fe.Line, fe.Code), append(words, fe.Error())
	} else if err != nil {
		h.whole = err.Error()
	}
	for _, l := range lines {
		for _, e := range l.Events {
			h.events = append(h.events, fact(e))
		}
		for _, p := range l.Problems {
			h.refused = append(h.refused, fmt.Sprintf(`%d, %s, "%s": %s`, p.Line, p.Column, strings.ReplaceAll(p.Value, `"`, `\"`), p.Code))
			words = append(words, p.Detail+" "+p.Suggestion)
		}
		for _, p := range l.Notices {
			h.notices = append(h.notices, fmt.Sprintf("%d, %s: %s", p.Line, p.Column, p.Code))
			words = append(words, p.Detail)
		}
		if l.Skipped != "" {
			h.skipped = append(h.skipped, fmt.Sprintf("%d: %s", l.Number, l.Skipped))
		}
	}
	return words
}

// TestHazardFiles: the folder, the table of the test and the table of the
// README name the same files.
func TestHazardFiles(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join(hazards, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(hazards)
	if err != nil {
		t.Fatal(err)
	}
	tested := map[string]bool{}
	for _, h := range hazardTable {
		tested[h.file] = true
	}
	for _, e := range entries {
		name := e.Name()
		if strings.HasSuffix(name, ".csv") && !tested[name] {
			t.Errorf("%s is in no row of the test", name)
		}
		if name != "README.md" && !strings.Contains(string(readme), "`"+name+"`") {
			t.Errorf("%s is not in the README", name)
		}
	}
}

// TestSameSheetAgain: a sheet whose rows changed places gives the same events
// with the same ids, so that nothing is appended.
func TestSameSheetAgain(t *testing.T) {
	_, m, err := hazardMapping(t, nil)
	if err != nil {
		t.Fatal(err)
	}
	ids := func(name string) (out []string) {
		doc, err := os.ReadFile(filepath.Join(hazards, name))
		if err != nil {
			t.Fatal(err)
		}
		lines, _ := readAll(t, doc, m)
		for _, l := range lines {
			for _, e := range l.Events {
				out = append(out, e.ID.String())
			}
		}
		slices.Sort(out)
		return out
	}
	want := ids("delimiter-comma.csv")
	for _, name := range []string{"delimiter-semicolon.csv", "delimiter-tab.csv", "bom.csv", "sep-line.csv", "old-mac-line-ends.csv", "same-rows.csv"} {
		if got := ids(name); len(want) != 2 || !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
}
