package httpapi_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi/httpapitest"
)

// call is one well-formed request of an operation.
type call struct {
	body, media string
	query       string
}

// calls has an entry for every operation: one that is missing fails the test.
var calls = map[string]call{
	"getHealth": {}, "getReadiness": {}, "getMetrics": {}, "getContract": {}, "getDocs": {},
	"listHerds":       {},
	"createHerd":      {body: `{"herd":"new-herd"}`},
	"getHerd":         {},
	"updateHerd":      {body: `{"title":"Title"}`},
	"listPolicies":    {},
	"putPolicy":       {body: `{"wait_first_days":70}`},
	"listEvents":      {},
	"appendEvents":    {body: `{"animal":"0777","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`},
	"getEvent":        {},
	"eraseNote":       {},
	"voidEvent":       {body: `{"reason":"wrong cow"}`},
	"recordRound":     {body: "round 2026-11-02, by t2\n0777 not in heat\n", media: "text/plain"},
	"getLastRequest":  {},
	"getHead":         {},
	"listHeads":       {},
	"listImports":     {},
	"importFile":      {body: "event_id,herd,animal,kind,on,verdict\r\n,,0778,heat,2026-11-03,suspect\r\n", media: "text/csv"},
	"getImport":       {},
	"getRejects":      {},
	"importHerds":     {body: "herd,animal,on\r\nalder-row,0778,2026-11-03\r\n", media: "text/csv", query: "?mapping=office-rows"},
	"getHerdsImport":  {},
	"getHerdsRejects": {},
	"listMappings":    {},
	"getMapping":      {},
	"putMapping":      {body: "version: 1\n", media: "application/yaml"},
	"suggestMapping":  {body: "cow,date,what\n0017,13/02/2026,dry\n", media: "text/csv"},
	"exportHerd":      {},
	"getDataPackage":  {},
	"getTables":       {},
	"importExchange":  {body: `[{"resourceType":"icarMilkingDryOffEventResource","meta":{"source":"example.parlour","sourceId":"1","modified":"2026-11-04T00:00:00Z"},"animal":{"id":"0779","scheme":"x"},"eventDateTime":"2026-11-03T00:00:00Z"}]`},
	"listDatasets":    {},
	"getDataset":      {},
	"getChanges":      {},
	"listAnimals":     {},
	"getAnimal":       {},
	"getEligibility":  {},
	"getList":         {},
	"getListForm":     {},
	"listChecks":      {},
	"listIndices":     {},
	"getIndex":        {},
	"listEvidence":    {},
	"listDefinitions": {},
	"getSummary":      {},
	"listVisit":       {},
	"listTechnicians": {},
	"comparePeople":   {},
	"listTokens":      {},
	"createToken":     {body: `{"name":"x","grants":[{"herd":"alder-row","scopes":["read"]}]}`},
	"revokeToken":     {},
}

type world struct {
	*httpapitest.Server
	event, noted, imported string // ids in the herd mill-lane
}

// newWorld has two herds with the same records: alder-row, which tokens are
// granted, and mill-lane, which they are not.
func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{Server: seeded(t)}
	w.event = seedHerd(t, w.Server, "mill-lane").Results[0].ID.String()
	w.noted = "0199f3a2-5c10-7b6e-9d43-0c5d7e0b2aff"
	w.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/mill-lane/events", Token: w.Admin,
		Body: `{"id":"` + w.noted + `","animal":"0777","kind":"heat","on":"2026-11-01","note":"by the gate","data":{"verdict":"suspect"}}`,
	}).Want(http.StatusCreated)
	var report api.ImportReport
	w.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/mill-lane/imports", Token: w.Admin, Type: "text/csv", Body: calls["importFile"].body,
	}).Want(http.StatusCreated).JSON(&report)
	w.imported = report.ID.String()
	return w
}

// request addresses the operation at a herd with ids that exist in mill-lane.
func (w *world) request(op [4]string, herd, token string) httpapitest.Request {
	c := calls[op[0]]
	id := w.event
	switch {
	case strings.Contains(op[2], "/imports/"):
		id = w.imported
	case op[0] == "eraseNote":
		id = w.noted
	}
	path := strings.NewReplacer(
		"{herd}", herd, "{id}", id, "{animal}", "0412", "{index}", "conception_risk", "{from}", "2026-04-01", "{name}", "office-rows", "{dataset}", "reproduction",
	).Replace(op[2])
	return httpapitest.Request{Method: op[1], Path: path + c.query, Body: c.body, Type: c.media, Token: token}
}

