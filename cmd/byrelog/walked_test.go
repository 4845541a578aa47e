package main

import (
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

// walkedDays are how many of the demo's last days are walked.
const walkedDays = 60

// lastDay is the demo's last day: the latest whose noon was over when it began.
func lastDay() time.Time { return time.Now().UTC().Add(-12 * time.Hour).Truncate(24 * time.Hour) }

// The demo, whose last day is in the middle of its round, walked over HTTP: on each of
// the last 60 days (of the largest herd each fifth) every list, each cow to be bred as she is answered when
// asked, and within the days every cow's eligibility and page once. That the arithmetic
// agrees with itself for every cow on every day is TestWalked in internal/repro.
func TestWalkedOverHTTP(t *testing.T) {
	t.Parallel()
	s := demo(t)
	for _, named := range simherd.Demo() {
		t.Run(named.Herd, func(t *testing.T) {
			t.Parallel()
			c, err := api.New(s.base, api.Options{Token: s.token})
			if err != nil {
				t.Fatal(err)
			}
			w := &httpWalk{T: t, c: c, herd: named.Herd}
			var cows []string
			for a, err := range c.Animals(t.Context(), named.Herd, api.ListAnimalsParams{On: &openapi_types.Date{Time: lastDay()}}) {
				if err != nil {
					t.Fatal(err)
				}
				cows = append(cows, a.Animal)
			}
			if len(cows) < named.Params.Cows {
				t.Fatalf("%d animals", len(cows))
			}
			step := 1
			if named.Params.Cows > 1000 {
				step = 5 // its lists are long
			}
			for d := 0; d < walkedDays; d += step {
				on := openapi_types.Date{Time: lastDay().AddDate(0, 0, -d)}
				w.lists(on)
				for i := d / step; i < len(cows); i += walkedDays / step {
					w.eligible(cows[i], on)
					rsp, err := c.GetAnimalWithResponse(t.Context(), named.Herd, cows[i], &api.GetAnimalParams{On: &on})
					w.well("page of "+cows[i], on, err, rsp != nil && rsp.StatusCode() == http.StatusOK)
				}
			}
			if w.rows < 1000 || w.bred == 0 {
				t.Errorf("%d rows, %d to be bred", w.rows, w.bred)
			}
		})
	}
}

type httpWalk struct {
	*testing.T
	c          *api.ClientWithResponses
	herd       string
	rows, bred int
}

// well tells of an answer that is none. A number that was given later is not known on an
// earlier day.
func (w *httpWalk) well(what string, on openapi_types.Date, err error, ok bool) {
	if err != nil && !api.IsProblem(err, "animal-not-found") || err == nil && !ok {
		w.Errorf("%s of %s on %s: %v", what, w.herd, on, err)
	}
}

func (w *httpWalk) eligible(cow string, on openapi_types.Date) string {
	rsp, err := w.c.GetEligibilityWithResponse(w.Context(), w.herd, cow, &api.GetEligibilityParams{On: &on})
	w.well("eligibility of "+cow, on, err, rsp != nil && rsp.JSON200 != nil && rsp.JSON200.Verdict != "")
	if err != nil {
		return ""
	}
	return string(rsp.JSON200.Verdict)
}

func (w *httpWalk) lists(on openapi_types.Date) {
	examine := map[string]bool{}
	for _, d := range repro.Lists() {
		l, err := w.c.WorkList(w.Context(), w.herd, api.ListName(d.Name), api.GetListParams{On: &on})
		if err != nil {
			w.Errorf("%s of %s on %s: %v", d.Name, w.herd, on, err)
			continue
		}
		w.rows += len(l.Rows)
		for i := range l.Rows {
			r := &l.Rows[i]
			switch d.Name {
			case repro.ListExamine:
				examine[r.Animal] = true
			case repro.ListBreed:
				w.bred++
				if v := w.eligible(r.Animal, on); r.Verdict == nil || *r.Verdict != v || r.Status.Code == repro.StatusPregnant ||
					v == string(repro.ExamineFirst) && !examine[r.Animal] {
					w.Errorf("breed of %s on %s: %s is %q when asked (on examine: %v): %+v", w.herd, on, r.Animal, v, examine[r.Animal], r)
				}
			default: // has no verdict of the day
			}
		}
	}
}

// The visit over all herds, in all its forms.
func TestWalkedVisit(t *testing.T) {
	t.Parallel()
	s := demo(t)
	forms := []string{"", ".txt", ".html", ".csv"}
	for d := range walkedDays {
		on := lastDay().AddDate(0, 0, -d).Format(time.DateOnly)
		for i, l := range repro.Lists() {
			if d > 1 && (d+i)%6 != 0 { // each list on each sixth day, and all of them on the last two
				continue
			}
			form := forms[(d+i)/2%len(forms)]
			body := string(s.get(t, fmt.Sprintf("/v1/lists/%s%s?on=%s", l.Name, form, on)))
			for _, named := range simherd.Demo() {
				if !strings.Contains(body, named.Herd) && form != ".csv" { // a table has only rows
					t.Errorf("%s%s on %s: nothing of %s", l.Name, form, on, named.Herd)
				}
			}
		}
	}
}

// On the command line: every list and visit of the last three days, and some of their
// cows; what is printed has nothing in it that a program forgot.
func TestWalkedOnTheCommandLine(t *testing.T) {
	t.Parallel()
	s := demo(t)
	spoiled := regexp.MustCompile(`%!|\(\)|<nil>|0001-01-01|map\[|&\{`)
	whole := func(args ...string) string {
		t.Helper()
		text := s.call(args...).must(t)
		if at := spoiled.FindStringIndex(text); at != nil || !strings.HasSuffix(text, "\n") {
			t.Errorf("%q prints\n%s", args, text)
		}
		return text
	}
	cows := 0
	for d := range 3 {
		on := lastDay().AddDate(0, 0, -d).Format(time.DateOnly)
		for i, l := range repro.Lists() {
			whole("visit", l.Name, "--on", on)
			herd := simherd.Demo()[(d+i)%3].Herd
			whole("list", herd, l.Name, "--on", on)
			var rows api.WorkList
			parse(t, s.call("list", herd, l.Name, "--on", on, "--json").must(t), &rows)
			if n := len(rows.Rows); n > 0 && rows.Rows[n/2].Animal != "" && l.Name != repro.ListChecks { // a check may be of one who has left
				cow := rows.Rows[n/2].Animal
				whole("animal", "eligible", herd, cow, "--on", on)
				whole("animal", "show", herd, cow, "--on", on)
				cows++
			}
		}
	}
	if cows < 10 {
		t.Errorf("only %d cows", cows)
	}
}
