package httpapi_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/httpapi/httpapitest"
)

// Reading the feed page by page gives every event once, in order, whatever the
// size of the pages; the empty page at the end answers the caller's cursor.
func TestFeedPages(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for _, limit := range []int{1, 2, 7, 1000} {
		q := url.Values{"limit": {fmt.Sprint(limit)}, "all": {"true"}}
		seq := int64(0)
		for range scenarioEvents + 2 {
			var page api.EventPage
			r := get(s, "%s/events?%s", herdPath, q.Encode()).Want(http.StatusOK)
			r.JSON(&page)
			for _, e := range page.Items {
				if seq++; e.Seq != seq {
					t.Fatalf("limit %d: seq %d where %d is next", limit, e.Seq, seq)
				}
			}
			if want := "<" + herdPath + "/events?"; !strings.HasPrefix(r.Header.Get("Link"), want) || !strings.Contains(r.Header.Get("Link"), `rel="next"`) {
				t.Fatalf("Link %q", r.Header.Get("Link"))
			}
			if len(page.Items) == 0 && page.Next != q.Get("cursor") {
				t.Fatalf("an empty page answered %q, not the caller's cursor %q", page.Next, q.Get("cursor"))
			}
			if page.HasMore != (seq < int64(scenarioEvents)) || page.HeadSeq != int64(scenarioEvents) {
				t.Fatalf("limit %d at %d: has_more %v, head %d", limit, seq, page.HasMore, page.HeadSeq)
			}
			q.Set("cursor", page.Next)
		}
		if seq != int64(scenarioEvents) {
			t.Fatalf("limit %d: %d events, want %d", limit, seq, scenarioEvents)
		}
	}
}

func TestFeedFilters(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for query, want := range map[string]int{
		"animal=0412": 5, "kind=heat": 2, "kind=walk": 1, "from=2026-11-01": 3, "to=2022-12-31": 2, "from=2026-07-20&to=2026-07-20": 2,
		"animal=0412&kind=breeding": 1, "animal=none": 0, "after=10": scenarioEvents - 10, "as_of=4": 4, "as_of=4&after=3": 1, "as_of=4&after=4": 0,
		"as_of=2026-11-24": 0, "as_of=2026-11-25": scenarioEvents, "as_of=2026-11-25T15:00:00Z": scenarioEvents, "as_of=2026-11-25T14:59:59.999999Z": 0,
		"as_of=2026-11-25T16:00:00%2B01:00": scenarioEvents,
	} {
		var page api.EventPage
		get(s, "%s/events?%s", herdPath, query).Want(http.StatusOK).JSON(&page)
		if len(page.Items) != want {
			t.Errorf("%s: %d events, want %d", query, len(page.Items), want)
		}
	}
}

// A voided event is left out of the effective log, stays in the whole one, and
// is still what was known before it was voided.
func TestVoid(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var first api.EventPage
	get(s, "%s/events?animal=0388&kind=heat", herdPath).Want(http.StatusOK).JSON(&first)
	heat := first.Items[0]
	if heat.Note != `gate side <pen 3> & "north"` || heat.Voided {
		t.Fatalf("heat %+v", heat)
	}
	var answer api.AppendAnswer
	void := httpapitest.Request{
		Method: http.MethodPost, Path: herdPath + "/events/" + heat.ID.String() + "/void", Token: s.Admin,
		Body: `{"id":"0199f3a2-8888-7b6e-9d43-0c5d7e0b2a11","reason":"wrong cow","by":"t2","replacement":{"id":"0199f3a2-9999-7b6e-9d43-0c5d7e0b2a11","animal":"0517","kind":"heat","on":"2026-11-25","data":{"verdict":"suspect"}}}`,
	}
	s.Do(void).Want(http.StatusCreated).JSON(&answer)
	if len(answer.Results) != 2 || answer.Results[0].ID.String() != "0199f3a2-8888-7b6e-9d43-0c5d7e0b2a11" {
		t.Fatalf("void: %+v", answer)
	}
	s.Do(void).Want(http.StatusOK) // the same again
	var replaced api.Event
	get(s, "%s/events/0199f3a2-9999-7b6e-9d43-0c5d7e0b2a11", herdPath).Want(http.StatusOK).JSON(&replaced)
	if replaced.Replaces == nil || *replaced.Replaces != heat.ID {
		t.Errorf("the replacement replaces %v", replaced.Replaces)
	}
	var one api.Event
	get(s, "%s/events/%s", herdPath, heat.ID).Want(http.StatusOK).JSON(&one)
	if !one.Voided {
		t.Error("the event does not say that it is voided")
	}
	for query, want := range map[string]string{
		"animal=0388&kind=heat": "", "animal=0388&kind=heat&all=true": "voided", "animal=0388&kind=heat&as_of=16": "stands",
		"animal=0388&kind=heat&as_of=17": "", "animal=0388&kind=heat&as_of=17&all=true": "voided",
	} {
		var page api.EventPage
		get(s, "%s/events?%s", herdPath, query).Want(http.StatusOK).JSON(&page)
		got := ""
		if len(page.Items) > 0 {
			got = map[bool]string{true: "voided", false: "stands"}[page.Items[0].Voided]
		}
		if got != want {
			t.Errorf("%s: %q, want %q", query, got, want)
		}
	}
}

