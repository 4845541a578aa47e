package httpapi

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"
)

// reply is a handler's answer before it is written.
type reply struct {
	status int         // 200 if zero
	header http.Header // beside what every answer has
	etag   string      // the answer's tag; a request that has it gets 304
	next   string      // cursor of the next page, for the Link header

	// Exactly one of these, or none for an answer without a body.
	json   any                     // application/json
	csv    *csvReply               // text/csv, small enough to be held whole
	raw    []byte                  // any other media type, or JSON as it is kept
	stream func(w io.Writer) error // too large to be held
	media  string                  // of raw and stream; r.give if empty
	done   func()                  // called when a stream has ended; may be nil
}

// errNotModified is what a handler returns when the client has the answer.
type errNotModified struct{ etag string }

func (errNotModified) Error() string { return "not modified" }

// negotiate picks the media type of the answer.
func negotiate(accept []string, gives []string) (string, error) {
	if len(gives) == 0 || len(accept) == 0 {
		return first(gives), nil
	}
	best, bestQ := "", 0.0
	for _, media := range gives {
		if q := quality(accept, media); q > bestQ {
			best, bestQ = media, q
		}
	}
	if best == "" {
		return "", refuse(http.StatusNotAcceptable, "not-acceptable", "this is given as %s only", strings.Join(gives, " or "))
	}
	return best, nil
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// quality is the weight that an Accept header gives a media type: that of the
// most specific range that covers it (RFC 9110, 12.5.1).
func quality(accept []string, media string) float64 {
	q, specific := 0.0, -1
	kind, _, _ := strings.Cut(media, "/")
	for _, entry := range strings.Split(strings.Join(accept, ","), ",") {
		pattern, params, _ := strings.Cut(entry, ";")
		pattern = strings.ToLower(strings.TrimSpace(pattern))
		if alias, ok := mediaAliases[pattern]; ok {
			pattern = alias
		}
		rank := -1
		switch pattern {
		case media:
			rank = 2
		case kind + "/*":
			rank = 1
		case "*/*":
			rank = 0
		}
		if rank > specific {
			specific, q = rank, weight(params)
		}
	}
	return q
}

func weight(params string) float64 {
	for _, p := range strings.Split(params, ";") {
		name, value, _ := strings.Cut(strings.TrimSpace(p), "=")
		if strings.EqualFold(strings.TrimSpace(name), "q") {
			q, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
			if err != nil || q < 0 || q > 1 {
				return 0
			}
			return q
		}
	}
	return 1
}

// acceptsGzip tells whether the client takes gzip.
func acceptsGzip(h http.Header) bool {
	q, specific := 0.0, -1
	for _, entry := range strings.Split(strings.Join(h.Values("Accept-Encoding"), ","), ",") {
		name, params, _ := strings.Cut(entry, ";")
		switch name = strings.ToLower(strings.TrimSpace(name)); {
		case name == "gzip" || name == "x-gzip":
			specific, q = 1, weight(params)
		case name == "*" && specific < 0:
			specific, q = 0, weight(params)
		}
	}
	return q > 0
}

// etagOf makes the weak tag of an answer from whatever decides it: these parts, and the
// address as it was written.
func (r *request) etagOf(parts ...string) string {
	b := make([]byte, 0, 1024)
	for _, p := range parts {
		b = appendPart(b, p)
	}
	for _, p := range [...]string{r.http.URL.Path, r.http.URL.RawPath, r.http.URL.RawQuery, r.give} {
		b = appendPart(b, p)
	}
	sum := sha256.Sum256(b)
	return string(append(hex.AppendEncode(append(b[:0], `W/"`...), sum[:12]), '"'))
}

// appendPart appends a text with its length, so that no two lists of texts look the same.
func appendPart(b []byte, p string) []byte {
	b = strconv.AppendInt(b, int64(len(p)), 10)
	b = append(b, ':')
	return append(b, p...)
}

// has tells whether the client holds the answer of this tag: weak comparison.
func (r *request) has(etag string) bool {
	for _, value := range r.http.Header[headerIfNoneMatch] {
		for _, tag := range strings.Split(value, ",") {
			tag = strings.TrimSpace(tag)
			if tag == "*" || strings.TrimPrefix(tag, "W/") == strings.TrimPrefix(etag, "W/") {
				return true
			}
		}
	}
	return false
}

// unless answers 304 if the client has the answer of this tag already.
func (r *request) unless(etag string) error {
	if r.has(etag) {
		return errNotModified{etag}
	}
	return nil
}

// write renders a reply. An error before the first byte is returned; after it
// the connection is aborted, so that nobody takes a part for the whole.
func (s *Server) write(c echo.Context, r *request, a *reply) error {
	h := c.Response().Header()
	for name, values := range a.header {
		h[name] = values
	}
	if a.etag != "" {
		h.Set("ETag", a.etag)
	}
	if a.next != "" {
		h.Add("Link", r.nextLink(a.next))
	}
	status := a.status
	if status == 0 {
		status = http.StatusOK
	}
	media := a.media
	if media == "" {
		media = r.give
	}
	body := a.raw
	switch {
	case a.stream != nil:
		if a.done != nil {
			defer a.done()
		}
		return s.writeStream(c, status, media, a.stream)
	case a.json != nil:
		media = mediaJSON
		b := bytes.NewBuffer(make([]byte, 0, 512))
		if err := encodeJSON(b, a.json); err != nil {
			return err
		}
		body = b.Bytes()
	case a.csv != nil:
		media = mediaCSV
		var err error
		if body, err = a.csv.render(r); err != nil {
			return err
		}
		a.csv.head(r, h)
	case a.raw == nil:
		return c.NoContent(status)
	}
	if r.op.safe() && a.etag == "" && h.Get("Cache-Control") != "no-store" {
		// No cheaper tag was to be had: this one spares the sending only.
		a.etag = r.etagOf(string(body))
		h.Set("ETag", a.etag)
		if r.has(a.etag) {
			return errNotModified{a.etag}
		}
	}
	return writeBody(c, status, withCharset(media), body)
}

// encodeJSON writes JSON without escaping for HTML: the bytes of events are to
// be sent as they were hashed.
func encodeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

func withCharset(media string) string {
	if strings.HasPrefix(media, "text/") {
		return media + "; charset=utf-8"
	}
	return media
}

// worthGzip is the size from which compression saves a packet.
const worthGzip = 1400

func writeBody(c echo.Context, status int, media string, body []byte) error {
	w := c.Response()
	if len(body) >= worthGzip && acceptsGzip(c.Request().Header) {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		_, err := z.Write(body)
		if err := errors.Join(err, z.Close()); err != nil {
			return err
		}
		body = b.Bytes()
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if c.Request().Method == http.MethodHead {
		return nil
	}
	_, err := w.Write(body)
	if err != nil {
		return &brokenAnswer{err}
	}
	return nil
}

// brokenAnswer is a failure after the answer has begun: nothing more can be
// said to the client.
type brokenAnswer struct{ err error }

func (b *brokenAnswer) Error() string { return "the answer broke off: " + b.err.Error() }
func (b *brokenAnswer) Unwrap() error { return b.err }

func (s *Server) writeStream(c echo.Context, status int, media string, stream func(io.Writer) error) error {
	w := &lateWriter{c: c, status: status, media: withCharset(media)}
	if c.Request().Method == http.MethodHead {
		w.begin()
		return nil
	}
	// Server-sent events are to leave at once, each by itself.
	w.zip = media != mediaStream && acceptsGzip(c.Request().Header)
	err := stream(w)
	if err == nil {
		err = w.close()
	}
	if err != nil && w.begun {
		return &brokenAnswer{err}
	}
	return err
}

// lateWriter sends the header with the first bytes, so that a stream that fails
// at once can still be answered with a problem.
type lateWriter struct {
	c      echo.Context
	status int
	media  string
	zip    bool
	begun  bool
	out    io.Writer
	gz     *gzip.Writer
}

func (w *lateWriter) begin() {
	if w.begun {
		return
	}
	w.begun = true
	rsp := w.c.Response()
	rsp.Header().Set("Content-Type", w.media)
	w.out = rsp
	if w.zip {
		rsp.Header().Set("Content-Encoding", "gzip")
		w.gz = gzip.NewWriter(rsp)
		w.out = w.gz
	}
	rsp.WriteHeader(w.status)
}

func (w *lateWriter) Write(p []byte) (int, error) {
	w.begin()
	return w.out.Write(p)
}

func (w *lateWriter) close() error {
	w.begin()
	if w.gz != nil {
		return w.gz.Close()
	}
	return nil
}

// writeProblem renders a refusal or failure.
func writeProblem(c echo.Context, p *problem, instance string) error {
	h := c.Response().Header()
	for _, name := range []string{"ETag", "Link", "Location", "Content-Disposition"} {
		h.Del(name)
	}
	h.Set("Cache-Control", "no-store")
	if p.challenge != "" {
		h.Set("WWW-Authenticate", p.challenge)
	}
	if p.retryAfter > 0 {
		seconds := int64((p.retryAfter + 999_999_999) / 1_000_000_000)
		h.Set("Retry-After", strconv.FormatInt(seconds, 10))
	}
	var b bytes.Buffer
	if err := encodeJSON(&b, p.document(instance)); err != nil {
		return err
	}
	return writeBody(c, p.status, mediaProblem, b.Bytes())
}
