package sheet_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"

	"byrelog.example/internal/sheet"
)

const barnMapping = `
version: 1
source: barn
encoding: windows-1252
delimiter: ";"
dates: d/m/y
animal_digits: 4
fields: {animal: cow, on: day, note: note}
events:
  - kind: breeding
    fields: {method: {const: ai}, sire: bull}
`

// barnRow is one row of a sheet as its owner means it.
type barnRow struct {
	cow              string
	day, month, year int
	bull, note       string
}

func anyBarnRow() *rapid.Generator[barnRow] {
	return rapid.Custom(func(t *rapid.T) barnRow {
		return barnRow{
			cow: fmt.Sprintf("%04d", rapid.IntRange(0, 2000).Draw(t, "cow")),
			day: rapid.IntRange(1, 28).Draw(t, "day"), month: rapid.IntRange(1, 10).Draw(t, "month"), year: rapid.IntRange(2024, 2026).Draw(t, "year"),
			bull: rapid.SampledFrom([]string{"", "Noël", "E-11", "Ärla"}).Draw(t, "bull"),
			note: rapid.SampledFrom([]string{"", "calm", "übel; lame", "à revoir\n5\" off", "='x"}).Draw(t, "note"),
		}
	})
}

// damage is what a spreadsheet program does to a sheet when it saves it.
type damage struct {
	delim                            string
	encoding                         string
	order                            string
	lostZeros, pad, reverse, columns bool
	fraction                         bool // numbers with .0
	serial                           bool // dates as day numbers
}

func (d damage) write(t interface{ Fatal(...any) }, rows []barnRow) []byte {
	names := []string{"cow", "day", "bull", "note"}
	order := []int{0, 1, 2, 3}
	if d.columns {
		order = []int{3, 1, 0, 2}
	}
	if d.reverse {
		rows = slices.Clone(rows)
		slices.Reverse(rows)
	}
	var b strings.Builder
	put := func(cells []string) {
		for i, o := range order {
			if i > 0 {
				b.WriteString(d.delim)
			}
			c := cells[o]
			if d.pad {
				c = "  " + c + "\u00a0"
			}
			if strings.ContainsAny(c, "\"\n\t,;") {
				c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
			}
			b.WriteString(c)
		}
		b.WriteString("\r\n")
	}
	put(names)
	for _, r := range rows {
		cow := r.cow
		if d.lostZeros {
			cow = strings.TrimLeft(cow[:3], "0") + cow[3:]
		}
		if d.fraction {
			cow += ".0"
		}
		day := fmt.Sprintf("%02d/%02d/%04d", r.day, r.month, r.year)
		switch d.order {
		case "m/d/y":
			day = fmt.Sprintf("%d/%d/%d", r.month, r.day, r.year)
		case "iso":
			day = fmt.Sprintf("%04d-%02d-%02d", r.year, r.month, r.day)
		case "d/m/yy":
			day = fmt.Sprintf("%d/%d/%02d", r.day, r.month, r.year%100)
		}
		if d.serial {
			day = fmt.Sprint(45000 + r.day + 30*r.month)
		}
		put([]string{cow, day, r.bull, r.note})
	}
	if d.encoding == "utf-8" {
		return []byte(b.String())
	}
	out, err := encodings[d.encoding].NewEncoder().Bytes([]byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// encodings that a program may save the sheet in. Another code page of single
// bytes than the stated one is not among them: nobody can tell those apart.
var encodings = map[string]encoding.Encoding{
	"windows-1252": charmap.Windows1252, "iso-8859-1": charmap.ISO8859_1, "utf-8 with mark": unicode.UTF8BOM,
	"utf-16": unicode.UTF16(unicode.LittleEndian, unicode.UseBOM), "utf-16 without mark": unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM),
}

var sortedEncodings = []string{"windows-1252", "iso-8859-1", "utf-8", "utf-8 with mark", "utf-16", "utf-16 without mark"}

// TestDamage is the law of the passage: a sheet that a spreadsheet program has
// saved in its own way gives the same events or is refused, as a file or row by
// row, and never gives another fact without a word.
func TestDamage(t *testing.T) {
	m, err := sheet.ParseMapping([]byte(barnMapping))
	if err != nil {
		t.Fatal(err)
	}
	whole := damage{delim: ";", encoding: "windows-1252"}
	taken, refusedFiles, refusedRows := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(anyBarnRow(), 1, 12).Draw(t, "rows")
		// The order of the dates must show, else no reader could tell.
		rows = append(rows, barnRow{cow: "2001", day: 31, month: 1, year: 2026})
		facts := map[string]bool{}
		lines, _, err := tryAll(whole.write(t, rows), m)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range lines {
			for _, e := range l.Events {
				facts[strings.TrimSpace(string(told(e)))] = true
			}
		}
		d := damage{
			delim:     rapid.SampledFrom([]string{";", ",", "\t"}).Draw(t, "delimiter"),
			encoding:  rapid.SampledFrom(sortedEncodings).Draw(t, "encoding"),
			order:     rapid.SampledFrom([]string{"d/m/y", "m/d/y", "iso", "d/m/yy"}).Draw(t, "order"),
			lostZeros: rapid.Bool().Draw(t, "lost zeros"), pad: rapid.Bool().Draw(t, "pad"), reverse: rapid.Bool().Draw(t, "reverse"),
			columns: rapid.Bool().Draw(t, "columns"), fraction: rapid.Bool().Draw(t, "fraction"), serial: rapid.IntRange(0, 4).Draw(t, "serial") == 0,
		}
		lines, _, err = tryAll(d.write(t, rows), m)
		var fe *sheet.FileError
		if errors.As(err, &fe) {
			refusedFiles++
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range lines {
			if len(l.Problems) > 0 {
				refusedRows++
			}
			for _, e := range l.Events {
				taken++
				if !facts[string(told(e))] {
					t.Fatalf("%+v: line %d became another fact: %s", d, l.Number, told(e))
				}
			}
		}
	})
	if taken == 0 || refusedFiles == 0 || refusedRows == 0 {
		t.Errorf("%d events taken, %d files and %d rows refused: the test hardly tests", taken, refusedFiles, refusedRows)
	}
}
