package httpapi_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

// countyMapping names a column of herds, in words of the county's own.
const countyMapping = `
version: 1
source: county
encoding: windows-1252
delimiter: ";"
header_row: 2
dates: d/m/y
herd: {column: Farm, words: {Alder Row: alder-row, Mill Lane: mill-lane}, others: keep}
key: [Slip]
on_change: amend
on_vanish: void
skip: [{column: Slip, starts: [total]}]
fields: {animal: Cow, on: Date}
events:
- kind: breeding
  fields: {sire: Bull, method: {const: ai}, note: {column: Remark}}
`

const countyHead = "County sheet;;;;;\r\nSlip;Farm;Cow;Date;Bull;Remark\r\n"

// county is a service with three herds and a token for two of them.
func county(t *testing.T) (s *httpapitest.Server, token string) {
	t.Helper()
	s = httpapitest.Start(t, httpapitest.Options{Now: ticking()})
	for _, herd := range []string{"alder-row", "mill-lane", "far-side"} {
		s.Herd(herd)
	}
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/county", Token: s.Admin, Type: "application/yaml", Body: countyMapping}).Want(http.StatusOK)
	token = s.Token(
		book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"read", "record"}},
		book.GrantSpec{Herd: "mill-lane", Scopes: []book.Scope{"read", "record"}},
		book.GrantSpec{Herd: "far-side", Scopes: []book.Scope{"read"}},
	)
	return s, token
}

func sendCounty(s *httpapitest.Server, token, query, body string) *httpapitest.Response {
	return s.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/imports?mapping=county" + query, Token: token, Type: "text/csv", Body: body})
}

func headOf(s *httpapitest.Server, herd string) int64 {
	var head api.HerdHead
	get(s, "/v1/herds/%s/head", herd).Want(http.StatusOK).JSON(&head)
	return head.Seq
}