// After a restore the epoch differs: an old cursor is refused and says what to
// do, and never starts over.
func TestEpoch(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	cursors := map[string]string{}
	for _, list := range []string{"/events", "/animals", "/indices/conception_risk/evidence"} {
		var page struct{ Next string }
		get(s, "%s%s?limit=1", herdPath, list).Want(http.StatusOK).JSON(&page)
		if page.Next == "" {
			t.Fatalf("%s: one page", list)
		}
		cursors[list] = page.Next
	}
	epoch, err := s.DB.BumpEpoch(t.Context(), clock())
	if err != nil {
		t.Fatal(err)
	}
	for list, cursor := range cursors {
		p := get(s, "%s%s?limit=1&cursor=%s", herdPath, list, cursor).Want(http.StatusConflict).Problem()
		if p.Code != "log-epoch-changed" || p.Epoch == nil || *p.Epoch != epoch || p.HeadSeq == nil || *p.HeadSeq != int64(scenarioEvents) {
			t.Errorf("%s: %+v", list, p)
		}
	}
	var heads api.HeadList
	get(s, "/v1/heads").Want(http.StatusOK).JSON(&heads)
	if heads.Epoch != epoch {
		t.Errorf("heads tell epoch %d, want %d", heads.Epoch, epoch)
	}
}

// A cursor holds the state of the log that its list was computed from: news in
// between neither double nor skip a row.
func TestPagesComeFromOneState(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seen := map[string]int{}
	path := herdPath + "/animals?limit=1"
	for range 10 {
		var page api.AnimalPage
		get(s, "%s", path).Want(http.StatusOK).JSON(&page)
		for _, a := range page.Items {
			seen[a.Animal]++
		}
		if page.AsOf.Seq != int64(scenarioEvents) {
			t.Fatalf("a page is as of %d", page.AsOf.Seq)
		}
		if page.Next == nil {
			break
		}
		path = herdPath + "/animals?limit=1&cursor=" + *page.Next
		// An animal that sorts in front of all others arrives between two pages.
		s.Do(httpapitest.Request{
			Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin,
			Body: fmt.Sprintf(`{"animal":"000%d","kind":"arrival","on":"2026-11-25","data":{"how":"born"}}`, len(seen)),
		}).Want(http.StatusCreated)
	}
	if len(seen) != 3 || seen["0388"] != 1 || seen["0412"] != 1 || seen["0517"] != 1 {
		t.Errorf("saw %v, want the three animals of the first page's moment once each", seen)
	}
}

