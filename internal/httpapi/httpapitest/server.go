// Package httpapitest starts the real server on a real Postgres for tests, and
// holds every answer that a test gets against the contract.
package httpapitest

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
	"byrelog.example/openapi"
)

// Options of a server for a test. The zero value is usable.
type Options struct {
	Now    func() time.Time // clock of book and server; time.Now if nil
	Config httpapi.Config   // of the server; Now and, unless given, Log are set
	Book   book.Options     // of the book; Now is set
	Strict bool             // appends say nothing of unknown numbers; otherwise they let them begin a history
}

// Server is a running server with a database of its own.
type Server struct {
	URL   string
	Admin string // an administrator's token
	Book  *book.Book
	DB    *store.DB
	API   *httpapi.Server

	t    testing.TB
	http *http.Client
}

// Start runs a server until the end of the test.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	if o.Now == nil {
		o.Now = time.Now
	}
	db := pgtest.Open(t)
	o.Book.Now, o.Config.Now = o.Now, o.Now
	if o.Config.Log == nil {
		o.Config.Log = slog.New(slog.NewTextHandler(testWriter{t}, &slog.HandlerOptions{Level: slog.LevelError}))
	}
	if o.Config.Ready == nil {
		o.Config.Ready = db.Ready
	}
	b := book.New(db, o.Book)
	t.Cleanup(b.Close)
	s, err := httpapi.New(b, o.Config)
	if err != nil {
		t.Fatalf("make server: %v", err)
	}
	ts := httptest.NewServer(s.Handler())
	t.Cleanup(ts.Close)
	admin, _, err := b.CreateToken(t.Context(), book.TokenSpec{Name: "administrator of the test", Admin: true})
	if err != nil {
		t.Fatalf("make token: %v", err)
	}
	out := &Server{URL: ts.URL, Admin: admin, Book: b, DB: db, API: s, t: t}
	out.http = &http.Client{
		Transport:     &validating{t: t, next: ts.Client().Transport, strict: o.Strict},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return out
}

// testWriter sends log lines to the test's own log.
type testWriter struct{ t testing.TB }

func (w testWriter) Write(p []byte) (int, error) {
	w.t.Logf("%s", bytes.TrimSpace(p))
	return len(p), nil
}

// Token makes a token with grants.
func (s *Server) Token(grants ...book.GrantSpec) string {
	s.t.Helper()
	secret, _, err := s.Book.CreateToken(s.t.Context(), book.TokenSpec{Name: "token of the test", Grants: grants})
	if err != nil {
		s.t.Fatalf("make token: %v", err)
	}
	return secret
}

// Herd makes a herd with an empty log, in UTC.
func (s *Server) Herd(name string) *book.Herd {
	s.t.Helper()
	h, err := s.Book.CreateHerd(s.t.Context(), book.HerdSpec{Name: name})
	if err != nil {
		s.t.Fatalf("make herd: %v", err)
	}
	return h
}

// Client is the public client with the given token. Its answers are validated.
func (s *Server) Client(token string) *api.ClientWithResponses {
	s.t.Helper()
	c, err := api.New(s.URL, api.Options{Token: token, HTTP: s.http})
	if err != nil {
		s.t.Fatalf("make client: %v", err)
	}
	return c
}

// Request is one plain request.
type Request struct {
	Method string // GET if empty
	Path   string // with the query
	Token  string // none if empty
	Body   string
	Type   string // Content-Type; application/json if empty and there is a body
	Header http.Header
}

// Response is a validated answer.
type Response struct {
	Status int
	Header http.Header
	Body   []byte // inflated

	t testing.TB
}

// Do sends a request and validates the answer.
func (s *Server) Do(r Request) *Response {
	s.t.Helper()
	if r.Method == "" {
		r.Method = http.MethodGet
	}
	req, err := http.NewRequestWithContext(s.t.Context(), r.Method, s.URL+r.Path, strings.NewReader(r.Body))
	if err != nil {
		s.t.Fatalf("make request: %v", err)
	}
	if r.Body == "" {
		req.Body = http.NoBody
		req.ContentLength = 0
	}
	for name, values := range r.Header {
		req.Header[http.CanonicalHeaderKey(name)] = values
	}
	if r.Token != "" {
		req.Header.Set("Authorization", "Bearer "+r.Token)
	}
	switch {
	case r.Type != "":
		req.Header.Set("Content-Type", r.Type)
	case r.Body != "" && req.Header.Get("Content-Type") == "":
		req.Header.Set("Content-Type", "application/json")
	}
	rsp, err := s.http.Do(req)
	if err != nil {
		s.t.Fatalf("%s %s: %v", r.Method, r.Path, err)
	}
	defer func() { _ = rsp.Body.Close() }() // it is in memory
	body, err := io.ReadAll(rsp.Body)
	if err != nil {
		s.t.Fatalf("%s %s: %v", r.Method, r.Path, err)
	}
	if rsp.Header.Get("Content-Encoding") == "gzip" {
		body = inflate(s.t, body)
	}
	return &Response{Status: rsp.StatusCode, Header: rsp.Header, Body: body, t: s.t}
}

// Want fails the test if the status is another one.
func (r *Response) Want(status int) *Response {
	r.t.Helper()
	if r.Status != status {
		r.t.Fatalf("status %d, want %d: %s", r.Status, status, r.Body)
	}
	return r
}

// JSON reads the body.
func (r *Response) JSON(to any) {
	r.t.Helper()
	if err := json.Unmarshal(r.Body, to); err != nil {
		r.t.Fatalf("%v in %s", err, r.Body)
	}
}

