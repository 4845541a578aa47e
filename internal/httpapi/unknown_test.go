package httpapi_test

import (
	"net/http"
	"strings"
	"testing"

	"byrelog.example/internal/httpapi/httpapitest"
)

// An event about a number that nobody ever bore is refused in every form of body, with
// those like it; the request may let it begin a history.
func TestUnknownAnimal(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{Now: clock, Strict: true})
	s.Herd("alder-row")
	const heat = `{"animal":"0017","kind":"heat","on":"2026-11-02","data":{"verdict":"suspect"}}`
	arrival := func(animal, pen string) string {
		return `{"animal":"` + animal + `","kind":"arrival","on":"2026-10-01","data":{"how":"purchased","pen":"` + pen + `"}}`
	}
	post := func(query, media, body string) *httpapitest.Response {
		return s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events" + query, Token: s.Admin, Header: http.Header{"Content-Type": {media}}, Body: body})
	}
	const json, ndjson = "application/json", "application/x-ndjson"
	post("", json, "["+arrival("0071", "p3")+","+arrival("0117", "p1")+"]").Want(http.StatusCreated)
	const said = "no animal 0017 is recorded; 0071 stands in p3, 0117 in p1; an arrival begins a history"
	for _, c := range []struct{ query, media, body, at string }{
		{"", json, heat, `"pointer":"#"`},
		{"?unknown_animals=refuse", json, heat, `"pointer":"#"`},
		{"?expected_head_seq=2", json, heat, `"pointer":"#"`},
		{"", json, "[" + arrival("2345", "p1") + "," + heat + "]", `"pointer":"#/1"`},
		{"", ndjson, arrival("2345", "p1") + "\n\n" + heat + "\n", `"line":3`},
	} {
		r := post(c.query, c.media, c.body).Want(http.StatusUnprocessableEntity)
		for _, want := range []string{`"code":"unknown-animal"`, `"code":"unknown_animal"`, said, c.at} {
			if !strings.Contains(string(r.Body), want) {
				t.Errorf("%s %s: %s is missing in %s", c.query, c.body, want, r.Body)
			}
		}
	}
	post("?unknown_animals=perhaps", json, heat).Want(http.StatusBadRequest)
	post("", ndjson, arrival("0017", "p1")+"\n"+heat).Want(http.StatusCreated)
	post("?unknown_animals=begin", json, strings.Replace(heat, "0017", "0018", 1)).Want(http.StatusCreated)
}
