package main

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

const sheets = "../../testdata/sheets/"

// tally are those of an import's report.
type tally struct {
	Rows, Skipped, Refused, Events, Appended int64
	AlreadyThere                             int64 `json:"already_there"`
	Amended, Changed, Withdrawn, Vanished    int64
}

// takeIn imports with --json and gives the report's counts.
func (s *server) takeIn(t *testing.T, code int, args ...string) tally {
	t.Helper()
	r := s.call(append([]string{"import", "--json"}, args...)...).run(t)
	if r.code != code {
		t.Fatalf("import %v: exit code %d, not %d\n%s%s", args, r.code, code, r.out, r.err)
	}
	var report struct{ Counts tally }
	parse(t, r.out, &report)
	return report.Counts
}

func lineCount(t *testing.T, path string) int64 {
	t.Helper()
	return int64(strings.Count(read(t, path), "\n"))
}

// The project's sample sheets pass with their mappings: dry run, for good, again,
// and what comes out is what went in.
func TestImportSheets(t *testing.T) {
	t.Parallel()
	s := work(t)
	for _, name := range []string{"office-events", "office-cows"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			herd := s.herd(t, "sheet-"+name)
			file, mapping := sheets+name+".csv", "m-"+name
			contains(t, s.call("mapping", "put", mapping, sheets+name+".yaml").must(t), "Mapping "+mapping+" is saved, version 1.")
			if got := s.call("mapping", "show", mapping).must(t); got != read(t, sheets+name+".yaml") {
				t.Errorf("the mapping comes back as\n%s", got)
			}
			contains(t, s.call("mapping", "list").must(t), mapping+" ", "native ", "built in")
			events := lineCount(t, sheets+name+".ndjson")

			dry := s.takeIn(t, 0, herd, file, "--mapping", mapping, "--dry-run")
			if dry.Appended != events || dry.Refused != 0 {
				t.Errorf("the dry run would append %+v, the file has %d events", dry, events)
			}
			if out := s.call("events", "list", herd, "--all").must(t); out != "" {
				t.Fatalf("the dry run wrote\n%.500s", out)
			}
			taken := s.takeIn(t, 0, herd, file, "--mapping", mapping)
			if taken != dry {
				t.Errorf("the dry run told %+v, the import %+v", dry, taken)
			}
			if got := int64(strings.Count(s.call("events", "list", herd, "--all").must(t), "\n")); got != events {
				t.Errorf("%d events are in the log, %d in the file", got, events)
			}
			again := s.takeIn(t, 0, herd, file, "--mapping", mapping)
			if again.Appended != 0 || again.AlreadyThere != events {
				t.Errorf("the second time: %+v", again)
			}
			contains(t, s.call("import", herd, file, "--mapping", mapping).must(t), fmt.Sprintf("0 events appended, %d were there already; 0 rows refused", events))
			s.roundTrip(t, herd)
		})
	}
}

// roundTrip: export, import of it here (nothing new), export again (the same bytes),
// import into another service's herd of the name, verify of both.
func (s *server) roundTrip(t *testing.T, herd string) {
	t.Helper()
	dir := t.TempDir()
	first, second := filepath.Join(dir, "first.csv"), filepath.Join(dir, "second.csv")
	if err := os.WriteFile(first, []byte(s.call("export", herd).must(t)), 0o600); err != nil {
		t.Fatal(err)
	}
	events := int64(len(stated(t, read(t, first))) - 2) // header and end record
	c := s.takeIn(t, 0, herd, first)
	if c != (tally{Rows: events, Events: events, AlreadyThere: events}) {
		t.Errorf("an export of %d events comes in again as %+v", events, c)
	}
	contains(t, s.call("import", herd, first, "--dry-run").must(t),
		fmt.Sprintf("%d rows read: 0 events would be appended, %d were there already; 0 rows refused, 0 skipped.", events, events))
	contains(t, s.call("export", herd, "-o", second, "--datapackage", filepath.Join(dir, "datapackage.json")).must(t), "")
	if read(t, first) != read(t, second) {
		t.Error("the second export differs from the first")
	}
	s.described(t, filepath.Join(dir, "datapackage.json"), second, ",")
	sheet := filepath.Join(dir, "for-people.csv")
	contains(t, s.call("export", herd, "-o", sheet, "--profile", "spreadsheet", "--datapackage", filepath.Join(dir, "people.json")).must(t), "")
	s.described(t, filepath.Join(dir, "people.json"), sheet, ";")
	if c := s.takeIn(t, 0, herd, sheet); c != (tally{Rows: events, Events: events, AlreadyThere: events}) {
		t.Errorf("an export for people of %d events comes in again as %+v", events, c)
	}
	contains(t, call{args: []string{"verify", sheet}}.must(t), fmt.Sprintf("for-people.csv is sound: %d events of %s, every hash recomputed.", events, herd))
	contains(t, call{args: []string{"verify", second}}.must(t), fmt.Sprintf("second.csv is sound: %d events of %s, every hash recomputed.", events, herd))
	online := s.call("verify", "--herd", herd).must(t)
	head := regexp.MustCompile(`Head: ([0-9a-f]{64})`).FindStringSubmatch(online)
	if head == nil {
		t.Fatalf("no head in %s", online)
	}
	contains(t, s.call("herd", "list").must(t), head[1])
}

