package main

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"byrelog.example/internal/repro"
)

// lastYear is a period that the demo has records of, with flags of its own.
var lastYear = []string{"--from", "2026-01-01", "--to", "2026-06-30", "--on", "2026-11-20"}

func args(list ...any) []string {
	var out []string
	for _, a := range list {
		switch a := a.(type) {
		case string:
			out = append(out, a)
		case []string:
			out = append(out, a...)
		}
	}
	return out
}

func TestIndices(t *testing.T) {
	t.Parallel()
	s := demo(t)
	t.Run("table", func(t *testing.T) {
		t.Parallel()
		out := s.call(args("indices", "alder-row", lastYear)...).must(t)
		contains(t, out, "alder-row from 2026-01-01 to 2026-06-30, computed to 2026-11-20, log up to seq", "95 % interval")
		for _, d := range repro.Keys() {
			if !strings.Contains(out, "\n"+d.Key+" ") {
				t.Errorf("%s is missing in\n%s", d.Key, out)
			}
		}
	})
	t.Run("table is the JSON", func(t *testing.T) {
		t.Parallel()
		key := []string{"--key", "conception_risk", "--key", "days_open"}
		text := s.call(args("indices", "alder-row", lastYear, key)...).must(t)
		var answer struct {
			Herd    string
			Indices []struct {
				Key                    string
				Value                  *float64
				Numerator, Denominator *int
			}
		}
		parse(t, s.call(args("indices", "alder-row", lastYear, key, "--json")...).must(t), &answer)
		if answer.Herd != "alder-row" || len(answer.Indices) != 2 {
			t.Fatalf("%+v", answer)
		}
		c := answer.Indices[0]
		if c.Value == nil || c.Numerator == nil || c.Denominator == nil || *c.Denominator < 50 {
			t.Fatalf("conception_risk of a herd of 180 cows: %+v", c)
		}
		if got := float64(*c.Numerator) / float64(*c.Denominator); got-*c.Value > 1e-9 || *c.Value-got > 1e-9 {
			t.Errorf("%d of %d is told as %v", *c.Numerator, *c.Denominator, *c.Value)
		}
		contains(t, text, fmt.Sprintf("%.1f %%", *c.Value*100), fmt.Sprintf("%d of %d", *c.Numerator, *c.Denominator))
	})
	t.Run("a remark is said once", func(t *testing.T) {
		t.Parallel()
		// Computed as of a day in it, the last windows are provisional and have no value.
		out := s.call("indices", "alder-row", "--from", "2026-01-01", "--to", "2026-11-20", "--rows").must(t)
		contains(t, out, "provisional")
		if strings.Contains(out, "provisional, provisional") {
			t.Errorf("said twice in\n%s", out)
		}
		if m := regexp.MustCompile(`[a-z]_[a-z]+$`).FindString(out); m != "" {
			t.Errorf("a code is printed for people: %s", m)
		}
	})
	t.Run("groups", func(t *testing.T) {
		t.Parallel()
		out := s.call(args("indices", "alder-row", lastYear, "--key", "conception_risk", "--by", "technician")...).must(t)
		if !regexp.MustCompile(`(?m)^  t1 +\d`).MatchString(out) {
			t.Errorf("no group t1 in\n%s", out)
		}
		out = s.call(args("indices", "alder-row", lastYear, "--evidence", "conception_risk", "--by", "technician")...).must(t)
		if !regexp.MustCompile(`(?m)^group +animal.*\n^t\d +\d{4}`).MatchString(out) {
			t.Errorf("the evidence names no group:\n%.400s", out)
		}
	})
	t.Run("as the log knew it", func(t *testing.T) {
		t.Parallel()
		contains(t, s.call("indices", "alder-row", "--key", "days_open", "--as-of", "500").must(t), "log up to seq 500")
		contains(t, s.call("animal", "list", "alder-row", "--as-of", "1", "--json").must(t), `"animal"`)
		r := s.call("summary", "--as-of", "500").run(t)
		if r.code != 1 || !strings.Contains(r.err, "as_of") {
			t.Errorf("a seq for many logs: %d %s", r.code, r.err)
		}
	})
	t.Run("evidence", func(t *testing.T) {
		t.Parallel()
		var answer struct{ Indices []struct{ Denominator *int } }
		parse(t, s.call(args("indices", "alder-row", lastYear, "--key", "conception_risk", "--json")...).must(t), &answer)
		var items []struct{ Animal, Counted string }
		parse(t, s.call(args("indices", "alder-row", lastYear, "--evidence", "conception_risk", "--json")...).must(t), &items)
		counted := 0
		for _, it := range items {
			if it.Counted != "excluded" {
				counted++
			}
		}
		if len(answer.Indices) != 1 || answer.Indices[0].Denominator == nil || counted != *answer.Indices[0].Denominator {
			t.Errorf("%d services are counted in the evidence; the index: %+v", counted, answer)
		}
		text := s.call(args("indices", "alder-row", lastYear, "--evidence", "conception_risk")...).must(t)
		if got := strings.Count(text, "\n") - 1; got != len(items) {
			t.Errorf("%d lines of evidence, %d items", got, len(items))
		}
	})
}