// One file, two herds that the token may import into, one that it may not, one
// that is not there: each row goes to its own herd or comes back with the
// reason, and the mended file doubles nothing.
func TestImportHerds(t *testing.T) {
	t.Parallel()
	s, token := county(t)
	remark := "\"tr\xe8s; calme\"" // in the sheet's own encoding, with its delimiter inside
	body := countyHead +
		"1;Alder Row;0412;01/03/2026;S-1;" + remark + "\r\n" +
		"2;mill-lane;0412;02/03/2026;S-1;\r\n" +
		"3;far-side;0412;03/03/2026;S-1;\r\n" +
		"4;no-such-herd;0412;03/03/2026;S-1;\r\n" +
		"5;Alder Row;0388;31/02/2026;S-1;\r\n" +
		"6;;0388;01/03/2026;S-1;\r\n" +
		"7;Mill Lane;0388;04/03/2026;S-2;a \"stray\" quote\r\n" +
		"8;ALDER  ROW;0517;05/03/2026;S-2;\r\n" +
		"Total;;8;;;\r\n"
	var dry, report api.HerdsImportReport
	sendCounty(s, token, "&dry_run=true", body).Want(http.StatusOK).JSON(&dry)
	if headOf(s, "alder-row")+headOf(s, "mill-lane") != 0 {
		t.Fatal("the dry run wrote")
	}
	r := sendCounty(s, token, "&file_name=county.csv&digest="+dry.Digest, body).Want(http.StatusCreated)
	r.JSON(&report)
	if report.Counts != dry.Counts || report.State != "done" || len(report.Herds) != 2 || report.FinishedAt == nil {
		t.Fatalf("the dry run told %+v\nthe import %s", dry.Counts, r.Body)
	}
	if c := report.Counts; c.Rows != 9 || c.Skipped != 1 || c.Refused != 5 || c.Appended != 3 {
		t.Errorf("counts %+v", c)
	}
	for i, want := range []struct {
		herd              string
		appended, refused int64
	}{{"alder-row", 2, 1}, {"mill-lane", 1, 0}} {
		if h := report.Herds[i]; h.Herd != want.herd || h.Counts.Appended != want.appended || h.Counts.Refused != want.refused || headOf(s, want.herd) != want.appended {
			t.Errorf("%s: %+v", h.Herd, h.Counts)
		}
	}
	// Line and column are those of the file; a herd out of reach reads as one that is not there.
	if p := report.Herds[0].Problems; len(p) != 1 || p[0].Line != 7 || *p[0].Column != "Date" || *p[0].Value != "31/02/2026" {
		t.Errorf("problems of alder-row: %+v", p)
	}
	var lines []string
	for _, p := range report.Problems {
		lines = append(lines, fmt.Sprint(p.Line, " ", *p.Column, " ", p.Code))
	}
	if want := []string{"5 Farm unknown_herd", "6 Farm unknown_herd", "8 Farm required", "9 Remark bare_quote"}; !slices.Equal(lines, want) {
		t.Errorf("problems %q, want %q", lines, want)
	}
	if a, b := report.Problems[0], report.Problems[1]; strings.Replace(a.Detail, "far-side", "no-such-herd", 1) != b.Detail {
		t.Errorf("%q tells a herd from %q", a.Detail, b.Detail)
	}
	var page api.EventPage
	get(s, "/v1/herds/alder-row/events?animal=0412").Want(http.StatusOK).JSON(&page)
	if len(page.Items) != 1 || page.Items[0].Note != "très; calme" || page.Items[0].On.String() != "2026-03-01" {
		t.Errorf("%+v", page.Items)
	}

	// The refused rows come back as the sheet's own, in its order and encoding.
	rejects := s.Do(httpapitest.Request{Path: *report.Rejects, Token: token}).Want(http.StatusOK)
	in := csv.NewReader(bytes.NewReader(rejects.Body))
	in.Comma, in.FieldsPerRecord = ';', -1
	rows, err := in.ReadAll()
	if err != nil || len(rows) != 7 {
		t.Fatalf("%v\n%s", err, rejects.Body)
	}
	var slips []string
	for _, row := range rows[2:] {
		slips = append(slips, row[0]+" line "+row[6])
	}
	if want := []string{"3 line 5", "4 line 6", "5 line 7", "6 line 8", "7 line 9"}; !slices.Equal(slips, want) {
		t.Errorf("rejects %q, want %q", slips, want)
	}
	if own := s.Do(httpapitest.Request{Path: *report.Herds[0].Rejects, Token: token}).Want(http.StatusOK); !strings.Contains(string(own.Body), "31/02/2026") {
		t.Errorf("rejects of alder-row: %s", own.Body)
	}
	mended := strings.NewReplacer("far-side", "mill-lane", "no-such-herd", "Alder Row", "31/02/2026", "28/02/2026", "6;;0388", "6;Mill Lane;0388").Replace(string(rejects.Body))
	var again api.HerdsImportReport
	for i, appended := range []int64{5, 0} {
		sendCounty(s, token, "", mended).Want(http.StatusCreated).JSON(&again)
		if c := again.Counts; c.Appended != appended || c.AlreadyThere != 5-appended || c.Refused+c.Withdrawn+c.Vanished != 0 {
			t.Errorf("the mended rows, time %d: %+v %+v", i, c, again.Herds)
		}
	}
	if a, m := headOf(s, "alder-row"), headOf(s, "mill-lane"); a != 4 || m != 4 {
		t.Errorf("%d and %d events", a, m)
	}
}

