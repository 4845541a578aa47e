package httpapi_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

// night is a herd with an office sheet that is sent every night.
type night struct {
	*httpapitest.Server
	t    *testing.T
	herd string
	name string // of the mapping
}

// sheetMapping has one row per breeding. what is put in front of its fields.
func sheetMapping(source string, what ...string) string {
	return "version: 1\nsource: " + source + "\ndelimiter: ','\ndates: iso\n" + strings.Join(what, "\n") + `
fields: {animal: Cow, on: Date}
events:
- kind: breeding
  fields: {sire: Bull, method: {const: ai}, note: {column: Remark, optional: true}}
`
}

func nights(t *testing.T, mapping string) *night {
	t.Helper()
	s := httpapitest.Start(t, httpapitest.Options{Now: ticking()})
	s.Herd("alder-row")
	n := &night{Server: s, t: t, herd: "alder-row", name: "office"}
	n.put("office", mapping)
	return n
}

func (n *night) put(name, doc string) {
	n.t.Helper()
	n.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/" + name, Token: n.Admin, Type: "application/yaml", Body: doc}).Want(http.StatusOK)
}

func (n *night) path(query string) string {
	return "/v1/herds/" + n.herd + "/imports?mapping=" + n.name + query
}

// send imports a state of the sheet.
func (n *night) send(query, body string) *api.ImportReport {
	n.t.Helper()
	var report api.ImportReport
	status := http.StatusCreated
	if strings.Contains(query, "dry_run") {
		status = http.StatusOK
	}
	importInto(n.Server, n.path(query), body).Want(status).JSON(&report)
	return &report
}

// counts holds the counts that matter here, in the order of their names.
func (n *night) counts(what string, r *api.ImportReport, appended, there, amended, changed, withdrawn, vanished int64) {
	n.t.Helper()
	c := r.Counts
	got := fmt.Sprintf("appended %d, there %d, amended %d, changed %d, withdrawn %d, vanished %d", c.Appended, c.AlreadyThere, c.Amended, c.Changed, c.Withdrawn, c.Vanished)
	want := fmt.Sprintf("appended %d, there %d, amended %d, changed %d, withdrawn %d, vanished %d", appended, there, amended, changed, withdrawn, vanished)
	if got != want {
		n.t.Errorf("%s:\n%s, want\n%s\nproblems %+v\nerror %v", what, got, want, r.Problems, r.Error)
	}
}

// facts are the breedings that stand.
func (n *night) facts() []string {
	n.t.Helper()
	var list []string
	for e, err := range n.Client(n.Admin).Events(n.t.Context(), n.herd, api.ListEventsParams{}) {
		if err != nil {
			n.t.Fatal(err)
		}
		if e.Kind == "breeding" {
			var d struct{ Sire string }
			if err := json.Unmarshal(e.Data, &d); err != nil {
				n.t.Fatal(err)
			}
			list = append(list, e.Animal+" "+e.On.String()+" "+d.Sire+" "+e.Note)
		}
	}
	slices.Sort(list)
	return list
}

