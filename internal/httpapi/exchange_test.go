package httpapi_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

const exchangePath = "/exchange/datasets/reproduction"

// changes reads an array of changes and takes its frame off.
func changes(t *testing.T, r *httpapitest.Response) (list []map[string]any, token string) {
	t.Helper()
	r.Want(http.StatusOK).JSON(&list)
	n := len(list)
	if n < 2 || list[0]["id"] != "@context" || list[n-1]["id"] != "@continuation" {
		t.Fatalf("the array has no frame: %s", r.Body)
	}
	token, _ = list[n-1]["token"].(string)
	return list[1 : n-1], token
}

func getChanges(s *httpapitest.Server, herd, since string) *httpapitest.Response {
	path := "/v1/herds/" + herd + exchangePath + "/changes"
	if since != "" {
		path += "?since=" + since
	}
	return get(s, "%s", path)
}

func putExchange(s *httpapitest.Server, query, body string) *httpapitest.Response {
	return s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/exchange" + query, Token: s.Admin, Body: body})
}

// said is what a resource says, without what is the log's own.
func said(t *testing.T, r map[string]any) string {
	t.Helper()
	c := map[string]any{}
	for name, v := range r {
		if name != "id" && name != "meta" {
			c[name] = v
		}
	}
	if own, ok := c["x-byrelog"].(map[string]any); ok {
		e, _ := own["event"].(map[string]any)
		delete(e, "source")
		delete(e, "ref")
	}
	raw, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// Everything that the standard can say goes out of one herd's log, into
// another's, and out again the same. The same again does nothing.
func TestExchangeRoundTrip(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	s.Herd("mill-lane")
	out := getChanges(s, "alder-row", "")
	if out.Header.Get("icar-full-sync") != "true" {
		t.Errorf("a first answer does not say that it is all: %v", out.Header)
	}
	first, _ := changes(t, out)
	if len(first) != scenarioEvents-1 { // the walk has no place
		t.Fatalf("%d resources of %d events", len(first), scenarioEvents)
	}
	in := func(query string) (r api.ExchangeReport) {
		s.Do(httpapitest.Request{
			Method: http.MethodPost, Path: "/v1/herds/mill-lane/exchange" + query, Token: s.Admin, Body: string(out.Body),
		}).JSON(&r)
		return r
	}
	var refused api.ExchangeReport
	if refused = in(""); refused.Counts.Refused != len(first) || refused.Problems[0].Code != "herd_mismatch" || refused.Problems[0].Pointer != "#/1/location" {
		t.Fatalf("resources of another herd: %+v", refused)
	}
	dry := in("?location=alder-row&dry_run=true")
	if !dry.DryRun || dry.Counts.Appended != len(first) || dry.Head.Seq != 0 {
		t.Fatalf("dry run: %+v", dry)
	}
	taken := in("?location=alder-row")
	if taken.Counts != dry.Counts || taken.Head.Seq != int64(len(first)) || len(taken.NotExpressible) != 0 {
		t.Fatalf("taken: %+v, the dry run said %+v", taken, dry)
	}
	second, _ := changes(t, getChanges(s, "mill-lane", ""))
	for i := range first {
		want := strings.ReplaceAll(said(t, first[i]), "alder-row", "mill-lane")
		if got := said(t, second[i]); got != want {
			t.Errorf("went out as\n%s\ncame back as\n%s", want, got)
		}
	}
	if again := in("?location=alder-row"); again.Counts.AlreadyThere != len(first) || again.Counts.Events != 0 || again.Head.Seq != taken.Head.Seq {
		t.Errorf("again: %+v", again)
	}
	var own api.ExchangeReport
	putExchange(s, "", string(out.Body)).Want(http.StatusOK).JSON(&own)
	if own.Counts.AlreadyThere != len(first) || own.Head.Seq != int64(scenarioEvents) {
		t.Errorf("taken back where it came from: %+v", own)
	}
}

// A token gives what changed since: a correction under the same id, a deletion
// as one, nothing twice. A correction elsewhere becomes a void and a
// replacement here.
func TestExchangeChanges(t *testing.T) {
	t.Parallel()
	s := seededAt(t, ticking())
	s.Herd("mill-lane")
	out := getChanges(s, "alder-row", "")
	first, token := changes(t, out)
	forward := func(r *httpapitest.Response) (c api.ExchangeReport) {
		s.Do(httpapitest.Request{
			Method: http.MethodPost, Path: "/v1/herds/mill-lane/exchange?location=alder-row", Token: s.Admin, Body: string(r.Body),
		}).JSON(&c)
		return c
	}
	forward(out)
	none := getChanges(s, "alder-row", token)
	if list, same := changes(t, none); len(list) != 0 || same != token || none.Header.Get("icar-full-sync") != "false" {
		t.Fatalf("without news: %d resources, %s after %s", len(list), same, token)
	}
	if r := s.Do(httpapitest.Request{
		Path: herdPath + exchangePath + "/changes?since=" + token, Token: s.Admin, Header: http.Header{"If-None-Match": {none.Header.Get("ETag")}},
	}); r.Status != http.StatusNotModified {
		t.Errorf("the same question with the tag: %d", r.Status)
	}
	void := func(id any, body string) {
		s.Do(httpapitest.Request{Method: http.MethodPost, Path: fmt.Sprintf("%s/events/%v/void", herdPath, id), Token: s.Admin, Body: body}).Want(http.StatusCreated)
	}
	at := slices.IndexFunc(first, func(r map[string]any) bool { return r["resourceType"] == "icarReproInseminationEventResource" })
	void(first[at]["id"], `{"reason":"wrong bull","replacement":{"animal":"0412","kind":"breeding","on":"2026-07-20","at":"16:30","data":{"method":"ai","sire":"S-204"}}}`)
	void(first[1]["id"], `{"reason":"wrong cow"}`)
	news := getChanges(s, "alder-row", token)
	list, next := changes(t, news)
	if len(list) != 2 || next == token {
		t.Fatalf("%d changes: %s", len(list), news.Body)
	}
	seen := map[any]map[string]any{}
	for _, r := range list {
		seen[r["id"]] = r
	}
	meta := func(id any) map[string]any {
		m, _ := seen[id]["meta"].(map[string]any)
		return m
	}
	old, _ := first[at]["meta"].(map[string]any)
	if m := meta(first[at]["id"]); m["sourceId"] != first[at]["id"] || m["created"] != old["created"] || fmt.Sprint(m["modified"]) <= fmt.Sprint(old["modified"]) || m["isDeleted"] != nil {
		t.Errorf("the amended resource: %v, before %v", m, old)
	}
	if m := meta(first[1]["id"]); m["isDeleted"] != true {
		t.Errorf("the deleted resource: %v", m)
	}
	if c := forward(news).Counts; c.Amended != 1 || c.Deleted != 1 || c.Events != 3 || c.Resources != 2 {
		t.Errorf("forwarded: %+v", c)
	}
	if c := forward(news).Counts; c.AlreadyThere != 2 || c.Events != 0 {
		t.Errorf("forwarded again: %+v", c)
	}
	a, _ := changes(t, getChanges(s, "alder-row", ""))
	b, _ := changes(t, getChanges(s, "mill-lane", ""))
	var mine, theirs []string
	for _, r := range a {
		mine = append(mine, strings.ReplaceAll(said(t, r), "alder-row", "mill-lane"))
	}
	for _, r := range b {
		theirs = append(theirs, said(t, r))
	}
	slices.Sort(mine)
	slices.Sort(theirs)
	if !slices.Equal(mine, theirs) {
		t.Errorf("after the changes the herds differ:\n%s\n%s", mine, theirs)
	}
	var events api.EventPage
	get(s, "/v1/herds/mill-lane/events?animal=0412").Want(http.StatusOK).JSON(&events)
	kinds := 0
	for _, e := range events.Items {
		if e.Kind == "breeding" {
			kinds++
		}
	}
	if kinds != 1 {
		t.Errorf("%d breedings stand, want 1", kinds)
	}
}

// A token that is not one of this data set any more is answered with all of
// it, and says so; one of another herd is no token.
func TestExchangeFullSync(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seedHerd(t, s, "mill-lane")
	first, token := changes(t, getChanges(s, "alder-row", ""))
	_, foreign := changes(t, getChanges(s, "mill-lane", ""))
	if p := getChanges(s, "alder-row", foreign).Want(http.StatusBadRequest).Problem(); p.Code != "bad-parameter" {
		t.Errorf("another herd's token: %+v", p)
	}
	zone := "America/Chicago"
	h, err := s.Book.Herd(t.Context(), "alder-row")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Book.UpdateHerd(t.Context(), h, book.HerdSpec{Zone: &zone}); err != nil {
		t.Fatal(err)
	}
	r := getChanges(s, "alder-row", token)
	list, next := changes(t, r)
	if r.Header.Get("icar-full-sync") != "true" || len(list) != len(first) {
		t.Fatalf("after the times changed: %v, %d resources", r.Header, len(list))
	}
	if list, _ := changes(t, getChanges(s, "alder-row", next)); len(list) != 0 {
		t.Errorf("the new token gives %d", len(list))
	}
	for _, res := range list {
		if res["resourceType"] == "icarReproInseminationEventResource" && res["eventDateTime"] == "2026-07-20T21:30:00Z" {
			return
		}
	}
	t.Errorf("16:30 in Chicago is not 21:30 UTC: %s", r.Body)
}

// The data set tells what the standard cannot say of the herd.
func TestExchangeDatasets(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var list api.DatasetList
	get(s, herdPath+"/exchange/datasets").Want(http.StatusOK).JSON(&list)
	if len(list.Datasets) != 1 || list.Datasets[0].Location.ID != "alder-row" {
		t.Fatalf("%+v", list)
	}
	if r := get(s, "%s", list.Datasets[0].Changes); r.Status != http.StatusOK {
		t.Errorf("the address of the changes: %d", r.Status)
	}
	var d api.DatasetState
	r := get(s, herdPath+exchangePath).Want(http.StatusOK)
	r.JSON(&d)
	lost := map[string]int{}
	for _, c := range d.NotExpressible {
		name := c.Kind
		if c.Field != nil {
			name += "." + *c.Field
		}
		lost[name] = c.Count
	}
	want := map[string]int{"walk": 1, "heat.chalk": 2, "heat.found_by": 1, "heat.half": 2, "arrival.pen": 3, "breeding.basis": 1}
	if fmt.Sprint(lost) != fmt.Sprint(want) || d.Resources != scenarioEvents-1 || d.Head.Seq != int64(scenarioEvents) {
		t.Errorf("%d resources, lost %v, want %v", d.Resources, lost, want)
	}
	if r := s.Do(httpapitest.Request{Path: herdPath + exchangePath, Token: s.Admin, Header: http.Header{"If-None-Match": {r.Header.Get("ETag")}}}); r.Status != http.StatusNotModified {
		t.Errorf("with the tag: %d", r.Status)
	}
}

// An erased note goes out no more, and a peer's copy does not bring it back.
func TestExchangeErasedNote(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	out := getChanges(s, "alder-row", "")
	list, _ := changes(t, out)
	at := slices.IndexFunc(list, func(r map[string]any) bool { return r["remark"] != nil })
	s.Do(httpapitest.Request{Method: http.MethodDelete, Path: fmt.Sprintf("%s/events/%v/note", herdPath, list[at]["id"]), Token: s.Admin}).Want(http.StatusNoContent)
	if r := getChanges(s, "alder-row", ""); strings.Contains(string(r.Body), "gate side") {
		t.Errorf("the note still goes out: %s", r.Body)
	}
	// The copy says the same and is newer, but for what is left of it.
	meta, _ := list[at]["meta"].(map[string]any)
	meta["modified"] = "2026-11-25T23:00:00Z"
	raw, err := json.Marshal(list[at])
	if err != nil {
		t.Fatal(err)
	}
	var report api.ExchangeReport
	if putExchange(s, "", string(raw)).Want(http.StatusOK).JSON(&report); report.Counts.AlreadyThere != 1 {
		t.Errorf("the copy with the note: %+v", report)
	}
	amended := strings.Replace(string(raw), `"suspect"`, `"in_heat"`, 1)
	if putExchange(s, "", amended).Want(http.StatusCreated).JSON(&report); report.Counts.Amended != 1 {
		t.Errorf("an amended copy: %+v", report)
	}
	if r := getChanges(s, "alder-row", ""); strings.Contains(string(r.Body), "gate side") {
		t.Errorf("the copy brought the note back: %s", r.Body)
	}
}

// Faults of single resources are told with where they are; the others are taken.
func TestExchangeBadResources(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	res := func(rest string) string {
		return `{"resourceType":"icarMilkingDryOffEventResource","meta":{"source":"example.parlour","sourceId":"1","modified":"2026-11-20T06:00:00Z"},` +
			`"animal":{"id":"0412","scheme":"local.alder-row.number"},"eventDateTime":"2026-11-20T00:00:00Z"` + rest + `}`
	}
	for _, c := range []struct{ name, body, code, at string }{
		{"no object", `[7]`, "wrong_type", "#/0"},
		{"a member twice", `[` + res(`,"remark":"a","remark":"b"`) + `]`, "syntax", "#/0"},
		{"no type", `{"id":"1"}`, "required", "#/resourceType"},
		{"no meta", `{"member":[{"resourceType":"icarMilkingDryOffEventResource"}]}`, "required", "#/member/0/meta"},
		{"no modified", strings.Replace(res(""), `,"modified":"2026-11-20T06:00:00Z"`, "", 1), "required", "#/meta/modified"},
		{"modified a word", strings.Replace(res(""), `"2026-11-20T06:00:00Z"`, `"now"`, 1), "bad_time", "#/meta/modified"},
		{"modified in days to come", strings.Replace(res(""), "2026-11-20T06:00:00Z", "2026-11-27T06:00:00Z", 1), "future", "#/meta/modified"},
		{"no source", strings.Replace(res(""), `"source":"example.parlour",`, "", 1), "required", "#/meta/source"},
		{"no animal", strings.Replace(res(""), `"animal"`, `"cow"`, 1), "required", "#/animal"},
		{"half an animal", strings.Replace(res(""), `,"scheme":"local.alder-row.number"`, "", 1), "required", "#/animal/scheme"},
		{"a long animal", strings.Replace(res(""), "0412", strings.Repeat("4", 33), 1), "bad_text", "#/animal/id"},
		{"no day", strings.Replace(res(""), `"eventDateTime"`, `"when"`, 1), "required", "#/eventDateTime"},
		{"no such day", strings.Replace(res(""), "2026-11-20T00:00:00Z", "2026-02-30T00:00:00Z", 1), "bad_time", "#/eventDateTime"},
		{"the future", strings.Replace(res(""), "2026-11-20T00:00:00Z", "2026-11-26T00:00:00Z", 1), "future", "#/eventDateTime"},
		{"another place", res(`,"location":{"id":"999/001/0001","scheme":"uk.cph"}`), "herd_mismatch", "#/location"},
		{"a number for a text", res(`,"remark":7`), "wrong_type", "#/remark"},
		{"too large", res(`,"remark":"` + strings.Repeat("x", 70_000) + `"`), "too_long", "#"},
		{"no way of serving", strings.Replace(res(`,"inseminationType":"Wishing"`), "icarMilkingDryOffEventResource", "icarReproInseminationEventResource", 1), "not_allowed", "#/inseminationType"},
		{"a check by looking", strings.Replace(res(`,"method":"Visual","result":"Pregnant"`), "icarMilkingDryOffEventResource", "icarReproPregnancyCheckEventResource", 1), "not_allowed", "#/method"},
		{"more alive than born", strings.Replace(res(`,"liveProgeny":2,"totalProgeny":1`), "icarMilkingDryOffEventResource", "icarReproParturitionEventResource", 1), "contradicts", "#/liveProgeny"},
		{"a foetal age beyond bounds", strings.Replace(res(`,"method":"Blood","result":"Pregnant","foetalAge":900`), "icarMilkingDryOffEventResource", "icarReproPregnancyCheckEventResource", 1), "out_of_range", "#/foetalAge"},
		{"a sheep", strings.Replace(res(`,"progenyDetails":[{"specie":"Sheep","gender":"Female","birthStatus":"Alive"}]`), "icarMilkingDryOffEventResource", "icarReproParturitionEventResource", 1), "not_allowed", "#/progenyDetails/0/specie"},
		{"our own extension, forged", strings.Replace(res(`,"x-byrelog":{"event":{"kind":"dry_off","on":"2026-11-20","animal":"0412","seq":7}}`), "example.parlour", "byrelog", 1), "server_field", "#/x-byrelog/event/seq"},
		{"our own extension, another kind", strings.Replace(res(`,"x-byrelog":{"event":{"kind":"void","on":"2026-11-20","data":{"reason":"x"}}}`), "example.parlour", "byrelog", 1), "contradicts", "#/x-byrelog/event/kind"},
	} {
		var r api.ExchangeReport
		putExchange(s, "", c.body).Want(http.StatusOK).JSON(&r)
		if r.Counts.Refused != 1 || r.Counts.Resources != 1 || len(r.Problems) == 0 || r.Problems[0].Code != c.code || r.Problems[0].Pointer != c.at {
			t.Errorf("%s: %+v, want %s at %s", c.name, r, c.code, c.at)
		}
	}
	var head api.HerdHead
	if get(s, herdPath+"/head").JSON(&head); head.Seq != int64(scenarioEvents) {
		t.Fatalf("the head moved to %d", head.Seq)
	}
	var r api.ExchangeReport
	good := res(``)
	bad := strings.Replace(good, `"animal"`, `"cow"`, 1)
	other := `{"resourceType":"icarWeightEventResource","id":"w"}`
	putExchange(s, "", "["+bad+","+good+","+other+"]").Want(http.StatusCreated).JSON(&r)
	if c := r.Counts; c.Refused != 1 || c.Appended != 1 || c.NotExpressible != 1 || c.Events != 1 || r.Problems[0].Pointer != "#/0/animal" {
		t.Errorf("a mixed body: %+v", r)
	}
	if len(r.NotExpressible) != 1 || *r.NotExpressible[0].ResourceType != "icarWeightEventResource" || r.NotExpressible[0].Member != nil {
		t.Errorf("what has no place: %+v", r.NotExpressible)
	}
}

// More resources than one append takes go in, in chunks; the animal is found by
// her official identity.
func TestExchangeChunks(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var b strings.Builder
	b.WriteString(`{"view":{"totalItems":6002},"member":[`)
	meta := func(n int) string {
		return fmt.Sprintf(`"meta":{"source":"example.milk","sourceId":"%d","modified":"2026-11-20T06:00:00Z"},"animal":{"id":"276000000000001","scheme":"eu.animalId"}`, n)
	}
	for n := range 6001 {
		fmt.Fprintf(&b, `{"resourceType":"icarReproHeatEventResource",%s,"eventDateTime":"2026-%02d-%02dT%02d:30:00Z","heatDetectionMethod":"Collar"},`, meta(n), n%9+1, n%28+1, n%24)
	}
	// The arrival that says who she is comes last.
	fmt.Fprintf(&b, `{"resourceType":"icarMovementArrivalEventResource",%s,"eventDateTime":"2025-12-01T00:00:00Z","arrivalReason":"Purchase",`+
		`"animalDetail":{"resourceType":"icarAnimalCoreResource","identifier":{"id":"276000000000001","scheme":"eu.animalId"},"specie":"Cattle","gender":"Female","managementTag":"0900"}}]}`, meta(9000))
	var r api.ExchangeReport
	putExchange(s, "", b.String()).Want(http.StatusCreated).JSON(&r)
	if r.Counts.Appended != 6002 || r.Head.Seq != int64(scenarioEvents+6002) {
		t.Fatalf("%+v", r)
	}
	var page api.EventPage
	get(s, herdPath+"/events?animal=0900&limit=1000").Want(http.StatusOK).JSON(&page)
	if len(page.Items) != 1000 {
		t.Errorf("%d events under her number", len(page.Items))
	}
	var again api.ExchangeReport
	putExchange(s, "", b.String()).Want(http.StatusOK).JSON(&again)
	if again.Counts.AlreadyThere != 6002 {
		t.Errorf("again: %+v", again)
	}
}

// The client sends a long array in batches, and tells faults by where they are
// in the whole of it.
func TestExchangeClientBatches(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var b strings.Builder
	for n := range 5_050 {
		animal := "animal"
		if n == 5_020 {
			animal = "cow"
		}
		fmt.Fprintf(&b, `,{"resourceType":"icarMilkingDryOffEventResource","colour":1,"meta":{"source":"example.parlour","sourceId":"%d","modified":"2026-11-04T00:00:00Z"},%q:{"id":"0779","scheme":"x"},"eventDateTime":"2026-11-03T00:00:00Z"}`, n, animal)
	}
	r, err := s.Client(s.Admin).ImportResources(t.Context(), "alder-row", &api.ImportExchangeParams{}, strings.NewReader(" [\n"+b.String()[1:]+"]"))
	if err != nil {
		t.Fatal(err)
	}
	if r.Counts.Resources != 5_050 || r.Counts.Appended != 5_049 || r.Counts.Refused != 1 || r.Problems[0].Pointer != "#/5020/animal" {
		t.Errorf("%+v", r)
	}
	if len(r.NotExpressible) != 1 || r.NotExpressible[0].Count != 5_049 || r.Head.Seq != int64(scenarioEvents+5_049) {
		t.Errorf("%+v, head %d", r.NotExpressible, r.Head.Seq)
	}
	empty, err := s.Client(s.Admin).ImportResources(t.Context(), "alder-row", nil, strings.NewReader("[]"))
	if err != nil || empty.Counts.Resources != 0 {
		t.Errorf("an empty array: %+v, %v", empty, err)
	}
	var out strings.Builder
	told, err := s.Client(s.Admin).ExchangeChanges(t.Context(), "alder-row", dataset, "", &out)
	if err != nil || told.Count != scenarioEvents-1+5_049 || !told.FullSync || !strings.HasSuffix(out.String(), "]\n") {
		t.Errorf("%+v, %v", told, err)
	}
	// An answer that was cut is not taken for a whole one.
	for _, cut := range []int{len(out.String()) / 2, len(out.String()) - 3, 0} {
		whole := out.String()
		ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			_, _ = w.Write([]byte(whole[:cut]))
		}))
		c, err := api.New(ts.URL, api.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.ExchangeChanges(t.Context(), "alder-row", dataset, "", io.Discard); !errors.Is(err, api.ErrTruncated) {
			t.Errorf("cut at %d: %v", cut, err)
		}
		ts.Close()
	}
}