// A long poll is answered when an event comes, and in time when none does.
func TestLongPoll(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	start := time.Now()
	var page api.EventPage
	get(s, "%s/events?after=%d&wait=1", herdPath, scenarioEvents).Want(http.StatusOK).JSON(&page)
	if took := time.Since(start); len(page.Items) != 0 || took < 900*time.Millisecond || took > 5*time.Second {
		t.Fatalf("%d events after %v, want none after a second", len(page.Items), took)
	}
	answers := make(chan *httpapitest.Response, 1)
	start = time.Now()
	go func() { answers <- get(s, "%s/events?cursor=%s&wait=20", herdPath, page.Next) }()
	time.Sleep(300 * time.Millisecond)
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Body: heatEvent}).Want(http.StatusCreated)
	r := <-answers
	var news api.EventPage
	r.Want(http.StatusOK).JSON(&news)
	if took := time.Since(start); len(news.Items) != 1 || took > 10*time.Second {
		t.Fatalf("%d events after %v, want one at once", len(news.Items), took)
	}
}

// While polls wait nobody holds a connection: more of them than there are
// connections leave the service usable.
func TestLongPollsHoldNoConnection(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	const polls = 40
	done := make(chan int, polls)
	for range polls {
		go func() { done <- get(s, "%s/events?after=%d&wait=10", herdPath, scenarioEvents).Status }()
	}
	time.Sleep(500 * time.Millisecond)
	start := time.Now()
	get(s, "%s/head", herdPath).Want(http.StatusOK)
	if took := time.Since(start); took > 6*time.Second {
		t.Errorf("a read took %v while %d polls waited", took, polls)
	}
	for range polls {
		if status := <-done; status != http.StatusOK {
			t.Errorf("a poll ended with %d", status)
		}
	}
}

func TestNotModified(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	paths := []string{
		"/events", "/events?limit=3", "/head", "/animals", "/animals?on=2026-10-01", "/animals/0412", "/animals/0412/eligibility", "/indices?keys=days_open",
		"/indices/days_open", "/indices/days_open/evidence", "/lists/walk", "/lists/walk?pen=south", "/lists/breed", "/lists/walk.txt", "/checks", "/export.csv", "", "/policies", "/animals?as_of=5",
	}
	tags := map[string]string{}
	for _, p := range paths {
		r := get(s, "%s%s", herdPath, p).Want(http.StatusOK)
		tag := r.Header.Get("ETag")
		if !strings.HasPrefix(tag, `W/"`) {
			t.Fatalf("%s: ETag %q", p, tag)
		}
		tags[p] = tag
		for _, match := range []string{tag, strings.TrimPrefix(tag, "W/"), `"other", ` + tag, "*"} {
			again := s.Do(httpapitest.Request{Path: herdPath + p, Token: s.Admin, Header: http.Header{"If-None-Match": {match}}})
			if again.Status != http.StatusNotModified || len(again.Body) != 0 || again.Header.Get("ETag") != tag || again.Header.Get("Vary") == "" {
				t.Errorf("%s with %s: %d %v", p, match, again.Status, again.Header)
			}
		}
		if other := s.Do(httpapitest.Request{Path: herdPath + p, Token: s.Admin, Header: http.Header{"If-None-Match": {`W/"0"`}}}); other.Status != http.StatusOK {
			t.Errorf("%s: another tag got %d", p, other.Status)
		}
	}
	if tags["/lists/walk"] == tags["/lists/walk.txt"] || tags["/lists/walk"] == tags["/lists/breed"] || tags["/lists/walk"] == tags["/lists/walk?pen=south"] {
		t.Error("different lists have one tag")
	}
	if tags["/events"] == tags["/events?limit=3"] || tags["/animals"] == tags["/animals?on=2026-10-01"] {
		t.Error("different questions have one tag")
	}
	if csvTag := get(s, "%s/animals.csv", herdPath).Header.Get("ETag"); csvTag == tags["/animals"] {
		t.Error("two representations have one tag")
	}
	// A policy changes figures without an event, an event changes them all.
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: herdPath + "/policies/2026-01-01", Token: s.Admin, Body: `{"wait_first_days":90}`}).Want(http.StatusOK)
	for _, p := range []string{"/animals", "/indices?keys=days_open", "/policies"} {
		if r := s.Do(httpapitest.Request{Path: herdPath + p, Token: s.Admin, Header: http.Header{"If-None-Match": {tags[p]}}}); r.Status != http.StatusOK {
			t.Errorf("%s: %d after the policy changed", p, r.Status)
		}
	}
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Body: heatEvent}).Want(http.StatusCreated)
	for _, p := range []string{"/events", "/head", "/animals/0412", "/export.csv"} {
		if r := s.Do(httpapitest.Request{Path: herdPath + p, Token: s.Admin, Header: http.Header{"If-None-Match": {tags[p]}}}); r.Status != http.StatusOK {
			t.Errorf("%s: %d after an event came", p, r.Status)
		}
	}
}

