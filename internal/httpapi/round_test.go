package httpapi_test

import (
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

// A round over HTTP: as JSON and as text, dry and in part, and what the token recorded
// last. Answers are validated against the contract by the server of the tests.
func TestRound(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	all := s.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"read", "record"}})
	blind := s.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"record"}})
	send := func(token, query, accept, text string) *httpapitest.Response {
		return s.Do(httpapitest.Request{
			Method: http.MethodPost, Path: "/v1/herds/alder-row/rounds" + query, Token: token, Body: text, Type: "text/plain; charset=utf-8",
			Header: http.Header{"Accept": {accept}},
		})
	}
	last := func(token string) (out api.LastRequest) {
		s.Do(httpapitest.Request{Path: "/v1/herds/alder-row/last-request", Token: token}).Want(http.StatusOK).JSON(&out)
		return out
	}
	const text = "round 2026-11-20 morning, by t2\n0412 suspect\n"
	var answer api.RoundAnswer
	send(all, "?dry_run=true", "application/json", text).Want(http.StatusOK).JSON(&answer)
	if !answer.DryRun || answer.Recorded != 1 || answer.Lines[0].Events[0].Seq != nil {
		t.Errorf("dry run: %+v", answer)
	}
	if l := last(all); len(l.Events) != 0 || l.RecordedAt != nil {
		t.Errorf("a dry run is no request: %+v", l)
	}
	send(all, "", "application/json", text).Want(http.StatusCreated).JSON(&answer)
	if answer.DryRun || answer.Recorded != 1 || answer.Lines[0].Line != 2 || *answer.Lines[0].Events[0].Seq == 0 || len(answer.Missing) != 1 {
		t.Errorf("%+v", answer)
	}
	if l := last(all); len(l.Events) != 1 || l.Events[0].ID != answer.Lines[0].Events[0].ID || l.Events[0].Text != "2026-11-20 am 0412: suspect" {
		t.Errorf("%+v", l)
	}
	if l := last(blind); len(l.Events) != 0 {
		t.Errorf("another token's request: %+v", l)
	}
	if got := string(send(all, "", "text/plain", text).Want(http.StatusOK).Body); !strings.HasPrefix(got, "line 2  0412: suspect  [there already: ") || !strings.Contains(got, "alder-row: 0 events recorded, 1 there already.") {
		t.Errorf("as text:\n%s", got)
	}
	if got := string(send(all, "?part=true", "text/plain", text+"0412 stronk tone\n").Want(http.StatusOK).Body); !strings.Contains(got, "line 3  refused\n        character 6: ") || !strings.Contains(got, "1 line refused") {
		t.Errorf("in part:\n%s", got)
	}
	p := send(all, "", "application/json", text+"0412 stronk tone\n").Want(http.StatusUnprocessableEntity).Problem()
	if it := (*p.Errors)[0]; *it.Line != 3 || *it.Column != "6" || !strings.Contains(it.Detail, "strong tone") {
		t.Errorf("%+v", it)
	}
	send(all, "", "application/json", "round 2026-11-20 morning, by t2\n0412 not in heat\n").Want(http.StatusUnprocessableEntity)
	send(all, "?replace=true", "application/json", "round 2026-11-20 morning, by t2\n0412 not in heat\n").Want(http.StatusCreated).JSON(&answer)
	if answer.Recorded != 1 || len(answer.Lines[0].Events) != 1 {
		t.Errorf("replaced: %+v", answer)
	}
	// Who may not read learns nothing of the records.
	send(blind, "", "application/json", "round 2026-11-21\npen p9:\n0412 suspect, bred b-unheard\n").Want(http.StatusCreated).JSON(&answer)
	if len(answer.Missing) != 0 || len(answer.Lines[1].Check) != 0 || answer.Lines[1].Text == "" {
		t.Errorf("for one who may not read: %+v", answer)
	}
}
