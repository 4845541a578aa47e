package httpapi_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

// The lists of the scenario's day, worked out by hand from its events.
func TestLists(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for _, c := range []struct{ query, rows, left string }{
		{"walk", "0517:open 0388:open 0412:pregnant", ""},
		{"walk?pen=north", "0517:open", ""},
		{"walk?on=2026-10-16", "0517:normal_return 0388:waiting_period 0412:pregnant", ""}, // day 18 after 0517's second service
		{"examine", "0388:suspect_heat", ""},
		{"examine?days=0&on=2026-11-26", "", ""},
		{"examine?on=2026-11-26", "0388:suspect_heat", ""},
		{"breed", "", ""},
		{"breed?on=2026-07-20", "", "same_heat=1"}, // 0412 was bred at once
		{"diagnose", "0412:confirm_late", ""},
		{"diagnose?on=2026-10-26", "0517:result_unknown 0412:confirm_late", ""}, // day 28, day 117 after calving
		{"diagnose?on=2026-09-18", "0412:confirm", ""},                          // day 60
		{"diagnose?on=2026-10-25", "0412:confirm_late", ""},
		{"diagnose?on=2026-10-25&days=1", "0517:result_unknown 0412:confirm_late", ""},
		{"returns?on=2026-10-16", "0517:normal_return", ""},
		{"returns?on=2026-10-23", "", ""},
		{"calve", "", ""},
		{"calve?days=151", "0412:due", ""}, // due 2027-04-25 (V13)
		{"calve?days=150", "", ""},
		{"dry-off?days=91", "0412:dry_off", ""}, // 2027-02-24
		{"dry-off?days=90", "", ""},
		{"walk?as_of=4", "0412:bred_result_unknown", ""}, // the log knew that she was bred, 128 days ago
	} {
		var l api.WorkList
		get(s, "%s/lists/%s", herdPath, c.query).Want(http.StatusOK).JSON(&l)
		var rows, left []string
		for _, r := range l.Rows {
			rows = append(rows, r.Animal+":"+r.Code)
		}
		for _, x := range l.LeftOut {
			left = append(left, fmt.Sprintf("%s=%d", x.Reason, x.Count))
		}
		if got := strings.Join(rows, " "); got != c.rows || strings.Join(left, " ") != c.left {
			t.Errorf("%s: %q without %q, want %q without %q", c.query, got, left, c.rows, c.left)
		}
	}
	var l api.WorkList
	get(s, "%s/lists/examine", herdPath).Want(http.StatusOK).JSON(&l)
	if r := l.Rows[0]; r.Since.String() != "2026-11-25" || len(r.Examine) == 0 || len(r.Caution) == 0 || *r.Verdict != "examine_first" || l.AsOf.Seq != int64(scenarioEvents) {
		t.Errorf("%+v", r)
	}
}

// As JSON, as CSV and on paper a list says the same.
func TestListForms(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: herdPath + "/policies/2026-01-01", Token: s.Admin, Body: `{"open_mark":"yellow","bred_mark":"blue"}`}).Want(http.StatusOK)
	var l api.WorkList
	get(s, "%s/lists/walk", herdPath).Want(http.StatusOK).JSON(&l)
	if *l.OpenMark != "yellow" || *l.BredMark != "blue" || *l.Rows[0].Mark != "yellow" || *l.Rows[2].Mark != "blue" {
		t.Errorf("marks: %+v", l)
	}
	records := tableRecords(t, get(s, "%s/lists/walk.csv", herdPath).Want(http.StatusOK).Body)
	if len(records) != len(l.Rows)+1 {
		t.Fatalf("%d records", len(records))
	}
	sheet := string(get(s, "%s/lists/walk.txt", herdPath).Want(http.StatusOK).Body)
	text := s.Do(httpapitest.Request{Path: herdPath + "/lists/walk", Token: s.Admin, Header: http.Header{"Accept": {"text/plain"}}}).Want(http.StatusOK)
	if !strings.HasPrefix(text.Header.Get("Content-Type"), "text/plain") || string(text.Body) != sheet {
		t.Errorf("%s: %s", text.Header.Get("Content-Type"), text.Body)
	}
	for i, r := range l.Rows {
		if records[i+1][2] != r.Animal || records[i+1][5] != r.Code || records[i+1][6] != r.Text || !strings.Contains(sheet, "\n"+r.Animal+" ") {
			t.Errorf("%+v\n%v\n%s", r, records[i+1], sheet)
		}
	}
	for _, line := range strings.Split(sheet, "\n") {
		if len([]rune(line)) > 110 {
			t.Errorf("a line of %d characters: %s", len([]rune(line)), line)
		}
	}
	if !strings.HasPrefix(sheet, "alder-row: heat walk, Wednesday 2026-11-25, all pens\n") || !strings.Contains(sheet, "open cows are marked yellow") || !strings.Contains(sheet, "\nCaution: ") {
		t.Errorf("title, marks or cautions are missing:\n%s", sheet)
	}
	// Page by page it is the same list.
	var names []string
	for path := "/lists/walk?limit=2"; path != ""; {
		var part api.WorkList
		get(s, "%s%s", herdPath, path).Want(http.StatusOK).JSON(&part)
		for _, r := range part.Rows {
			names = append(names, r.Animal)
		}
		path = ""
		if part.Next != nil {
			path = "/lists/walk?limit=2&cursor=" + *part.Next
		}
	}
	if got := strings.Join(names, " "); got != "0517 0388 0412" {
		t.Errorf("paged: %s", got)
	}
}