func (n *night) stand(what string, want ...string) {
	n.t.Helper()
	slices.Sort(want)
	if got := n.facts(); !slices.Equal(got, want) {
		n.t.Errorf("%s: in force are\n%s\nand not\n%s", what, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func (n *night) seq() int64 {
	n.t.Helper()
	var head api.HerdHead
	get(n.Server, "/v1/herds/%s/head", n.herd).Want(http.StatusOK).JSON(&head)
	return head.Seq
}

const sheetHead = "No,Cow,Date,Bull,Remark\r\n"

// An edited row is voided and restated, also back and forth, and every state
// of the sheet that comes twice does nothing the second time.
func TestResyncAmend(t *testing.T) {
	t.Parallel()
	n := nights(t, sheetMapping("office", "key: [No]", "on_change: amend"))
	first := sheetHead + "1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,\r\n"
	edited := sheetHead + "2,0388,2026-03-02,S-1,\r\n1,0412,2026-03-01,S-2,\r\n" // in another order too
	n.counts("first", n.send("", first), 2, 0, 0, 0, 0, 0)
	n.counts("first again", n.send("", first), 0, 2, 0, 0, 0, 0)
	for i := range 3 { // there and back
		dry := n.send("&dry_run=true", edited)
		n.counts("dry run of the edit", dry, 0, 1, 1, 0, 0, 0)
		before := n.seq()
		n.counts("edited", n.send("", edited), 0, 1, 1, 0, 0, 0)
		if got := n.seq(); got != before+2 {
			t.Errorf("round %d: %d events were written, not a void and a restatement", i, got-before)
		}
		n.stand("edited", "0412 2026-03-01 S-2 ", "0388 2026-03-02 S-1 ")
		n.counts("edited again", n.send("", edited), 0, 2, 0, 0, 0, 0)
		n.counts("back", n.send("", first), 0, 1, 1, 0, 0, 0)
		n.counts("back again", n.send("", first), 0, 2, 0, 0, 0, 0)
		n.stand("back", "0412 2026-03-01 S-1 ", "0388 2026-03-02 S-1 ")
	}
	// The chain of restatements can be followed: each names the one before.
	var page api.EventPage
	get(n.Server, "/v1/herds/alder-row/events?all=true&animal=0412").Want(http.StatusOK).JSON(&page)
	ids := map[string]bool{}
	for i, e := range page.Items {
		if i > 0 && e.Kind == "breeding" && (e.Replaces == nil || !ids[e.Replaces.String()]) {
			t.Errorf("seq %d replaces %v", e.Seq, e.Replaces)
		}
		ids[e.ID.String()] = true
	}
	// An edit of the note alone is an edit; so is one of the number of the cow.
	n.counts("note", n.send("", sheetHead+"1,0412,2026-03-01,S-1,late\r\n2,0517,2026-03-02,S-1,\r\n"), 0, 0, 2, 0, 0, 0)
	n.stand("note and cow", "0412 2026-03-01 S-1 late", "0517 2026-03-02 S-1 ")
}

// What the mapping does not allow to be amended is told, in the report and as
// a finding, and stays so every night.
func TestResyncReport(t *testing.T) {
	t.Parallel()
	n := nights(t, sheetMapping("office", "key: [No]"))
	n.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,\r\n3,0517,2026-03-03,S-1,\r\n")
	before := n.seq()
	edited := sheetHead + "1,0412,2026-03-01,S-2,\r\n3,0517,2026-03-03,S-1,\r\n4,0601,2026-03-04,S-1,\r\n"
	for range 2 {
		r := n.send("", edited)
		if len(r.Differences) != 2 {
			t.Fatalf("differences %+v", r.Differences)
		}
		d := r.Differences[0]
		if d.Code != "changed" || d.Line == nil || *d.Line != 2 || d.Animal != "0412" || len(d.Fields) != 1 || d.Fields[0] != (api.FieldChange{Name: "sire", Log: "S-1", Sheet: "S-2"}) {
			t.Errorf("changed: %+v", d)
		}
		if d := r.Differences[1]; d.Code != "vanished" || d.Line != nil || d.Animal != "0388" || *d.Ref != "2" {
			t.Errorf("vanished: %+v", d)
		}
		if r.Counts.Changed != 1 || r.Counts.Vanished != 1 {
			t.Errorf("%+v", r.Counts)
		}
		var found api.CheckPage
		get(n.Server, "/v1/herds/alder-row/checks?import=%s", r.ID).Want(http.StatusOK).JSON(&found)
		var codes []string
		for _, f := range found.Items {
			if f.Rule == "sheet" {
				codes = append(codes, f.Code+" "+f.Animal)
			}
		}
		if !slices.Equal(codes, []string{"sheet_changed 0412", "sheet_vanished 0388"}) {
			t.Errorf("checks %v", codes)
		}
		get(n.Server, "/v1/herds/alder-row/checks.csv?import=%s&rule=sheet", r.ID).Want(http.StatusOK)
	}
	if got := n.seq(); got != before+1 {
		t.Errorf("%d events were written, and only row 4 is new", got-before)
	}
	// Who may import and not read is not told what the log has.
	blind := n.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"record"}})
	var r api.ImportReport
	n.Do(httpapitest.Request{Method: http.MethodPost, Path: n.path(""), Token: blind, Type: "text/csv", Body: edited}).Want(http.StatusCreated).JSON(&r)
	if r.Counts.Changed != 1 || len(r.Differences) != 0 || r.Checks != nil {
		t.Errorf("without the scope read: %+v", r)
	}
}

