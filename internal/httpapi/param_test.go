package httpapi

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/openapi"
)

// tried are values on either side of bounds that parameters have.
var tried = []string{
	"", "0", "1", "-1", "+1", "01", "1.5", "20", "21", "22", "200", "201", "1000", "1001", "9223372036854775807", "9223372036854775808", "1e3", " 1", "x", "alder-row", "Alder", "a",
	"alder-row,mill-lane", "alder-row,", ",", "conception_risk", "conception_risk,days_open", "2026-02-28", "2026-02-30", "2026-2-3", "2026-11-25T06:00:00Z", "true", "false",
	"0199f3a2-5c10-7b6e-9d43-0c5d7e0b2a11", "0199f3a25c107b6e9d430c5d7e0b2a11", "walk", "hoof", "R20", "rule", "caution", "é", "\x00", "north meadow", strings.Repeat("x", 32), strings.Repeat("é", 32),
	strings.Repeat("x", 33), strings.Repeat("x", 129), strings.Repeat("a,", 200) + "a", "%41", "a/b",
}

// askedFor makes the request that has one value for a parameter and, for the required
// others, one that the contract takes.
func askedFor(op *operation, p *param, value string) *request {
	r := &request{http: &http.Request{Method: op.method, URL: &url.URL{Path: "/"}, Header: http.Header{}}, op: op, query: url.Values{}}
	put := func(p *param, value string) {
		switch p.in {
		case openapi3.ParameterInPath:
			r.names, r.values = append(r.names, p.name), append(r.values, value)
		case openapi3.ParameterInQuery:
			r.query.Set(p.name, value)
		default:
			r.http.Header.Set(p.name, value)
		}
	}
	for i := range op.params {
		if other := &op.params[i]; other.required && other != p {
			for _, v := range tried {
				if _, fault := other.check(v); fault == "" && v != "" {
					put(other, v)
					break
				}
			}
		}
	}
	put(p, value)
	return r
}

// library is the well-known validator's verdict on a request.
type library map[string]*routers.Route // by operation

func newLibrary(t *testing.T) library {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	doc.OpenAPI = "3.0.3" // the parameters have no keyword of 3.1, and it is quicker
	all := library{}
	for path, item := range doc.Paths.Map() {
		for method, o := range item.Operations() {
			all[o.OperationID] = &routers.Route{Spec: doc, Path: path, PathItem: item, Method: method, Operation: o}
		}
	}
	return all
}

// before tells of a day that lies before the log's calendar.
func before(v string) bool {
	_, other := time.Parse(time.DateOnly, v)
	_, ours := event.ParseDate(v)
	return other == nil && ours != nil
}

// Our checks of parameters say what the library's validator says: for every parameter of
// every operation, over values on either side of every bound, and random ones.
func TestParamsAgainstTheLibrary(t *testing.T) {
	t.Parallel()
	s, err := New(nil, Config{})
	if err != nil {
		t.Fatal(err)
	}
	routes := newLibrary(t)
	options := &openapi3filter.Options{
		ExcludeRequestBody: true, SkipSettingDefaults: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc,
		SchemaValidationOptions: []openapi3.SchemaValidationOption{openapi3.WithStringFormatValidator("uuid", openapi3.NewCallbackValidator(checkUUID))},
	}
	compare := func(t interface{ Errorf(string, ...any) }, op *operation, p *param, v string) (passes bool) {
		r := askedFor(op, p, v)
		ours := s.validateParams(r)
		paths := map[string]string{}
		for i, name := range r.names {
			paths[name] = r.values[i]
		}
		theirs := openapi3filter.ValidateRequest(context.Background(), &openapi3filter.RequestValidationInput{
			Request: r.http, PathParams: paths, QueryParams: r.query, Route: routes[op.id], Options: options,
		})
		// Less is taken of yes or no, and of days: the log has a first one.
		if (ours == nil) != (theirs == nil) && !(ours != nil && (p.yesOrNo || before(v))) {
			t.Errorf("%s %s: %q: ours %v, the library's %v", op.id, p.name, v, ours, theirs)
		}
		return ours == nil
	}
	params, passed, refused := 0, 0, 0
	for _, op := range s.contract.operations {
		for i := range op.params {
			params++
			for _, v := range tried {
				if compare(t, op, &op.params[i], v) {
					passed++
				} else {
					refused++
				}
			}
		}
	}
	if params < 100 || passed < 2*params || refused < 2*params {
		t.Errorf("%d parameters, %d values passed and %d did not: the test proves nothing", params, passed, refused)
	}
	rapid.Check(t, func(rt *rapid.T) {
		op := rapid.SampledFrom(s.contract.operations).Draw(rt, "operation")
		if len(op.params) == 0 {
			return
		}
		p := &op.params[rapid.IntRange(0, len(op.params)-1).Draw(rt, "parameter")]
		v := rapid.OneOf(rapid.String(), rapid.StringMatching(`[0-9]{1,20}`), rapid.StringMatching(`[0-9]{4}-[0-9]{2}-[0-9]{2}`), rapid.StringMatching(`[ -~]{1,40}`)).Draw(rt, "value")
		compare(rt, op, p, v)
	})
}

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
			if !p.yesOrNo {
				continue
			}
			count++
			for _, v := range []string{"True", "TRUE", "tRue", "t", "T", "1", "yes", "on", " true", "true ", "False", "FALSE", "f", "F", "0", "no", "null", ""} {
				if err := s.validateParams(askedFor(op, p, v)); err == nil {
					t.Errorf("%s: %s=%q passes", op.id, p.name, v)
				}
			}
			for _, v := range []string{"true", "false"} {
				if err := s.validateParams(askedFor(op, p, v)); err != nil {
					t.Errorf("%s: %s=%s: %v", op.id, p.name, v, err)
				}
			}
		}
	}
	if count < 8 {
		t.Errorf("only %d of them were tried", count)
	}
}

// What is not a parameter, or stands twice, or is empty, is told by its name.
func TestParamsThatAreNone(t *testing.T) {
	t.Parallel()
	s, err := New(nil, Config{})
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(s.contract.operations, func(o *operation) bool { return o.id == "getEligibility" })
	r := &request{http: &http.Request{Header: http.Header{}}, op: s.contract.operations[i], names: []string{"herd", "animal"}, values: []string{"north-meadow", "0012"}}
	for what, w := range map[string]struct {
		query url.Values
		want  string
	}{
		"plain":   {url.Values{"on": {"2026-06-30"}}, ""},
		"unknown": {url.Values{"in": {"1"}}, "bad-parameter: in: there is no such parameter here"},
		"twice":   {url.Values{"on": {"2026-06-30", "x"}}, "bad-parameter: on: the parameter stands twice"},
		"empty":   {url.Values{"on": {""}}, "bad-parameter: on: it is empty"},
		"both":    {url.Values{"on": {"x"}, "as_of": {""}}, "bad-parameter: 2 parameters cannot be used"},
	} {
		r.query = w.query
		got := ""
		if err := s.validateParams(r); err != nil {
			got = err.Error()
		}
		if got != w.want {
			t.Errorf("%s: %q, want %q", what, got, w.want)
		}
	}
}