// Findings of the herd, of an animal, and about what an import brought.
func TestFindings(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	codes := func(path string, args ...any) string {
		t.Helper()
		var p api.CheckPage
		get(s, path, args...).Want(http.StatusOK).JSON(&p)
		var out []string
		for _, f := range p.Items {
			if f.Bound == "" || f.PleaseCheck == "" || len(f.Sources) == 0 {
				t.Errorf("%+v", f)
			}
			out = append(out, f.Animal+":"+f.Code)
		}
		return strings.Join(out, " ")
	}
	before := codes("%s/checks", herdPath)
	sheet := "event_id,herd,animal,kind,on,by,method,sire\r\n" +
		",,0517,breeding,2026-09-28,t9,ai,S-204\r\n" + // the second service, by another recorder
		",,0412,breeding,2026-10-10,t9,ai,S-204\r\n" // of a pregnant cow
	var report api.ImportReport
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/imports", Token: s.Admin, Type: "text/csv", Body: sheet}).Want(http.StatusCreated).JSON(&report)
	if report.Counts.Appended != 2 {
		t.Fatalf("%+v", report)
	}
	of := codes("%s/checks?import=%s", herdPath, report.ID)
	if of != "0517:maybe_recorded_twice 0412:bred_while_pregnant 0412:return_late" && of != "0517:maybe_recorded_twice 0412:bred_while_pregnant" {
		t.Errorf("of the import: %s (before it: %s)", of, before)
	}
	var p api.CheckPage
	get(s, "%s/checks?rule=R20&import=%s", herdPath, report.ID).Want(http.StatusOK).JSON(&p)
	if len(p.Items) != 1 || p.Items[0].Pair == nil || *p.Items[0].Pair.First.By == *p.Items[0].Pair.Second.By || p.Items[0].Pair.First.Data["sire"] != "S-204" {
		t.Fatalf("%+v", p.Items)
	}
	if got := codes("%s/checks?animal=0412&severity=serious", herdPath); got != "0412:bred_while_pregnant" {
		t.Errorf("serious ones of 0412: %s", got)
	}
	if got := codes("%s/checks?as_of=%d", herdPath, scenarioEvents); got != before {
		t.Errorf("as of before the import: %s, then %s", got, before)
	}
	records := tableRecords(t, get(s, "%s/checks.csv?import=%s", herdPath, report.ID).Want(http.StatusOK).Body)
	if len(records) < 3 || records[1][0] != "maybe_recorded_twice" || records[1][12] != "by" {
		t.Errorf("%v", records)
	}
	// The same file again appends nothing, so that nothing is about it.
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/imports", Token: s.Admin, Type: "text/csv", Body: sheet}).JSON(&report)
	if got := codes("%s/checks?import=%s", herdPath, report.ID); report.Counts.Appended == 0 && got != "" {
		t.Errorf("of an import that appended nothing: %s", got)
	}
}

