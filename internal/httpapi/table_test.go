package httpapi_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/internal/sheet"
)

// tableRecords gives header and rows of a CSV in the interchange profile, having
// held it against its end record.
func tableRecords(t *testing.T, body []byte) [][]string {
	t.Helper()
	report, err := sheet.VerifyTable(bytes.NewReader(body))
	if err != nil {
		t.Fatalf("%v\n%s", err, body)
	}
	records, err := csv.NewReader(bytes.NewReader(body)).ReadAll()
	if err != nil || len(records) != report.Rows+2 {
		t.Fatalf("%d records, %+v, %v", len(records), report, err)
	}
	return records[:len(records)-1]
}

// everyTable is an address of each table, and of the export.
func everyTable(t *testing.T, s *httpapitest.Server) []string {
	t.Helper()
	var defs api.DefinitionList
	get(s, "/v1/definitions").Want(http.StatusOK).JSON(&defs)
	list := []string{
		herdPath + "/events.csv", herdPath + "/animals.csv", herdPath + "/checks.csv", herdPath + "/indices.csv",
		"/v1/summary.csv", "/v1/technicians.csv",
	}
	for _, name := range []string{"walk", "examine", "breed", "diagnose", "returns", "calve", "dry-off", "checks"} {
		list = append(list, herdPath+"/lists/"+name+".csv", "/v1/lists/"+name+".csv")
	}
	for _, d := range defs.Definitions {
		list = append(list, herdPath+"/indices/"+d.Key+"/evidence.csv")
	}
	return list
}

// oddHerd has animals, pens and technicians whose names a spreadsheet program
// would spoil or run.
func oddHerd(t *testing.T) *httpapitest.Server {
	t.Helper()
	s := seeded(t)
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Type: "application/x-ndjson", Body: `
{"animal":"0017","kind":"arrival","on":"2026-01-02","data":{"how":"purchased","sex":"female","pen":"=1+1","breed":"-3"}}
{"animal":"=cmd|x","kind":"arrival","on":"2026-01-02","data":{"how":"purchased","sex":"female","pen":"0050"}}
{"animal":"=cmd|x","kind":"calving","on":"2026-05-02","data":{"ease":1}}
{"animal":"=cmd|x","kind":"breeding","on":"2026-08-02","by":"@t","data":{"method":"ai","sire":"+B1"}}
{"animal":"=cmd|x","kind":"breeding","on":"2026-08-20","by":"@t","data":{"method":"ai","sire":"+B1"}}
{"animal":"840003123456789","kind":"move","on":"2026-08-20","note":"=HYPERLINK(\"x\")","data":{"pen":"1E5"}}
`}).Want(http.StatusCreated)
	return s
}

var formula = regexp.MustCompile("^ *[=+@\t\r\n\x00＝＋－＠]|^ *-[^0-9]|^ *-[0-9]+[^0-9.]")

// TestTables: every table in both profiles ends so that a cut shows, is the
// same but for guards, holds nothing that a spreadsheet program would run, and
// is described by the data package that its Link names, cell for cell.
func TestTables(t *testing.T) {
	t.Parallel()
	s := oddHerd(t)
	guards := 0
	for _, address := range everyTable(t, s) {
		plain := get(s, "%s", address).Want(http.StatusOK)
		records := tableRecords(t, plain.Body)
		for delimiter, comma := range map[string]rune{"": ';', "&delimiter=comma": ',', "&delimiter=tab": '\t'} {
			r := get(s, "%s?profile=spreadsheet%s", address, delimiter).Want(http.StatusOK)
			rest, marked := bytes.CutPrefix(r.Body, []byte("\xef\xbb\xbf"))
			reader := csv.NewReader(bytes.NewReader(rest))
			reader.Comma = comma
			rows, err := reader.ReadAll()
			if _, bad := sheet.VerifyTable(bytes.NewReader(r.Body)); bad != nil || err != nil || !marked || len(rows) != len(records)+1 {
				t.Fatalf("%s%s: %v, %v, %d rows of %d", address, delimiter, bad, err, len(rows)-1, len(records))
			}
			for i, row := range records {
				for j, c := range row {
					switch got := rows[i][j]; {
					case formula.MatchString(got):
						t.Errorf("%s row %d, %s runs as a formula: %q", address, i, records[0][j], got)
					case got == "'"+c && c != "":
						guards++
					case got != c:
						t.Errorf("%s row %d, %s: %q for people and %q for programs", address, i, records[0][j], got, c)
					}
				}
			}
			described(t, s, address, r, records[0], rows[1:], true)
		}
		described(t, s, address, plain, records[0], records[1:], false)
		if name := plain.Header.Get("Content-Disposition"); !strings.HasPrefix(name, `attachment; filename="`) || !strings.HasSuffix(name, `.csv"`) {
			t.Errorf("%s: Content-Disposition %q", address, name)
		}
	}
	if guards < 100 {
		t.Errorf("%d guards: the test hardly tests", guards)
	}
}

