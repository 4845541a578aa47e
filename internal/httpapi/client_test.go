package httpapi_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/event"
	"byrelog.example/internal/httpapi/httpapitest"
)

// The client's events carry the bytes that were hashed: from them alone the
// whole chain can be recomputed.
func TestClientVerifiesTheChain(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	c := s.Client(s.Admin)
	all, limit := true, 3
	var chain event.Digest
	seq := int64(0)
	for e, err := range c.Events(t.Context(), "alder-row", api.ListEventsParams{All: &all, Limit: &limit}) {
		if err != nil {
			t.Fatal(err)
		}
		seq++
		raw, err := e.Canonical()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := event.DecodeCanonical(raw); err != nil {
			t.Fatalf("seq %d: %v in %s", seq, err, raw)
		}
		chain = event.Link("alder-row", e.Seq, e.RecordedAt, chain, event.Leaf(raw))
		if chain.String() != e.Hash || e.Seq != seq {
			t.Fatalf("seq %d: the chain is %s, the server says %s", seq, chain, e.Hash)
		}
		var back bytes.Buffer
		enc := json.NewEncoder(&back)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(e); err != nil || !bytes.Equal(bytes.TrimSpace(back.Bytes()), e.Raw()) {
			t.Errorf("written again it is %s, %v", back.Bytes(), err)
		}
	}
	if seq != int64(scenarioEvents) {
		t.Errorf("%d events, want %d", seq, scenarioEvents)
	}
}

func TestClientIterators(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	c := s.Client(s.Admin)
	one := 1
	var names []string
	for a, err := range c.Animals(t.Context(), "alder-row", api.ListAnimalsParams{Limit: &one}) {
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, a.Animal)
	}
	if got := strings.Join(names, " "); got != "0388 0412 0517" {
		t.Errorf("animals %s", got)
	}
	rows := 0
	for _, err := range c.Evidence(t.Context(), "alder-row", "conception_risk", api.ListEvidenceParams{Limit: &one}) {
		if err != nil {
			t.Fatal(err)
		}
		rows++
	}
	if rows != 3 {
		t.Errorf("%d rows of evidence, want 3", rows)
	}
	for _, err := range c.Events(t.Context(), "no-such-herd", api.ListEventsParams{}) {
		if !api.IsProblem(err, "herd-not-found") {
			t.Errorf("got %v", err)
		}
	}
	for _, err := range c.Events(t.Context(), "alder-row", api.ListEventsParams{Limit: &one}) {
		if err != nil {
			t.Error(err)
		}
		break // leaving early is no fault
	}
}

func TestClientFollows(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	c := s.Client(s.Admin)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	after := int64(scenarioEvents)
	go func() {
		for _, body := range []string{heatEvent, `{"animal":"0517","kind":"move","on":"2026-11-20","data":{"pen":"south"}}`} {
			time.Sleep(300 * time.Millisecond)
			s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Body: body})
		}
	}()
	kept, seen := "", 0
	for e, err := range c.Follow(ctx, "alder-row", api.ListEventsParams{After: &after}, func(cursor string) { kept = cursor }) {
		if err != nil {
			t.Fatal(err)
		}
		seen++
		if e.Seq != after+int64(seen) {
			t.Errorf("seq %d", e.Seq)
		}
		if seen == 2 {
			break
		}
	}
	// The cursor behind the first page, which the second page went on from.
	var page api.EventPage
	if get(s, "%s/events?cursor=%s", herdPath, kept).Want(http.StatusOK).JSON(&page); seen != 2 || len(page.Items) != 1 || page.Items[0].Seq != after+2 {
		t.Errorf("%d events seen; behind the kept cursor: %+v", seen, page.Items)
	}
}

func TestClientAppendsLines(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{Now: clock})
	s.Herd("alder-row")
	c := s.Client(s.Admin)
	batches, events := 0, 0
	err := c.AppendNDJSON(t.Context(), "alder-row", nil, strings.NewReader("\n"+lines(2300)+"\n"), func(a *api.AppendAnswer) error {
		batches++
		events += len(a.Results)
		return nil
	})
	if err != nil || batches != 3 || events != 2300 {
		t.Errorf("%d events in %d batches, %v", events, batches, err)
	}
	err = c.AppendNDJSON(t.Context(), "alder-row", nil, strings.NewReader("\n"+lines(1001)+"\n\n{}\n"), func(*api.AppendAnswer) error { return nil })
	var p *api.ProblemError
	if !errors.As(err, &p) || p.Status != http.StatusUnprocessableEntity || !strings.Contains(err.Error(), "lines 1002 to 1005") || !strings.Contains(err.Error(), "line 1005, #/kind") {
		t.Errorf("got %v", err)
	}
	stop := errors.New("enough")
	if err := c.AppendNDJSON(t.Context(), "alder-row", nil, strings.NewReader(lines(1)), func(*api.AppendAnswer) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("got %v", err)
	}
	if err := c.AppendNDJSON(t.Context(), "alder-row", nil, strings.NewReader(strings.Repeat("x", 70<<10)), nil); err == nil {
		t.Error("a line without end was taken")
	}
}

