package repro_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// The constructed herd of indices.md section 3: cows A to K, every expected
// figure derived by hand there (X1 to X17).
const constructedPath = "../../testdata/constructed-herd.ndjson"

func day(s string) event.Date {
	d, err := event.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

func constructedEvents(t testing.TB) []*event.Event {
	t.Helper()
	raw, err := os.ReadFile(constructedPath)
	if err != nil {
		t.Fatal(err)
	}
	var out []*event.Event
	for sc := bufio.NewScanner(bytes.NewReader(raw)); sc.Scan(); {
		e, err := event.Decode(sc.Bytes())
		if err == nil {
			err = e.Validate(day("2024-07-31"))
		}
		if err != nil {
			t.Fatalf("%s: %v", sc.Text(), err)
		}
		out = append(out, e)
	}
	return out
}

func constructedPolicies(t testing.TB) repro.Policies {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/constructed-policy.json")
	if err != nil {
		t.Fatal(err)
	}
	p := repro.DefaultPolicy()
	p.GestationByBreed = nil
	if err := json.Unmarshal(raw, &p); err != nil {
		t.Fatal(err)
	}
	if err := p.Validate(); err != nil {
		t.Fatal(err)
	}
	return repro.Policies{{From: day("2023-01-01"), Policy: p}}
}

// facts numbers events as a log would that got them in this order.
func facts(events []*event.Event) []repro.Fact {
	out := make([]repro.Fact, len(events))
	at := time.Date(2024, 8, 1, 0, 0, 0, 0, time.UTC)
	bySeq := map[string]int64{}
	for i, e := range events {
		seq := int64(i + 1)
		out[i] = repro.Fact{Event: e, Seq: seq, RecordedAt: at.Add(time.Duration(i) * time.Second)}
		if v, ok := e.Data.(*event.Void); ok {
			out[i].Voids = bySeq[v.Event.String()]
		} else {
			bySeq[e.ID.String()] = seq
		}
	}
	return out
}

func fold(events []*event.Event, ps repro.Policies) *repro.Herd {
	h := repro.NewHerd("constructed", ps)
	h.Apply(facts(events))
	return h
}

func constructed(t testing.TB) *repro.Herd {
	t.Helper()
	return fold(constructedEvents(t), constructedPolicies(t))
}

// failer is what a test and a rapid check have in common.
type failer interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

func ask(t failer, h *repro.Herd, key string, p repro.Params) repro.Answer {
	t.Helper()
	if p.On == 0 {
		p.On = day("2024-07-31")
	}
	if p.Anchor == 0 {
		p.Anchor = day("2024-03-04")
	}
	a, err := h.Index(key, p)
	if err != nil {
		t.Fatalf("%s: %v", key, err)
	}
	return a
}

func between(from, to string) repro.Params {
	return repro.Params{From: day(from), To: day(to)}
}

// percent holds a proportion against a percentage printed to one decimal.
func percent(t failer, what string, got *float64, want float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: null, want %.1f %%", what, want)
		return
	}
	if math.Abs(*got*100-want) > 0.0501 {
		t.Errorf("%s: %.3f %%, want %.1f %%", what, *got*100, want)
	}
}

func number(t failer, what string, got *float64, want, tolerance float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: null, want %v", what, want)
		return
	}
	if math.Abs(*got-want) > tolerance {
		t.Errorf("%s: %v, want %v", what, *got, want)
	}
}

func counts(t failer, what string, num, den *int, wantNum, wantDen int) {
	t.Helper()
	if num == nil || den == nil || *num != wantNum || *den != wantDen {
		t.Errorf("%s: %s of %s, want %d of %d", what, show(num), show(den), wantNum, wantDen)
	}
}

func show(n *int) string {
	if n == nil {
		return "null"
	}
	b, _ := json.Marshal(*n)
	return string(b)
}
