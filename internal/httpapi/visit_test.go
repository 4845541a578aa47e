package httpapi_test

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
)

// The lists of several herds in one call are those of each herd, in the order
// of their names, and only of herds that the token may read.
func TestVisit(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seedHerd(t, s, "mill-lane")
	for _, list := range []string{"walk", "diagnose?on=2026-10-26", "calve?days=151", "queries?days=0"} {
		name, query, _ := strings.Cut(list, "?")
		var v api.Visit
		get(s, "/v1/lists/%s", list).Want(http.StatusOK).JSON(&v)
		var pages []string
		rows, at := 0, 0
		records, err := csv.NewReader(bytes.NewReader(get(s, "/v1/lists/%s.csv?%s", name, query).Want(http.StatusOK).Body)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
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
		if got := string(get(s, "/v1/lists/%s.txt?%s", name, query).Want(http.StatusOK).Body); got != strings.Join(pages, "\f") {
			t.Errorf("%s: pages\n%s", list, got)
		}
	}
	var v api.Visit
	get(s, "/v1/lists/walk?herds=mill-lane").Want(http.StatusOK).JSON(&v)
	if len(v.Herds) != 1 || v.Herds[0].Herd != "mill-lane" {
		t.Errorf("of one herd: %+v", v)
	}
}