// plain is an answer without what differs between any two requests.
func plain(r *httpapitest.Response) string {
	var p map[string]any
	if json.Unmarshal(r.Body, &p) == nil {
		delete(p, "instance")
	}
	out, _ := json.Marshal(p)
	return http.StatusText(r.Status) + " " + string(out) + " " + r.Header.Get("WWW-Authenticate")
}

// The access matrix: every operation of the contract with no token, with ones
// that are no longer valid, with one for another herd, and with one of another
// scope. Another herd is answered exactly as one that is not there.
func TestAccessMatrix(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	own := []book.GrantSpec{{Herd: "alder-row", Scopes: []book.Scope{"read", "record", "manage"}}}
	tokens := map[string]string{
		"no token": "", "malformed": "secret", "unknown": "brl_" + strings.Repeat("0", 38),
		"revoked": w.revoked(t, own), "expired": w.expired(t, own),
	}
	outsider := w.Token(own...)
	for _, op := range w.API.Operations() {
		if _, ok := calls[op[0]]; !ok {
			t.Errorf("operation %s has no row in the access matrix", op[0])
			continue
		}
		t.Run(op[0], func(t *testing.T) {
			scope := op[3]
			for name, token := range tokens {
				r := w.Do(w.request(op, "mill-lane", token))
				switch {
				case scope == "none":
					if r.Status != http.StatusOK {
						t.Errorf("%s: %d, want 200", name, r.Status)
					}
				case r.Status != http.StatusUnauthorized || !strings.HasPrefix(r.Header.Get("WWW-Authenticate"), `Bearer realm="byrelog"`):
					t.Errorf("%s: %d, want 401 with a challenge: %s", name, r.Status, r.Body)
				}
			}
			switch scope {
			case "none", "any":
				return
			case "admin":
				if r := w.Do(w.request(op, "", outsider)); r.Status != http.StatusForbidden {
					t.Errorf("without administration: %d, want 403: %s", r.Status, r.Body)
				}
				return
			}
			other := w.Do(w.request(op, "mill-lane", outsider))
			absent := w.Do(w.request(op, "no-such-herd", outsider))
			odd := w.Do(w.request(op, "No%20Such", outsider))
			if other.Status != http.StatusNotFound {
				t.Errorf("another herd: %d, want 404: %s", other.Status, other.Body)
			}
			if plain(other) != plain(absent) || plain(other) != plain(odd) {
				t.Errorf("another herd is told from one that is not there:\n%s\n%s\n%s", plain(other), plain(absent), plain(odd))
			}
			for _, s := range []book.Scope{"read", "record", "manage"} {
				r := w.Do(w.request(op, "mill-lane", w.Token(book.GrantSpec{Herd: "mill-lane", Scopes: []book.Scope{s}})))
				if may := string(s) == scope; may == (r.Status == http.StatusForbidden || r.Status == http.StatusNotFound) {
					t.Errorf("scope %s: %d where %s is needed: %s", s, r.Status, scope, r.Body)
				}
			}
		})
	}
}

