package httpapi_test

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/internal/sheet"
)

const officeRows = "event_id,animal,kind,on,verdict,chalk\r\n" +
	",0412,heat,2026-11-03,suspect,disturbed\r\n" +
	",0412,heat,31.02.2026,suspect,\r\n" +
	",0388,heat,2026-11-04,perhaps,\r\n" +
	",0388,dry_off,2026-11-05,,\r\n"

func importInto(s *httpapitest.Server, path, body string) *httpapitest.Response {
	return s.Do(httpapitest.Request{Method: http.MethodPost, Path: path, Token: s.Admin, Type: "text/csv", Body: body})
}

// An import takes the good rows, tells the bad ones by line, column and value,
// gives them back as a file, and doubles nothing when it comes again.
func TestImport(t *testing.T) {
	t.Parallel()
	s := seededAt(t, ticking())
	var dry, report, again api.ImportReport
	importInto(s, herdPath+"/imports?dry_run=true&file_name=november.csv", officeRows).Want(http.StatusOK).JSON(&dry)
	if !dry.DryRun || dry.ID != nil || dry.Counts.Appended != 2 || dry.Counts.Refused != 2 || len(dry.Problems) != 2 {
		t.Fatalf("dry run: %+v", dry)
	}
	var head api.HerdHead
	if get(s, "%s/head", herdPath).JSON(&head); head.Seq != int64(scenarioEvents) {
		t.Fatalf("a dry run moved the head to %d", head.Seq)
	}
	r := importInto(s, herdPath+"/imports?file_name=november.csv", officeRows).Want(http.StatusCreated)
	r.JSON(&report)
	if report.State != "done" || report.Counts != dry.Counts || report.Digest != dry.Digest || *report.FileName != "november.csv" || report.Mapping != "native" {
		t.Fatalf("import: %s", r.Body)
	}
	p := report.Problems[0]
	if p.Line != 3 || *p.Column != "on" || *p.Value != "31.02.2026" || p.Code != "bad_date" {
		t.Errorf("first problem: %+v", p)
	}
	if p := report.Problems[1]; p.Line != 4 || *p.Column != "verdict" || *p.Value != "perhaps" {
		t.Errorf("second problem: %+v", p)
	}
	if loc := r.Header.Get("Location"); !strings.HasSuffix(loc, report.ID.String()) {
		t.Errorf("Location %q", loc)
	}
	importInto(s, herdPath+"/imports", officeRows).Want(http.StatusCreated).JSON(&again)
	if again.Counts.Appended != 0 || again.Counts.AlreadyThere != 2 {
		t.Errorf("the same file again: %+v", again.Counts)
	}
	rejects := get(s, "%s", *report.Rejects).Want(http.StatusOK)
	rows, err := csv.NewReader(bytes.NewReader(rejects.Body)).ReadAll()
	if err != nil || len(rows) != 3 {
		t.Fatalf("rejects: %v, %s", err, rejects.Body)
	}
	if cd := rejects.Header.Get("Content-Disposition"); !strings.HasPrefix(cd, "attachment") {
		t.Errorf("Content-Disposition %q", cd)
	}
	// Mended, the rejects can be sent again as they are.
	mended := strings.NewReplacer("31.02.2026", "2026-11-06", "perhaps", "not_in_heat").Replace(string(rejects.Body))
	importInto(s, herdPath+"/imports", mended).Want(http.StatusCreated).JSON(&again)
	if again.Counts.Appended != 2 || again.Counts.Refused != 0 {
		t.Errorf("the mended rejects: %+v %+v", again.Counts, again.Problems)
	}
	var list api.ImportList
	get(s, "%s/imports?limit=2", herdPath).Want(http.StatusOK).JSON(&list)
	if len(list.Items) != 2 || list.Next == nil || *list.Items[0].ID != *again.ID {
		t.Fatalf("imports: %+v", list)
	}
	get(s, "%s/imports?limit=2&cursor=%s", herdPath, *list.Next).Want(http.StatusOK).JSON(&list)
	if len(list.Items) != 1 || list.Next != nil || *list.Items[0].ID != *report.ID {
		t.Errorf("second page of imports: %d", len(list.Items))
	}
}