func TestClientFiles(t *testing.T) {
	t.Parallel()
	s := seededAt(t, ticking())
	c := s.Client(s.Admin)
	name := "november.csv"
	report, err := c.ImportCSV(t.Context(), "alder-row", &api.ImportFileParams{FileName: &name}, strings.NewReader(officeRows))
	if err != nil || report.Counts.Appended != 2 {
		t.Fatalf("%+v, %v", report, err)
	}
	imports := 0
	for r, err := range c.Imports(t.Context(), "alder-row") {
		if err != nil || *r.ID != *report.ID {
			t.Errorf("%+v, %v", r, err)
		}
		imports++
	}
	if imports != 1 {
		t.Errorf("%d imports", imports)
	}
	var out bytes.Buffer
	n, err := c.Export(t.Context(), "alder-row", &out)
	if err != nil || n != int64(out.Len()) || !bytes.Equal(out.Bytes(), get(s, "%s/export.csv", herdPath).Body) {
		t.Errorf("%d bytes, %v", n, err)
	}
	if _, err := c.ImportCSV(t.Context(), "alder-row", nil, strings.NewReader("cow,day\n")); !api.IsProblem(err, "invalid-file") {
		t.Errorf("got %v", err)
	}
}

// An export that was cut anywhere is not taken for a whole one.
func TestClientFindsCutExports(t *testing.T) {
	t.Parallel()
	whole := string(get(seeded(t), "%s/export.csv", herdPath).Body)
	body := whole
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, body) }))
	t.Cleanup(srv.Close)
	c, err := api.New(srv.URL, api.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Export(t.Context(), "alder-row", io.Discard); err != nil {
		t.Fatalf("the whole export: %v", err)
	}
	rows := strings.SplitAfter(whole, "\r\n")
	for name, cut := range map[string]string{
		"nothing": "", "the header alone": rows[0], "without its end": strings.Join(rows[:len(rows)-2], ""),
		"in the end record": whole[:len(whole)-30], "without the last line break": whole[:len(whole)-2], "another file": "a,b\r\n1,end\r\n",
	} {
		body = cut
		if _, err := c.Export(t.Context(), "alder-row", io.Discard); !errors.Is(err, api.ErrTruncated) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Answers that are not byrelog's are errors, too.
func TestClientOfAnotherServer(t *testing.T) {
	t.Parallel()
	status, media, body := http.StatusBadGateway, "text/html", "<h1>proxy</h1>"
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if got := r.Header.Get("User-Agent"); got != "test/1" {
			t.Errorf("User-Agent %q", got)
		}
		if got := r.Header.Get("Authorization"); got != "Bearer secret" {
			t.Errorf("Authorization %q", got)
		}
		w.Header().Set("Content-Type", media)
		w.Header().Set("Retry-After", "7")
		w.WriteHeader(status)
		_, _ = io.WriteString(w, body)
	}))
	t.Cleanup(srv.Close)
	c, err := api.New(srv.URL, api.Options{Token: "secret", UserAgent: "test/1"})
	if err != nil {
		t.Fatal(err)
	}
	var p *api.ProblemError
	if _, err := c.GetHeadWithResponse(t.Context(), "alder-row", nil); !errors.As(err, &p) || p.Status != http.StatusBadGateway || p.RetryAfter != 7*time.Second || strings.Contains(err.Error(), "<h1>") {
		t.Errorf("got %v", err)
	}
	status, media, body = http.StatusOK, "text/plain", "hello"
	for _, err := range c.Events(t.Context(), "alder-row", api.ListEventsParams{}) {
		if err == nil || !strings.Contains(err.Error(), "text/plain") {
			t.Errorf("got %v", err)
		}
	}
	if _, err := c.ImportCSV(t.Context(), "alder-row", nil, strings.NewReader("")); err == nil {
		t.Error("an import without an answer")
	}
}

// An event that did not come from the log cannot be written as one, and what is
// no event has no canonical bytes.
func TestClientEvent(t *testing.T) {
	t.Parallel()
	if _, err := json.Marshal(api.Event{Seq: 1}); err == nil {
		t.Error("a made-up event was written")
	}
	for _, raw := range []string{``, `[]`, `{}`, `{"seq":1}`, `{"seq":`, `{"seq":1,"hash":"x"}`} {
		e := api.EventOf([]byte(raw))
		if b, err := e.Canonical(); err == nil {
			t.Errorf("%s has the canonical bytes %s", raw, b)
		}
	}
	e := api.EventOf([]byte(`{"seq":1,"recorded_at":"x","hash":"y","note":"a \" , b","note_salt":"z","voided":true,"animal":"1","kind":"dry_off"}`))
	if b, err := e.Canonical(); err != nil || string(b) != `{"animal":"1","kind":"dry_off"}` {
		t.Errorf("%s, %v", b, err)
	}
}

func TestProblemErrorText(t *testing.T) {
	t.Parallel()
	line, column, at := int64(7), "on", "#/on"
	items := []api.ProblemItem{{Code: "bad_date", Detail: "not a date", Line: &line, Column: &column}, {Code: "x", Detail: "y", Pointer: &at}}
	for len(items) < 8 {
		items = append(items, api.ProblemItem{Code: "x", Detail: "fault " + strconv.Itoa(len(items))})
	}
	err := &api.ProblemError{Problem: api.Problem{Detail: "refused", Status: 422, Code: "invalid-file", Errors: &items}}
	if got, want := err.Error(), "refused (422 invalid-file); line 7, column on: not a date; #/on: y; fault 2; fault 3; fault 4; and 3 more"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if !api.IsProblem(fmt.Errorf("import: %w", err), "invalid-file") || api.IsProblem(err, "other") || api.IsProblem(nil, "x") {
		t.Error("IsProblem")
	}
}