// described holds a data package against the very file that was saved with it.
func (s *server) described(t *testing.T, pkg, file, delimiter string) {
	t.Helper()
	var doc struct {
		Resources []struct {
			Path, Hash string
			Bytes      int
			Dialect    struct{ Delimiter string }
		}
	}
	parse(t, read(t, pkg), &doc)
	text := read(t, file)
	if len(doc.Resources) != 1 {
		t.Fatalf("%s has %+v", pkg, doc)
	}
	r := doc.Resources[0]
	if r.Path != filepath.Base(file) || r.Bytes != len(text) || r.Hash != fmt.Sprintf("sha256:%x", sha256.Sum256([]byte(text))) || r.Dialect.Delimiter != delimiter {
		t.Errorf("%s says of %s: %+v", pkg, file, r)
	}
}

// Rows with faults are told, left out and saved; mended, they come in.
func TestImportRejects(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "messy-herd")
	s.call("mapping", "put", "m-messy", sheets+"messy.yaml").must(t)
	file := sheets + "messy.csv"

	strict := s.call("import", herd, file, "--mapping", "m-messy", "--strict").run(t)
	if strict.code != exitRefused || strings.Count(strict.err, "\n") != 1 {
		t.Errorf("--strict: %+v", strict)
	}
	contains(t, strict.err, "nothing was written", "line ")
	if out := s.call("events", "list", herd, "--all").must(t); out != "" {
		t.Fatalf("--strict wrote\n%.500s", out)
	}

	dry := s.takeIn(t, exitRefused, herd, file, "--mapping", "m-messy", "--dry-run")
	rejects := filepath.Join(t.TempDir(), "rejects.csv")
	r := s.call("import", herd, file, "--mapping", "m-messy", "--rejects", rejects).run(t)
	if r.code != exitRefused {
		t.Fatalf("exit code %d\n%s%s", r.code, r.out, r.err)
	}
	contains(t, r.out, "Refused:", fmt.Sprintf("%d rows refused", dry.Refused), fmt.Sprintf("%d events appended", dry.Appended))
	contains(t, r.err, "The refused rows are in "+rejects)
	// The golden file was made on another day.
	today := regexp.MustCompile(`today is \d{4}-\d\d-\d\d`)
	want := today.ReplaceAllString(read(t, sheets+"messy.rejects.csv"), "today is …")
	if got := today.ReplaceAllString(read(t, rejects), "today is …"); got != want {
		t.Errorf("the reject file is\n%s\nand not\n%s", got, want)
	}
	if dry.Refused == 0 || dry.Appended == 0 {
		t.Errorf("%+v", dry)
	}
	// Sent as it is, the reject file is refused row by row again. Only the row with a
	// stray quote is mended by having been written by the rules.
	again := s.takeIn(t, exitRefused, herd, rejects, "--mapping", "m-messy")
	if again.Appended != 1 || again.Refused != dry.Refused-1 {
		t.Errorf("the reject file, sent unmended: %+v", again)
	}
	s.roundTrip(t, herd)
}