// Whoever cannot see the herd gets no 304 out of a tag.
func TestNotModifiedNeedsAccess(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	r := s.Do(httpapitest.Request{Path: herdPath + "/head", Header: http.Header{"If-None-Match": {"*"}}})
	if r.Status != http.StatusUnauthorized {
		t.Errorf("without a token: %d", r.Status)
	}
	r = s.Do(httpapitest.Request{Path: "/v1/herds/no-such-herd/head", Token: s.Admin, Header: http.Header{"If-None-Match": {"*"}}})
	if r.Status != http.StatusNotFound {
		t.Errorf("no such herd: %d", r.Status)
	}
}

// CSV and NDJSON tell the same as JSON.
func TestRepresentations(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var page api.EventPage
	get(s, "%s/events?limit=5", herdPath).Want(http.StatusOK).JSON(&page)

	lines := s.Do(httpapitest.Request{Path: herdPath + "/events?limit=5", Token: s.Admin, Header: http.Header{"Accept": {"application/x-ndjson"}}}).Want(http.StatusOK)
	scan := bufio.NewScanner(bytes.NewReader(lines.Body))
	for _, e := range page.Items {
		if !scan.Scan() || scan.Text() != string(e.Raw()) {
			t.Fatalf("line %q, want %s", scan.Text(), e.Raw())
		}
	}
	var end struct {
		End struct {
			Count   int    `json:"count"`
			Next    string `json:"next"`
			HasMore bool   `json:"has_more"`
		} `json:"_end"`
	}
	if !scan.Scan() || json.Unmarshal(scan.Bytes(), &end) != nil || end.End.Count != 5 || end.End.Next != page.Next || !end.End.HasMore || scan.Scan() {
		t.Errorf("control line %q", scan.Text())
	}

	for path, rows := range map[string]int{"/events.csv?limit=5": 5, "/animals.csv": 3, "/animals.csv?limit=2": 2, "/indices/conception_risk/evidence.csv": 3} {
		r := get(s, "%s%s", herdPath, path).Want(http.StatusOK)
		if records := tableRecords(t, r.Body); len(records) != rows+1 {
			t.Errorf("%s: %d records, want %d", path, len(records)-1, rows)
		}
		if !bytes.HasSuffix(r.Body, []byte("\r\n")) || r.Header.Get("Content-Type") != "text/csv; charset=utf-8" {
			t.Errorf("%s: %q, ends in %q", path, r.Header.Get("Content-Type"), r.Body[len(r.Body)-4:])
		}
		plainPath := strings.Replace(path, ".csv", "", 1)
		same := s.Do(httpapitest.Request{Path: herdPath + plainPath, Token: s.Admin, Header: http.Header{"Accept": {"text/csv"}}}).Want(http.StatusOK)
		if !bytes.Equal(same.Body, r.Body) {
			t.Errorf("%s: .csv and Accept differ", path)
		}
	}
}

// HEAD tells of GET what can be told without a body.
func TestHead(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for _, p := range []string{"/animals", "/export.csv", "/head"} {
		want := get(s, "%s%s", herdPath, p).Want(http.StatusOK)
		r := s.Do(httpapitest.Request{Method: http.MethodHead, Path: herdPath + p, Token: s.Admin}).Want(http.StatusOK)
		if len(r.Body) != 0 || r.Header.Get("ETag") != want.Header.Get("ETag") || r.Header.Get("Content-Type") != want.Header.Get("Content-Type") {
			t.Errorf("%s: %d bytes, %v", p, len(r.Body), r.Header)
		}
	}
	r := s.Do(httpapitest.Request{Method: http.MethodDelete, Path: herdPath, Token: s.Admin}).Want(http.StatusMethodNotAllowed)
	if allow := r.Header.Get("Allow"); !strings.Contains(allow, "GET") || !strings.Contains(allow, "PATCH") {
		t.Errorf("Allow %q", allow)
	}
}