// A file that is refused as a whole leaves an import that says so and no event.
func TestImportRefusedWhole(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	importInto(s, herdPath+"/imports", officeRows+`,"0412`).Want(http.StatusUnprocessableEntity)
	var list api.ImportList
	get(s, "%s/imports", herdPath).Want(http.StatusOK).JSON(&list)
	if len(list.Items) != 1 || list.Items[0].State != "failed" || list.Items[0].Error == nil {
		t.Errorf("imports: %+v", list.Items)
	}
	gz := s.Do(httpapitest.Request{
		Method: http.MethodPost, Path: herdPath + "/imports", Token: s.Admin, Type: "text/csv",
		Header: http.Header{"Content-Encoding": {"gzip"}}, Body: zipped(t, officeRows)[:40],
	})
	if gz.Status != http.StatusBadRequest {
		t.Errorf("an upload that broke off: %d %s", gz.Status, gz.Body)
	}
	if status := brokenUpload(t, s, officeRows); status != 0 && status < http.StatusBadRequest {
		t.Errorf("a connection that broke off: %d", status)
	}
	var head api.HerdHead
	if get(s, "%s/head", herdPath).JSON(&head); head.Seq != int64(scenarioEvents) {
		t.Errorf("the head moved to %d", head.Seq)
	}
}

// A file is as large as the operator allows, as sent and as inflated. An own
// export of a large herd always fits.
func TestImportBytes(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{Now: clock, Config: httpapi.Config{ImportBytes: 1 << 20}})
	seedHerd(t, s, "alder-row")
	large := officeRows + strings.Repeat("\r\n", 1<<19)
	for _, w := range []struct {
		name string
		r    httpapitest.Request
		want int
	}{
		{"large", httpapitest.Request{Body: large}, http.StatusRequestEntityTooLarge},
		{"large when inflated", httpapitest.Request{Body: zipped(t, large), Header: http.Header{"Content-Encoding": {"gzip"}}}, http.StatusRequestEntityTooLarge},
		{"small enough", httpapitest.Request{Body: large[:1<<20]}, http.StatusCreated},
	} {
		w.r.Method, w.r.Path, w.r.Token, w.r.Type = http.MethodPost, herdPath+"/imports", s.Admin, "text/csv"
		if rsp := s.Do(w.r); rsp.Status != w.want {
			t.Errorf("%s: %d %.300s", w.name, rsp.Status, rsp.Body)
		}
	}
	usual := seeded(t)
	importInto(usual, herdPath+"/imports", officeRows+strings.Repeat("\r\n", 12<<20)).Want(http.StatusCreated)
}

// brokenUpload promises more than it sends and closes its side. The status is
// 0 if the server gave no answer.
func brokenUpload(t *testing.T, s *httpapitest.Server, body string) int {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(s.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	_, err = fmt.Fprintf(conn, "POST %s/imports HTTP/1.1\r\nHost: test\r\nAuthorization: Bearer %s\r\nContent-Type: text/csv\r\nContent-Length: %d\r\n\r\n%s",
		herdPath, s.Admin, len(body)+100, body)
	tcp, ok := conn.(*net.TCPConn)
	if err != nil || !ok {
		t.Fatalf("%v, %T", err, conn)
	}
	if err := tcp.CloseWrite(); err != nil {
		t.Fatal(err)
	}
	rsp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0
	}
	defer func() { _ = rsp.Body.Close() }()
	return rsp.StatusCode
}