func many(from, to int) (body string, facts []string) {
	var b strings.Builder
	for i := from; i < to; i++ {
		fmt.Fprintf(&b, "%d,%04d,2026-03-01,S-1,\r\n", i, i)
		facts = append(facts, fmt.Sprintf("%04d 2026-03-01 S-1 ", i))
	}
	return b.String(), facts
}

// A sheet that was cut off voids nothing, unless it is said that it is whole.
func TestResyncVanish(t *testing.T) {
	t.Parallel()
	n := nights(t, sheetMapping("office", "key: [No]", "on_change: amend", "on_vanish: void"))
	whole, facts := many(0, 50)
	n.counts("first", n.send("", sheetHead+whole), 50, 0, 0, 0, 0, 0)
	// Three rows are gone: less than a tenth.
	fewer, fewerFacts := many(3, 50)
	n.counts("dry", n.send("&dry_run=true", sheetHead+fewer), 0, 47, 0, 0, 3, 0)
	n.counts("three gone", n.send("", sheetHead+fewer), 0, 47, 0, 0, 3, 0)
	n.counts("three gone, again", n.send("", sheetHead+fewer), 0, 47, 0, 0, 0, 0)
	n.stand("three gone", fewerFacts...)
	// They are back, and gone, and back.
	n.counts("back", n.send("", sheetHead+whole), 3, 47, 0, 0, 0, 0)
	n.counts("back again", n.send("", sheetHead+whole), 0, 50, 0, 0, 0, 0)
	n.stand("back", facts...)
	n.counts("gone again", n.send("", sheetHead+fewer), 0, 47, 0, 0, 3, 0)
	n.send("", sheetHead+whole)

	before := n.seq()
	half, halfFacts := many(0, 25)
	dry := n.send("&dry_run=true", sheetHead+half)
	if dry.State != "failed" || dry.Error == nil || !strings.Contains(*dry.Error, "max_voids=25") {
		t.Errorf("dry run of half the sheet: %s %v", dry.State, dry.Error)
	}
	r := n.send("", sheetHead+half)
	if r.State != "failed" || r.Error == nil || !strings.Contains(*r.Error, "would void 25 of the 50 events") || n.seq() != before {
		t.Errorf("half the sheet: %s %v, %d events written", r.State, r.Error, n.seq()-before)
	}
	n.send("", sheetHead) // nothing at all
	n.stand("half refused", facts...)
	n.counts("half as a part", n.send("&part=true", sheetHead+half), 0, 25, 0, 0, 0, 0)
	r = n.send("&max_voids=24", sheetHead+half)
	if r.State != "failed" {
		t.Error("24 were allowed, 25 voided")
	}
	n.counts("half confirmed", n.send("&max_voids=25", sheetHead+half), 0, 25, 0, 0, 25, 0)
	n.stand("half", halfFacts...)
}

// Rows that cannot be read may be the ones that seem gone; a mended reject file
// is a part of the sheet.
func TestResyncRefusedRows(t *testing.T) {
	t.Parallel()
	n := nights(t, sheetMapping("office", "key: [No]", "on_change: amend", "on_vanish: void"))
	n.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,\r\n3,0517,2026-03-03,S-1,\r\n")
	r := n.send("", sheetHead+"1,0412,31.02.2026,S-1,\r\n2,0388,2026-03-02,S-1,\r\n3,0517,2026-03-03,S-1,\r\n")
	n.counts("a spoilt row", r, 0, 2, 0, 0, 0, 0)
	n.stand("a spoilt row", "0412 2026-03-01 S-1 ", "0388 2026-03-02 S-1 ", "0517 2026-03-03 S-1 ")
	rejects := string(get(n.Server, "%s", *r.Rejects).Want(http.StatusOK).Body)
	mended := strings.Replace(rejects, "31.02.2026", "2026-03-08", 1)
	n.counts("the mended row", n.send("", mended), 0, 0, 1, 0, 0, 0)
	n.counts("the mended row again", n.send("", mended), 0, 1, 0, 0, 0, 0)
	want := []string{"0412 2026-03-08 S-1 ", "0388 2026-03-02 S-1 ", "0517 2026-03-03 S-1 "}
	n.stand("mended", want...)
	// A row whose key is lost may be row 3.
	r = n.send("", sheetHead+"1,0412,2026-03-08,S-1,\r\n2,0388,2026-03-02,S-1,\r\n,0517,2026-03-03,S-1,\r\n")
	n.counts("a lost key", r, 0, 2, 0, 0, 0, 1)
	if len(r.Differences) != 1 || !strings.Contains(r.Differences[0].Detail, "could not be read") {
		t.Errorf("%+v", r.Differences)
	}
	n.stand("a lost key", want...)
}

