package repro_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

// asOne are all indices asked for under the same parameters, each grouped if it can be.
func asOne(p repro.Params) (asked []repro.Question) {
	for _, d := range repro.Keys() {
		q := repro.Question{Key: d.Key, Params: p}
		q.Params.By = ""
		for _, by := range d.Groups {
			if by == p.By {
				q.Params.By = by
			}
		}
		asked = append(asked, q)
	}
	return asked
}

// asShown is an answer as it is shown.
func asShown(t interface{ Fatal(args ...any) }, a *repro.Answer) string {
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// sameIndices holds the answers of h, asked together, against those of want, asked one
// by one of lives that are kept; and so their pool with themselves.
func sameIndices(t interface {
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}, what string, h, want *repro.Herd, p repro.Params, processors int,
) {
	asked := asOne(p)
	got, err := h.Indices(asked, processors)
	if err != nil {
		t.Fatal(err)
	}
	for i, q := range asked {
		w, err := want.Index(q.Key, q.Params)
		if err != nil {
			t.Fatal(err)
		}
		if a, b := asShown(t, &got[i]), asShown(t, &w); a != b {
			t.Fatalf("%s: %+v:\ngot  %s\nwant %s", what, q, a, b)
		}
		g := repro.Pool([]repro.Answer{got[i], w})
		w = repro.Pool([]repro.Answer{w, w})
		if a, b := asShown(t, &g), asShown(t, &w); a != b {
			t.Fatalf("%s: pool of %s:\ngot  %s\nwant %s", what, q.Key, a, b)
		}
	}
}

// Indices asked together say what each says alone: in passing or of lives that are
// kept, of a fold made from the log or unpacked, whatever the period.
func TestIndicesTogether(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 60)
		want := fold(log, randomPolicies())
		h, err := repro.Unpack(want.Pack(), want.Name(), randomPolicies())
		if err != nil {
			t.Fatal(err)
		}
		if rapid.Bool().Draw(t, "from the log") {
			h = fold(log, randomPolicies())
		}
		for range 3 {
			p := repro.Params{
				On: lastDay - event.Date(rapid.IntRange(-30, 900).Draw(t, "on")), By: rapid.SampledFrom([]string{"", repro.ByMonth, repro.ByLactationGroup, repro.ByPen, repro.ByTechnician}).Draw(t, "by"),
				Merge: rapid.SampledFrom([]int{0, repro.Zero, 3}).Draw(t, "merge"), Maturity: rapid.SampledFrom([]int{0, repro.Zero, 200}).Draw(t, "maturity"),
				Exposure: rapid.SampledFrom([]int{0, 1}).Draw(t, "exposure"), Strata: rapid.SampledFrom([]string{"", repro.StrataHeifers}).Draw(t, "strata"),
				Brief: true, Whole: rapid.Bool().Draw(t, "whole"),
			}
			p.To = lastDay - event.Date(rapid.IntRange(-30, 900).Draw(t, "to"))
			p.From = p.To - event.Date(rapid.IntRange(0, 500).Draw(t, "days"))
			sameIndices(t, "random", h, want, p, rapid.IntRange(1, 2).Draw(t, "processors"))
			if rapid.Bool().Draw(t, "shed") {
				h.Shed()
			}
		}
	})
}

// The same of a herd that is large enough for two processors, in which most animals of
// earlier years are gone, and whose open days have costs of which sums depend on the order.
func TestIndicesOfManyTogether(t *testing.T) {
	sp := simherd.Default(300)
	sp.Seed, sp.Last = 7, lastDay
	sp.First = lastDay - 4*365
	sim, err := simherd.New(sp, "many")
	if err != nil {
		t.Fatal(err)
	}
	policy := repro.DefaultPolicy()
	policy.Cost.Curve = []repro.CurvePoint{{Days: 60, Cost: 0.1}, {Days: 300, Cost: 3.37}}
	want := repro.NewHerd("many", repro.Policies{{From: 1, Policy: policy}})
	seq := int64(0)
	for _, e := range sim.Events() {
		seq++
		want.Apply([]repro.Fact{{Event: e, Seq: seq}})
	}
	for i, p := range []repro.Params{
		{On: lastDay},
		{On: lastDay, From: lastDay - 900, To: lastDay - 500, By: repro.ByMonth},
		{On: lastDay - 400, From: lastDay - 1200, To: lastDay},
		{On: lastDay - 700, From: lastDay - 500, To: lastDay - 100},
		{On: lastDay, From: lastDay - 30, By: repro.ByPen},
		{On: lastDay, Strata: repro.StrataHeifers},
	} {
		p.Brief = true
		for processors := 1; processors <= 2; processors++ {
			h, err := repro.Unpack(want.Pack(), "many", want.Policies())
			if err != nil {
				t.Fatal(err)
			}
			sameIndices(t, fmt.Sprint("in passing ", i), h, want, p, processors)
			if h.Warmed() {
				t.Fatal("lives are kept of a fold that was asked once")
			}
			sameIndices(t, fmt.Sprint("again ", i), h, want, p, processors)
			if p.On >= h.LastDate() && !h.Warmed() {
				t.Fatal("no lives are kept of a fold that was asked twice")
			}
		}
	}
}

// Indices asked together are refused as they are alone.
func TestIndicesRefused(t *testing.T) {
	h := repro.NewHerd("none", nil)
	for _, brief := range []bool{false, true} {
		for _, q := range []repro.Question{{Key: "luck", Params: repro.Params{On: lastDay, Brief: brief}}, {Key: "days_open", Params: repro.Params{Brief: brief}}, {Key: "days_open", Params: repro.Params{On: lastDay, By: "luck", Brief: brief}}} {
			_, want := h.Index(q.Key, q.Params)
			if _, err := h.Indices([]repro.Question{q}, 1); err == nil || err.Error() != want.Error() {
				t.Errorf("%+v: %v, want %v", q, err, want)
			}
		}
	}
}