// Animals may be called anything that a herd calls them.
func TestAnimalNames(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for _, name := range []string{"a/b", "100%", "a b", "x?y", "Ü-7", "..", "a+b", "a%2Fb", "animals.csv", "7.csv"} {
		body, err := json.Marshal(map[string]any{"animal": name, "kind": "arrival", "on": "2026-11-01", "data": map[string]any{"how": "born", "sex": "female"}})
		if err != nil {
			t.Fatal(err)
		}
		s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Body: string(body)}).Want(http.StatusCreated)
		for _, suffix := range []string{"", "/eligibility"} {
			var cow struct {
				Animal string `json:"animal"`
			}
			r := get(s, "%s", herdPath+"/animals/"+strings.ReplaceAll(url.PathEscape(name), ".", "%2E")+suffix)
			if r.Status != http.StatusOK {
				t.Errorf("%q%s: %d %s", name, suffix, r.Status, r.Body)
				continue
			}
			if r.JSON(&cow); cow.Animal != name {
				t.Errorf("%q%s is called %q", name, suffix, cow.Animal)
			}
		}
	}
}

// stream is a client of server-sent events.
type stream struct {
	t    *testing.T
	rsp  *http.Response
	in   *bufio.Reader
	stop context.CancelFunc
}

// sent is one of them, or a comment.
type sent struct{ id, data, retry, comment string }

func follow(t *testing.T, s *httpapitest.Server, path string, header ...string) *stream {
	t.Helper()
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, s.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+s.Admin)
	r.Header.Set("Accept", "text/event-stream")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	rsp, err := http.DefaultClient.Do(r)
	if err != nil {
		stop()
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(); _ = rsp.Body.Close() })
	if rsp.StatusCode != http.StatusOK || rsp.Header.Get("Content-Type") != "text/event-stream; charset=utf-8" ||
		rsp.Header.Get("Content-Encoding") != "" || rsp.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%s %v", rsp.Status, rsp.Header)
	}
	return &stream{t, rsp, bufio.NewReader(rsp.Body), stop}
}

// next gives the next block; ok is false when the stream has ended.
func (s *stream) next() (e sent, ok bool) {
	s.t.Helper()
	for lines := 0; ; lines++ {
		l, err := s.in.ReadString('\n')
		if errors.Is(err, io.EOF) && l == "" && lines == 0 {
			return e, false
		}
		if err != nil {
			s.t.Fatalf("the stream broke off: %v", err)
		}
		field, value, _ := strings.Cut(strings.TrimSuffix(l, "\n"), ":")
		value = strings.TrimPrefix(value, " ")
		switch {
		case l == "\n":
			return e, true
		case field == "":
			e.comment = ":" + value
		case field == "id":
			e.id = value
		case field == "data":
			e.data = value
		case field == "retry":
			e.retry = value
		default:
			s.t.Fatalf("the line %q is none of a stream", l)
		}
	}
}

func (s *stream) seq(e sent) int64 {
	s.t.Helper()
	var event struct{ Seq int64 }
	if err := json.Unmarshal([]byte(e.data), &event); err != nil {
		s.t.Fatalf("%+v: %v", e, err)
	}
	return event.Seq
}

