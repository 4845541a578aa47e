package httpapi_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

func zipped(t *testing.T, parts ...string) string {
	t.Helper()
	var b bytes.Buffer
	for _, p := range parts { // each a member of its own
		z := gzip.NewWriter(&b)
		if _, err := io.WriteString(z, p); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

func lines(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `{"animal":"%04d","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`+"\n", i)
	}
	return b.String()
}

// All of a request is written or nothing: one bad event among good ones leaves
// the log as it was.
func TestAppendIsAllOrNothing(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var first api.EventPage
	get(s, "%s/events?limit=1", herdPath).Want(http.StatusOK).JSON(&first)
	taken := first.Items[0].ID.String()
	for name, last := range map[string]string{
		"invalid":        `{"animal":"1","kind":"heat","on":"2027-01-01","data":{"verdict":"suspect"}}`,
		"not allowed":    `{"animal":"0600","kind":"heat","on":"2026-03-01","data":{"verdict":"suspect"}}`,
		"conflict":       `{"id":"` + taken + `","animal":"1","kind":"heat","on":"2026-01-01","data":{"verdict":"suspect"}}`,
		"void of nobody": `{"kind":"void","on":"2026-11-25","data":{"event":"0199f3a2-5c10-7b6e-9d43-000000000000","reason":"x"}}`,
	} {
		r := s.Do(httpapitest.Request{
			Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Type: "application/x-ndjson", Body: lines(5) + last,
		})
		if r.Status != http.StatusUnprocessableEntity && r.Status != http.StatusConflict {
			t.Errorf("%s: %d", name, r.Status)
		}
		if at := places(r.Problem()); len(at) == 0 || at[0] != "line 6" {
			t.Errorf("%s: told at %v, want line 6: %s", name, at, r.Body)
		}
		var head api.HerdHead
		get(s, "%s/head", herdPath).Want(http.StatusOK).JSON(&head)
		if head.Seq != int64(scenarioEvents) {
			t.Fatalf("%s: the head moved to %d", name, head.Seq)
		}
	}
}

// An Idempotency-Key gives the first answer again, refuses another request
// under it, and belongs to one token.
func TestIdempotencyKey(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	key := http.Header{"Idempotency-Key": {`"evening round 1"`}}
	post := httpapitest.Request{
		Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Header: http.Header{"Idempotency-Key": {`"evening-round-1"`}},
		Body: `[{"animal":"0412","kind":"dry_off","on":"2026-11-20"},{"animal":"0517","kind":"dry_off","on":"2026-11-20"}]`,
	}
	bad := post
	bad.Header = key
	s.Do(bad).Want(http.StatusBadRequest) // a space is no visible character
	first := s.Do(post).Want(http.StatusCreated)
	post.Header = http.Header{"Idempotency-Key": {"evening-round-1"}} // bare is the same
	again := s.Do(post).Want(http.StatusCreated)
	if !bytes.Equal(first.Body, again.Body) || again.Header.Get("Idempotency-Replayed") != "true" || first.Header.Get("Idempotency-Replayed") != "" {
		t.Errorf("first %s\nagain %s %v", first.Body, again.Body, again.Header)
	}
	other := post
	other.Body = `{"animal":"0388","kind":"dry_off","on":"2026-11-20"}`
	if p := s.Do(other).Want(http.StatusUnprocessableEntity).Problem(); p.Code != "idempotency-key-reused" {
		t.Errorf("another request: %+v", p)
	}
	other.Token = s.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"record"}})
	s.Do(other).Want(http.StatusCreated)
	var head api.HerdHead
	get(s, "%s/head", herdPath).Want(http.StatusOK).JSON(&head)
	if want := int64(scenarioEvents + 3); head.Seq != want {
		t.Errorf("the head is %d, want %d", head.Seq, want)
	}
}

// The same request under one key from many sides at once is carried out once.
func TestIdempotencyKeyAtOnce(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	post := httpapitest.Request{
		Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Header: http.Header{"Idempotency-Key": {"once"}},
		Body: `{"animal":"0412","kind":"dry_off","on":"2026-11-20"}`,
	}
	var wg sync.WaitGroup
	for range 8 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for {
				r := s.Do(post)
				if r.Status == http.StatusTooManyRequests && r.Header.Get("Retry-After") != "" {
					continue
				}
				if r.Status != http.StatusCreated {
					t.Errorf("status %d: %s", r.Status, r.Body)
				}
				return
			}
		}()
	}
	wg.Wait()
	var head api.HerdHead
	get(s, "%s/head", herdPath).Want(http.StatusOK).JSON(&head)
	if want := int64(scenarioEvents + 1); head.Seq != want {
		t.Errorf("the head is %d, want %d", head.Seq, want)
	}
}