// A file that is refused as a whole leaves nothing behind.
func TestImportRefusedWhole(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "whole-herd")
	dir := t.TempDir()
	events := invent(t, herd, "20", "1")
	in := s.call("events", "append", s.herd(t, "whole-source"), "-")
	in.in = strings.NewReader(strings.ReplaceAll(events, `"herd":"whole-herd"`, `"herd":"whole-source"`))
	in.must(t)
	export := strings.ReplaceAll(s.call("export", "whole-source").must(t), ",whole-source,", ","+herd+",")
	rows := strings.SplitAfter(export, "\r\n")
	for name, c := range map[string]struct{ text, want string }{
		"cut in a quote":       {export[:len(export)/2] + "\r\n,,\"cut", "nothing was written"},
		"cut between rows":     {strings.Join(append(slices.Clone(rows[:40]), rows[len(rows)-2]), ""), "the end record counts"},
		"an image":             {"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "nothing was written"},
		"empty":                {"", "nothing was written"},
		"unknown column":       {"kind,on,animal,colour\nmove,2026-01-01,1,red\n", "colour"},
		"another herd's":       {strings.ReplaceAll(export, ","+herd+",", ",some-herd,"), "some-herd"},
		"the header only once": {rows[0] + rows[0], ""},
	} {
		r := s.call("import", herd, write(t, dir, "f.csv", c.text)).run(t)
		if r.code != exitRefused {
			t.Errorf("%s: exit code %d\n%s%s", name, r.code, r.out, r.err)
		}
		contains(t, r.err+r.out, c.want)
	}
	if out := s.call("events", "list", herd, "--all").must(t); out != "" {
		t.Errorf("something was written:\n%.500s", out)
	}
}

// simulate | events append, as printed in its help; the same again adds nothing.
func TestSimulateAppend(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "pipe-herd")
	events := invent(t, herd, "40", "2")
	n := strings.Count(events, "\n")
	if invent(t, herd, "40", "2") != events {
		t.Error("the same arguments give other records")
	}
	send := func(text string, more ...string) string {
		c := s.call(append([]string{"events", "append", herd, "-"}, more...)...)
		c.in = strings.NewReader(text)
		return c.must(t)
	}
	contains(t, send(events), fmt.Sprintf("%d events appended, 0 were there already.", n))
	var again map[string]int
	parse(t, send(events, "--json"), &again)
	if again["appended"] != 0 || again["already_there"] != n {
		t.Errorf("the second time: %v", again)
	}
	s.roundTrip(t, herd)
}

// A fault in the middle of NDJSON: what came before is told, its batch is not half
// written.
func TestAppendFault(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "fault-herd")
	good := func(i int) string {
		return fmt.Sprintf(`{"kind":"move","on":"2026-01-01","animal":"%d","data":{"pen":"a"}}`+"\n", i)
	}
	var text strings.Builder
	for i := range 1500 {
		text.WriteString(good(i))
		if i == 1200 {
			text.WriteString(`{"kind":"move","on":"2026-13-01","animal":"x","data":{"pen":"a"}}` + "\n")
		}
	}
	c := s.call("events", "append", herd, "--unknown", "begin", write(t, t.TempDir(), "e.ndjson", text.String()))
	r := c.run(t)
	if r.code != exitRefused || strings.Count(r.err, "\n") != 1 {
		t.Fatalf("%+v", r)
	}
	contains(t, r.err, "line 1202, #/on", "of the groups of lines before, 1000 events were appended")
	if got := strings.Count(s.call("events", "list", herd).must(t), "\n"); got != 1000 {
		t.Errorf("%d events are in the log", got)
	}
}

// --follow prints what is there and what comes, and ends with code 0 when it is stopped.
func TestFollow(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "follow-herd")
	appendPen := func(pen string) {
		c := s.call("events", "append", herd, "--unknown", "begin", "-")
		c.in = strings.NewReader(`{"kind":"move","on":"2026-01-01","animal":"1","data":{"pen":"` + pen + `"}}` + "\n")
		c.must(t)
	}
	appendPen("first")
	cmd := s.call("events", "list", herd, "--follow").command(t.Context())
	out, errs := newOutput(), newOutput()
	cmd.Stdout, cmd.Stderr = out, errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	wait := func(lines int) {
		for deadline := time.After(20 * time.Second); strings.Count(out.String(), "\n") < lines; {
			select {
			case <-out.news:
			case <-deadline:
				t.Fatalf("%d lines wanted, after 20 s there are\n%s%s", lines, out, errs)
			}
		}
	}
	wait(1)
	appendPen("second")
	wait(2)
	appendPen("third")
	wait(3)
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("stopped by hand: %v\n%s", err, errs)
	}
	var seqs []int64
	for l := range strings.Lines(out.String()) {
		var e struct{ Seq int64 }
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		seqs = append(seqs, e.Seq)
	}
	if !slices.Equal(seqs, []int64{1, 2, 3}) {
		t.Errorf("followed %v", seqs)
	}
}