// Every herd's part is held against what that herd's part said before.
func TestImportHerdsResync(t *testing.T) {
	t.Parallel()
	s, token := county(t)
	first := countyHead + "1;Alder Row;0412;01/03/2026;S-1;\r\n2;Mill Lane;0412;02/03/2026;S-1;\r\n3;Mill Lane;0388;02/03/2026;S-1;\r\n"
	second := countyHead + "3;Mill Lane;0388;02/03/2026;S-9;\r\n1;Alder Row;0412;01/03/2026;S-1;\r\n"
	var r api.HerdsImportReport
	for range 2 {
		sendCounty(s, token, "", first).Want(http.StatusCreated).JSON(&r)
	}
	if r.Counts.Appended != 0 || r.Counts.AlreadyThere != 3 {
		t.Errorf("the same again: %+v", r.Counts)
	}
	sendCounty(s, token, "", second).Want(http.StatusCreated).JSON(&r)
	if c := r.Counts; c.AlreadyThere != 1 || c.Amended != 1 || c.Withdrawn != 1 {
		t.Errorf("the second night: %+v", c)
	}
	if n := headOf(s, "alder-row"); n != 1 {
		t.Errorf("alder-row has %d events", n)
	}
	if len(r.MissingHerds) != 0 {
		t.Errorf("missing: %v", r.MissingHerds)
	}
	// A row that no herd can be told of may be the one that seems gone.
	both := countyHead + "3;Mill Lane;0388;02/03/2026;S-9;\r\n4;Mill Lane;0500;02/03/2026;S-9;\r\n1;Alder Row;0412;01/03/2026;S-1;\r\n"
	sendCounty(s, token, "", both).Want(http.StatusCreated)
	was := headOf(s, "mill-lane")
	for _, spoilt := range []string{strings.Replace(both, "4;Mill Lane", "4;Mill Lnae", 1), strings.Replace(both, "S-9;\r\n1;", "S-9;x;y\r\n1;", 1)} {
		sendCounty(s, token, "", spoilt).Want(http.StatusCreated).JSON(&r)
		if c := r.Counts; c.Refused != 1 || c.Withdrawn != 0 || c.Vanished != 1 || headOf(s, "mill-lane") != was {
			t.Errorf("a row of no herd: %+v", c)
		}
	}
	// A file without any row of a herd voids nothing there, and says so.
	sendCounty(s, token, "", countyHead+"1;Alder Row;0412;01/03/2026;S-1;\r\n").Want(http.StatusCreated).JSON(&r)
	if len(r.Herds) != 1 || headOf(s, "mill-lane") != was || !slices.Equal(r.MissingHerds, []string{"mill-lane"}) {
		t.Errorf("%+v", r)
	}
	// The same mapping serves one herd: rows of others are refused.
	var one api.ImportReport
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/imports?mapping=county&part=true", Token: token, Type: "text/csv", Body: first}).
		Want(http.StatusCreated).JSON(&one)
	if one.Counts.AlreadyThere != 1 || one.Counts.Refused != 2 || one.Problems[0].Code != "other_herd" {
		t.Errorf("into one herd: %+v %+v", one.Counts, one.Problems)
	}
}

