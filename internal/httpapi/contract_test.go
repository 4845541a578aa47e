package httpapi_test

import (
	"context"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/internal/event"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/openapi"
)

func loadContract(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// The contract is valid, and so is every example in it.
func TestContractIsValid(t *testing.T) {
	t.Parallel()
	if err := loadContract(t).Validate(context.Background(), openapi3.EnableExamplesValidation()); err != nil {
		t.Fatal(err)
	}
}

// The router answers exactly the operations of the contract, and HEAD where
// there is GET.
func TestRoutesAreTheContract(t *testing.T) {
	t.Parallel()
	s, err := httpapi.New(nil, httpapi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for path, item := range loadContract(t).Paths.Map() {
		echoPath := regexp.MustCompile(`\{(\w+)\}`).ReplaceAllString(path, ":$1")
		for method := range item.Operations() {
			want = append(want, method+" "+echoPath)
			if method == http.MethodGet {
				want = append(want, http.MethodHead+" "+echoPath)
			}
		}
	}
	got := s.Routes()
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("routes\n%s\ncontract\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// Every operation says what it answers to a caller without a token, to one
// without the scope, and to bad input; every 4xx and 5xx is a problem.
func TestEveryOperationNamesItsProblems(t *testing.T) {
	t.Parallel()
	for path, item := range loadContract(t).Paths.Map() {
		for method, op := range item.Operations() {
			name := method + " " + path
			scope, _ := op.Extensions["x-scope"].(string)
			need := []string{"default"}
			if scope != "none" {
				need = append(need, "401")
			}
			if strings.Contains(path, "{") && op.OperationID != "putMapping" { // which makes what is not there
				need = append(need, "404")
			}
			if slices.Contains([]string{"record", "manage", "admin"}, scope) && op.OperationID != "getMetrics" {
				need = append(need, "403")
			}
			if op.RequestBody != nil {
				need = append(need, "400", "422")
			}
			for _, status := range need {
				if op.Responses.Value(status) == nil {
					t.Errorf("%s does not say what it answers with %s", name, status)
				}
			}
			for status, rsp := range op.Responses.Map() {
				if status < "400" {
					continue
				}
				if len(rsp.Value.Content) != 1 || rsp.Value.Content["application/problem+json"] == nil {
					t.Errorf("%s: the answer %s is not a problem", name, status)
				}
			}
			if op.Summary == "" || len(op.Tags) != 1 {
				t.Errorf("%s has no summary, or not one tag", name)
			}
		}
	}
}

// Every event kind's own data is held against its schema, in what is sent and
// in what is answered.
func TestEveryKindIsInTheContract(t *testing.T) {
	t.Parallel()
	doc := loadContract(t)
	for _, union := range []string{"NewEvent", "RecordedEvent"} {
		s := doc.Components.Schemas[union].Value
		if len(s.OneOf) != len(event.Specs()) || len(s.Discriminator.Mapping) != len(event.Specs()) {
			t.Errorf("%s knows %d kinds, the log has %d", union, len(s.OneOf), len(event.Specs()))
		}
		for _, k := range event.Specs() {
			if _, ok := s.Discriminator.Mapping[k.Name]; !ok {
				t.Errorf("%s does not map %s", union, k.Name)
			}
		}
	}
}

// Every example of a request is sent as it stands and taken.
func TestExamplesOfRequestsAreTaken(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{Now: clock})
	doc := loadContract(t)
	s.Herd("mill-lane")
	// In this order: what comes first is what the next one needs.
	for _, c := range []struct {
		method, path, as string
		status           int
	}{
		{http.MethodPost, "/v1/herds", "/v1/herds", http.StatusCreated},
		{http.MethodPatch, "/v1/herds/{herd}", "/v1/herds/alder-row", http.StatusOK},
		{http.MethodPut, "/v1/herds/{herd}/policies/{from}", "/v1/herds/alder-row/policies/2026-04-01", http.StatusOK},
		{http.MethodPost, "/v1/herds/{herd}/events", "/v1/herds/alder-row/events", http.StatusCreated},
		{http.MethodPost, "/v1/herds/{herd}/events/{id}/void", "/v1/herds/alder-row/events/0199f3a2-5c10-7b6e-9d43-0c5d7e0b2a11/void", http.StatusCreated},
		{http.MethodPost, "/v1/tokens", "/v1/tokens", http.StatusCreated},
	} {
		content := doc.Paths.Find(c.path).GetOperation(c.method).RequestBody.Value.Content["application/json"]
		if len(content.Examples) == 0 {
			t.Errorf("%s %s has no example", c.method, c.path)
		}
		names := make([]string, 0, len(content.Examples))
		for name := range content.Examples {
			names = append(names, name)
		}
		slices.Sort(names)
		for _, name := range names {
			raw, err := marshal(content.Examples[name].Value.Value)
			if err != nil {
				t.Fatal(err)
			}
			r := s.Do(httpapitest.Request{Method: c.method, Path: c.as, Token: s.Admin, Body: string(raw)})
			if r.Status != c.status {
				t.Errorf("%s %s, example %s: status %d: %s", c.method, c.path, name, r.Status, r.Body)
			}
		}
	}
}
