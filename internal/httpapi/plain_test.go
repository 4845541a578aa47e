package httpapi

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"pgregory.net/rapid"
)

// tried are values that lie on either side of what parameters take.
var tried = []string{
	"", "0", "1", "7", "-1", "+1", "01", "1.0", "1e3", "200", "1000", "1001", "99999999999999999999", " 1", "true", "false", "True", "null",
	"2026-06-30", "2026-02-30", "2024-02-29", "2026-6-30", "0000-01-01", "0001-01-01", "9999-12-31", "20260630", "2026-06-30T00:00:00Z",
	"0198c1f0-0000-7000-8000-000000000000", "0198C1F0-0000-7000-8000-000000000000", "{0198c1f0-0000-7000-8000-000000000000}", "0198c1f0000070008000000000000000",
	"north-meadow", "North", "-", "a", "ab", "*", "open", "pregnant", "walk", "breed", "sire", "month", "heat", "void", "a,b", "a,,b", "ü", "a b", "a\nb", "\x7f",
	strings.Repeat("x", 32), strings.Repeat("x", 33), strings.Repeat("x", 64), strings.Repeat("x", 200), strings.Repeat("ü", 20), "wait", "30", "31", "W/\"1\"",
}

// asked makes the request that has a value for one parameter and, for the path's
// others, the first of the values tried that the contract takes.
func asked(t *testing.T, s *Server, op *operation, p *plainParam, value string) *request {
	t.Helper()
	h := &http.Request{Method: op.method, URL: &url.URL{Path: "/"}, Header: http.Header{}}
	r := &request{http: h, ctx: t.Context(), op: op, query: url.Values{}}
	put := func(p *plainParam, value string) {
		switch p.in {
		case openapi3.ParameterInPath:
			r.names, r.values = append(r.names, p.name), append(r.values, value)
		case openapi3.ParameterInQuery:
			r.query.Set(p.name, value)
		default:
			h.Header.Set(p.name, value)
		}
	}
	for i := range op.params {
		if other := &op.params[i]; other.required && other != p {
			put(other, base(s, op, other))
		}
	}
	put(p, value)
	return r
}

// base finds a value that a required parameter takes.
func base(s *Server, op *operation, p *plainParam) string {
	one := *op
	for _, v := range tried {
		if v == "" {
			continue
		}
		r := &request{http: &http.Request{Method: op.method, URL: &url.URL{Path: "/"}, Header: http.Header{}}, op: &one, query: url.Values{}}
		if p.in == openapi3.ParameterInPath {
			r.names, r.values = append(r.names, p.name), append(r.values, v)
		} else {
			r.query.Set(p.name, v)
		}
		r.ctx = r.http.Context()
		fits := true
		walk(s.validateFully(r), func(err error) bool {
			if pr, ok := err.(*problem); ok { //nolint:errorlint // the walk visits every link itself
				for _, it := range pr.items {
					fits = fits && (it.Parameter == nil || *it.Parameter != p.name)
				}
			}
			return true
		})
		if fits {
			return v
		}
	}
	return "none"
}

// What the quick check lets pass, the validator lets pass: for every parameter of
// every operation, over values on either side of every bound, and random ones. And it
// is of use: most parameters are checked by it.
// Every yes-or-no of the contract is true or false and nothing else: a spelling that
// one part takes for true and another for false imports for good what was to be tried.
func TestYesOrNo(t *testing.T) {
	t.Parallel()
	s, err := New(nil, Config{})
	if err != nil {
		t.Fatal(err)
	}
	count := 0
	for _, op := range s.contract.operations {
		for i := range op.params {
			p := &op.params[i]
			if !p.truth {
				continue
			}
			count++
			for _, v := range []string{"True", "TRUE", "tRue", "t", "T", "1", "yes", "on", " true", "true ", "False", "FALSE", "f", "F", "0", "no", "null", ""} {
				if err := s.validateParams(asked(t, s, op, p, v)); err == nil {
					t.Errorf("%s: %s=%q passes", op.id, p.name, v)
				}
			}
			for _, v := range []string{"true", "false"} {
				if err := s.validateParams(asked(t, s, op, p, v)); err != nil {
					t.Errorf("%s: %s=%s: %v", op.id, p.name, v, err)
				}
			}
		}
	}
	if count < 8 {
		t.Errorf("only %d of them were tried", count)
	}
}

func TestPlainlyIsNeverKinder(t *testing.T) {
	t.Parallel()
	s, err := New(nil, Config{})
	if err != nil {
		t.Fatal(err)
	}
	passed, refused, params, quick := 0, 0, 0, 0
	for _, op := range s.contract.operations {
		for i := range op.params {
			p := &op.params[i]
			params++
			if p.fits != nil {
				quick++
			}
			for _, v := range tried {
				r := asked(t, s, op, p, v)
				if !r.plainly() {
					refused++
					continue
				}
				passed++
				if err := s.validateFully(r); err != nil {
					t.Errorf("%s %s: %q passes, and the validator says %v", op.id, p.name, v, err)
				}
			}
		}
	}
	t.Logf("%d of %d parameters; %d values passed, %d did not", quick, params, passed, refused)
	if passed < params || refused < params || 2*quick < params {
		t.Errorf("%d values passed and %d did not, of %d parameters %d: the test proves nothing", passed, refused, params, quick)
	}
	rapid.Check(t, func(rt *rapid.T) {
		op := rapid.SampledFrom(s.contract.operations).Draw(rt, "operation")
		if len(op.params) == 0 {
			return
		}
		p := &op.params[rapid.IntRange(0, len(op.params)-1).Draw(rt, "parameter")]
		v := rapid.OneOf(rapid.String(), rapid.StringMatching(`[0-9]{1,20}`), rapid.StringMatching(`[0-9]{4}-[0-9]{2}-[0-9]{2}`), rapid.StringMatching(`[ -~]{1,40}`)).Draw(rt, "value")
		if r := asked(t, s, op, p, v); r.plainly() {
			if err := s.validateFully(r); err != nil {
				rt.Errorf("%s %s: %q passes, and the validator says %v", op.id, p.name, v, err)
			}
		}
	})
	// What is not a parameter, or stands twice, never passes.
	op := s.contract.operations[0]
	for _, o := range s.contract.operations {
		if o.id == "getEligibility" {
			op = o
		}
	}
	r := &request{http: &http.Request{Header: http.Header{}}, op: op, names: []string{"herd", "animal"}, values: []string{"north-meadow", "0012"}, query: url.Values{"on": {"2026-06-30"}}}
	if !r.plainly() {
		t.Error("a plain question is not plain")
	}
	for what, q := range map[string]url.Values{"unknown": {"in": {"1"}}, "twice": {"on": {"2026-06-30", "2026-06-30"}}, "empty": {"on": {""}}} {
		if r.query = q; r.plainly() {
			t.Errorf("%s passes", what)
		}
	}
}