// Technicians over two herds with the same records: t3's two failed services
// of each herd have a known outcome, and t2's one.
func TestTechnicians(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seedHerd(t, s, "mill-lane")
	var got api.Technicians
	get(s, "/v1/technicians?from=2026-01-01").Want(http.StatusOK).JSON(&got)
	var rows []string
	for _, r := range got.Rows {
		if r.Limits != nil || r.Position != nil || !r.Small || r.Expected == nil { // too few for limits
			t.Errorf("%+v", r)
		}
		rows = append(rows, fmt.Sprintf("%s/%s %d/%d", r.Codes[0].Herd, *r.Codes[0].Code, r.Numerator, r.Denominator))
	}
	if want := "alder-row/t2 1/1; alder-row/t3 0/2; mill-lane/t2 1/1; mill-lane/t3 0/2"; strings.Join(rows, "; ") != want {
		t.Errorf("rows %s, want %s", rows, want)
	}
	if got.Numerator != 2 || got.Denominator != 6 || got.From.String() != "2026-01-01" || got.Caution == "" || len(got.Herds) != 2 || *got.Parameters.By != "technician" {
		t.Errorf("%+v", got)
	}
	records := tableRecords(t, get(s, "/v1/technicians.csv?herds=mill-lane&from=2026-01-01").Want(http.StatusOK).Body)
	if len(records) != 3 || records[1][1] != "mill-lane" || records[1][2] != "t2" {
		t.Errorf("%v", records)
	}
	// With a map of codes to persons a row is a person; nothing of the map is kept.
	people := func(token, body string) *httpapitest.Response {
		return s.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/technicians?from=2026-01-01", Token: token, Type: "text/csv", Body: body})
	}
	people(s.Admin, "person,herd,code\nAnn,alder-row,t2\nAnn,mill-lane,t3\nBea,elsewhere,t9\n").Want(http.StatusOK).JSON(&got)
	if r := got.Rows[0]; *r.Person != "Ann" || r.Numerator != 1 || r.Denominator != 3 || len(r.Codes) != 2 || len(got.Rows) != 3 || len(got.Unmapped) != 2 || got.Unmapped[0].Herd != "alder-row" || *got.Unmapped[0].Code != "t3" {
		t.Errorf("%+v", got)
	}
	one := s.Token(book.GrantSpec{Herd: "mill-lane", Scopes: []book.Scope{"read"}})
	people(one, "herd;code;person\nalder-row;t2;Ann\nmill-lane;t2;Ann\n").Want(http.StatusOK).JSON(&got)
	if r := got.Rows[0]; len(r.Codes) != 1 || r.Codes[0].Herd != "mill-lane" {
		t.Errorf("of one herd: %+v", got)
	}
	for body, want := range map[string]string{
		"":                "line 1: the table is empty",
		"herd,code,who\n": "line 1, who: there is no such column; they are herd, code and person / line 1, person: the column is missing",
		"herd,code,person\nalder-row,,x\nA b,t1,x\n":             "line 2, code: the cell is empty / line 3, herd: \"A b\" is no name of a herd",
		"herd,code,person\nalder-row,t1,Ann\nalder-row,t1,Bea\n": "line 3, person: t1 of alder-row is \"Ann\" in a line before",
		"herd,code,person\n\"alder":                              "line 2: ",
	} {
		var told []string
		for _, it := range *people(s.Admin, body).Want(http.StatusUnprocessableEntity).Problem().Errors {
			where := fmt.Sprintf("line %d", *it.Line)
			if it.Column != nil {
				where += ", " + *it.Column
			}
			told = append(told, where+": "+it.Detail)
		}
		if got := strings.Join(told, " / "); !strings.HasPrefix(got, want) {
			t.Errorf("%q: %s, want %s", body, got, want)
		}
	}
	// In a summary by technician the pool's rows are a herd and a code.
	var sum api.Summary
	get(s, "/v1/summary?keys=conception_risk&by=technician&from=2026-01-01").Want(http.StatusOK).JSON(&sum)
	rows = nil
	for _, r := range sum.Pool[0].Rows {
		rows = append(rows, r.Label)
	}
	if want := "alder-row/t2 alder-row/t3 mill-lane/t2 mill-lane/t3"; strings.Join(rows, " ") != want || len(sum.Herds[0].Indices[0].Rows) != 2 {
		t.Errorf("pool's rows %v, want %s", rows, want)
	}
	get(s, "/v1/summary?keys=conception_risk&by=month&from=2026-01-01").Want(http.StatusOK).JSON(&sum)
	if r := sum.Pool[0].Rows; len(r) != 2 || r[0].Label != "2026-07" || *r[0].Numerator != 2 {
		t.Errorf("by month: %+v", r)
	}
	get(s, "/v1/summary?keys=conception_risk&from=2026-01-01").Want(http.StatusOK).JSON(&sum)
	if len(sum.Pool[0].Rows) != 0 {
		t.Errorf("rows without by: %+v", sum.Pool[0].Rows)
	}
}
