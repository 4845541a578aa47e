package sheet_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

const splitMapping = `
version: 1
source: county
delimiter: ";"
header_row: 2
dates: d/m/y
herd: {column: Farm, words: {Alder Row: alder-row}, others: keep}
key: [Slip]
skip: [{column: Slip, starts: [total]}]
fields: {animal: Cow, on: Date, note: Remark}
events: [{name: dry, kind: dry_off}]
`

func mapped(t *testing.T, doc string) *sheet.Mapping {
	t.Helper()
	m, err := sheet.ParseMapping([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func tellLine(l *sheet.Line) string {
	s := fmt.Sprint(l.Number, "-", l.LastNumber, " ", l.Key, " ", l.Skipped)
	for _, e := range l.Events {
		s += fmt.Sprint(" ", e.ID, " ", e.Ref, " ", e.Animal, " ", e.On, " ", e.Note)
	}
	for _, p := range l.Problems {
		s += fmt.Sprint(" ", p)
	}
	return s
}

// A herd's part of a file says of every row what a sheet of that herd alone
// says, under the lines of the file.
func TestSplit(t *testing.T) {
	t.Parallel()
	const body = "County;;;;\r\nSlip;Farm;Cow;Date;Remark\r\n" +
		"1;Alder Row;0412;01/03/2026;\"two\r\nlines; and \"\"quotes\"\"\"\r\n" +
		"2;mill-lane;0412;02/03/2026;\r\n" +
		"3;alder  row;0388;31/02/2026;\r\n" +
		";Alder Row;0388;01/02/2026;\r\n" +
		"\r\n" +
		"1;alder-row;0412;01/03/2026;another\r\n" +
		"Total;;4;;\r\n" +
		"5;;0412;01/03/2026;\r\n" +
		"6;Alder Row;0412;01/03/2026;x;y\r\n" +
		"7;Alder Row;0412;02/03/2026;stray \" quote\r\n"
	m := mapped(t, splitMapping)
	today := event.NewDate(2026, 11, 25)
	s, err := sheet.NewSplitter(strings.NewReader(body), m)
	if err != nil {
		t.Fatal(err)
	}
	var part bytes.Buffer
	w, err := s.NewPartWriter(&part)
	if err != nil {
		t.Fatal(err)
	}
	var herds, none []string
	for {
		line, herd, err := s.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		herds = append(herds, herd)
		switch {
		case herd == "alder-row":
			if err := w.Write(&line); err != nil {
				t.Fatal(err)
			}
		case herd == "":
			none = append(none, tellLine(&line))
		}
	}
	if want := []string{"alder-row", "mill-lane", "alder-row", "alder-row", "alder-row", "", "", "", ""}; !slices.Equal(herds, want) {
		t.Errorf("herds %q, want %q", herds, want)
	}
	if len(none) != 4 || !strings.Contains(none[0], "left out by the mapping") || !strings.Contains(none[1], "does not say which herd") ||
		!strings.Contains(none[2], "6 cells") || !strings.Contains(none[3], "quote") {
		t.Errorf("of no herd: %q", none)
	}

	p, err := sheet.NewPartReader(&part, m, "alder-row", today)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := sheet.NewReader(strings.NewReader(body), m, "alder-row", today)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := fmt.Sprint(p.Layout()), fmt.Sprint(whole.Layout()); got != want {
		t.Errorf("layout %s, want %s", got, want)
	}
	for i := 0; ; {
		want, err := whole.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if i++; herds[i-1] != "alder-row" {
			continue
		}
		got, err := p.Next()
		if err != nil {
			t.Fatalf("row %d: %v", i, err)
		}
		if tellLine(&got) != tellLine(&want) || !slices.Equal(got.Cells, want.Cells) {
			t.Errorf("the part says\n%s\nthe file\n%s", tellLine(&got), tellLine(&want))
		}
	}
	if _, err := p.Next(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last row: %v", err)
	}
	// What was cut off is no part.
	for _, broken := range []string{"", "{", `{"layout":{},"names":["Slip"]}`} {
		if _, err := sheet.NewPartReader(strings.NewReader(broken), m, "alder-row", today); err == nil {
			t.Errorf("%q is taken for a part", broken)
		}
	}
}

// What a mapping may say of later states of its sheet.
func TestResyncMapping(t *testing.T) {
	t.Parallel()
	const rest = "fields: {animal: Cow, on: Date}\nevents: [{kind: dry_off}]\nversion: 1\nsource: x\ndates: iso\n"
	for doc, want := range map[string]string{
		"on_change: amend\n":                               "amend needs a key",
		"key: [No]\non_change: sometimes\n":                "on_change is report, amend or append",
		"on_vanish: delete\n":                              "on_vanish is report, void or ignore",
		"void_limit_percent: 101\n":                        "void_limit_percent must lie between 0 and 100",
		"herd: {const: alder-row}\n":                       "herd: it takes a column",
		"herd: {column: Farm, words: {A: b}, others: x}\n": "herd: others is refuse or keep",
	} {
		_, err := sheet.ParseMapping([]byte(doc + rest))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", doc, err, want)
		}
	}
	m := mapped(t, "key: [No]\non_vanish: ignore\n"+rest)
	if !m.Resyncs() || m.Voids() || m.VoidLimitPercent() != 10 {
		t.Error("a key alone: changes are looked for, and nothing is voided")
	}
	if m = mapped(t, "on_vanish: ignore\n"+rest); m.Resyncs() {
		t.Error("no key, and files that hold a part: there is nothing to look for")
	}
	m = mapped(t, strings.Replace("key: [No]\non_change: amend\n"+rest, "[{kind: dry_off}]",
		"[{kind: dry_off}, {name: last, kind: dry_off, on_change: append}, {name: own, kind: dry_off, on_change: report}]", 1))
	if got := m.Refs("7#8"); !slices.Equal(got, []string{"7#8", "7#8#last", "7#8#own"}) {
		t.Errorf("refs %q", got)
	}
	for ref, want := range map[string]string{"7#8": "7#8 amend true", "7#8#last": "7#8 append true", "7#8#own": "7#8 report true", "last": "last amend true"} {
		key, change, ok := m.RuleOf(ref)
		if got := fmt.Sprint(key, " ", change, " ", ok); got != want {
			t.Errorf("%s: %s, want %s", ref, got, want)
		}
	}
}
