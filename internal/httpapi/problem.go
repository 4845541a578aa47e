package httpapi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// problemType is the stem of every problem's type.
const problemType = "urn:byrelog:problem:"

// maxItems is how many faults a problem tells; errors_total tells the rest.
const maxItems = 100

// problem is a refusal or failure on its way to the client.
type problem struct {
	status     int
	code       string
	detail     string
	items      []api.ProblemItem
	results    []api.AppendResult
	epoch      *int64
	headSeq    *int64
	retryAfter time.Duration
	challenge  string // WWW-Authenticate
	cause      error  // for the log, never for the client
}

func (p *problem) Error() string {
	if p.cause != nil {
		return p.code + ": " + p.detail + ": " + p.cause.Error()
	}
	return p.code + ": " + p.detail
}

func (p *problem) Unwrap() error { return p.cause }

func refuse(status int, code, format string, args ...any) *problem {
	return &problem{status: status, code: code, detail: fmt.Sprintf(format, args...)}
}

// kinds is the table from the book's kinds of failure to statuses, both ways
// round: a status in it stands for one title.
var kinds = map[book.Kind]int{
	book.Invalid:         http.StatusUnprocessableEntity,
	book.Unauthenticated: http.StatusUnauthorized,
	book.Forbidden:       http.StatusForbidden,
	book.NotFound:        http.StatusNotFound,
	book.Conflict:        http.StatusConflict,
	book.EpochChanged:    http.StatusConflict,
	book.TooLarge:        http.StatusRequestEntityTooLarge,
	book.Unsupported:     http.StatusUnsupportedMediaType,
	book.Busy:            http.StatusTooManyRequests,
	book.Unavailable:     http.StatusServiceUnavailable,
	book.OutcomeUnknown:  http.StatusServiceUnavailable,
}

// codeStatus are the codes of the book that HTTP has a narrower status for.
var codeStatus = map[string]int{
	"invalid-as-of":          http.StatusBadRequest,          // a parameter, not a body
	"idempotency-key-reused": http.StatusUnprocessableEntity, // draft-ietf-httpapi-idempotency-key-header-07
}

// titles are the same for every problem of a status.
var titles = map[int]string{
	http.StatusBadRequest:            "The request cannot be read",
	http.StatusUnauthorized:          "A valid token is needed",
	http.StatusForbidden:             "The token may not do this",
	http.StatusNotFound:              "Not found",
	http.StatusMethodNotAllowed:      "There is no such method here",
	http.StatusNotAcceptable:         "There is no such representation",
	http.StatusRequestTimeout:        "The request took too long to arrive",
	http.StatusConflict:              "It contradicts what is stored",
	http.StatusPreconditionFailed:    "It has changed meanwhile",
	http.StatusRequestEntityTooLarge: "Too large",
	http.StatusUnsupportedMediaType:  "There is no such media type here",
	http.StatusUnprocessableEntity:   "Refused",
	http.StatusTooManyRequests:       "Too many requests",
	http.StatusInternalServerError:   "A fault of the service",
	http.StatusServiceUnavailable:    "Not available just now",
}

// codeInternal is of faults that are ours; the answer tells their number.
const codeInternal = "internal"

// problemOf classifies any error. What is not known is a fault of ours: the
// client learns only where to find it in the log.
func problemOf(err error) *problem {
	var p *problem
	var b *book.Error
	var h *echo.HTTPError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &b):
		return problemOfBook(b)
	case errors.As(err, &h):
		return problemOfEcho(h)
	case errors.Is(err, context.DeadlineExceeded):
		return &problem{
			status: http.StatusServiceUnavailable, code: "unavailable", retryAfter: 2 * time.Second, cause: err,
			detail: "the answer was not ready in time",
		}
	case errors.Is(err, context.Canceled):
		// Nobody is there to read it.
		return &problem{status: http.StatusServiceUnavailable, code: "unavailable", retryAfter: time.Second, cause: err, detail: "the request was given up"}
	}
	return &problem{status: http.StatusInternalServerError, code: codeInternal, cause: err}
}

func problemOfBook(b *book.Error) *problem {
	status, ok := codeStatus[b.Code]
	if !ok {
		status, ok = kinds[b.Kind]
	}
	if !ok {
		return &problem{status: http.StatusInternalServerError, code: codeInternal, cause: b}
	}
	p := &problem{status: status, code: b.Code, detail: b.Detail, retryAfter: b.RetryAfter, cause: b.Err}
	for _, f := range b.Faults {
		p.items = append(p.items, itemOfFault(f))
	}
	if b.Results != nil {
		p.results = resultsOf(b.Results)
	}
	switch status {
	case http.StatusUnauthorized:
		p.challenge = `Bearer realm="byrelog", error="invalid_token"`
	case http.StatusForbidden:
		p.challenge = `Bearer realm="byrelog", error="insufficient_scope"`
	}
	return p
}