// Who may import nowhere is refused; a file that is refused whole leaves all
// herds as they were; reports are for who sent the file.
func TestImportHerdsRefused(t *testing.T) {
	t.Parallel()
	s, token := county(t)
	body := countyHead + "1;Alder Row;0412;01/03/2026;S-1;\r\n2;Mill Lane;0412;02/03/2026;S-1;\r\n3;far-side;0412;03/03/2026;S-1;\r\n"
	reader := s.Token(book.GrantSpec{Herd: "*", Scopes: []book.Scope{"read", "manage"}})
	if r := sendCounty(s, reader, "", body); r.Status != http.StatusForbidden || r.Problem().Type != "urn:byrelog:problem:insufficient-scope" {
		t.Errorf("a token that may import nowhere: %d %s", r.Status, r.Body)
	}
	for name, c := range map[string]struct {
		query, body string
		status      int
	}{
		"strict":                        {"&strict=true", body, http.StatusUnprocessableEntity},
		"strict, a bad row of one herd": {"&strict=true", countyHead + "1;Alder Row;0412;01/03/2026;S-1;\r\n2;Mill Lane;0412;32/03/2026;S-1;\r\n", http.StatusUnprocessableEntity},
		"open quote":                    {"", body + "4;Alder Row;\"0412;;;", http.StatusUnprocessableEntity},
		"no column":                     {"", strings.Replace(body, "Farm", "Barn", 1), http.StatusUnprocessableEntity},
		"other bytes":                   {"&digest=" + strings.Repeat("0", 64), body, http.StatusConflict},
		"dry and strict":                {"&dry_run=true&strict=true", body, http.StatusUnprocessableEntity},
		"wrong encoding":                {"", "\xff\xfe\x00", http.StatusUnprocessableEntity},
	} {
		if r := sendCounty(s, token, c.query, c.body); r.Status != c.status {
			t.Errorf("%s: %d %s", name, r.Status, r.Body)
		}
	}
	for _, herd := range []string{"alder-row", "mill-lane", "far-side"} {
		if n := headOf(s, herd); n != 0 {
			t.Errorf("%s has %d events", herd, n)
		}
		var list api.ImportList
		get(s, "/v1/herds/%s/imports", herd).Want(http.StatusOK).JSON(&list)
		for _, i := range list.Items {
			if i.State != "failed" || i.Error == nil {
				t.Errorf("%s: %+v", herd, i)
			}
		}
	}
	var report api.HerdsImportReport
	sendCounty(s, token, "", body).Want(http.StatusCreated).JSON(&report)
	path := "/v1/imports/" + report.ID.String()
	for who, status := range map[string]int{token: http.StatusOK, s.Admin: http.StatusOK, reader: http.StatusNotFound} {
		if r := s.Do(httpapitest.Request{Path: path, Token: who}); r.Status != status {
			t.Errorf("report: %d, want %d", r.Status, status)
		}
		if r := s.Do(httpapitest.Request{Path: path + "/rejects.csv", Token: who}); r.Status != status {
			t.Errorf("rejects: %d, want %d", r.Status, status)
		}
	}
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/plain", Token: s.Admin, Type: "application/yaml", Body: sheetMapping("x")}).Want(http.StatusOK)
	plain := s.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/imports?mapping=plain", Token: token, Type: "text/csv", Body: sheetHead})
	if plain.Status != http.StatusUnprocessableEntity || !strings.Contains(string(plain.Body), "which column names the herd") {
		t.Errorf("a mapping without a column of herds: %d %s", plain.Status, plain.Body)
	}
}

// The order of a column's dates is told by the whole file: one herd's only row
// may fit another order by mistake, and the file is not refused for it; a
// column that is all in another order is refused, with every herd's part.
func TestImportHerdsDateOrder(t *testing.T) {
	t.Parallel()
	s, token := county(t)
	var r api.HerdsImportReport
	sendCounty(s, token, "", countyHead+"1;Alder Row;0412;25/03/2026;S-1;\r\n2;Mill Lane;0412;04/25/2026;S-1;\r\n").Want(http.StatusCreated).JSON(&r)
	if c := r.Counts; c.Appended != 1 || c.Refused != 1 {
		t.Errorf("%+v %+v", c, r.Herds)
	}
	turned := countyHead + "3;Alder Row;0412;03/04/2026;S-1;\r\n4;Mill Lane;0412;04/25/2026;S-1;\r\n5;Mill Lane;0412;04/05/2026;S-1;\r\n"
	for _, query := range []string{"", "&dry_run=true"} {
		p := sendCounty(s, token, query, turned).Want(http.StatusUnprocessableEntity).Problem()
		if !strings.Contains(fmt.Sprint(p.Detail), "order") {
			t.Errorf("%+v", p)
		}
	}
	if headOf(s, "alder-row") != 1 || headOf(s, "mill-lane") != 0 {
		t.Error("a file whose dates are in another order was taken")
	}
}