// An export is whole, verifies, comes back as no new event, and is the same
// bytes when it is exported again.
func TestExport(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	first := get(s, "%s/export.csv", herdPath).Want(http.StatusOK)
	report, err := sheet.VerifyExport(bytes.NewReader(first.Body))
	if err != nil || !report.Complete || report.Events != int64(scenarioEvents) {
		t.Fatalf("%+v, %v", report, err)
	}
	var again api.ImportReport
	importInto(s, herdPath+"/imports", string(first.Body)).Want(http.StatusCreated).JSON(&again)
	if again.Counts.Appended != 0 || again.Counts.AlreadyThere != int64(scenarioEvents) || again.Counts.Refused != 0 {
		t.Errorf("imported again: %+v %+v", again.Counts, again.Problems)
	}
	if second := get(s, "%s/export.csv", herdPath).Want(http.StatusOK); !bytes.Equal(first.Body, second.Body) {
		t.Error("exported again it is other bytes")
	}
	zip := s.Do(httpapitest.Request{Path: herdPath + "/export.csv", Token: s.Admin, Header: http.Header{"Accept-Encoding": {"gzip"}}}).Want(http.StatusOK)
	if zip.Header.Get("Content-Encoding") != "gzip" || !bytes.Equal(zip.Body, first.Body) {
		t.Errorf("compressed: %v", zip.Header)
	}
	var pack struct {
		Resources []struct {
			Path   string `json:"path"`
			Schema struct {
				Fields []struct{ Name string } `json:"fields"`
			} `json:"schema"`
		} `json:"resources"`
	}
	get(s, "%s/datapackage.json", herdPath).Want(http.StatusOK).JSON(&pack)
	header, err := csv.NewReader(bytes.NewReader(first.Body)).Read()
	if err != nil || len(pack.Resources) != 2 || len(pack.Resources[0].Schema.Fields) != len(header) {
		t.Fatalf("%v: the package describes %d columns, the file has %d", err, len(pack.Resources[0].Schema.Fields), len(header))
	}
	for i, f := range pack.Resources[0].Schema.Fields {
		if f.Name != header[i] {
			t.Errorf("column %d is %s, described as %s", i, header[i], f.Name)
		}
	}
}

func TestMappings(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	doc := mappingDoc(t)
	var info api.MappingInfo
	put := httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/office-rows", Token: s.Admin, Type: "application/yaml", Body: doc}
	s.Do(put).Want(http.StatusOK).JSON(&info)
	if info.Version != 1 || info.Builtin {
		t.Errorf("stored as %+v", info)
	}
	if s.Do(put).Want(http.StatusOK).JSON(&info); info.Version != 1 {
		t.Errorf("the same text again made version %d", info.Version)
	}
	if got := get(s, "/v1/mappings/office-rows").Want(http.StatusOK); string(got.Body) != doc {
		t.Errorf("came back as %s", got.Body)
	}
	get(s, "/v1/mappings/native").Want(http.StatusOK)
	var list api.MappingList
	if get(s, "/v1/mappings").Want(http.StatusOK).JSON(&list); len(list.Mappings) != 2 || !list.Mappings[0].Builtin {
		t.Errorf("list %+v", list)
	}
	// Only an administrator changes what all herds share; every token may read it.
	reader := s.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"record"}})
	put.Token = reader
	s.Do(put).Want(http.StatusForbidden)
	s.Do(httpapitest.Request{Path: "/v1/mappings/office-rows", Token: reader}).Want(http.StatusOK)
}