// Only what came by the mapping is voided, and what somebody corrected stays
// corrected.
func TestResyncLeavesOthersAlone(t *testing.T) {
	t.Parallel()
	const what = "key: [No]\non_change: amend\non_vanish: void"
	n := nights(t, sheetMapping("office", what))
	n.put("other", sheetMapping("office", what)) // the same source and the same keys
	n.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,\r\n3,0517,2026-03-03,S-1,\r\n")
	n.name = "other"
	n.counts("another sheet of the source", n.send("", sheetHead+"1,0700,2026-04-01,S-9,\r\n"), 1, 0, 0, 0, 0, 0)
	hand := `{"animal":"0800","kind":"breeding","on":"2026-04-02","source":"office","ref":"77","data":{"method":"ai","sire":"S-7"}}`
	n.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: n.Admin, Body: hand}).Want(http.StatusCreated)
	n.name = "office"
	others := []string{"0700 2026-04-01 S-9 ", "0800 2026-04-02 S-7 "}
	n.counts("one row gone", n.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,\r\n"), 0, 2, 0, 0, 1, 0)
	n.stand("one row gone", append(others, "0412 2026-03-01 S-1 ", "0388 2026-03-02 S-1 ")...)

	// Somebody corrects row 1 and withdraws row 2.
	var page api.EventPage
	get(n.Server, "/v1/herds/alder-row/events").Want(http.StatusOK).JSON(&page)
	for _, e := range page.Items {
		var body string
		switch e.Animal + " " + string(e.Kind) {
		case "0412 breeding":
			body = fmt.Sprintf(`[{"kind":"void","on":"2026-11-25","data":{"event":%q,"reason":"wrong bull"}},
				{"animal":"0412","kind":"breeding","on":"2026-03-01","replaces":%q,"data":{"method":"ai","sire":"S-3"}}]`, e.ID, e.ID)
		case "0388 breeding":
			body = fmt.Sprintf(`{"kind":"void","on":"2026-11-25","data":{"event":%q,"reason":"never happened"}}`, e.ID)
		default:
			continue
		}
		n.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: n.Admin, Body: body}).Want(http.StatusCreated)
	}
	stand := append(others, "0412 2026-03-01 S-3 ")
	n.counts("unchanged rows", n.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,\r\n"), 0, 2, 0, 0, 0, 0)
	n.stand("corrections stand", stand...)
	r := n.send("", sheetHead+"1,0412,2026-03-01,S-2,\r\n2,0388,2026-03-02,S-1,\r\n")
	n.counts("the corrected row is edited", r, 0, 1, 0, 1, 0, 0)
	if len(r.Differences) != 1 || r.Differences[0].Code != "corrected_elsewhere" {
		t.Errorf("%+v", r.Differences)
	}
	n.stand("the correction stands", stand...)
}

