package sheet_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

var update = flag.Bool("update", false, "write the golden files anew")

const (
	samples = "../../testdata/sheets"
	herd    = "north-farm"
)

// today of every test that needs one.
var today = event.NewDate(2026, 11, 25)

func sample(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(samples, name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(filepath.Join(samples, name), got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := sample(t, name); !bytes.Equal(got, want) {
		t.Errorf("%s differs (go test -update writes it anew, then look at the difference):\n%s", name, firstDifference(got, want))
	}
}

func firstDifference(got, want []byte) string {
	g, w := bytes.Split(got, []byte("\n")), bytes.Split(want, []byte("\n"))
	for i := range max(len(g), len(w)) {
		var a, b []byte
		if i < len(g) {
			a = g[i]
		}
		if i < len(w) {
			b = w[i]
		}
		if !bytes.Equal(a, b) {
			return "got  " + string(a) + "\nwant " + string(b)
		}
	}
	return "they are equal"
}

func mapping(t testing.TB, name string) *sheet.Mapping {
	t.Helper()
	m, err := sheet.ParseMapping(sample(t, name))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// readAll reads a sheet to its end; the lines' cells are copied.
func readAll(t testing.TB, doc []byte, m *sheet.Mapping, opts ...sheet.Option) ([]sheet.Line, *sheet.Reader) {
	t.Helper()
	lines, r, err := tryAll(doc, m, opts...)
	if err != nil {
		t.Fatal(err)
	}
	return lines, r
}

func tryAll(doc []byte, m *sheet.Mapping, opts ...sheet.Option) ([]sheet.Line, *sheet.Reader, error) {
	r, err := sheet.NewReader(bytes.NewReader(doc), m, herd, today, opts...)
	if err != nil {
		return nil, nil, err
	}
	var lines []sheet.Line
	for {
		line, err := r.Next()
		if errors.Is(err, io.EOF) {
			return lines, r, nil
		}
		if err != nil {
			return lines, r, err
		}
		line.Cells = append([]string(nil), line.Cells...)
		lines = append(lines, line)
	}
}

// told is the canonical bytes of an event with the note put in, for golden
// files: a commitment would be salted.
func told(e *event.Event) []byte {
	b := e.Canonical()
	if e.Note == "" {
		return b
	}
	b = append(b[:len(b)-1], `,"note":`...)
	b = event.AppendJSONString(b, e.Note)
	return append(b, '}')
}

// TestSamples reads the office sheets: the events that come of them were
// compared with the sheets by eye, cell by cell.
func TestSamples(t *testing.T) {
	for _, tc := range []struct {
		name            string
		events, skipped int
	}{{"office-events", 13, 1}, {"office-cows", 16, 2}} {
		t.Run(tc.name, func(t *testing.T) {
			lines, r := readAll(t, sample(t, tc.name+".csv"), mapping(t, tc.name+".yaml"))
			var out []byte
			for _, l := range lines {
				for _, p := range append(l.Problems, l.Notices...) {
					t.Errorf("unexpected: %s (%s)", p, p.Suggestion)
				}
				for _, e := range l.Events {
					out = append(append(out, told(e)...), '\n')
				}
			}
			golden(t, tc.name+".ndjson", out)
			if s := r.Stats(); s.Events != tc.events || s.Refused != 0 || s.Skipped != tc.skipped {
				t.Errorf("stats %+v, want %d events and %d rows skipped", s, tc.events, tc.skipped)
			}
			if u := r.Unmapped(); tc.name == "office-cows" && (len(u) != 1 || u[0] != "Pen") {
				t.Errorf("unmapped columns %q, want Pen", u)
			}
		})
	}
}

// lineDoc is one row of the golden file of the messy sheet.
type lineDoc struct {
	Line     int             `json:"line"`
	Last     int             `json:"last_line"`
	Skipped  string          `json:"skipped,omitempty"`
	Events   []string        `json:"events,omitempty"`
	Problems []sheet.Problem `json:"problems,omitempty"`
	Notices  []sheet.Problem `json:"notices,omitempty"`
}

// TestMessy holds what is said of every row of the messy sheet, and its
// rejects.
func TestMessy(t *testing.T) {
	doc := sample(t, "messy.csv")
	lines, r := readAll(t, doc, mapping(t, "messy.yaml"))
	var out, rejects bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	rw, err := sheet.NewRejectWriter(&rejects, r.Layout())
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines {
		d := lineDoc{Line: l.Number, Last: l.LastNumber, Skipped: l.Skipped, Problems: l.Problems, Notices: l.Notices}
		for _, e := range l.Events {
			d.Events = append(d.Events, string(told(e)))
		}
		if (len(l.Problems) > 0) == (len(l.Events) > 0 || l.Skipped != "") {
			t.Errorf("line %d is refused and taken at once, or neither", l.Number)
		}
		if err := enc.Encode(d); err != nil {
			t.Fatal(err)
		}
		if len(l.Problems) > 0 {
			if err := rw.Write(l.Cells, l.Problems); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := rw.Flush(); err != nil {
		t.Fatal(err)
	}
	golden(t, "messy.json", out.Bytes())
	golden(t, "messy.rejects.csv", rejects.Bytes())
}
