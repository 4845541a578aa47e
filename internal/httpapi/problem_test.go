package httpapi_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"testing"

	"github.com/labstack/echo/v4"

	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi"
)

func TestProblemTable(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		err    error
		status int
		code   string
	}{
		{"invalid", &book.Error{Kind: book.Invalid, Code: "invalid-event"}, 422, "invalid-event"},
		{"as of", &book.Error{Kind: book.Invalid, Code: "invalid-as-of"}, 400, "invalid-as-of"},
		{"unauthenticated", &book.Error{Kind: book.Unauthenticated, Code: "invalid-token"}, 401, "invalid-token"},
		{"forbidden", &book.Error{Kind: book.Forbidden, Code: "forbidden"}, 403, "forbidden"},
		{"not found", &book.Error{Kind: book.NotFound, Code: "herd-not-found"}, 404, "herd-not-found"},
		{"conflict", &book.Error{Kind: book.Conflict, Code: "event-id-conflict"}, 409, "event-id-conflict"},
		{"key reused", &book.Error{Kind: book.Conflict, Code: "idempotency-key-reused"}, 422, "idempotency-key-reused"},
		{"epoch", &book.Error{Kind: book.EpochChanged, Code: "log-epoch-changed"}, 409, "log-epoch-changed"},
		{"too large", &book.Error{Kind: book.TooLarge, Code: "too-many-events"}, 413, "too-many-events"},
		{"unsupported", &book.Error{Kind: book.Unsupported, Code: "invalid-file"}, 415, "invalid-file"},
		{"busy", &book.Error{Kind: book.Busy, Code: "busy"}, 429, "busy"},
		{"unavailable", &book.Error{Kind: book.Unavailable, Code: "storage"}, 503, "storage"},
		{"outcome unknown", &book.Error{Kind: book.OutcomeUnknown, Code: "outcome-unknown"}, 503, "outcome-unknown"},
		{"wrapped", fmt.Errorf("append herd=x: %w", &book.Error{Kind: book.Conflict, Code: "conflict"}), 409, "conflict"},
		{"kind without a row", &book.Error{Kind: 99, Code: "new"}, 500, "internal"},
		{"not classified", errors.New("pq: relation events does not exist"), 500, "internal"},
		{"deadline", fmt.Errorf("scan: %w", context.DeadlineExceeded), 503, "unavailable"},
		{"given up", context.Canceled, 503, "unavailable"},
		{"router: no route", echo.ErrNotFound, 404, "not-found"},
		{"router: no method", echo.ErrMethodNotAllowed, 405, "method-not-allowed"},
		{"router: media type", echo.ErrUnsupportedMediaType, 415, "unsupported-media-type"},
		{"router: body", echo.ErrStatusRequestEntityTooLarge, 413, "too-large"},
		{"router: other", echo.ErrBadRequest, 400, "malformed"},
		{"router: fault", echo.ErrInternalServerError, 500, "internal"},
	} {
		if got := httpapi.StatusOf(c.err); got != c.status {
			t.Errorf("%s: status %d, want %d", c.name, got, c.status)
		}
		if got := httpapi.CodeOf(c.err); got != c.code {
			t.Errorf("%s: code %q, want %q", c.name, got, c.code)
		}
		if httpapi.TitleOf(c.status) == "" {
			t.Errorf("%s: status %d has no title", c.name, c.status)
		}
	}
}

// Every kind that the book has is in the table: a new one without a row would
// be answered as a fault of the service.
func TestEveryKindHasAStatus(t *testing.T) {
	t.Parallel()
	for k := book.Invalid; k <= book.OutcomeUnknown; k++ {
		if got := httpapi.StatusOf(&book.Error{Kind: k, Code: "x"}); got == http.StatusInternalServerError {
			t.Errorf("kind %d is answered with %d", k, got)
		}
	}
}

func TestNegotiate(t *testing.T) {
	t.Parallel()
	both := []string{"application/json", "text/csv"}
	for _, c := range []struct {
		accept []string
		want   string
	}{
		{nil, "application/json"},
		{[]string{"*/*"}, "application/json"},
		{[]string{"text/csv"}, "text/csv"},
		{[]string{"text/*"}, "text/csv"},
		{[]string{"text/csv;q=0.5, application/json;q=0.4"}, "text/csv"},
		{[]string{"text/csv;q=0.5, */*"}, "application/json"},
		{[]string{"application/json;q=0, */*"}, "text/csv"},
		{[]string{"text/html", "text/csv;q=0.1"}, "text/csv"},
		{[]string{"TEXT/CSV"}, "text/csv"},
		{[]string{"text/html"}, ""},
		{[]string{"application/json;q=0"}, ""},
		{[]string{"application/json;q=2"}, ""},
	} {
		got, err := httpapi.Negotiate(c.accept, both)
		if got != c.want || (err != nil) != (c.want == "") {
			t.Errorf("%q: %q, %v; want %q", c.accept, got, err, c.want)
		}
	}
}

func TestAcceptsGzip(t *testing.T) {
	t.Parallel()
	for value, want := range map[string]bool{
		"": false, "gzip": true, "br, gzip;q=0.5": true, "gzip;q=0": false, "*": true, "*;q=0": false, "gzip;q=0, *": false, "identity": false, "GZIP": true,
	} {
		if got := httpapi.AcceptsGzip(http.Header{"Accept-Encoding": {value}}); got != want {
			t.Errorf("%q: %v, want %v", value, got, want)
		}
	}
}

func TestBearer(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		values  []string
		token   string
		present bool
		ok      bool
	}{
		{nil, "", false, true},
		{[]string{"Bearer abc"}, "abc", true, true},
		{[]string{"bearer abc"}, "abc", true, true},
		{[]string{"Basic abc"}, "", true, false},
		{[]string{"Bearer"}, "", true, false},
		{[]string{"Bearer "}, "", true, false},
		{[]string{"Bearer a b"}, "", true, false},
		{[]string{"Bearer  a"}, "", true, false},
		{[]string{"Bearer a", "Bearer b"}, "", true, false},
	} {
		token, present, err := httpapi.Bearer(http.Header{"Authorization": c.values})
		if token != c.token || present != c.present || (err == nil) != c.ok {
			t.Errorf("%q: %q, %v, %v", c.values, token, present, err)
		}
	}
}

func TestCheckJSON(t *testing.T) {
	t.Parallel()
	deep := func(n int) string {
		b := make([]byte, 0, 2*n)
		for range n {
			b = append(b, '[')
		}
		for range n {
			b = append(b, ']')
		}
		return string(b)
	}
	for s, ok := range map[string]bool{
		`{"a":1,"b":[{"a":1},{"a":2}]}`: true, `[]`: true, `"x"`: true, ` {} `: true, deep(32): true,
		`{"a":1,"a":1}`: false, `{"a":{"b":1,"b":2}}`: false, `{"a":1,"\u0061":2}`: false, `{} {}`: false, `{}x`: false, `{`: false, ``: false,
		`[1,]`: false, "\"\xff\"": false, deep(33): false, `{"a"}`: false, `nul`: false,
	} {
		if err := httpapi.CheckJSON([]byte(s)); (err == nil) != ok {
			t.Errorf("%.40q: %v", s, err)
		}
	}
}

func FuzzCheckJSON(f *testing.F) {
	for _, s := range []string{`{"a":1}`, `{"a":1,"a":2}`, `[[[[`, "\xff", `{"a":[1,{"b":null}]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		if err := httpapi.CheckJSON(raw); err != nil && httpapi.StatusOf(err) != http.StatusBadRequest {
			t.Fatalf("%v is no refusal", err)
		}
	})
}
