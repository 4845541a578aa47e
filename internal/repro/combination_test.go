package repro_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// combinations gives the data of a kind with every value of every field that has few
// of them, each also absent where it may be; other fields only where they must be there.
func combinations(fields []*event.Field) []map[string]any {
	out := []map[string]any{{}}
	for _, f := range fields {
		values := []any{nil}
		if f.Required {
			values = nil
		}
		switch f.Type {
		case event.Enum:
			for _, v := range f.Values {
				values = append(values, v)
			}
		case event.Bool:
			values = append(values, true, false)
		case event.EnumSet:
			for _, v := range f.Values {
				values = append(values, []string{v})
			}
			values = append(values, f.Values)
		case event.Object:
			if f.Name == "official_id" { // has nothing to do with how she stands
				continue
			}
			for _, d := range combinations(f.Fields) {
				if len(d) > 0 {
					values = append(values, d)
				}
			}
		case event.Objects:
			for _, d := range combinations(f.Fields) {
				values = append(values, []any{d}, []any{d, d})
			}
		case event.Integer:
			if f.Name == "seen" || f.Name == "parity" {
				continue
			}
			values = append(values, f.Min, (f.Min+f.Max)/2)
		case event.Text:
			if !f.Required && f.Name != "program" && f.Name != "step" {
				continue
			}
			values = append(values, "x")
		case event.DateOn:
			if f.Name != "until" {
				continue
			}
			values = append(values, combinationDay.String(), (combinationDay + 10).String())
		case event.ID:
		}
		var next []map[string]any
		for _, d := range out {
			for _, v := range values {
				with := map[string]any{}
				for k, x := range d {
					with[k] = x
				}
				if v != nil {
					with[f.Name] = v
				}
				next = append(next, with)
			}
		}
		out = next
	}
	return out
}

var combinationDay = day("2025-06-01")

// Every combination of kinds, codes and fields, recorded of cows that stand in every
// way, can be listed, asked about and shown, in words: none ends the service, and
// none is told with a word missing.
func TestEveryCombinationHasWords(t *testing.T) {
	on := combinationDay
	stands := []struct {
		name string
		past func(add func(on event.Date, d event.Data))
	}{
		{"nothing", func(func(event.Date, event.Data)) {}},
		{"calved", func(add func(on event.Date, d event.Data)) { add(on-100, &event.Calving{}) }},
		{"bred", func(add func(on event.Date, d event.Data)) {
			add(on-100, &event.Calving{})
			add(on-21, &event.Breeding{Method: event.AI})
		}},
		{"pregnant", func(add func(on event.Date, d event.Data)) {
			add(on-150, &event.Calving{})
			add(on-60, &event.Breeding{Method: event.AI})
			add(on-20, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant})
		}},
		{"lost", func(add func(on event.Date, d event.Data)) {
			add(on-150, &event.Calving{})
			add(on-60, &event.Breeding{Method: event.AI})
			add(on-20, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant})
			add(on-5, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Open})
		}},
		{"dry and past due", func(add func(on event.Date, d event.Data)) {
			add(on-400, &event.Calving{})
			add(on-290, &event.Breeding{Method: event.AI})
			add(on-250, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant})
			add(on-60, &event.DryOff{})
		}},
		{"suspect", func(add func(on event.Date, d event.Data)) {
			add(on-100, &event.Calving{})
			add(on, &event.Heat{Verdict: event.Suspect, Chalk: event.Disturbed})
		}},
	}
	s := tell(t)
	about := map[string]string{}
	for _, spec := range event.Specs() {
		if !spec.Animal {
			continue
		}
		list := combinations(spec.Fields)
		if len(list) < 2 && len(spec.Fields) > 1 {
			t.Fatalf("%s: %d combinations", spec.Name, len(list))
		}
		for i, data := range list {
			// Two ways to stand each, in turn, and all of them over the many combinations.
			for j := range 2 {
				stand := stands[(i+j*3)%len(stands)]
				name := fmt.Sprintf("%s-%d", spec.Name[:3], len(about))
				from := len(s.events)
				stand.past(func(on event.Date, d event.Data) { s.add(name, on.String(), d) })
				if spec.Kind == event.KindRenumber {
					data = map[string]any{"to": name + "n"}
				}
				raw, err := json.Marshal(map[string]any{"id": uuid.New(), "herd": "story", "animal": name, "kind": spec.Name, "on": on.String(), "data": data})
				if err != nil {
					t.Fatal(err)
				}
				e, err := event.Decode(raw)
				if err != nil {
					t.Fatalf("%s: %v", raw, err)
				}
				if e.Validate(on) != nil {
					s.events = s.events[:from] // not every combination may be recorded
					continue
				}
				s.events = append(s.events, e)
				about[name] = stand.name + ", then " + string(raw)
			}
		}
	}
	t.Logf("%d cows", len(about))
	h := s.until((on + 1).String()).herd()
	for _, at := range []event.Date{on, on + 1} {
		for _, d := range repro.Lists() {
			l := list(t, h, d.Name, at.String(), "", 0)
			for i := range l.Rows {
				if r := &l.Rows[i]; r.Text == "" || r.Word == "" || odd(r.Text) {
					t.Errorf("%s on %s: %s: %+v", d.Name, at, about[r.Animal], r)
				}
			}
			for _, x := range l.LeftOut {
				if x.Text == "" {
					t.Errorf("%s: left out for %q without words", d.Name, x.Reason)
				}
			}
		}
		for name, what := range about {
			e, _ := h.Eligibility(name, at)
			if len(e.Reasons) == 0 || e.Verdict == "" {
				t.Errorf("%s on %s: no reasons: %+v", what, at, e)
			}
			for _, r := range e.Reasons {
				if r.Text == "" || odd(r.Text) {
					t.Errorf("%s on %s: %+v", what, at, r)
				}
			}
			v, ok := h.Animal(name, at)
			if !ok {
				t.Errorf("%s on %s: she has no page", what, at)
				continue
			}
			for _, x := range v.Heats {
				if x.Verdict == "" {
					t.Errorf("%s: %+v", what, x)
				}
			}
			for i := range v.Findings {
				if f := &v.Findings[i]; f.Rule == "" || f.Severity == "" || f.Ask == "" || odd(f.Text) {
					t.Errorf("%s: %+v", what, f)
				}
			}
		}
	}
}

// odd tells whether a text shows that a word was missing when it was put together.
func odd(text string) bool {
	return text == "" || strings.Contains(text, "%!") || strings.Contains(text, "  ") || strings.Contains(text, " ,") || strings.Contains(text, "Kind(")
}
