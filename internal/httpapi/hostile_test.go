package httpapi_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"pgregory.net/rapid"
)

// values that have broken parsers before.
var hostile = []string{
	"", " ", "0", "-1", "1.5", "1e9", "99999999999999999999", "true", "null", "[]", "{}", "'", "\"", "\x00", "\r\n", "%", "%00", "../..", "ü", "\U0001F404",
	"\u2028", strings.Repeat("9", 5000), "2026-02-30", "2026-13-01", "0000-00-00", "2026-01-01T00:00:00Z", "2026-06-30", "alder-row", "*", "read,read", ",,", "; drop table events",
}

// Whatever is sent, within the contract or outside, is answered as the contract
// says and never with a fault of the service (T50). Every answer is validated
// by the transport of the test's server.
func TestHostileRequests(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	doc := loadContract(t)
	ops := w.API.Operations()
	rapid.Check(t, func(rt *rapid.T) {
		op := ops[rapid.IntRange(0, len(ops)-1).Draw(rt, "operation")]
		if op[0] == "revokeToken" || op[0] == "createHerd" {
			return // they would take the ground from under the others, or fill the world
		}
		r := w.request(op, "mill-lane", w.Admin)
		path, query, _ := strings.Cut(r.Path, "?")
		q, err := url.ParseQuery(query)
		if err != nil {
			rt.Fatal(err)
		}
		item := doc.Paths.Find(op[2])
		for _, params := range []openapi3.Parameters{item.Parameters, item.GetOperation(op[1]).Parameters} {
			for _, p := range params {
				value := anyValue(rt, p.Value)
				switch {
				case value == nil:
				case p.Value.In == openapi3.ParameterInQuery && p.Value.Name == "wait":
				case p.Value.In == openapi3.ParameterInQuery:
					q.Set(p.Value.Name, *value)
				case p.Value.In == openapi3.ParameterInPath && *value != "" && p.Value.Name != "herd":
					path = strings.Replace(path, pathValue(w, op, p.Value.Name), url.PathEscape(*value), 1)
				}
			}
		}
		r.Path = path
		if len(q) > 0 {
			r.Path += "?" + q.Encode()
		}
		r.Body = damaged(rt, r.Body)
		got := w.Do(r)
		if got.Status >= http.StatusInternalServerError {
			rt.Fatalf("%s %s with %.200q: %d %s", r.Method, r.Path, r.Body, got.Status, got.Body)
		}
	})
}

// anyValue is a value that fits, one that may not, or none.
func anyValue(t *rapid.T, p *openapi3.Parameter) *string {
	switch rapid.IntRange(0, 4).Draw(t, "how "+p.Name) {
	case 0, 1:
		return nil
	case 2:
		v := rapid.String().Draw(t, p.Name)
		return &v
	case 3:
		if s, ok := p.Example.(string); ok {
			return &s
		}
	}
	v := rapid.SampledFrom(hostile).Draw(t, p.Name)
	return &v
}

// pathValue is what stands for a path parameter in the request of the world.
func pathValue(w *world, op [4]string, name string) string {
	switch name {
	case "id":
		if strings.Contains(op[2], "/imports/") {
			return w.imported
		}
		return w.event
	case "animal":
		return "0412"
	case "index":
		return "conception_risk"
	case "from":
		return "2026-04-01"
	}
	return "office-rows"
}

// damaged cuts, doubles or replaces a part of a body.
func damaged(t *rapid.T, body string) string {
	if body == "" {
		return body
	}
	at := rapid.IntRange(0, len(body)-1).Draw(t, "at")
	switch rapid.IntRange(0, 3).Draw(t, "damage") {
	case 0:
		return body
	case 1:
		return body[:at]
	case 2:
		return body[:at] + rapid.SampledFrom(hostile).Draw(t, "insert") + body[at:]
	}
	return body + body[at:]
}