// Bodies are bounded on the wire and inflated, whatever they say of themselves
// (R47).
func TestBodyBounds(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	gz := http.Header{"Content-Encoding": {"gzip"}}
	blank := strings.Repeat(" ", 11<<20)
	for _, c := range []struct {
		name   string
		body   string
		header http.Header
		status int
	}{
		{"plain, too large", lines(1) + strings.Repeat(" ", 1<<20), nil, http.StatusRequestEntityTooLarge},
		{"a bomb", zipped(t, blank), gz, http.StatusRequestEntityTooLarge},
		{"a bomb of many members", zipped(t, blank[:6<<20], blank[:6<<20]), gz, http.StatusRequestEntityTooLarge},
		{"within bounds", zipped(t, strings.Repeat("\n", 9<<20)+lines(2)), gz, http.StatusCreated},
		{"two members", zipped(t, lines(2), lines(3)), gz, http.StatusCreated},
		{"cut off", zipped(t, lines(50))[:60], gz, http.StatusBadRequest},
		{"garbage behind it", zipped(t, lines(1)) + "garbage", gz, http.StatusBadRequest},
		{"empty gzip", "", http.Header{"Content-Encoding": {"gzip"}, "Content-Type": {"application/x-ndjson"}}, http.StatusBadRequest},
		{"twice coded", zipped(t, zipped(t, lines(1))), http.Header{"Content-Encoding": {"gzip, gzip"}}, http.StatusUnsupportedMediaType},
		{"zstd", lines(1), http.Header{"Content-Encoding": {"zstd"}}, http.StatusUnsupportedMediaType},
		{"identity", lines(1), http.Header{"Content-Encoding": {"identity"}}, http.StatusCreated},
		{"too many events", strings.Repeat("{}\n", book.MaxAppend+1), nil, http.StatusRequestEntityTooLarge},
		{"an event too large", `{"animal":"1","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"},"note":"` + strings.Repeat("x", 65<<10) + `"}`, nil, http.StatusUnprocessableEntity},
	} {
		r := s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Type: "application/x-ndjson", Header: c.header, Body: c.body})
		if r.Status != c.status {
			t.Errorf("%s: %d, want %d: %.300s", c.name, r.Status, c.status, r.Body)
		}
	}
}

// A body without a stated length is bounded as well.
func TestChunkedBody(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL+herdPath+"/events", io.MultiReader(strings.NewReader(lines(1)), strings.NewReader(strings.Repeat("\n", 2<<20))))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+s.Admin)
	req.Header.Set("Content-Type", "application/x-ndjson")
	rsp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = rsp.Body.Close() }()
	if rsp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("status %d, want 413", rsp.StatusCode)
	}
}

// Many clients append to one herd at once: every acknowledged event is there
// once, and the numbers have no gap.
func TestConcurrentAppends(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{Now: clock})
	s.Herd("alder-row")
	const clients, each = 8, 12
	var mu sync.Mutex
	acked := map[int64]uuid.UUID{}
	var wg sync.WaitGroup
	for i := range clients {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for n := range each {
				var answer api.AppendAnswer
				s.Do(httpapitest.Request{
					Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin,
					Body: fmt.Sprintf(`{"animal":"%d-%d","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`, i, n),
				}).Want(http.StatusCreated).JSON(&answer)
				mu.Lock()
				acked[*answer.Results[0].Seq] = answer.Results[0].ID
				mu.Unlock()
			}
		}()
	}
	wg.Wait()
	seq := int64(0)
	for e, err := range s.Client(s.Admin).Events(t.Context(), "alder-row", api.ListEventsParams{}) {
		if err != nil {
			t.Fatal(err)
		}
		if seq++; e.Seq != seq || acked[seq] != e.ID {
			t.Fatalf("seq %d is %s, acknowledged as %s", e.Seq, e.ID, acked[seq])
		}
	}
	if seq != clients*each {
		t.Errorf("%d events, want %d", seq, clients*each)
	}
}