// A sheet without a key: rows are known by their content, and an edit is a row
// gone and a row new, which is told and never guessed (R13).
func TestResyncWithoutKey(t *testing.T) {
	t.Parallel()
	const head = "Cow,Date,Bull\r\n"
	n := nights(t, sheetMapping("office"))
	n.send("", head+"0412,2026-03-01,S-1\r\n0412,2026-06-01,S-1\r\n0388,2026-03-02,S-1\r\n0388,2026-03-02,S-1\r\n")
	r := n.send("", head+"0388,2026-03-02,S-1\r\n0412,2026-06-02,S-1\r\n0412,2026-03-01,S-1\r\n")
	n.counts("edited", r, 1, 2, 0, 0, 0, 2)
	var codes []string
	for _, d := range r.Differences {
		codes = append(codes, string(d.Code)+" "+d.Animal+" "+d.On.String())
	}
	slices.Sort(codes)
	if !slices.Equal(codes, []string{"maybe_corrected 0412 2026-06-01", "vanished 0388 2026-03-02"}) {
		t.Errorf("%v", codes)
	}
	n.name = "full"
	n.put("full", sheetMapping("full", "on_vanish: void"))
	a, b := head+"0601,2026-03-01,S-1\r\n0601,2026-03-01,S-1\r\n0602,2026-03-02,S-1\r\n", head+"0601,2026-03-01,S-1\r\n0602,2026-03-03,S-1\r\n"
	n.counts("full", n.send("", a), 3, 0, 0, 0, 0, 0)
	for range 2 {
		n.counts("one of two alike is gone, one edited", n.send("", b), 1, 1, 0, 0, 2, 0)
		n.counts("again", n.send("", b), 0, 2, 0, 0, 0, 0)
		n.counts("back", n.send("", a), 2, 1, 0, 0, 1, 0)
		n.counts("back again", n.send("", a), 0, 3, 0, 0, 0, 0)
	}
	amend := "version: 1\nsource: x\non_change: amend\ndates: iso\nfields: {animal: Cow, on: Date}\nevents: [{kind: dry_off}]\n"
	p := n.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/bad", Token: n.Admin, Type: "application/yaml", Body: amend}).Want(http.StatusUnprocessableEntity)
	if !strings.Contains(string(p.Body), "amend needs a key") {
		t.Errorf("%s", p.Body)
	}
}

// One row per cow and lactation: every event has a key of its own, a cell that
// is cleared withdraws its event, and "last bred" grows instead of changing.
func TestResyncCows(t *testing.T) {
	t.Parallel()
	n := nights(t, `
version: 1
source: cows
delimiter: ","
dates: iso
key: [Cow, Lact]
on_change: amend
on_vanish: void
otherwise: skip
fields: {animal: Cow}
events:
- {name: calved, when: [{column: Calved, filled: true}], kind: calving, fields: {on: Calved, parity: Lact}}
- {name: last_bred, on_change: append, when: [{column: Last bred, filled: true}], kind: breeding, fields: {on: Last bred, sire: Bull, method: {const: ai}}}
- {name: dry, when: [{column: Dry, filled: true}], kind: dry_off, fields: {on: Dry}}
`)
	const head = "Cow,Lact,Calved,Last bred,Bull,Dry\r\n"
	kinds := func() string {
		var list []string
		for e, err := range n.Client(n.Admin).Events(t.Context(), n.herd, api.ListEventsParams{}) {
			if err != nil {
				t.Fatal(err)
			}
			if e.Kind != "void" {
				list = append(list, string(e.Kind)+" "+e.Animal+" "+e.On.String())
			}
		}
		slices.Sort(list)
		return strings.Join(list, ", ")
	}
	n.counts("first", n.send("", head+"041,3,2026-01-14,2026-03-20,S-1,2026-10-01\r\n042,1,2026-02-01,,,\r\n"), 4, 0, 0, 0, 0, 0)
	n.counts("bred again, dry cleared", n.send("", head+"041,3,2026-01-14,2026-04-12,S-2,\r\n042,1,2026-02-01,,,\r\n"), 1, 2, 0, 0, 1, 0)
	const bred = "breeding 041 2026-03-20, breeding 041 2026-04-12, calving 041 2026-01-14"
	if got := kinds(); got != bred+", calving 042 2026-02-01" {
		t.Errorf("in force: %s", got)
	}
	n.counts("calving moved by a day, the other row emptied", n.send("", head+"041,3,2026-01-15,2026-04-12,S-2,\r\n042,1,,,,\r\n"), 0, 1, 1, 0, 1, 0)
	n.counts("again", n.send("", head+"041,3,2026-01-15,2026-04-12,S-2,\r\n042,1,,,,\r\n"), 0, 2, 0, 0, 0, 0)
	if got := kinds(); got != strings.ReplaceAll(bred, "01-14", "01-15") {
		t.Errorf("in force: %s", got)
	}
	// She left the sheet: her calving was a row of it, her breedings were its latest only.
	n.counts("off the sheet", n.send("", head), 0, 0, 0, 0, 1, 0)
	if got := kinds(); got != "breeding 041 2026-03-20, breeding 041 2026-04-12" {
		t.Errorf("in force: %s", got)
	}
}