// Ids in paths, bodies and cursors of another herd lead nowhere either.
func TestIdsOfAnotherHerd(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	token := w.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"read", "record", "manage"}})
	nobody := uuid.NewString()
	for _, path := range []string{"/v1/herds/alder-row/events/%s", "/v1/herds/alder-row/imports/%s", "/v1/herds/alder-row/imports/%s/rejects.csv"} {
		id := w.event
		if strings.Contains(path, "imports") {
			id = w.imported
		}
		foreign := w.Do(httpapitest.Request{Path: strings.Replace(path, "%s", id, 1), Token: token})
		absent := w.Do(httpapitest.Request{Path: strings.Replace(path, "%s", nobody, 1), Token: token})
		if foreign.Status != http.StatusNotFound || plain(foreign) != plain(absent) {
			t.Errorf("%s:\n%s\n%s", path, plain(foreign), plain(absent))
		}
	}
	void := func(id string) *httpapitest.Response {
		return w.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/events/" + id + "/void", Token: token, Body: `{"reason":"x"}`})
	}
	if a, b := void(w.event), void(nobody); a.Status != http.StatusUnprocessableEntity || plain(a) != plain(b) {
		t.Errorf("void of another herd's event:\n%s\n%s", plain(a), plain(b))
	}
	replace := func(id string) *httpapitest.Response {
		return w.Do(httpapitest.Request{
			Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: token,
			Body: `{"animal":"0412","kind":"heat","on":"2026-11-02","replaces":"` + id + `","data":{"verdict":"suspect"}}`,
		})
	}
	if a, b := replace(w.event), replace(nobody); a.Status != http.StatusUnprocessableEntity || plain(a) != plain(b) {
		t.Errorf("replacement of another herd's event:\n%s\n%s", plain(a), plain(b))
	}
	// The same id may be used in two herds: keys begin with the herd.
	var answer api.AppendAnswer
	w.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: token,
		Body: `{"id":"` + w.event + `","animal":"0777","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`,
	}).Want(http.StatusCreated).JSON(&answer)
	p := w.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: token,
		Body: `{"herd":"mill-lane","animal":"0412","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`,
	}).Want(http.StatusUnprocessableEntity).Problem()
	if (*p.Errors)[0].Code != "herd_mismatch" || *(*p.Errors)[0].Pointer != "#/herd" {
		t.Errorf("an event of another herd: %+v", *p.Errors)
	}
	var page api.EventPage
	get(w.Server, "/v1/herds/mill-lane/events?limit=2").Want(http.StatusOK).JSON(&page)
	if p := w.Do(httpapitest.Request{Path: "/v1/herds/alder-row/events?limit=2&cursor=" + page.Next, Token: token}).Want(http.StatusBadRequest).Problem(); p.Code != "bad-cursor" {
		t.Errorf("another herd's cursor: %+v", p)
	}
	a := w.Do(httpapitest.Request{Path: "/v1/summary?herds=alder-row,mill-lane&keys=days_open", Token: token})
	b := w.Do(httpapitest.Request{Path: "/v1/summary?herds=alder-row,no-such-herd&keys=days_open", Token: token})
	if a.Status != http.StatusNotFound || plain(a) != plain(b) {
		t.Errorf("summary over another herd:\n%s\n%s", plain(a), plain(b))
	}
}

// What a token may see of all herds is its own.
func TestListsOverHerds(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	reader := w.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"read"}})
	recorder := w.Token(book.GrantSpec{Herd: "alder-row", Scopes: []book.Scope{"record"}})
	everywhere := w.Token(book.GrantSpec{Herd: "*", Scopes: []book.Scope{"read"}})
	for _, c := range []struct {
		token               string
		herds, heads, pools int
	}{{reader, 1, 1, 1}, {recorder, 1, 0, 0}, {everywhere, 2, 2, 2}, {w.Admin, 2, 2, 2}} {
		var herds api.HerdList
		var heads api.HeadList
		var summary api.Summary
		w.Do(httpapitest.Request{Path: "/v1/herds", Token: c.token}).Want(http.StatusOK).JSON(&herds)
		w.Do(httpapitest.Request{Path: "/v1/heads", Token: c.token}).Want(http.StatusOK).JSON(&heads)
		w.Do(httpapitest.Request{Path: "/v1/summary?keys=days_open", Token: c.token}).Want(http.StatusOK).JSON(&summary)
		if len(herds.Herds) != c.herds || len(heads.Heads) != c.heads || len(summary.Herds) != c.pools {
			t.Errorf("%d herds, %d heads, %d in the summary; want %d, %d, %d", len(herds.Herds), len(heads.Heads), len(summary.Herds), c.herds, c.heads, c.pools)
		}
	}
}

func (w *world) revoked(t *testing.T, grants []book.GrantSpec) string {
	t.Helper()
	secret, token, err := w.Book.CreateToken(t.Context(), book.TokenSpec{Name: "revoked", Grants: grants})
	if err != nil {
		t.Fatal(err)
	}
	w.Do(httpapitest.Request{Path: "/v1/herds/alder-row", Token: secret}).Want(http.StatusOK)
	w.Do(httpapitest.Request{Method: http.MethodDelete, Path: "/v1/tokens/" + token.ID.String(), Token: w.Admin}).Want(http.StatusNoContent)
	return secret
}

// expired makes a token whose time is over: it is issued by a book whose clock
// stands an hour before that of the server.
func (w *world) expired(t *testing.T, grants []book.GrantSpec) string {
	t.Helper()
	before := book.New(w.DB, book.Options{Now: func() time.Time { return clock().Add(-time.Hour) }})
	t.Cleanup(before.Close)
	end := clock().Add(-time.Minute)
	secret, _, err := before.CreateToken(t.Context(), book.TokenSpec{Name: "expired", ExpiresAt: &end, Grants: grants})
	if err != nil {
		t.Fatal(err)
	}
	return secret
}