// described holds a table against the data package that its Link names.
func described(t *testing.T, s *httpapitest.Server, address string, r *httpapitest.Response, header []string, rows [][]string, forPeople bool) {
	t.Helper()
	link := regexp.MustCompile(`<([^>]+)>; rel="describedby"`).FindStringSubmatch(strings.Join(r.Header.Values("Link"), ", "))
	if link == nil {
		t.Fatalf("%s: Link %q", address, r.Header.Values("Link"))
	}
	var doc sheet.PackageDoc
	get(s, "%s", link[1]).Want(http.StatusOK).JSON(&doc)
	folder, _, _ := strings.Cut(link[1], "?")
	want := address
	if forPeople {
		want += "?profile=spreadsheet"
	}
	i := slices.IndexFunc(doc.Resources, func(x sheet.ResourceDoc) bool { return path.Join(path.Dir(folder), x.Path) == want })
	if i < 0 {
		t.Fatalf("%s describes no %s", link[1], want)
	}
	fields := doc.Resources[i].Table.Fields
	if len(fields) != len(header) {
		t.Fatalf("%s has %d columns, described are %d", address, len(header), len(fields))
	}
	for j, f := range fields {
		if f.Name != header[j] || f.Description == "" {
			t.Errorf("%s: column %s is described as %s: %q", address, header[j], f.Name, f.Description)
		}
		for _, row := range rows {
			if what := misfit(&f, row[j]); what != "" {
				t.Errorf("%s: %s %q %s", address, f.Name, row[j], what)
			}
		}
	}
}

