package httpapi

import (
	"context"
	"errors"
	"io"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// request is what a handler gets: authorised, and its parameters as the
// contract has them.
type request struct {
	http      *http.Request
	ctx       context.Context //nolint:containedctx // the request's own, with the operation's deadline
	op        *operation
	names     []string // of the path's parameters
	values    []string // of the same, unescaped
	query     url.Values
	principal *book.Principal // nil where the operation needs none
	herd      *book.Herd      // nil where the path names none
	give      string          // media type of the answer
	suffix    string          // what stood behind the path to ask for it: .csv, .txt
	media     string          // media type of the body
	body      io.Reader       // bounded and inflated
}

const (
	defaultLimit = 200
	maxLimit     = 1000
)

// param gives a parameter of the path, "" if it has none of that name.
func (r *request) param(name string) string {
	if i := slices.Index(r.names, name); i >= 0 {
		return r.values[i]
	}
	return ""
}

// text gives a query parameter, "" if it is absent.
func (r *request) text(name string) string { return r.query.Get(name) }

func (r *request) flag(name string) bool { return r.query.Get(name) == "true" }

// integer gives a query parameter that the contract has as an integer.
func (r *request) integer(name string, absent int64) (int64, error) {
	s := r.query.Get(name)
	if s == "" {
		return absent, nil
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return 0, badParam(name, "wrong_type", "a whole number is expected")
	}
	return n, nil
}

func (r *request) limit() (int, error) {
	n, err := r.integer("limit", defaultLimit)
	return int(n), err
}

// date gives a date parameter, zero if it is absent.
func (r *request) date(name string) (event.Date, error) { return toDate(name, r.query.Get(name)) }

func toDate(name, s string) (event.Date, error) {
	if s == "" {
		return 0, nil
	}
	d, err := event.ParseDate(s)
	if err != nil {
		return 0, badParam(name, "bad_date", "%v", err)
	}
	return d, nil
}

// list gives a parameter that is written with commas.
func (r *request) list(name string) []string {
	s := r.query.Get(name)
	if s == "" {
		return nil
	}
	return strings.Split(s, ",")
}

func (r *request) id() uuid.UUID {
	id, _ := uuid.Parse(r.param("id")) // the contract checked its form
	return id
}

// asOf reads the as_of parameter: a seq, a timestamp, or a date, which stands
// for its end in the herd's zone.
func (r *request) asOf() (book.AsOf, error) { return r.asOfIn(r.herd) }

// asOfIn is asOf for a herd that the path does not name; a date ends in that
// herd's zone.
func (r *request) asOfIn(h *book.Herd) (book.AsOf, error) {
	s := r.query.Get("as_of")
	switch {
	case s == "":
		return book.AsOf{}, nil
	case !strings.Contains(s, "-"):
		seq, err := strconv.ParseInt(s, 10, 64)
		if err != nil || seq == 0 {
			return book.AsOf{}, badParam("as_of", "out_of_range", "a seq is 1 or more")
		}
		return book.AsOf{Seq: seq}, nil
	case strings.Contains(s, "T"):
		at, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			return book.AsOf{}, badParam("as_of", "bad_date", "this is no timestamp of RFC 3339")
		}
		return book.AsOf{Time: at.UTC()}, nil
	}
	day, err := toDate("as_of", s)
	if err != nil {
		return book.AsOf{}, err
	}
	zone, err := time.LoadLocation(h.Zone)
	if err != nil {
		zone = time.UTC
	}
	y, m, d := day.Civil()
	// The last microsecond of the day: the log counts in microseconds.
	return book.AsOf{Time: time.Date(y, time.Month(m), d+1, 0, 0, 0, 0, zone).Add(-time.Microsecond).UTC()}, nil
}

// question names what a list is asked for, so that cursors of one question do
// not fit another: the operation, the herd, and every parameter that decides
// what is in the list or in what order.
func (r *request) question() string {
	var b strings.Builder
	b.Grow(128)
	b.WriteString(r.op.id)
	tell := func(name, value string) {
		b.WriteByte('\n')
		b.WriteString(name)
		b.WriteByte('=')
		b.WriteString(url.QueryEscape(value))
	}
	for _, name := range [...]string{"herd", "index", "list"} {
		tell(name, r.param(name))
	}
	names := make([]string, 0, 16)
	for name := range r.query {
		switch name {
		case "limit", "cursor", "after", "wait":
		default:
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		tell(name, r.query.Get(name))
	}
	return b.String()
}

// cursor reads the cursor parameter; ok is false if there is none.
func (r *request) cursor() (c cursor, ok bool, err error) {
	s := r.query.Get("cursor")
	if s == "" {
		return cursor{}, false, nil
	}
	c, err = parseCursor(s, r.question())
	if err != nil {
		return cursor{}, false, badCursor()
	}
	return c, true, nil
}

// nextLink is the address of the next page, for the Link header.
func (r *request) nextLink(next string) string {
	q := maps.Clone(r.query)
	q.Del("after")
	q.Set("cursor", next)
	return "<" + r.http.URL.EscapedPath() + r.suffix + "?" + q.Encode() + `>; rel="next"`
}

var keyForm = regexp.MustCompile(`^[!#-~]{1,128}$`)

// idempotencyKey reads the header, quoted as a structured field or bare.
func (r *request) idempotencyKey() (string, error) {
	s := r.http.Header.Get("Idempotency-Key")
	if s == "" {
		return "", nil
	}
	if len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"' {
		s = s[1 : len(s)-1]
	}
	if !keyForm.MatchString(s) || len(r.http.Header.Values("Idempotency-Key")) > 1 {
		return "", badParam("Idempotency-Key", "bad_text", "1 to 128 visible ASCII characters without quotes are expected, once")
	}
	return s, nil
}

// bearer reads the Authorization header. present is false without one.
func bearer(h http.Header) (token string, present bool, err error) {
	values := h[headerAuthorization]
	if len(values) == 0 {
		return "", false, nil
	}
	scheme, token, ok := strings.Cut(values[0], " ")
	if len(values) > 1 || !ok || !strings.EqualFold(scheme, "Bearer") || token == "" || strings.ContainsAny(token, " \t") {
		return "", true, errors.New("not a bearer token")
	}
	return token, true, nil
}