// A stream gives the log from where the client asks, goes on with what is appended, and
// is taken up again behind the id seen last, without an event missing or twice.
func TestFollow(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	f := follow(t, s, herdPath+"/events?all=true&limit=7", "Accept-Encoding", "gzip")
	if e, _ := f.next(); e.retry == "" || e.id != "" {
		t.Fatalf("it begins with %+v", e)
	}
	var last sent
	for want := int64(1); want <= int64(scenarioEvents); want++ {
		e, ok := f.next()
		for ok && e.comment != "" {
			e, ok = f.next()
		}
		if !ok || f.seq(e) != want || e.id == "" {
			t.Fatalf("%+v, want seq %d", e, want)
		}
		last = e
	}
	var listed api.EventPage
	get(s, "%s/events?all=true&limit=1000", herdPath).Want(http.StatusOK).JSON(&listed)
	if listed.Next != last.id {
		t.Errorf("the id behind the last event is %q, the list's next %q", last.id, listed.Next)
	}
	s.Do(httpapitest.Request{
		Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Body: `{"animal":"0412","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`,
	}).Want(http.StatusCreated)
	for {
		e, ok := f.next()
		if !ok {
			t.Fatal("the stream ended")
		}
		if e.comment != "" {
			continue
		}
		if f.seq(e) != int64(scenarioEvents)+1 || !strings.Contains(e.data, `"suspect"`) {
			t.Fatalf("%+v", e)
		}
		break
	}
	f.stop()

	// The address is the first one: what was seen last counts more.
	again := follow(t, s, herdPath+"/events?all=true&limit=7&after=3", "Last-Event-ID", last.id)
	again.next()
	if e, _ := again.next(); again.seq(e) != int64(scenarioEvents)+1 {
		t.Errorf("taken up at %+v", e)
	}
}

// Of a question that nothing fits, the client still learns how far the log has come.
func TestFollowNothing(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	f := follow(t, s, herdPath+"/events?animal=none")
	f.next()
	e, _ := f.next()
	if e.id == "" || e.data != "" {
		t.Fatalf("%+v", e)
	}
	var page api.EventPage
	get(s, "%s/events?animal=none&cursor=%s", herdPath, e.id).Want(http.StatusOK).JSON(&page)
	if len(page.Items) != 0 || page.Next != e.id {
		t.Errorf("%+v", page)
	}
}

// What is wrong is told before a stream begins, as everywhere.
func TestFollowRefused(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for _, c := range []struct {
		path, id string
		status   int
		code     string
	}{
		{"/events?wait=5", "", 400, "bad-parameter"},
		{"/events?as_of=4", "", 400, "bad-parameter"},
		{"/events", "not-a-cursor", 400, "bad-cursor"},
		{"/events?cursor=not-a-cursor", "", 400, "bad-cursor"},
		{"/events?limit=0", "", 400, "bad-parameter"},
		{"/events?after=99999", "", 409, "log-epoch-changed"},
	} {
		header := http.Header{"Accept": {"text/event-stream"}}
		if c.id != "" {
			header.Set("Last-Event-ID", c.id)
		}
		r := s.Do(httpapitest.Request{Path: herdPath + c.path, Token: s.Admin, Header: header}).Want(c.status)
		if code := r.Problem().Code; code != c.code {
			t.Errorf("%s %s: %s, want %s", c.path, c.id, code, c.code)
		}
	}
}

// Streams are counted: one too many is told to come back, and a place that comes free
// is had by the next.
func TestFollowCounted(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var open []*stream
	for range httpapi.MaxStreams {
		f := follow(t, s, herdPath+"/events?after=1")
		f.next()
		open = append(open, f)
	}
	ask := func() *httpapitest.Response {
		return s.Do(httpapitest.Request{Path: herdPath + "/events?wait=0", Token: s.Admin, Header: http.Header{"Accept": {"text/event-stream"}}})
	}
	r := s.Do(httpapitest.Request{Path: herdPath + "/events", Token: s.Admin, Header: http.Header{"Accept": {"text/event-stream"}}}).Want(http.StatusServiceUnavailable)
	if r.Problem().Code != "too-many-streams" || r.Header.Get("Retry-After") == "" {
		t.Errorf("%s, %v", r.Body, r.Header)
	}
	ask().Want(http.StatusBadRequest) // what is wrong is told all the same
	open[7].stop()
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		ctx, cancel := context.WithCancel(t.Context())
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.URL+herdPath+"/events", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header = http.Header{"Accept": {"text/event-stream"}, "Authorization": {"Bearer " + s.Admin}}
		rsp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		cancel()
		_ = rsp.Body.Close()
		if rsp.StatusCode == http.StatusOK {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the place is not free: %s", rsp.Status)
		}
	}
}