// misfit says why a cell is not what its field says.
func misfit(f *sheet.FieldDoc, c string) string {
	if c == "" {
		if f.Constraints != nil && f.Constraints.Required {
			return "is required"
		}
		return ""
	}
	var err error
	switch f.Type {
	case "integer":
		_, err = strconv.Atoi(c)
	case "number":
		_, err = strconv.ParseFloat(c, 64)
	case "boolean":
		if c != "true" && c != "false" {
			return "is no boolean"
		}
	case "date":
		_, err = time.Parse(time.DateOnly, c)
	}
	if err == nil && f.Constraints != nil && f.Constraints.Pattern != "" && !regexp.MustCompile("^(?:"+f.Constraints.Pattern+")$").MatchString(c) {
		return "does not fit its pattern"
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// TestCutTables: a table that was cut anywhere is told from a whole one, and so
// is one of which a cell, a row or the order was changed.
func TestCutTables(t *testing.T) {
	t.Parallel()
	s := oddHerd(t)
	for _, query := range []string{"", "?profile=spreadsheet", "?limit=2"} {
		doc := get(s, "%s/animals.csv%s", herdPath, query).Want(http.StatusOK).Body
		report, err := sheet.VerifyTable(bytes.NewReader(doc))
		if err != nil || report.More != strings.Contains(query, "limit") {
			t.Fatalf("%s: %+v, %v", query, report, err)
		}
		for n := range len(doc) - len("\r\n") {
			if _, err := sheet.VerifyTable(bytes.NewReader(doc[:n])); err == nil {
				t.Fatalf("%s: cut after %d of %d bytes it still verifies", query, n, len(doc))
			}
		}
		lines := bytes.SplitAfter(doc, []byte("\r\n"))
		for name, bad := range map[string][][]byte{
			"two rows swapped": {lines[0], lines[2], lines[1]}, "a row twice": {lines[0], lines[1], lines[1], lines[2]}, "a row left out": {lines[0], lines[1]},
			"a cell changed":           {lines[0], bytes.Replace(lines[1], []byte("female"), []byte("male"), 1), lines[2]},
			"a column named otherwise": {bytes.Replace(lines[0], []byte("born_on"), []byte("left_on"), 1), lines[1], lines[2]},
		} {
			text := append(bytes.Join(bad, nil), bytes.Join(lines[3:], nil)...)
			if _, err := sheet.VerifyTable(bytes.NewReader(text)); err == nil {
				t.Errorf("%s: %s, and it verifies:\n%s", query, name, text)
			}
		}
	}
}

// TestNextTable: the Link of a page leads to the next page of the same table, as
// it was asked for.
func TestNextTable(t *testing.T) {
	t.Parallel()
	s := oddHerd(t)
	next := regexp.MustCompile(`<([^>]+)>; rel="next"`)
	for _, query := range []string{"limit=2", "limit=2&profile=spreadsheet&delimiter=tab"} {
		address, rows := herdPath+"/animals.csv?"+query, 0
		for address != "" {
			r := get(s, "%s", address).Want(http.StatusOK)
			report, err := sheet.VerifyTable(bytes.NewReader(r.Body))
			link := next.FindStringSubmatch(strings.Join(r.Header.Values("Link"), ", "))
			if err != nil || report.More != (link != nil) {
				t.Fatalf("%s: %+v, %v, Link %q", address, report, err, r.Header.Values("Link"))
			}
			rows += report.Rows
			if address = ""; link != nil {
				address = link[1]
			}
		}
		if whole := tableRecords(t, get(s, "%s/animals.csv", herdPath).Body); rows != len(whole)-1 || rows < 5 {
			t.Errorf("%s: %d rows on all pages, %d at once", query, rows, len(whole)-1)
		}
	}
}

// TestExportForPeople: the spreadsheet profile verifies as the same log, comes
// back as nothing new, and has a tag of its own.
func TestExportForPeople(t *testing.T) {
	t.Parallel()
	s := oddHerd(t)
	plain := get(s, "%s/export.csv", herdPath).Want(http.StatusOK)
	want, err := sheet.VerifyExport(bytes.NewReader(plain.Body))
	if err != nil {
		t.Fatal(err)
	}
	for _, query := range []string{"", "&delimiter=semicolon", "&delimiter=comma", "&delimiter=tab"} {
		r := get(s, "%s/export.csv?profile=spreadsheet%s", herdPath, query).Want(http.StatusOK)
		if !bytes.HasPrefix(r.Body, []byte("\xef\xbb\xbfevent_id")) || r.Header.Get("ETag") == plain.Header.Get("ETag") {
			t.Errorf("%s: ETag %s, %.40q", query, r.Header.Get("ETag"), r.Body)
		}
		if got, err := sheet.VerifyExport(bytes.NewReader(r.Body)); err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", query, got, err, want)
		}
		if !bytes.Contains(r.Body, []byte("'=cmd|x")) || !bytes.Contains(r.Body, []byte("'0017")) {
			t.Errorf("%s: no guards in\n%s", query, r.Body)
		}
		var again api.ImportReport
		importInto(s, herdPath+"/imports", string(r.Body)).Want(http.StatusCreated).JSON(&again)
		if again.Counts.Appended != 0 || again.Counts.Refused != 0 || again.Counts.AlreadyThere != want.Events {
			t.Errorf("%s: %+v %+v", query, again.Counts, again.Problems)
		}
	}
	// Where nothing of it is known, the damage of a spreadsheet is refused row by row.
	s.Herd("south-farm")
	moved := strings.ReplaceAll(string(plain.Body), ",alder-row,", ",south-farm,")
	var report api.ImportReport
	importInto(s, "/v1/herds/south-farm/imports", strings.Replace(moved, ",0017,", ",17,", 1)).Want(http.StatusCreated).JSON(&report)
	if report.Counts.Refused != 1 || report.Counts.Appended != want.Events-1 || !strings.Contains(*report.Problems[0].Suggestion, `"0017"`) {
		t.Errorf("%+v %+v", report.Counts, report.Problems)
	}
	if get(s, "/v1/herds/south-farm/animals/17").Status != http.StatusNotFound {
		t.Error("17 became an animal")
	}
}

// TestClientTables: the client makes one table of all pages, with one end, and
// tells a page that was cut.
func TestClientTables(t *testing.T) {
	t.Parallel()
	s := oddHerd(t)
	c := s.Client(s.Admin)
	limit, profile := 2, api.GetListParamsProfileSpreadsheet
	for _, p := range []*api.GetListParamsProfile{nil, &profile} {
		var pages, whole bytes.Buffer
		if err := c.WorkListCSV(t.Context(), "alder-row", "walk", api.GetListParams{Limit: &limit, Profile: p}, &pages); err != nil {
			t.Fatal(err)
		}
		if err := c.WorkListCSV(t.Context(), "alder-row", "walk", api.GetListParams{Profile: p}, &whole); err != nil {
			t.Fatal(err)
		}
		report, err := sheet.VerifyTable(bytes.NewReader(pages.Bytes()))
		if err != nil || report.Rows < 3 || report.More || !bytes.Equal(pages.Bytes(), whole.Bytes()) {
			t.Errorf("%+v, %v\n%s\n%s", report, err, pages.Bytes(), whole.Bytes())
		}
	}
}

// TestClientFindsCutTables: a page that was cut anywhere, or of which a cell was
// changed on the way, is not taken for a whole one.
func TestClientFindsCutTables(t *testing.T) {
	t.Parallel()
	s := oddHerd(t)
	for _, query := range []string{"", "?profile=spreadsheet"} {
		whole := string(get(s, "%s/checks.csv%s", herdPath, query).Want(http.StatusOK).Body)
		body := whole
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/csv; charset=utf-8")
			_, _ = io.WriteString(w, body)
		}))
		t.Cleanup(srv.Close)
		c, err := api.New(srv.URL, api.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := c.ChecksCSV(t.Context(), "alder-row", api.ListChecksParams{}, &out); err != nil || out.String() != whole {
			t.Fatalf("the whole table: %v\n%s", err, out.Bytes())
		}
		cuts := []string{strings.Replace(whole, "840003123456789", "840003123456780", 1)}
		for n := 0; n < len(whole); n += 1 + len(whole)/150 {
			cuts = append(cuts, whole[:n])
		}
		for _, cut := range cuts {
			body = cut
			if err := c.ChecksCSV(t.Context(), "alder-row", api.ListChecksParams{}, io.Discard); !errors.Is(err, api.ErrTruncated) {
				t.Fatalf("%d bytes of %d: %v", len(cut), len(whole), err)
			}
		}
	}
}