const dataset = api.DatasetParamReproduction

// Several who send the same at once store it once, notes and all.
func TestExchangeAtOnce(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var b strings.Builder
	const n = 300
	for i := range n {
		fmt.Fprintf(&b, `,{"resourceType":"icarMilkingDryOffEventResource","meta":{"source":"example.parlour","sourceId":"%d","modified":"2026-11-04T00:00:00Z"},"animal":{"id":"0779","scheme":"x"},"eventDateTime":"2026-11-03T00:00:00Z","remark":"half empty"}`, i)
	}
	body := "[" + b.String()[1:] + "]"
	var wait sync.WaitGroup
	for range 6 {
		wait.Go(func() {
			var r api.ExchangeReport
			rsp := putExchange(s, "", body)
			if rsp.JSON(&r); rsp.Status >= http.StatusBadRequest || r.Counts.Refused > 0 {
				t.Errorf("%d: %s", rsp.Status, rsp.Body)
			}
		})
	}
	wait.Wait()
	var head api.HerdHead
	if get(s, herdPath+"/head").JSON(&head); head.Seq != int64(scenarioEvents+n) {
		t.Errorf("the head is at %d, want %d", head.Seq, scenarioEvents+n)
	}
}

// Several who send versions of one resource at once leave one that stands: the
// newest.
func TestExchangeVersionsAtOnce(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var wait sync.WaitGroup
	for n := range 8 {
		wait.Go(func() {
			rsp := putExchange(s, "", fmt.Sprintf(`{"resourceType":"icarReproPregnancyCheckEventResource","meta":{"source":"example.vet","sourceId":"1","modified":"2026-11-04T00:00:0%dZ"},`+
				`"animal":{"id":"0412","scheme":"local.alder-row.number"},"eventDateTime":"2026-11-03T00:00:00Z","method":"Blood","result":"Pregnant","foetalAge":%d}`, n, 100+n))
			if rsp.Status >= http.StatusBadRequest {
				t.Errorf("%d: %s", rsp.Status, rsp.Body)
			}
		})
	}
	wait.Wait()
	var page api.EventPage
	get(s, herdPath+"/events?animal=0412&from=2026-11-03").Want(http.StatusOK).JSON(&page)
	if len(page.Items) != 1 || page.Items[0].Ref != "1@2026-11-04T00:00:07Z" {
		t.Errorf("what stands: %+v", page.Items)
	}
}