// verify finds what was done to an export and names the place.
func TestVerify(t *testing.T) {
	t.Parallel()
	s := demo(t)
	export := s.call("export", "alder-row").must(t)
	rows := strings.SplitAfter(export, "\r\n")
	rows = rows[:len(rows)-1]
	// A row whose pen or sire can be changed without making it invalid: a heat's date.
	at := slices.IndexFunc(rows, func(r string) bool { return strings.Contains(r, ",breeding,2026-0") })
	if at < 100 {
		t.Fatal("no breeding of 2026 in the demo")
	}
	changed := strings.Replace(rows[at], ",breeding,2026-0", ",breeding,2025-0", 1)
	seq := at // the header is row 0
	dir := t.TempDir()
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"a changed byte":        {replaced(rows, at, changed), []string{fmt.Sprintf("line %d", at+1), fmt.Sprintf("seq %d", seq), "hash"}},
		"a row removed":         {replaced(rows, at, ""), []string{fmt.Sprintf("line %d", at+1), fmt.Sprintf("seq %d", seq)}},
		"a row twice":           {replaced(rows, at, rows[at]+rows[at]), []string{fmt.Sprintf("line %d", at+2), fmt.Sprintf("seq %d", seq+1)}},
		"rows swapped":          {replaced(rows, at, rows[at+1]+rows[at], 2), []string{fmt.Sprintf("line %d", at+1), fmt.Sprintf("seq %d", seq)}},
		"cut off between rows":  {strings.Join(rows[:at], ""), []string{"cut off", fmt.Sprintf("%d events before were sound", at-1)}},
		"cut off in a row":      {strings.Join(rows[:at], "") + rows[at][:len(rows[at])/2], []string{"does not verify"}},
		"the end record alone":  {rows[0] + rows[len(rows)-1], []string{"line 2", "end record"}},
		"the last row removed":  {replaced(rows, len(rows)-2, ""), []string{fmt.Sprintf("line %d", len(rows)-1), "end record"}},
		"a row behind the end":  {export + rows[at], []string{fmt.Sprintf("line %d", len(rows)+1)}},
		"not an export at all":  {"a,b\r\n1,2\r\n", []string{"does not verify"}},
		"a sheet without a log": {"kind,on,animal,pen\r\nmove,2026-01-01,1,a\r\n", []string{"line 2"}},
		"nothing":               {"", []string{"does not verify"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			file := write(t, dir, strings.ReplaceAll(name, " ", "-")+".csv", c.text)
			r := call{args: []string{"verify", file}}.run(t)
			if r.code != exitRefused || r.out != "" || strings.Count(r.err, "\n") != 1 {
				t.Errorf("%+v", r)
			}
			contains(t, r.err, c.want...)
		})
	}
	t.Run("nothing done", func(t *testing.T) {
		t.Parallel()
		c := call{args: []string{"verify", "-", "--json"}, in: strings.NewReader(export)}
		var report struct {
			Herd     string
			Events   int
			Complete bool
		}
		parse(t, c.must(t), &report)
		if report.Herd != "alder-row" || report.Events != len(rows)-2 || !report.Complete {
			t.Errorf("%+v", report)
		}
	})
}

// replaced puts text in the place of some rows (one, if no number is given).
func replaced(rows []string, at int, text string, n ...int) string {
	gone := 1
	if len(n) > 0 {
		gone = n[0]
	}
	return strings.Join(rows[:at], "") + text + strings.Join(rows[at+gone:], "")
}

// stated is an export without what the log adds to the events: when each was
// recorded, and the hashes. The order stays, and so does seq.
func stated(t *testing.T, export string) []string {
	t.Helper()
	records, err := csv.NewReader(strings.NewReader(export)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	header := records[0]
	kind, id := slices.Index(header, "kind"), slices.Index(header, "event_id")
	at, hash := slices.Index(header, "recorded_at"), slices.Index(header, "hash")
	if kind < 0 || id < 0 || at < 0 || hash < 0 {
		t.Fatalf("the header is %v", header)
	}
	out := make([]string, len(records))
	for i, r := range records {
		r[at], r[hash] = "", ""
		if r[kind] == "end" {
			r[id] = "" // made from the hash
		}
		out[i] = strings.Join(r, "\x1f")
	}
	return out
}
