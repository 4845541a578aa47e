package httpapi_test

import (
	"bytes"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

func sampleSheet(t *testing.T, name string) string {
	t.Helper()
	doc, err := os.ReadFile("../../testdata/sheets/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(doc)
}

// A sheet is sent, its draft comes back, is saved as it is, and imports the
// sheet.
func TestSuggest(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	ask := httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/mappings/suggest?source=office-events", Token: s.Admin, Type: "text/csv", Body: sampleSheet(t, "office-events.csv"),
	}
	var found api.MappingSuggestion
	s.Do(ask).Want(http.StatusOK).JSON(&found)
	if found.Rows != 13 || !found.Whole || found.Encoding.Value != "windows-1252" || found.Layout.Value != "row_per_event" || len(found.Choices) != 0 {
		t.Errorf("%+v", found)
	}
	date := found.Columns[2]
	if date.Dates == nil || *date.Dates.Order != "d/m/y" || date.Dates.Proof[0].Line != 3 || date.Dates.Proof[0].Value != "28/02/2026" {
		t.Errorf("%+v", date)
	}
	ask.Header = http.Header{"Accept": {"application/yaml"}}
	r := s.Do(ask).Want(http.StatusOK)
	if string(r.Body) != found.Mapping || string(r.Body) != sampleSheet(t, "office-events.draft.yaml") {
		t.Errorf("as YAML:\n%s", r.Body)
	}
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/drafted", Token: s.Admin, Type: "application/yaml", Body: found.Mapping}).Want(http.StatusOK)
	var report api.ImportReport
	importInto(s, herdPath+"/imports?mapping=drafted&dry_run=true", sampleSheet(t, "office-events.csv")).Want(http.StatusOK).JSON(&report)
	if report.Counts.Appended != 13 || report.Counts.Refused != 0 {
		t.Errorf("%+v", report)
	}
	// What is left to choose refuses the mapping, and is named.
	ask.Body, ask.Header = "cow,date,what\n17,1/2/2026,dry\n18,3/4/2026,dry\n", nil
	s.Do(ask).Want(http.StatusOK).JSON(&found)
	r = s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/open", Token: s.Admin, Type: "application/yaml", Body: found.Mapping}).Want(http.StatusUnprocessableEntity)
	if len(found.Choices) != 1 || !strings.Contains(string(r.Body), "fields on dates is still to choose: d/m/y or m/d/y") {
		t.Errorf("%+v\n%s", found.Choices, r.Body)
	}
	// A sample may be longer than what is looked at.
	ask.Body = "cow,date,what\n" + strings.Repeat("0017,13/02/2026,dry\n", 300_000)
	if s.Do(ask).Want(http.StatusOK).JSON(&found); found.Whole || found.Rows > 6_000 {
		t.Errorf("%d rows, whole %v", found.Rows, found.Whole)
	}
}

// A workbook is drafted from, tried, imported, sent again, and its refused rows
// come back as CSV for the same mapping.
func TestWorkbook(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	f := excelize.NewFile()
	day := func(m, d int) time.Time { return time.Date(2026, time.Month(m), d, 0, 0, 0, 0, time.UTC) }
	for i, row := range [][]any{
		{"Cow", "Date", "Event", "Bull"},
		{"7001", day(3, 7), "AI", "E-11"},
		{"7002", day(3, 8), "heat", ""},
		{"7003", day(12, 24), "heat", ""},
	} {
		if err := f.SetSheetRow("Sheet1", "A"+string(rune('1'+i)), &row); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	ask := httpapitest.Request{Method: http.MethodPost, Path: "/v1/mappings/suggest?source=book", Token: s.Admin, Type: api.MediaWorkbook, Body: b.String()}
	var found api.MappingSuggestion
	s.Do(ask).Want(http.StatusOK).JSON(&found)
	if found.Sheet == nil || found.Sheet.Value != "Sheet1" || found.Encoding != nil || len(found.Choices) != 0 {
		t.Fatalf("%+v", found)
	}
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/book", Token: s.Admin, Type: "application/yaml", Body: found.Mapping}).Want(http.StatusOK)
	var dry, report, again api.ImportReport
	ask.Path = herdPath + "/imports?mapping=book&dry_run=true"
	s.Do(ask).Want(http.StatusOK).JSON(&dry)
	ask.Path = herdPath + "/imports?mapping=book"
	s.Do(ask).Want(http.StatusCreated).JSON(&report)
	s.Do(ask).Want(http.StatusCreated).JSON(&again)
	if dry.Counts != report.Counts || report.Counts.Appended != 2 || report.Counts.Refused != 1 || report.Problems[0].Code != "in_future" && report.Problems[0].Line != 4 || again.Counts.AlreadyThere != 2 {
		t.Errorf("dry run %+v\nimport %+v\nagain %+v", dry.Counts, report, again.Counts)
	}
	rejects := string(s.Do(httpapitest.Request{Path: *report.Rejects, Token: s.Admin}).Want(http.StatusOK).Body)
	importInto(s, herdPath+"/imports?mapping=book", strings.Replace(rejects, "2026-12-24", "2026-03-24", 1)).Want(http.StatusCreated).JSON(&report)
	if report.Counts.Appended != 1 || report.Counts.Refused != 0 {
		t.Errorf("mended: %+v\n%s", report.Counts, rejects)
	}
	// The media type says what it is, not the bytes.
	r := importInto(s, herdPath+"/imports?mapping=book", b.String()).Want(http.StatusUnsupportedMediaType)
	if !strings.Contains(string(r.Body), "send it as the workbook that it is") {
		t.Errorf("%s", r.Body)
	}
}
