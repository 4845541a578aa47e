package httpapi_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/openapi"
)

// buffer is a log that can be read while it is written.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// The log has one record for each request, without bodies, queries and tokens,
// and nothing that a client sends can break a record in two (T51, T53).
func TestAccessLog(t *testing.T) {
	t.Parallel()
	var out buffer
	s := httpapitest.Start(t, httpapitest.Options{Now: clock, Config: httpapi.Config{Log: slog.New(slog.NewJSONHandler(&out, nil))}})
	s.Herd("alder-row")
	secret := s.Token(book.GrantSpec{Herd: "*", Scopes: []book.Scope{"read", "record"}})
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: secret, Body: heatEvent, Header: http.Header{"Idempotency-Key": {"key-of-mine"}}}).Want(http.StatusCreated)
	s.Do(httpapitest.Request{Path: herdPath + "/events?animal=0412&token=" + secret, Token: secret}).Want(http.StatusBadRequest)
	s.Do(httpapitest.Request{Path: herdPath + "/animals/a%0Ab%00c", Token: secret, Header: http.Header{"X-Request-Id": {"trace-7"}}})
	s.Do(httpapitest.Request{Path: herdPath + "/head", Token: secret + "x"}).Want(http.StatusUnauthorized)
	if got := s.Do(httpapitest.Request{Path: "/healthz", Header: http.Header{"X-Request-Id": {"no good;"}}}).Header.Get("X-Request-Id"); got == "no good;" || got == "" {
		t.Errorf("X-Request-Id %q", got)
	}
	records := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(records) != 5 {
		t.Fatalf("%d records for 5 requests:\n%s", len(records), out.String())
	}
	for _, r := range records {
		var rec map[string]any
		if err := json.Unmarshal([]byte(r), &rec); err != nil {
			t.Errorf("%v: %s", err, r)
		}
		for _, must := range []string{"request_id", "operation", "method", "path", "status", "took", "remote"} {
			if _, ok := rec[must]; !ok {
				t.Errorf("the record has no %s: %s", must, r)
			}
		}
	}
	for _, secret := range []string{secret, secret[:20], "Bearer", "rubbed", "key-of-mine", "animal=0412"} {
		if strings.Contains(out.String(), secret) {
			t.Errorf("the log shows %q:\n%s", secret, out.String())
		}
	}
	if !strings.Contains(records[2], `"request_id":"trace-7"`) {
		t.Errorf("the client's request id is not in %s", records[2])
	}
}

// A fault of the service is answered without detail, and found in the log under
// the id that the client was given.
func TestFaultIsLoggedOnce(t *testing.T) {
	t.Parallel()
	var out buffer
	s := httpapitest.Start(t, httpapitest.Options{Config: httpapi.Config{Log: slog.New(slog.NewJSONHandler(&out, nil)), Ready: func(context.Context) error { panic("relation \"heads\" is on fire") }}})
	p := s.Do(httpapitest.Request{Path: "/readyz"}).Want(http.StatusInternalServerError).Problem()
	if strings.Contains(p.Detail, "fire") {
		t.Errorf("the client learns %q", p.Detail)
	}
	id := strings.TrimPrefix(p.Instance, "urn:uuid:")
	if got := out.String(); strings.Count(got, "on fire") != 1 || !strings.Contains(got, id) {
		t.Errorf("log: %s", got)
	}
}

func TestReadiness(t *testing.T) {
	t.Parallel()
	down := errors.New("dial tcp 10.1.2.3:5432: connection refused")
	s := httpapitest.Start(t, httpapitest.Options{Config: httpapi.Config{Ready: func(context.Context) error { return down }}})
	r := s.Do(httpapitest.Request{Path: "/readyz"}).Want(http.StatusServiceUnavailable)
	if strings.Contains(string(r.Body), "10.1.2.3") || r.Header.Get("Retry-After") == "" {
		t.Errorf("%s %v", r.Body, r.Header)
	}
	s.Do(httpapitest.Request{Path: "/healthz"}).Want(http.StatusOK)
}

// With the database gone every request is answered in time with 503, and the
// process stays alive (R26, section 7).
func TestDatabaseGone(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	s.DB.Close()
	for _, r := range []httpapitest.Request{
		{Path: herdPath + "/head"}, {Path: herdPath + "/animals"}, {Path: "/v1/heads"}, {Method: http.MethodPost, Path: herdPath + "/events", Body: heatEvent}, {Path: "/readyz"},
	} {
		r.Token = s.Admin
		start := time.Now()
		got := s.Do(r)
		if got.Status != http.StatusServiceUnavailable || got.Header.Get("Retry-After") == "" {
			t.Errorf("%s %s: %d %s", r.Method, r.Path, got.Status, got.Body)
		}
		if took := time.Since(start); took > 5*time.Second {
			t.Errorf("%s took %v", r.Path, took)
		}
	}
	s.Do(httpapitest.Request{Path: "/healthz"}).Want(http.StatusOK)
}

func TestMetrics(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	text := string(get(s, "/metrics").Want(http.StatusOK).Body)
	for _, want := range []string{
		`byrelog_http_requests_total{operation="appendEvents",status="201"} 1`, "byrelog_http_requests_in_flight 1",
		"byrelog_events_appended_total 16", `byrelog_http_request_seconds_count{operation="appendEvents"} 1`, "go_goroutines",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s", want)
		}
	}
	if strings.Contains(text, "alder-row") {
		t.Error("a metric names a herd")
	}
	open := httpapitest.Start(t, httpapitest.Options{Config: httpapi.Config{OpenMetrics: true}})
	open.Do(httpapitest.Request{Path: "/metrics"}).Want(http.StatusOK)
}

