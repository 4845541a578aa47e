package httpapi

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"

	"byrelog.example/internal/book"
	"byrelog.example/internal/guard"
)

// Config of a server. Zero values are usable.
type Config struct {
	// Now is the clock; nil is time.Now.
	Now func() time.Time
	// Ready tells whether an append could succeed now; it is given a second. nil
	// is always ready.
	Ready func(context.Context) error
	// Log gets one record for each request, and every failure once. nil discards.
	Log *slog.Logger
	// Metrics collects the server's metrics and those that the caller has put in.
	// nil makes a registry of its own.
	Metrics *prometheus.Registry
	// OpenMetrics serves /metrics without a token. Only for a server that nobody
	// but the monitoring can reach.
	OpenMetrics bool
	// ImportBytes bounds a file that comes in, as sent and as inflated: it takes
	// room in Postgres while it is read, and time, but no memory. 0 is 1 GiB.
	ImportBytes int64
	// Quiet is how long the server stays not ready before it stops to accept
	// connections, so that load balancers notice; Drain how long requests may
	// then still take. 0 is 3 s and 20 s; below zero is none.
	Quiet, Drain time.Duration
}

// Server is the HTTP interface of a book. It is safe for concurrent use.
type Server struct {
	book     *book.Book
	config   Config
	log      *slog.Logger
	contract *contract
	docs     []byte
	metrics  *metrics
	echo     *echo.Echo
	// summaries are the latest of several herds: whoever asks again before any of
	// them has changed gets the same bytes.
	summaries *memo
	// streams has an entry for each client that follows a log.
	streams chan struct{}

	stopping atomic.Bool
	stopped  context.Context // ends when stopping, and long polls with it
	stop     context.CancelFunc
}

// New makes a server. It fails if the contract and the handlers do not fit.
func New(b *book.Book, c Config) (*Server, error) {
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Metrics == nil {
		c.Metrics = prometheus.NewRegistry()
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	contract, err := loadContract()
	if err != nil {
		return nil, err
	}
	if c.ImportBytes > 0 {
		contract.limitImports(c.ImportBytes)
	}
	docs, err := renderDocs(contract.doc)
	if err != nil {
		return nil, err
	}
	m, err := newMetrics(c.Metrics)
	if err != nil {
		return nil, err
	}
	s := &Server{book: b, config: c, log: c.Log, contract: contract, docs: docs, metrics: m, summaries: newMemo(memoBytes), streams: make(chan struct{}, maxStreams)}
	s.stopped, s.stop = context.WithCancel(context.Background())
	s.echo = s.router()
	return s, nil
}

// Handler is the whole interface as one handler.
func (s *Server) Handler() http.Handler { return s.echo }

// Serve answers on l until ctx ends, then stops in order: not ready, a pause,
// no new connections, requests drained, the rest cut off. Cut-off requests are
// answered with 503 where that is still possible. The error is nil after an
// orderly stop.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	base, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	srv := &http.Server{
		Handler:           s.echo,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       75 * time.Second,
		MaxHeaderBytes:    16 << 10,
		BaseContext:       func(net.Listener) context.Context { return base },
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	failed := make(chan error, 1)
	guard.Go("httpapi.serve", func() error { return srv.Serve(l) }, func(err error) { failed <- err })
	select {
	case err := <-failed:
		return fmt.Errorf("serve %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	s.stopping.Store(true)
	s.stop()
	s.pause(failed, orDefault(s.config.Quiet, 3*time.Second))
	drain, cancel := context.WithTimeout(base, orDefault(s.config.Drain, 20*time.Second))
	defer cancel()
	err := srv.Shutdown(drain)
	if errors.Is(err, context.DeadlineExceeded) {
		cut() // the handlers' contexts; their answers may still go out
		last, cancel := context.WithTimeout(context.WithoutCancel(base), time.Second)
		defer cancel()
		if err = srv.Shutdown(last); err != nil {
			err = srv.Close()
		}
	}
	if err != nil {
		return fmt.Errorf("stop serving: %w", err)
	}
	return nil
}

// pause lets load balancers notice that the server is not ready any more.
func (s *Server) pause(failed <-chan error, d time.Duration) {
	if d <= 0 {
		return
	}
	select {
	case <-time.After(d):
	case err := <-failed:
		s.log.Warn("the listener closed before the server had stopped", slog.Any("error", err))
	}
}

func orDefault(d, absent time.Duration) time.Duration {
	switch {
	case d == 0:
		return absent
	case d < 0:
		return 0
	}
	return d
}

// router makes the routes of the contract's operations.
func (s *Server) router() *echo.Echo {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.HTTPErrorHandler = func(error, echo.Context) {} // outer answers every error itself
	e.Pre(s.outer, mediaSuffix)
	for _, op := range s.contract.operations {
		serve := s.serve(op)
		e.Add(op.method, op.echoPath(), serve)
		if op.safe() {
			e.Add(http.MethodHead, op.echoPath(), serve)
		}
	}
	return e
}

// serve takes a request through its operation.
func (s *Server) serve(op *operation) echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), op.deadline)
		defer cancel()
		r := &request{http: c.Request(), ctx: ctx, op: op}
		w := writerOf(c)
		w.request = r
		if err := r.readAddress(c); err != nil {
			return err
		}
		if err := s.authenticate(r); err != nil {
			return err
		}
		if err := s.authorise(r); err != nil {
			return err
		}
		var err error
		if r.give, err = negotiate(accepts(c), op.gives); err != nil {
			return err
		}
		r.suffix = w.suffix
		if err := s.validateParams(r); err != nil {
			return err
		}
		extend(c, op)
		if err := openBody(c.Response(), r); err != nil {
			return err
		}
		a, err := op.handle(s, r)
		if err != nil {
			return err
		}
		return s.write(c, r, a)
	}
}