func itemOfFault(f book.Fault) api.ProblemItem {
	it := api.ProblemItem{Code: f.Code, Detail: f.Detail}
	if f.Suggestion != "" {
		it.Detail += "; " + f.Suggestion
	}
	switch {
	case f.Line > 0:
		it.Line = ptr(int64(f.Line))
		if f.Column != "" {
			it.Column = ptr(f.Column)
		}
	case strings.HasPrefix(f.Pointer, "/"):
		it.Pointer = ptr("#" + f.Pointer)
	case f.Pointer != "":
		it.Parameter = ptr(f.Pointer)
	}
	return it
}

// problemOfEcho words the router's own refusals.
func problemOfEcho(h *echo.HTTPError) *problem {
	switch h.Code {
	case http.StatusNotFound:
		return refuse(http.StatusNotFound, "not-found", "there is no such address here; GET /docs lists those that there are")
	case http.StatusMethodNotAllowed:
		return refuse(http.StatusMethodNotAllowed, "method-not-allowed", "this address does not take the method; Allow lists those that it takes")
	case http.StatusRequestEntityTooLarge:
		return refuse(http.StatusRequestEntityTooLarge, "too-large", "the body is larger than this operation takes")
	case http.StatusUnsupportedMediaType:
		return refuse(http.StatusUnsupportedMediaType, "unsupported-media-type", "this operation does not take the media type")
	}
	if h.Code >= http.StatusBadRequest && h.Code < http.StatusInternalServerError {
		return &problem{status: http.StatusBadRequest, code: "malformed", detail: "the request cannot be read", cause: h}
	}
	return &problem{status: http.StatusInternalServerError, code: codeInternal, cause: h}
}

// eventFaults words the faults of one event below a pointer prefix.
func eventFaults(prefix string, err error) []api.ProblemItem {
	var list event.Problems
	if !errors.As(err, &list) {
		return []api.ProblemItem{{Code: event.CodeSyntax, Detail: "this is not the JSON of an event", Pointer: ptr("#" + prefix)}}
	}
	items := make([]api.ProblemItem, len(list))
	for i, p := range list {
		items[i] = api.ProblemItem{Code: p.Code, Detail: p.Detail, Pointer: ptr("#" + prefix + p.Pointer)}
	}
	return items
}

// bodyProblem words a failure to read the body. It passes on what already is a
// problem.
func bodyProblem(err error) error {
	var p *problem
	var tooLarge *http.MaxBytesError
	var timeout interface{ Timeout() bool }
	switch {
	case err == nil:
		return nil
	case errors.As(err, &p):
		return err
	case errors.As(err, &tooLarge):
		return refuse(http.StatusRequestEntityTooLarge, "too-large", "the body has more than %d bytes", tooLarge.Limit)
	case errors.As(err, &timeout) && timeout.Timeout():
		return &problem{status: http.StatusRequestTimeout, code: "timeout", detail: "the body took too long to arrive", cause: err}
	case errors.Is(err, io.ErrUnexpectedEOF):
		return &problem{status: http.StatusBadRequest, code: "malformed", detail: "the body broke off", cause: opaque(err)}
	}
	return &problem{status: http.StatusBadRequest, code: "malformed", detail: "the body cannot be read", cause: opaque(err)}
}

// opaque keeps the text of an error and hides what it is. Whoever reads a body
// with io.ReadFull takes io.ErrUnexpectedEOF for the end of it: an upload that
// broke off must not pass for a whole one.
func opaque(err error) error { return errors.New(err.Error()) }

// document is the problem as it is sent.
func (p *problem) document(instance string) *api.Problem {
	doc := &api.Problem{
		Type: problemType + p.code, Title: titles[p.status], Status: p.status, Detail: p.detail,
		Instance: instance, Code: p.code, Epoch: p.epoch, HeadSeq: p.headSeq,
	}
	if n := len(p.items); n > 0 {
		shown := p.items[:min(n, maxItems)]
		doc.Errors, doc.ErrorsTotal = &shown, ptr(n)
	}
	if p.results != nil {
		doc.Results = &p.results
	}
	return doc
}

func ptr[T any](v T) *T { return &v }
