package httpapi

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"byrelog.example/api"
)

// Media types of the contract.
const (
	mediaJSON    = "application/json"
	mediaNDJSON  = "application/x-ndjson"
	mediaCSV     = "text/csv"
	mediaYAML    = "application/yaml"
	mediaBook    = api.MediaWorkbook
	mediaText    = "text/plain"
	mediaHTML    = "text/html"
	mediaStream  = "text/event-stream"
	mediaProblem = "application/problem+json"
)

const maxDepth = 32 // of nested JSON

// mediaAliases are other names under which the same is sent.
var mediaAliases = map[string]string{
	"application/jsonl": mediaNDJSON, "application/ndjson": mediaNDJSON,
	"application/x-yaml": mediaYAML, "text/yaml": mediaYAML,
}

// openBody bounds the body, undoes its coding, and finds its media type.
func openBody(w http.ResponseWriter, r *request) error {
	if len(r.op.takes) == 0 {
		if r.http.ContentLength > 0 {
			return refuse(http.StatusBadRequest, "malformed", "this operation takes no body")
		}
		return nil
	}
	header := r.http.Header.Get("Content-Type")
	media, params, err := mime.ParseMediaType(header)
	if alias, ok := mediaAliases[media]; ok {
		media = alias
	}
	if err != nil || !slices.Contains(r.op.takes, media) {
		return refuse(http.StatusUnsupportedMediaType, "unsupported-media-type", "Content-Type must be %s", strings.Join(r.op.takes, " or "))
	}
	// A CSV file's own encoding is the mapping's business.
	if charset := params["charset"]; charset != "" && !strings.EqualFold(charset, "utf-8") && media != mediaCSV {
		return refuse(http.StatusUnsupportedMediaType, "unsupported-media-type", "only UTF-8 is read here")
	}
	r.media = media
	if r.http.ContentLength > r.op.limit.wire {
		return refuse(http.StatusRequestEntityTooLarge, "too-large", "the body has more than %d bytes", r.op.limit.wire)
	}
	r.body = http.MaxBytesReader(w, r.http.Body, r.op.limit.wire)
	switch coding := strings.ToLower(strings.TrimSpace(r.http.Header.Get("Content-Encoding"))); coding {
	case "", "identity":
	case "gzip", "x-gzip":
		r.body = &gunzip{in: r.body, left: r.op.limit.inflated, limit: r.op.limit.inflated}
	default:
		return refuse(http.StatusUnsupportedMediaType, "unsupported-media-type", "the only Content-Encoding that is read is gzip")
	}
	r.body = faultReader{r.body}
	return nil
}

// faultReader words failures to read, so that whoever reads the body can pass
// them on as they are.
type faultReader struct{ in io.Reader }

func (f faultReader) Read(p []byte) (int, error) {
	n, err := f.in.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		err = bodyProblem(err)
	}
	return n, err
}

// gunzip inflates at most so many bytes. The header is read at the first Read,
// not before: the client may be slow.
type gunzip struct {
	in          io.Reader
	out         *gzip.Reader
	left, limit int64
}

func (g *gunzip) Read(p []byte) (int, error) {
	if g.out == nil {
		out, err := gzip.NewReader(g.in)
		if err != nil {
			return 0, notGzip(err)
		}
		g.out = out
	}
	if int64(len(p)) > g.left+1 {
		p = p[:g.left+1]
	}
	n, err := g.out.Read(p)
	if int64(n) > g.left {
		return int(g.left), refuse(http.StatusRequestEntityTooLarge, "too-large", "the body inflates to more than %d bytes", g.limit)
	}
	g.left -= int64(n)
	if err != nil && !errors.Is(err, io.EOF) {
		err = notGzip(err)
	}
	return n, err
}

func notGzip(err error) error {
	corrupt := errors.Is(err, gzip.ErrHeader) || errors.Is(err, gzip.ErrChecksum) || strings.HasPrefix(err.Error(), "flate:")
	if corrupt || errors.Is(err, io.EOF) {
		return &problem{status: http.StatusBadRequest, code: "malformed", detail: "the body is not gzip, or broke off", cause: opaque(err)}
	}
	return err
}

// readJSON reads a body of the operation's JSON schema into to. Doubled and
// unknown members and trailing data are refused.
func (s *Server) readJSON(r *request, to any) error {
	raw, err := io.ReadAll(r.body)
	if err != nil {
		return bodyProblem(err)
	}
	if err := checkJSON(raw); err != nil {
		return err
	}
	if err := s.validateBody(r, raw); err != nil {
		return err
	}
	if err := json.Unmarshal(raw, to); err != nil {
		// The schema let through what the type cannot hold.
		return &problem{status: http.StatusBadRequest, code: "malformed", detail: "the body does not fit the contract", cause: err}
	}
	return nil
}

// checkJSON refuses what a decoder would let pass: doubled members, data behind
// the value, invalid UTF-8, nesting without end.
func checkJSON(raw []byte) error {
	if !utf8.Valid(raw) {
		return malformedJSON("", "the body is not UTF-8")
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	if err := checkValue(dec, "", 0); err != nil {
		return err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return malformedJSON("", "there is more behind the JSON value")
	}
	return nil
}

func checkValue(dec *json.Decoder, at string, depth int) error {
	t, err := dec.Token()
	if err != nil {
		return malformedJSON(at, "the body is not JSON")
	}
	delim, ok := t.(json.Delim)
	if !ok {
		return nil
	}
	if depth == maxDepth {
		return malformedJSON(at, "it is nested too deep")
	}
	seen := map[string]bool{}
	for i := 0; dec.More(); i++ {
		below := at + "/" + strconv.Itoa(i)
		if delim == '{' {
			t, err := dec.Token()
			name, ok := t.(string)
			if err != nil || !ok {
				return malformedJSON(at, "the body is not JSON")
			}
			below = at + "/" + pointerToken(name)
			if seen[name] {
				return malformedJSON(below, "the member stands twice")
			}
			seen[name] = true
		}
		if err := checkValue(dec, below, depth+1); err != nil {
			return err
		}
	}
	if _, err := dec.Token(); err != nil {
		return malformedJSON(at, "the body is not JSON")
	}
	return nil
}

func malformedJSON(at, text string) error {
	p := refuse(http.StatusBadRequest, "malformed", "%s", text)
	if at != "" {
		p.items = []api.ProblemItem{{Code: "syntax", Detail: text, Pointer: ptr("#" + at)}}
	}
	return p
}

// pointerToken escapes a member's name for a JSON Pointer; a hostile one is cut.
func pointerToken(name string) string {
	const most = 64
	if len(name) > most {
		name = strings.ToValidUTF8(name[:most], "") + "…"
	}
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
}

// plural gives "1 fault" or "n faults".
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