func TestSummary(t *testing.T) {
	t.Parallel()
	s := demo(t)
	key := []string{"--key", "conception_risk"}
	out := s.call(args("summary", lastYear, key, "--herd", "alder-row", "--herd", "mill-lane")...).must(t)
	if strings.Contains(out, "north-meadow") {
		t.Errorf("a herd that was not asked for in\n%s", out)
	}
	contains(t, out, "alder-row ", "mill-lane ", "all ")
	var answer struct {
		Herds []struct {
			Herd    string
			Indices []struct{ Denominator *int }
		}
		Pool []struct{ Denominator *int }
	}
	parse(t, s.call(args("summary", lastYear, key, "--json", "--herd", "alder-row,mill-lane")...).must(t), &answer)
	sum := 0
	for _, h := range answer.Herds {
		sum += *h.Indices[0].Denominator
	}
	if len(answer.Herds) != 2 || len(answer.Pool) != 1 || *answer.Pool[0].Denominator != sum {
		t.Errorf("the pool counts %+v, its herds %d", answer.Pool, sum)
	}
}

func TestAnimal(t *testing.T) {
	t.Parallel()
	s := demo(t)
	var list []struct {
		Animal string
		Status struct{ Code string }
	}
	parse(t, s.call("animal", "list", "alder-row", "--json").must(t), &list)
	if len(list) < 150 {
		t.Fatalf("%d animals in a herd of 180 cows", len(list))
	}
	bred := map[string]bool{}
	for _, a := range list {
		if a.Status.Code == "bred" {
			bred[a.Animal] = true
		}
	}
	lines := strings.Split(strings.TrimSpace(s.call("animal", "list", "alder-row", "--status", "bred").must(t)), "\n")
	if len(lines)-1 != len(bred) || !strings.HasPrefix(lines[0], "number") {
		t.Fatalf("%d bred animals listed, %d in the whole list", len(lines)-1, len(bred))
	}
	for _, l := range lines[1:] {
		if a := strings.Fields(l)[0]; !bred[a] {
			t.Errorf("%s is listed as bred", a)
		}
	}
	cow := strings.Fields(lines[1])[0]
	contains(t, s.call("animal", "show", "alder-row", cow).must(t), cow+" of alder-row on ", ": bred", "service", "Next:")
	var shown struct{ Animal string }
	parse(t, s.call("animal", "show", "alder-row", cow, "--json").must(t), &shown)
	if shown.Animal != cow {
		t.Errorf("asked for %s, got %+v", cow, shown)
	}
	var answer struct {
		Verdict string
		Reasons []struct{ Code, Text string }
	}
	parse(t, s.call("animal", "eligible", "alder-row", cow, "--json").must(t), &answer)
	text := s.call("animal", "eligible", "alder-row", cow).must(t)
	contains(t, text, cow+" of alder-row on ", ": "+strings.ReplaceAll(answer.Verdict, "_", " "))
	if len(answer.Reasons) == 0 {
		t.Error("a bred cow's answer has no reason")
	}
	for _, r := range answer.Reasons {
		contains(t, text, r.Text)
	}
}

func TestEventsListFilters(t *testing.T) {
	t.Parallel()
	s := demo(t)
	lines := strings.Split(strings.TrimSpace(s.call("events", "list", "alder-row", "--kind", "breeding", "--from", "2026-03-01", "--to", "2026-03-31").must(t)), "\n")
	if len(lines) < 10 {
		t.Fatalf("%d breedings in a month", len(lines))
	}
	type head struct {
		Seq              int64
		Animal, Kind, On string
	}
	var first head
	for _, l := range lines {
		var e head
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		if e.Kind != "breeding" || e.On < "2026-03-01" || e.On > "2026-03-31" {
			t.Errorf("not asked for: %+v", e)
		}
		if first.Seq == 0 {
			first = e
		}
	}
	rest := s.call("events", "list", "alder-row", "--after", fmt.Sprint(first.Seq), "--animal", first.Animal, "--all").must(t)
	for l := range strings.Lines(rest) {
		var e head
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		if e.Seq <= first.Seq || e.Animal != first.Animal {
			t.Errorf("after %d of %s: %+v", first.Seq, first.Animal, e)
		}
	}
}
