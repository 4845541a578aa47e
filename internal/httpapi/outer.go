package httpapi

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"regexp"
	"time"

	"github.com/labstack/echo/v4"

	"byrelog.example/internal/book"
	"byrelog.example/internal/guard"
)

// noOperation stands for an address that is none of the contract's.
var noOperation = &operation{id: "none"}

var requestIDForm = regexp.MustCompile(`^[A-Za-z0-9-]{1,64}$`)

// Headers in their canonical form: that of a request has them so, and to make it again
// each time they are looked up is a few percent of a short answer.
const (
	headerRequestID     = "X-Request-Id"
	headerETag          = "Etag"
	headerIfNoneMatch   = "If-None-Match"
	headerAuthorization = "Authorization"
	headerAccept        = "Accept"
)

// writer carries what is found out about a request on its way in, for who sees it on
// its way out. (The context's own store is a map, made for every request.)
type writer struct {
	http.ResponseWriter
	request       *request // nil: no operation has it
	media, suffix string   // asked for by the path
}

// Unwrap is for http.ResponseController.
func (w *writer) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func writerOf(c echo.Context) *writer {
	w, _ := c.Response().Writer.(*writer)
	return w
}

// outer is around everything: request id, recovery, the one place where errors
// are answered, access log and metrics.
func (s *Server) outer(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		start := time.Now()
		instance := newInstance()
		id := instance
		if sent := c.Request().Header[headerRequestID]; len(sent) > 0 && requestIDForm.MatchString(sent[0]) {
			id = sent[0]
		}
		h := c.Response().Header()
		h[headerRequestID] = []string{id}
		secure(h)
		c.Response().Writer = &writer{ResponseWriter: c.Response().Writer}
		s.metrics.inFlight.Inc()
		defer s.metrics.inFlight.Dec()

		err := recovered(next, c)
		var aborted *brokenAnswer
		abort := errors.As(err, &aborted)
		if err != nil && !abort {
			err = s.answerError(c, err, "urn:uuid:"+instance)
		}
		s.account(c, start, id, instance, err)
		if abort {
			panic(http.ErrAbortHandler) // closes the connection: a part must not pass for the whole
		}
		return nil
	}
}

// secure sets what every answer has. Handlers may set Cache-Control anew. The values
// are shared by all answers: a header is set, or added to, and never changed in place.
func secure(h http.Header) {
	for i := range secured {
		h[secured[i].name] = secured[i].values
	}
}

var secured = []struct {
	name   string // in its canonical form
	values []string
}{
	{"X-Content-Type-Options", []string{"nosniff"}},
	{"Content-Security-Policy", []string{"default-src 'none'; frame-ancestors 'none'"}},
	{"Referrer-Policy", []string{"no-referrer"}},
	{"Cache-Control", []string{"private, no-cache"}},
	{"Vary", []string{"Accept, Accept-Encoding, Authorization"}},
}

// ofBodies are those of secured that say what a body may do: an answer that has none,
// since the client has it (RFC 9110, 15.4.5), does without.
var ofBodies = []string{"X-Content-Type-Options", "Content-Security-Policy", "Referrer-Policy"}

func recovered(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		if v := recover(); v != nil {
			if v == http.ErrAbortHandler { //nolint:errorlint // the value itself is the signal
				panic(v)
			}
			err = guard.Caught("httpapi.request", v)
		}
	}()
	return next(c)
}

// answerError renders an error. It returns what is to be logged: nothing for
// a refusal, which the access record shows well enough.
func (s *Server) answerError(c echo.Context, err error, instance string) error {
	var same errNotModified
	if errors.As(err, &same) {
		h := c.Response().Header()
		h[headerETag] = []string{same.etag}
		for _, name := range ofBodies {
			delete(h, name)
		}
		c.Response().WriteHeader(http.StatusNotModified)
		return nil
	}
	if c.Response().Committed {
		return err
	}
	p := problemOf(err)
	if p.code == codeInternal {
		p.detail = faultUnder(instance)
	}
	if sent := writeProblem(c, p, instance); sent != nil {
		return sent
	}
	if p.status >= http.StatusInternalServerError {
		return err
	}
	return nil
}

// faultUnder is what a client is told of a fault of ours.
func faultUnder(instance string) string {
	return "a fault of the service: whoever runs it finds it in the log under the number " + instance
}

// account writes the access record and counts the request. Bodies, tokens and
// queries are never in it.
func (s *Server) account(c echo.Context, start time.Time, id, instance string, err error) {
	took := time.Since(start)
	r := writerOf(c).request
	op := noOperation
	if r != nil {
		op = r.op
	}
	status := c.Response().Status
	s.metrics.of(op.id).count(status, took)
	level := slog.LevelInfo
	if err != nil {
		level = slog.LevelError
		var temporary *book.Error
		if errors.As(err, &temporary) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
			level = slog.LevelWarn
		}
	}
	if !s.log.Enabled(c.Request().Context(), level) {
		return
	}
	attrs := []slog.Attr{
		slog.String("request_id", id),
		slog.String("instance", instance),
		slog.String("operation", op.id),
		slog.String("method", c.Request().Method),
		slog.String("path", c.Request().URL.Path),
		slog.Int("status", status),
		slog.Int64("bytes", c.Response().Size),
		slog.Duration("took", took),
		slog.String("remote", remoteHost(c.Request().RemoteAddr)),
	}
	if r != nil && r.principal != nil {
		attrs = append(attrs, slog.String("token_id", r.principal.TokenID.String()))
	}
	if err != nil {
		attrs = append(attrs, slog.String("error", err.Error()))
	}
	s.log.LogAttrs(c.Request().Context(), level, "request", attrs...)
}

func remoteHost(addr string) string {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return addr
	}
	return host
}