// Nights of random edits, deletions, returns and shuffles: after each the log
// says what the sheet says, and the same sheet once more does nothing.
//
// BYRELOG_SEED makes them again.
func TestResyncNights(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("BYRELOG_SEED"); s != "" {
		var err error
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("BYRELOG_SEED=%d", seed)
	random := rand.New(rand.NewPCG(seed, 2))
	for _, keyed := range []bool{true, false} {
		what := []string{"on_vanish: void", "void_limit_percent: 100"}
		if keyed {
			what = append(what, "key: [No]", "on_change: amend")
		}
		n := nights(t, sheetMapping("office", what...))
		rows := map[int]string{}
		for day := range 25 {
			for range random.IntN(4) {
				no := random.IntN(6)
				switch random.IntN(4) {
				case 0:
					delete(rows, no)
				default: // few values, so that old ones return
					rows[no] = fmt.Sprintf("%04d,2026-03-0%d,S-%d,%s", 400+random.IntN(2), 1+random.IntN(2), random.IntN(2), []string{"", "note"}[random.IntN(2)])
				}
			}
			order := slices.Collect(maps.Keys(rows))
			random.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
			body, want := sheetHead, []string{}
			for _, no := range order {
				body += strconv.Itoa(no) + "," + rows[no] + "\r\n"
				want = append(want, strings.ReplaceAll(rows[no], ",", " "))
			}
			dry := n.send("&dry_run=true&max_voids=100", body)
			r := n.send("&max_voids=100", body)
			if r.State != "done" || r.Counts != dry.Counts {
				t.Fatalf("night %d: %s, the dry run told %+v, the import %+v", day, r.State, dry.Counts, r.Counts)
			}
			n.stand(fmt.Sprintf("keyed %t, night %d", keyed, day), want...)
			before := n.seq()
			if n.send("", body); n.seq() != before {
				t.Errorf("night %d: the same sheet again wrote %d events", day, n.seq()-before)
			}
			if t.Failed() {
				return
			}
		}
	}
}

// A dry run tells what the records would newly be asked about, with the lines,
// two recorders of one fact among it; the import tells it again.
func TestDryRunFindings(t *testing.T) {
	t.Parallel()
	s := seededAt(t, ticking())
	n := &night{Server: s, t: t, herd: "alder-row", name: "office"}
	n.put("office", sheetMapping("office", "key: [No]"))
	body := sheetHead + "1,0412,2026-07-21,S-118,\r\n2,0700,2026-11-01,S-118,\r\n"
	dry := n.send("&dry_run=true", body)
	twice := func(r *api.ImportReport) *api.ImportCheck {
		if r.Checks == nil {
			t.Fatal("no findings")
		}
		for i, f := range r.Checks.Items {
			if f.Code == "maybe_recorded_twice" {
				return &r.Checks.Items[i]
			}
		}
		t.Fatalf("the pair is not among %+v", r.Checks.Items)
		return nil
	}
	if f := twice(dry); !slices.Equal(f.Lines, []int{2}) || len(f.Seqs) != 1 || f.Animal != "0412" {
		t.Errorf("dry run: %+v", f)
	}
	for _, f := range dry.Checks.Items {
		if f.Animal == "0517" {
			t.Errorf("not new: %+v", f)
		}
	}
	// What was shown is what is imported, or nothing is.
	other := importInto(s, n.path("&digest="+dry.Digest), body+"3,0701,2026-11-02,S-118,\r\n")
	if other.Status != http.StatusConflict || other.Problem().Type != "urn:byrelog:problem:file-differs" {
		t.Errorf("other bytes: %d %s", other.Status, other.Body)
	}
	before := n.seq()
	r := n.send("&digest="+dry.Digest, body)
	if f := twice(r); len(f.Seqs) != 2 || len(f.Lines) != 0 {
		t.Errorf("import: %+v", f)
	}
	if n.seq() != before+2 {
		t.Errorf("%d events", n.seq()-before)
	}
}

// Two states of a sheet and single events at the same moment: whichever comes
// last is the one in force, and no row is there twice.
func TestResyncAtOnce(t *testing.T) {
	t.Parallel()
	n := nights(t, sheetMapping("office", "key: [No]", "on_change: amend"))
	a, _ := many(0, 300)
	b := strings.ReplaceAll(a, "S-1", "S-2")
	var tasks sync.WaitGroup
	stop := make(chan struct{})
	tasks.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			body := fmt.Sprintf(`{"animal":"%04d","kind":"move","on":"2026-01-01","data":{"pen":"p1"}}`, i)
			n.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: n.Admin, Body: body}).Want(http.StatusCreated)
		}
	})
	for range 3 {
		var pair sync.WaitGroup
		for _, body := range []string{a, b, a, b} {
			pair.Go(func() {
				r := importInto(n.Server, n.path("&max_voids=5000"), sheetHead+body)
				if r.Status != http.StatusCreated {
					t.Errorf("%d %s", r.Status, r.Body)
				}
			})
		}
		pair.Wait()
		count := map[string]int{}
		for _, f := range n.facts() {
			count[f[:4]]++
		}
		for animal, times := range count {
			if times != 1 {
				t.Errorf("%s is %d times in force", animal, times)
			}
		}
		if len(count) != 300 {
			t.Errorf("%d rows in force", len(count))
		}
	}
	close(stop)
	tasks.Wait()
	r := n.send("&max_voids=5000", sheetHead+b)
	if r.Counts.Amended+r.Counts.AlreadyThere != 300 {
		t.Errorf("%+v", r.Counts)
	}
	n.counts("in the end", n.send("", sheetHead+b), 0, 300, 0, 0, 0, 0)
}