// Problem reads the body as a problem.
func (r *Response) Problem() *api.Problem {
	r.t.Helper()
	if got := r.Header.Get("Content-Type"); got != "application/problem+json" {
		r.t.Fatalf("status %d with %q, want a problem: %s", r.Status, got, r.Body)
	}
	p := &api.Problem{}
	r.JSON(p)
	return p
}

func inflate(t testing.TB, body []byte) []byte {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(body))
	if err != nil {
		t.Fatalf("answer is not gzip: %v", err)
	}
	out, err := io.ReadAll(z)
	if err != nil {
		t.Fatalf("answer is not whole gzip: %v", err)
	}
	return out
}

// validating holds every answer against the contract.
type validating struct {
	t    testing.TB
	next http.RoundTripper

	strict bool
}

// address is one path of the contract with a pattern of the addresses that it
// stands for, escaped.
type address struct {
	pattern *regexp.Regexp
	path    string
	item    *openapi3.PathItem
}

type contractDoc struct {
	doc       *openapi3.T
	addresses []address
}

var contract = sync.OnceValues(func() (*contractDoc, error) {
	for _, media := range []string{"text/csv", "text/html", "application/yaml", "application/x-ndjson"} {
		openapi3filter.RegisterBodyDecoder(media, openapi3filter.PlainBodyDecoder)
	}
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		return nil, err
	}
	c := &contractDoc{doc: doc}
	for _, path := range doc.Paths.InMatchingOrder() {
		pattern := parameter.ReplaceAllString(regexp.QuoteMeta(path), `[^/]+`)
		c.addresses = append(c.addresses, address{regexp.MustCompile("^" + pattern + "$"), path, doc.Paths.Find(path)})
	}
	return c, nil
})

var (
	parameter   = regexp.MustCompile(`\\\{\w+\\\}`)
	mediaSuffix = regexp.MustCompile(`^(/v1/herds/[^/]+/(?:animals|events|checks|lists/[^/]+|indices|indices/[^/]+/evidence)|/v1/lists/[^/]+|/v1/summary|/v1/technicians)\.(?:csv|txt)$`)
)

// route finds the operation that a request is for; nil if there is none.
func (c *contractDoc) route(r *http.Request) *routers.Route {
	path := mediaSuffix.ReplaceAllString(r.URL.EscapedPath(), "$1")
	for _, a := range c.addresses {
		if a.pattern.MatchString(path) {
			if op := a.item.GetOperation(r.Method); op != nil {
				return &routers.Route{Spec: c.doc, Path: a.path, PathItem: a.item, Method: r.Method, Operation: op}
			}
		}
	}
	return nil
}

func (v *validating) RoundTrip(r *http.Request) (*http.Response, error) {
	if q := r.URL.Query(); !v.strict && r.Method == http.MethodPost && !q.Has("unknown_animals") &&
		(strings.HasSuffix(r.URL.Path, "/events") || strings.HasSuffix(r.URL.Path, "/void")) {
		r = r.Clone(r.Context())
		r.URL.RawQuery = strings.TrimPrefix(r.URL.RawQuery+"&unknown_animals=begin", "&")
	}
	rsp, err := v.next.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	body, err := io.ReadAll(rsp.Body)
	_ = rsp.Body.Close() // read to its end, or broken
	if err != nil {
		return nil, err
	}
	rsp.Body = io.NopCloser(bytes.NewReader(body))
	if r.Method != http.MethodHead {
		v.check(r, rsp, body)
	}
	return rsp, nil
}

func (v *validating) check(r *http.Request, rsp *http.Response, body []byte) {
	v.t.Helper()
	c, err := contract()
	if err != nil {
		v.t.Fatalf("load contract: %v", err)
	}
	if rsp.Header.Get("Content-Encoding") == "gzip" {
		body = inflate(v.t, body)
	}
	if rsp.StatusCode >= http.StatusBadRequest && rsp.Header.Get("Content-Type") != "application/problem+json" {
		v.t.Errorf("%s %s: %d with Content-Type %q, want a problem", r.Method, r.URL, rsp.StatusCode, rsp.Header.Get("Content-Type"))
	}
	guarded := rsp.Header.Get("X-Content-Type-Options") == "nosniff" || rsp.StatusCode == http.StatusNotModified // which has no body
	if !guarded || rsp.Header.Get("Cache-Control") == "" || rsp.Header.Get("X-Request-Id") == "" {
		v.t.Errorf("%s %s: the answer lacks a header that every answer has: %v", r.Method, r.URL, rsp.Header)
	}
	route := c.route(r)
	if route == nil {
		// Not an address of the contract: only the router's own refusals fit.
		if rsp.StatusCode != http.StatusNotFound && rsp.StatusCode != http.StatusMethodNotAllowed {
			v.t.Errorf("%s %s: %d, and the contract has no such operation", r.Method, r.URL, rsp.StatusCode)
		}
		return
	}
	if err := openapi3filter.ValidateResponse(r.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: r, Route: route},
		Status:                 rsp.StatusCode, Header: rsp.Header, Body: io.NopCloser(bytes.NewReader(body)),
		Options: &openapi3filter.Options{IncludeResponseStatus: true},
	}); err != nil {
		v.t.Errorf("%s %s: the answer breaks the contract: %v\n%s", r.Method, r.URL, err, cut(body))
	}
}

func cut(body []byte) []byte {
	const most = 4000
	if len(body) > most {
		return body[:most]
	}
	return body
}

// Listen gives a loopback listener for tests of the server's own life.
func Listen(t testing.TB) net.Listener {
	t.Helper()
	var lc net.ListenConfig
	l, err := lc.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatalf("listen: %v", err)
	}
	return l
}
