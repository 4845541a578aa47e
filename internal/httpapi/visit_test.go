package httpapi_test

import (
	"net/http"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

// The lists of several herds in one call are those of each herd, in the order
// of their names, and only of herds that the token may read.
func TestVisit(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seedHerd(t, s, "mill-lane")
	for _, list := range []string{"walk", "diagnose?on=2026-10-26", "calve?days=151", "checks?days=0"} {
		name, query, _ := strings.Cut(list, "?")
		var v api.Visit
		get(s, "/v1/lists/%s", list).Want(http.StatusOK).JSON(&v)
		var pages []string
		rows, at := 0, 0
		records := tableRecords(t, get(s, "/v1/lists/%s.csv?%s", name, query).Want(http.StatusOK).Body)
		if len(v.Herds) != 2 || v.Herds[0].Herd != "alder-row" || v.Herds[1].Herd != "mill-lane" {
			t.Fatalf("%s: %+v", list, v)
		}
		for _, h := range v.Herds {
			var own api.WorkList
			get(s, "/v1/herds/%s/lists/%s", h.Herd, list).Want(http.StatusOK).JSON(&own)
			if len(own.Rows) == 0 || len(own.Rows) != len(h.Rows) || own.AsOf.Seq != h.AsOf.Seq || own.Days != h.Days {
				t.Errorf("%s of %s: %d rows, %d of the herd alone", list, h.Herd, len(h.Rows), len(own.Rows))
			}
			for i, r := range own.Rows {
				if at++; r.Animal != h.Rows[i].Animal || records[at][0] != h.Herd || records[at][3] != r.Animal || records[at][7] != r.Text {
					t.Errorf("%s: %+v, in CSV %v, of the herd alone %+v", list, h.Rows[i], records[at], r)
				}
			}
			rows += len(own.Rows)
			pages = append(pages, string(get(s, "/v1/herds/%s/lists/%s.txt?%s", h.Herd, name, query).Want(http.StatusOK).Body))
		}
		if v.Animals != rows || len(records) != rows+1 {
			t.Errorf("%s: %d animals, %d records, want %d", list, v.Animals, len(records), rows)
		}
		if got := string(get(s, "/v1/lists/%s.txt?%s", name, query).Want(http.StatusOK).Body); got != strings.Join(pages, "\n") {
			t.Errorf("%s: pages\n%s", list, got)
		}
	}
	var v api.Visit
	get(s, "/v1/lists/walk?herds=mill-lane").Want(http.StatusOK).JSON(&v)
	if len(v.Herds) != 1 || v.Herds[0].Herd != "mill-lane" {
		t.Errorf("of one herd: %+v", v)
	}
}

// What was answered over several herds can be asked for again after a late
// entry, by date or by time; today's answer moves.
func TestAsOfOverHerds(t *testing.T) {
	t.Parallel()
	var later atomic.Int64
	s := seededAt(t, func() time.Time { return clock().Add(time.Duration(later.Load())) })
	seedHerd(t, s, "mill-lane")
	later.Store(int64(24 * time.Hour))
	ask := func(path string) string { return string(get(s, "%s", path).Want(http.StatusOK).Body) }
	paths := []string{
		"/v1/summary?on=2026-11-25&from=2026-01-01&to=2026-11-25&keys=conception_risk,days_to_first_service",
		"/v1/technicians?on=2026-11-25&from=2026-01-01&to=2026-11-25",
		"/v1/lists/diagnose?on=2026-10-26",
	}
	before := make([]string, len(paths))
	for i, p := range paths {
		before[i] = ask(p)
	}
	s.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/mill-lane/events", Token: s.Admin,
		Body: `{"animal":"0517","kind":"breeding","on":"2026-10-19","by":"t9","data":{"method":"ai"}}`,
	}).Want(http.StatusCreated)
	evidence := regexp.MustCompile(`as_of=[^&"]*&`)
	for i, p := range paths {
		if now := ask(p); now == before[i] {
			t.Errorf("%s: a late entry moves nothing", p)
		}
		for _, asOf := range []string{"2026-11-25", "2026-11-25T15:00:00Z"} {
			if got := evidence.ReplaceAllString(ask(p+"&as_of="+asOf), ""); got != before[i] {
				t.Errorf("%s as of %s:\n%s\nwas answered\n%s", p, asOf, got, before[i])
			}
		}
		get(s, "%s&as_of=16", p).Want(http.StatusBadRequest)
	}
}