// The refused rows of a sheet with one row per cow, mended: all events of the
// row come in, those of other rows are untouched.
func TestRejectsOfCows(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("../../testdata/sheets/office-cows.yaml")
	if err != nil {
		t.Fatal(err)
	}
	sheet, err := os.ReadFile("../../testdata/sheets/office-cows.csv")
	if err != nil {
		t.Fatal(err)
	}
	full := strings.NewReplacer("dates: m/d/y\n", "dates: m/d/y\non_change: amend\non_vanish: void\n").Replace(string(doc))
	n := nights(t, full)
	spoilt := strings.Replace(string(sheet), "1/14/2026", "14/1/2026", 1)
	if spoilt == string(sheet) {
		t.Fatal("the sample has another first row")
	}
	r := n.send("", spoilt)
	if r.Counts.Refused != 1 || r.Counts.Appended == 0 {
		t.Fatalf("%+v %+v", r.Counts, r.Problems)
	}
	rejects := string(get(n.Server, "%s", *r.Rejects).Want(http.StatusOK).Body)
	before := n.seq()
	mended := n.send("", strings.Replace(rejects, "14/1/2026", "1/14/2026", 1))
	if c := mended.Counts; c.Rows != 1 || c.Refused+c.AlreadyThere+c.Withdrawn+c.Amended != 0 || n.seq() != before+c.Appended {
		t.Errorf("mended: %+v", c)
	}
	n.counts("the whole sheet", n.send("", string(sheet)), 0, r.Counts.Appended+mended.Counts.Appended, 0, 0, 0, 0)
	// As the first state it would have been the same.
	other := nights(t, full)
	if all := other.send("", string(sheet)); all.Counts.Appended != r.Counts.Appended+mended.Counts.Appended {
		t.Errorf("%+v", all.Counts)
	}
}

// A log that was moved brings along what the sheet stated: an edited row is
// known on the other service. What is gone is not voided there, for no import
// of the mapping brought it.
func TestResyncAfterMove(t *testing.T) {
	t.Parallel()
	mapping := sheetMapping("office", "key: [No]", "on_change: amend", "on_vanish: void")
	a, b := nights(t, mapping), nights(t, mapping)
	a.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n2,0388,2026-03-02,S-1,note\r\n")
	a.send("", sheetHead+"1,0412,2026-03-01,S-2,\r\n2,0388,2026-03-02,S-1,note\r\n")
	export := string(get(a.Server, "/v1/herds/alder-row/export.csv").Want(http.StatusOK).Body)
	importInto(b.Server, "/v1/herds/alder-row/imports", export).Want(http.StatusCreated)
	before := b.seq()
	b.counts("unchanged", b.send("", sheetHead+"1,0412,2026-03-01,S-2,\r\n2,0388,2026-03-02,S-1,note\r\n"), 0, 2, 0, 0, 0, 0)
	if b.seq() != before {
		t.Errorf("%d events written", b.seq()-before)
	}
	b.counts("edited back, and one gone", b.send("", sheetHead+"1,0412,2026-03-01,S-1,\r\n"), 0, 0, 1, 0, 0, 0)
	b.stand("after the move", "0412 2026-03-01 S-1 ", "0388 2026-03-02 S-1 note")
}