func TestPolicies(t *testing.T) {
	t.Parallel()
	s := seededAt(t, ticking())
	var list api.PolicyList
	get(s, "%s/policies", herdPath).Want(http.StatusOK).JSON(&list)
	if len(list.Policies) != 1 || list.Policies[0].From != nil || *list.Policies[0].Policy.WaitFirstDays != 60 {
		t.Fatalf("default: %+v", list)
	}
	put := func(from, body string) api.DatedPolicy {
		var p api.DatedPolicy
		s.Do(httpapitest.Request{Method: http.MethodPut, Path: herdPath + "/policies/" + from, Token: s.Admin, Body: body}).Want(http.StatusOK).JSON(&p)
		return p
	}
	p := put("2026-04-01", `{"wait_first_days":80,"gestation_by_breed":{"mixed":{"heifer":278,"cow":281.5}}}`)
	if *p.Policy.WaitFirstDays != 80 || *p.Policy.WaitLaterDays != 60 || len(*p.Policy.GestationByBreed) != 1 || p.From.String() != "2026-04-01" {
		t.Errorf("put: %+v", p)
	}
	if p = put("2026-04-01", `{}`); *p.Policy.WaitFirstDays != 60 || len(*p.Policy.GestationByBreed) < 2 {
		t.Errorf("what is left out is not the default: %+v", p)
	}
	put("2026-01-01", `{"open_cost":{"currency":"EUR","after_days":100,"low":1.5,"high":2.5}}`)
	get(s, "%s/policies", herdPath).Want(http.StatusOK).JSON(&list)
	if len(list.Policies) != 2 || list.Policies[0].From.String() != "2026-01-01" || *list.Policies[0].Policy.OpenCost.Currency != "EUR" {
		t.Errorf("list: %+v", list)
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var issued api.IssuedToken
	r := s.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/tokens", Token: s.Admin,
		Body: `{"name":"technician t2","expires_at":"2027-06-30T00:00:00Z","grants":[{"herd":"alder-row","scopes":["read","record"]},{"herd":"*","scopes":["read"]}]}`,
	}).Want(http.StatusCreated)
	if r.JSON(&issued); issued.Token == "" || r.Header.Get("Cache-Control") != "no-store" || len(issued.Grants) != 2 {
		t.Fatalf("issued %s", r.Body)
	}
	var herds api.HerdList
	s.Do(httpapitest.Request{Path: "/v1/herds", Token: issued.Token}).Want(http.StatusOK).JSON(&herds)
	if got, _ := json.Marshal(herds.Herds[0].Scopes); string(got) != `["read","record"]` {
		t.Errorf("scopes %s", got)
	}
	list := get(s, "/v1/tokens").Want(http.StatusOK)
	if strings.Contains(string(list.Body), issued.Token) || !strings.Contains(string(list.Body), issued.ID.String()) {
		t.Errorf("list %s", list.Body)
	}
	for range 2 { // revoking twice is harmless
		s.Do(httpapitest.Request{Method: http.MethodDelete, Path: "/v1/tokens/" + issued.ID.String(), Token: s.Admin}).Want(http.StatusNoContent)
	}
	s.Do(httpapitest.Request{Path: "/v1/herds", Token: issued.Token}).Want(http.StatusUnauthorized)
}

func mappingDoc(t *testing.T) string {
	t.Helper()
	return `version: 1
name: office rows
source: office
delimiter: ";"
dates: d/m/y
fields: {animal: Cow, on: Date}
events:
- kind: heat
  fields:
    verdict: {column: Reading, words: {"yes": in_heat, "no": not_in_heat}}
`
}

// A stored mapping reads a foreign sheet.
func TestImportWithMapping(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/office-rows", Token: s.Admin, Type: "application/yaml", Body: mappingDoc(t)}).Want(http.StatusOK)
	var report api.ImportReport
	importInto(s, herdPath+"/imports?mapping=office-rows", "Cow;Date;Reading\n0412;03/11/2026;yes\n0388;04/11/2026;maybe\n").Want(http.StatusCreated).JSON(&report)
	if report.Counts.Appended != 1 || report.Counts.Refused != 1 || report.Mapping != "office-rows" {
		t.Fatalf("%+v %+v", report.Counts, report.Problems)
	}
	if p := report.Problems[0]; p.Line != 3 || *p.Column != "Reading" || *p.Value != "maybe" {
		t.Errorf("problem %+v", p)
	}
	var page api.EventPage
	get(s, "%s/events?animal=0412&from=2026-11-03", herdPath).Want(http.StatusOK).JSON(&page)
	if len(page.Items) != 1 || page.Items[0].On.String() != "2026-11-03" || page.Items[0].Source != "office" {
		t.Errorf("events %+v", page.Items)
	}
}
