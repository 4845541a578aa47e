package httpapi

import (
	"bytes"
	"errors"
	"io"
	"net/http"
	"net/url"

	"github.com/labstack/echo/v4"

	"byrelog.example/internal/book"
)

// Cursor opens the cursor to the tests.
type Cursor struct{ Epoch, Seq, On, At int64 }

// EncodeCursor and ParseCursor are the codec.
func EncodeCursor(c Cursor, question string) string {
	return cursor{epoch: c.Epoch, seq: c.Seq, on: c.On, at: c.At}.encode(question)
}

func ParseCursor(s, question string) (Cursor, error) {
	c, err := parseCursor(s, question)
	return Cursor{Epoch: c.epoch, Seq: c.seq, On: c.on, At: c.at}, err
}

// StatusOf and DocumentOf are how an error is answered.
func StatusOf(err error) int { return problemOf(err).status }

func CodeOf(err error) string { return problemOf(err).code }

func TitleOf(status int) string { return titles[status] }

// Routes lists method and path of the router's routes.
func (s *Server) Routes() []string {
	var list []string
	for _, r := range s.echo.Routes() {
		list = append(list, r.Method+" "+r.Path)
	}
	return list
}

// Operations lists id, method, path, scope of the contract's operations.
func (s *Server) Operations() [][4]string {
	var list [][4]string
	for _, op := range s.contract.operations {
		list = append(list, [4]string{op.id, op.method, op.path, op.scope})
	}
	return list
}

// CheckJSON is the strict reading of bodies.
func CheckJSON(raw []byte) error { return checkJSON(raw) }

// Negotiate picks a media type.
func Negotiate(accept, gives []string) (string, error) { return negotiate(accept, gives) }

// Bearer reads the Authorization header.
func Bearer(h http.Header) (string, bool, error) { return bearer(h) }

// AcceptsGzip reads Accept-Encoding.
func AcceptsGzip(h http.Header) bool { return acceptsGzip(h) }

// AsOf reads an as_of parameter in a herd's zone.
func AsOf(s, zone string) (book.AsOf, error) {
	return (&request{query: url.Values{"as_of": {s}}, herd: &book.Herd{Zone: zone}}).asOf()
}

// IdempotencyKey reads the header.
func IdempotencyKey(h http.Header) (string, error) {
	return (&request{http: &http.Request{Header: h}}).idempotencyKey()
}

// Inflate reads gzip with a bound on what comes out.
func Inflate(raw []byte, most int64) ([]byte, error) {
	return io.ReadAll(faultReader{&gunzip{in: bytes.NewReader(raw), left: most, limit: most}})
}

// BreakingOff is a server whose one stream fails after n bytes.
func (s *Server) BreakingOff(n int) http.Handler {
	e := echo.New()
	e.HTTPErrorHandler = func(error, echo.Context) {}
	e.Pre(s.outer)
	e.GET("/", func(c echo.Context) error {
		return s.writeStream(c, http.StatusOK, mediaCSV, func(w io.Writer) error {
			if n > 0 {
				if _, err := w.Write(bytes.Repeat([]byte("x"), n)); err != nil {
					return err
				}
			}
			return errors.New("the disk is gone")
		})
	})
	return e
}

// MaxStreams is how many clients may follow logs at once.
const MaxStreams = maxStreams