// The page is whole in itself and tells every operation and schema.
func TestDocs(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{})
	page := string(s.Do(httpapitest.Request{Path: "/docs"}).Want(http.StatusOK).Body)
	for _, op := range s.API.Operations() {
		if !strings.Contains(page, `id="`+op[0]+`"`) {
			t.Errorf("the page does not tell of %s", op[0])
		}
	}
	for name := range loadContract(t).Components.Schemas {
		if !strings.Contains(page, `id="schema-`+name+`"`) {
			t.Errorf("the page does not tell of %s", name)
		}
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if ids[m[1]] {
			t.Errorf("the page has two %s", m[1])
		}
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if !ids[m[1]] {
			t.Errorf("a link leads to %s, which is not there", m[1])
		}
	}
	for _, m := range regexp.MustCompile(`(?:src|href)="([^#"][^"]*)"`).FindAllStringSubmatch(page, -1) {
		if m[1] != "/openapi.yaml" {
			t.Errorf("the page needs %s", m[1])
		}
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "&lt;/") || strings.Contains(page, "ZgotmplZ") {
		t.Error("the page has a script, or escapes its own markup")
	}
	if got := s.Do(httpapitest.Request{Path: "/openapi.yaml"}).Want(http.StatusOK); !bytes.Equal(got.Body, openapi.YAML) {
		t.Error("the served contract is not the one that requests are held to")
	}
}

// running starts the server's own life on a listener.
type running struct {
	url    string
	stop   context.CancelFunc
	exited chan error
}

func run(t *testing.T, s *httpapi.Server) *running {
	t.Helper()
	l := httpapitest.Listen(t)
	ctx, stop := context.WithCancel(t.Context())
	r := &running{url: "http://" + l.Addr().String(), stop: stop, exited: make(chan error, 1)}
	go func() { r.exited <- s.Serve(ctx, l) }()
	t.Cleanup(stop)
	return r
}

// On SIGTERM (the end of Serve's context) the server first says that it is not
// ready and goes on answering, ends long polls, answers what it has accepted,
// and comes back without an error (R25).
func TestOrderlyStop(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{Now: clock, Config: httpapi.Config{Quiet: 700 * time.Millisecond, Drain: 10 * time.Second}})
	s.Herd("alder-row")
	r := run(t, s.API)
	ask := func(path string) (status int, err error) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, r.url+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+s.Admin)
		rsp, err := http.DefaultClient.Do(req)
		if err != nil {
			return 0, err
		}
		return rsp.StatusCode, rsp.Body.Close()
	}
	if status, err := ask("/readyz"); err != nil || status != http.StatusOK {
		t.Fatalf("before the stop: %d, %v", status, err)
	}
	polled := make(chan error, 1)
	go func() {
		status, err := ask(herdPath + "/events?wait=30")
		if err == nil && status != http.StatusOK {
			err = errors.New(http.StatusText(status))
		}
		polled <- err
	}()
	followed := make(chan error, 1)
	go func() {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, r.url+herdPath+"/events", nil)
		if err != nil {
			followed <- err
			return
		}
		req.Header.Set("Authorization", "Bearer "+s.Admin)
		req.Header.Set("Accept", "text/event-stream")
		rsp, err := http.DefaultClient.Do(req)
		if err != nil {
			followed <- err
			return
		}
		_, err = io.Copy(io.Discard, rsp.Body) // to its end
		followed <- errors.Join(err, rsp.Body.Close())
	}()
	time.Sleep(200 * time.Millisecond)
	start := time.Now()
	r.stop()
	time.Sleep(100 * time.Millisecond)
	if status, err := ask("/readyz"); err != nil || status != http.StatusServiceUnavailable {
		t.Errorf("in the pause, readyz: %d, %v", status, err)
	}
	if status, err := ask(herdPath + "/head"); err != nil || status != http.StatusOK {
		t.Errorf("in the pause, a read: %d, %v", status, err)
	}
	if err := <-polled; err != nil {
		t.Errorf("the long poll: %v", err)
	}
	if err := <-followed; err != nil {
		t.Errorf("the stream: %v", err)
	}
	if err := <-r.exited; err != nil {
		t.Errorf("the server ended with %v", err)
	}
	if took := time.Since(start); took < 600*time.Millisecond || took > 8*time.Second {
		t.Errorf("the stop took %v", took)
	}
	if _, err := ask("/healthz"); err == nil {
		t.Error("the server still answers")
	}
}

// A request that outlives the drain is cut off; the server still ends.
func TestStopCutsOff(t *testing.T) {
	t.Parallel()
	entered := make(chan struct{})
	ready := func(ctx context.Context) error {
		close(entered)
		<-ctx.Done()
		return ctx.Err()
	}
	s := httpapitest.Start(t, httpapitest.Options{Config: httpapi.Config{Ready: ready, Quiet: -1, Drain: 100 * time.Millisecond}})
	r := run(t, s.API)
	answered := make(chan int, 1)
	go func() {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, r.url+"/readyz", nil)
		if err != nil {
			answered <- -1
			return
		}
		rsp, err := http.DefaultClient.Do(req)
		if err != nil {
			answered <- 0
			return
		}
		_ = rsp.Body.Close()
		answered <- rsp.StatusCode
	}()
	<-entered
	start := time.Now()
	r.stop()
	if err := <-r.exited; err != nil {
		t.Errorf("the server ended with %v", err)
	}
	if took := time.Since(start); took > 10*time.Second {
		t.Errorf("the stop took %v", took)
	}
	if status := <-answered; status != http.StatusServiceUnavailable && status != 0 {
		t.Errorf("the cut-off request got %d", status)
	}
}