// readAddress takes path and query apart.
func (r *request) readAddress(c echo.Context) error {
	r.names, r.values = c.ParamNames(), c.ParamValues()
	if r.http.URL.RawPath != "" {
		// The router worked on the escaped path.
		for i, value := range r.values {
			v, err := url.PathUnescape(value)
			if err != nil {
				return refuse(http.StatusBadRequest, "malformed", "the address cannot be read")
			}
			r.values[i] = v
		}
	}
	q, err := url.ParseQuery(r.http.URL.RawQuery)
	if err != nil {
		return refuse(http.StatusBadRequest, "malformed", "the query of the address cannot be read")
	}
	r.query = q
	return nil
}

// extend gives long operations the time on the wire that they need.
func extend(c echo.Context, op *operation) {
	if op.deadline <= deadlineFold {
		return
	}
	control := http.NewResponseController(c.Response())
	until := time.Now().Add(op.deadline + 5*time.Second)
	// Not every ResponseWriter can: a test's recorder has no connection.
	_ = control.SetReadDeadline(until)
	_ = control.SetWriteDeadline(until)
}

var (
	csvPath  = regexp.MustCompile(`^(/v1/herds/[^/]+/(?:animals|events|checks|lists/[^/]+|indices|indices/[^/]+/evidence)|/v1/lists/[^/]+|/v1/summary|/v1/technicians)\.csv$`)
	txtPath  = regexp.MustCompile(`^(/v1/herds/[^/]+/lists/[^/]+|/v1/lists/[^/]+)\.txt$`)
	htmlPath = regexp.MustCompile(`^(/v1/herds/[^/]+/lists/[^/]+|/v1/lists/[^/]+)\.html$`)
)

var suffixes = []struct {
	suffix string
	path   *regexp.Regexp
	media  string
}{{".csv", csvPath, mediaCSV}, {".txt", txtPath, mediaText}, {".html", htmlPath, mediaHTML}}

// mediaSuffix lets a link ask for a media type: the path of a list with .csv,
// or of a work list with .txt or .html, behind it.
func mediaSuffix(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		u := c.Request().URL
		for i := range suffixes {
			form := &suffixes[i]
			if !strings.HasSuffix(u.Path, form.suffix) {
				continue
			}
			m := form.path.FindStringSubmatch(u.EscapedPath())
			if m == nil {
				continue
			}
			u.Path = u.Path[:len(u.Path)-len(form.suffix)]
			if u.RawPath != "" {
				u.RawPath = m[1]
			}
			w := writerOf(c)
			w.media, w.suffix = form.media, form.suffix
			break
		}
		return next(c)
	}
}

func accepts(c echo.Context) []string {
	if media := writerOf(c).media; media != "" {
		return []string{media}
	}
	return c.Request().Header[headerAccept]
}

func newInstance() string {
	id, err := uuid.NewV7()
	if err != nil {
		id = uuid.New()
	}
	return id.String()
}
