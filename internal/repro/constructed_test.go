package repro_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// Every expectation of this file is from indices.md section 3 (derived there
// by hand); the number of the vector stands in the name of the test.

// members lists the animals of the evidence of one window that counted so.
func members(a repro.Answer, from string, counted ...string) string {
	var out []string
	for _, e := range a.Evidence {
		if e.From == day(from) && slices.Contains(counted, e.Counted) {
			out = append(out, fmt.Sprintf("%s%d", e.Animal, *e.Days))
		}
	}
	return strings.Join(out, " ")
}

func TestX1toX5Windows(t *testing.T) {
	h := constructed(t)
	pr := ask(t, h, "pregnancy_risk_21d", between("2024-03-04", "2024-05-26"))
	ir := ask(t, h, "insemination_risk_21d", between("2024-03-04", "2024-05-26"))
	want := []struct {
		id, label, eligible, out string
		n, bred, pregnant        int
		service, risk            float64
		provisional              bool
	}{
		{"X1", "2024-03-04..2024-03-24", "A21 B15 D21 E21 G21 H21 J21 K21", "C3", 8, 4, 1, 50.0, 12.5, false},
		{"X2", "2024-03-25..2024-04-14", "A21 B21 D11 G21 J21 K21", "E7", 6, 3, 2, 50.0, 33.3, false},
		{"X3", "2024-04-15..2024-05-05", "B21 F15 J21 K21", "", 4, 3, 3, 75.0, 75.0, false},
		{"X4", "2024-05-06..2024-05-26", "J21", "", 1, 1, 0, 100.0, 0, true},
	}
	if len(pr.Rows) != len(want) || len(ir.Rows) != len(want) {
		t.Fatalf("%d and %d windows, want %d", len(pr.Rows), len(ir.Rows), len(want))
	}
	for i, w := range want {
		r, s := pr.Rows[i], ir.Rows[i]
		if r.Label != w.label || s.Label != w.label {
			t.Errorf("%s: windows %s and %s, want %s", w.id, r.Label, s.Label, w.label)
		}
		from := w.label[:10]
		if got := members(ir, from, repro.InNumerator, repro.InDenominator); got != w.eligible {
			t.Errorf("%s: eligible %q, want %q", w.id, got, w.eligible)
		}
		if got := members(ir, from, repro.Out); got != w.out {
			t.Errorf("%s: out %q, want %q", w.id, got, w.out)
		}
		counts(t, w.id+" bred", s.Numerator, s.Denominator, w.bred, w.n)
		counts(t, w.id+" pregnant", r.Numerator, r.Denominator, w.pregnant, w.n)
		percent(t, w.id+" service risk", s.Value, w.service)
		if r.Provisional != w.provisional {
			t.Errorf("%s: provisional %v", w.id, r.Provisional)
		}
		if w.provisional {
			if r.Value != nil || r.NullReason != "provisional" {
				t.Errorf("%s: value %v, reason %q; want null, provisional", w.id, r.Value, r.NullReason)
			}
			continue
		}
		percent(t, w.id+" pregnancy risk", r.Value, w.risk)
	}
	if n := pr.Rows[0].Counts["pregnant_outside_eligible"]; n != 1 {
		t.Errorf("X1: %d conceived outside, want 1 (C)", n)
	}
	// X5 pools X1 to X3; the provisional window stays out by itself.
	counts(t, "X5", pr.Numerator, pr.Denominator, 6, 18)
	percent(t, "X5 pregnancy risk", pr.Value, 33.3)
	ir = ask(t, h, "insemination_risk_21d", between("2024-03-04", "2024-05-05"))
	counts(t, "X5 bred", ir.Numerator, ir.Denominator, 10, 18)
	percent(t, "X5 insemination risk", ir.Value, 55.6)
}

func TestX6Exposure(t *testing.T) {
	h := constructed(t)
	for _, w := range []struct {
		exposure, eligible, bred, pregnant int
		service, risk                      float64
	}{{1, 20, 11, 7, 55.0, 35.0}, {21, 15, 9, 5, 60.0, 33.3}} {
		p := between("2024-03-04", "2024-05-05")
		p.Exposure = w.exposure
		pr, ir := ask(t, h, "pregnancy_risk_21d", p), ask(t, h, "insemination_risk_21d", p)
		counts(t, fmt.Sprintf("bred, exposure %d", w.exposure), ir.Numerator, ir.Denominator, w.bred, w.eligible)
		counts(t, fmt.Sprintf("pregnant, exposure %d", w.exposure), pr.Numerator, pr.Denominator, w.pregnant, w.eligible)
		percent(t, "service risk", ir.Value, w.service)
		percent(t, "pregnancy risk", pr.Value, w.risk)
	}
	pr := ask(t, h, "pregnancy_risk_21d", between("2024-03-04", "2024-05-05"))
	number(t, "risk days to conception", pr.Measures["risk_days_to_conception"], 309, 0)
	// Printed as 47.6 % there; 7 / (309/21) is 47.57.
	percent(t, "per 21 risk days", pr.Measures["per_21_risk_days"], 47.6)
}

func TestX7ConceptionRisk(t *testing.T) {
	h := constructed(t)
	a := ask(t, h, "conception_risk", between("2024-03-04", "2024-05-05"))
	counts(t, "X7", a.Numerator, a.Denominator, 7, 11)
	percent(t, "X7", a.Value, 63.6)
	percent(t, "X7 unknown as failed", a.Measures["unknown_as_failed"], 58.3)
	if want := []repro.Excluded{{Reason: "left_undiagnosed", Text: "left the herd undiagnosed", Count: 1}}; !reflect.DeepEqual(a.Excluded, want) {
		t.Errorf("X7 excluded %v, want %v", a.Excluded, want)
	}
	p := between("2024-03-04", "2024-05-05")
	p.Merge = repro.Zero
	a = ask(t, h, "conception_risk", p)
	counts(t, "X7 unmerged", a.Numerator, a.Denominator, 7, 12)
	percent(t, "X7 unmerged", a.Value, 58.3)
	percent(t, "X7 unmerged, E failed", a.Measures["unknown_as_failed"], 53.8)
	if a.Params.Merge != 0 {
		t.Errorf("merge echoed as %d", a.Params.Merge)
	}
}

func TestX8ProductIsNotTheRisk(t *testing.T) {
	h := constructed(t)
	p := between("2024-03-04", "2024-05-05")
	ir, cr, pr := ask(t, h, "insemination_risk_21d", p), ask(t, h, "conception_risk", p), ask(t, h, "pregnancy_risk_21d", p)
	product := *ir.Value * *cr.Value
	percent(t, "X8 product", &product, 35.4)
	percent(t, "X8 risk", pr.Value, 33.3)
}

func TestX9Intervals(t *testing.T) {
	h := constructed(t)
	a := ask(t, h, "inter_service_interval", between("2023-12-01", "2024-07-31"))
	var got []string
	for _, e := range a.Evidence {
		if e.Counted != repro.Out {
			got = append(got, fmt.Sprintf("%s%d", e.Animal, *e.Days))
		}
	}
	if want := "A21 B22 G21 H19 K8 K27 K46 K60"; strings.Join(got, " ") != want {
		t.Errorf("X9: %v, want %s", got, want)
	}
	classes := []struct {
		label string
		n     int
		share float64
	}{{"up_to_17", 1, 12.5}, {"18-24", 4, 50}, {"25-35", 1, 12.5}, {"36-48", 1, 12.5}, {"over_48", 1, 12.5}}
	for i, w := range classes {
		r := a.Rows[i]
		if r.Label != w.label {
			t.Fatalf("X9: class %q, want %q", r.Label, w.label)
		}
		counts(t, "X9 "+w.label, r.Numerator, r.Denominator, w.n, 8)
		percent(t, "X9 "+w.label, r.Value, w.share)
	}
	if r := a.Rows[5]; r.Label != "after_loss" || r.Counts["intervals"] != 1 || r.Value != nil {
		t.Errorf("X9: after a loss %+v, want F's 80 days apart", r)
	}
	number(t, "X9 mean", a.Value, 28, 1e-9)
	percent(t, "X9 21 over the mean", a.Measures["heat_detection_by_interval"], 75)
	r := ask(t, h, "return_interval_share", between("2023-12-01", "2024-07-31"))
	counts(t, "X9 normal returns", r.Numerator, r.Denominator, 4, 8)
}

// daysOf lists the animals with their days, of the evidence with one reason.
func daysOf(a repro.Answer, reason string) string {
	var out []string
	for _, e := range a.Evidence {
		if e.Reason != reason {
			continue
		}
		if e.Days == nil {
			out = append(out, e.Animal)
			continue
		}
		out = append(out, fmt.Sprintf("%s%d", e.Animal, *e.Days))
	}
	return strings.Join(out, " ")
}

func TestX10DaysToFirstService(t *testing.T) {
	h := constructed(t)
	a := ask(t, h, "days_to_first_service", between("2023-10-01", "2024-07-31"))
	if got, want := daysOf(a, "served"), "A60 B73 C51 E86 F71 G67 H106 J167 K61"; got != want {
		t.Errorf("X10: %s, want %s", got, want)
	}
	if got := daysOf(a, "not_served"); got != "D" {
		t.Errorf("X10: not served %q, want D", got)
	}
	if *a.Denominator != 9 {
		t.Errorf("X10: n = %d, want 9", *a.Denominator)
	}
	number(t, "X10 mean", a.Measures["mean"], 82.4, 0.05)
	number(t, "X10 median", a.Value, 71, 0)
}

func TestX11DaysOpen(t *testing.T) {
	h := constructed(t)
	a := ask(t, h, "days_open", between("2023-10-01", "2024-07-31"))
	for reason, want := range map[string]string{
		"open_closed": "A81 B95 C51 F151 G89 H125 K202", "open_running": "D229 J239", "open_censored": "E103",
	} {
		if got := daysOf(a, reason); got != want {
			t.Errorf("X11 %s: %s, want %s", reason, got, want)
		}
	}
	number(t, "X11 mean", a.Measures["mean"], 113.4, 0.05)
	number(t, "X11 median", a.Value, 95, 0)
	number(t, "X11 running", a.Measures["running"], 2, 0)
	number(t, "X11 censored", a.Measures["censored"], 1, 0)
}

func TestX12ProjectedCalvings(t *testing.T) {
	h := constructed(t)
	a := ask(t, h, "projected_calvings", repro.Params{})
	want := map[string][3]string{
		"A": {"2025-01-05", "2024-11-06", "361"}, "B": {"2025-01-29", "2024-11-30", "375"}, "C": {"2024-12-28", "2024-10-29", "331"},
		"F": {"2025-02-04", "2024-12-06", "431"}, "G": {"2025-01-08", "2024-11-09", "369"}, "H": {"2024-12-29", "2024-10-30", "405"},
		"K": {"2025-01-25", "2024-11-26", "482"},
	}
	if len(a.Evidence) != len(want) {
		t.Errorf("X12: %d cows due, want %d", len(a.Evidence), len(want))
	}
	for _, e := range a.Evidence {
		if got := [3]string{e.On.String(), e.To.String(), show(e.Days)}; got != want[e.Animal] {
			t.Errorf("X12 %s: due, dry-off, interval %v, want %v", e.Animal, got, want[e.Animal])
		}
		v, ok := h.Animal(e.Animal, day("2024-07-31"))
		if !ok || v.Pregnant == nil || v.Pregnant.DueOn != e.On || v.Pregnant.DryOffOn != e.To {
			t.Errorf("X12 %s: the cow's own page says %+v", e.Animal, v.Pregnant)
		}
	}
}

func TestX13NonReturn(t *testing.T) {
	a := ask(t, constructed(t), "non_return_56d", between("2023-10-01", "2024-07-31"))
	counts(t, "X13", a.Numerator, a.Denominator, 3, 8)
	percent(t, "X13", a.Value, 37.5)
	names := func(reason string) (out string) {
		for _, e := range a.Evidence {
			if e.Reason == reason {
				out += e.Animal
			}
		}
		return out
	}
	if r, n, l := names("returned"), names("not_returned"), names("left_within"); r != "ABGHK" || n != "CFJ" || l != "E" {
		t.Errorf("X13: returned %s, not %s, left %s; want ABGHK, CFJ, E", r, n, l)
	}
}

func TestX14PregnantPerMonth(t *testing.T) {
	a := ask(t, constructed(t), "pregnant_per_month", between("2024-02-01", "2024-04-30"))
	// 8 conceptions in 29 cow-months or so reach the target of 8 %.
	number(t, "X14 target", a.Measures["target"], 0.08, 1e-9)
	number(t, "X14 shortfall", a.Measures["shortfall_cows"], 0, 1e-9)
	want := []struct {
		label     string
		cows, n   int
		share     float64
		names     string
		lostLater int
	}{{"2024-02", 10, 1, 10.0, "F", 1}, {"2024-03", 10, 3, 30.0, "ACH", 0}, {"2024-04", 9, 4, 44.4, "BFGK", 0}}
	if len(a.Rows) != len(want) {
		t.Fatalf("X14: %d months, want %d", len(a.Rows), len(want))
	}
	for i, w := range want {
		r := a.Rows[i]
		names := ""
		for _, e := range a.Evidence {
			if e.Counted == repro.InNumerator && e.Group == w.label {
				names += e.Animal
			}
		}
		if r.Label != w.label || names != w.names || *r.Numerator != w.n || r.Counts["lost_later"] != w.lostLater {
			t.Errorf("X14: %s %q %d, want %s %q %d", r.Label, names, *r.Numerator, w.label, w.names, w.n)
		}
		if got := r.Counts["cow_days"]; got != w.cows*r.Counts["days"] {
			t.Errorf("X14 %s: %d cow-days in %d days, want %d cows", w.label, got, r.Counts["days"], w.cows)
		}
		percent(t, "X14 of all cows "+w.label, r.Measures["of_all_cows"], w.share)
		if w.label != "2024-02" { // in February C is dry for no day, but calves on the 1st: all milk
			percent(t, "X14 of milking cows "+w.label, r.Value, w.share)
		}
	}
}

// X15 as far as it concerns one cow: what comes next for J.
func TestX15NextForJ(t *testing.T) {
	h := constructed(t)
	v, ok := h.Animal("J", day("2024-06-10"))
	if !ok || v.Status.Code != repro.StatusBred {
		t.Fatalf("J on 06-10: %+v", v.Status)
	}
	if days := day("2024-06-10") - v.Services[0].LastOn; days != 21 {
		t.Errorf("J is on day %d, want 21", days)
	}
	e, _ := h.Eligibility("J", day("2024-06-10"))
	if len(e.Reasons) == 0 || e.Reasons[0].Code != repro.ReasonNormalReturn || e.Reasons[0].Until != day("2024-05-20")+24 {
		t.Errorf("J on 06-10: %+v, want within a normal return until day 24", e.Reasons)
	}
	v, _ = h.Animal("J", day("2024-06-20"))
	due := map[string]bool{}
	for _, n := range v.Next {
		if n.What == "diagnose" {
			due[n.Text] = n.On <= day("2024-06-20")
		}
	}
	if !due["pregnancy diagnosis by ultrasound from day 28"] || due["pregnancy diagnosis by palpation from day 35"] {
		t.Errorf("J on 06-20 (day 31): due %v, want ultrasound and not palpation", due)
	}
}

// everything is all that the herd answers, for comparing two folds.
func everything(t failer, h *repro.Herd, on event.Date) []any {
	t.Helper()
	var out []any
	for _, d := range repro.Keys() {
		for _, by := range append([]string{""}, d.Groups...) {
			p := repro.Params{From: on - 700, To: on, On: on, Anchor: day("2024-03-04"), By: by}
			a := ask(t, h, d.Key, p)
			out = append(out, strip(a))
		}
		a := ask(t, h, d.Key, repro.Params{From: on - 700, To: on, On: on, Merge: 2, Strata: repro.StrataHeifers})
		out = append(out, strip(a))
	}
	for _, a := range h.Animals(on) {
		v, _ := h.Animal(a.Name, on)
		w := *v
		w.Services, w.Heats, w.Findings, w.Sizes = slices.Clone(v.Services), slices.Clone(v.Heats), slices.Clone(v.Findings), slices.Clone(v.Sizes)
		for i := range w.Services {
			w.Services[i].Seqs = nil
		}
		for i := range w.Heats {
			w.Heats[i].Seq = 0
		}
		for i := range w.Sizes {
			w.Sizes[i].Seq = 0
		}
		w.Findings = withoutSeqs(w.Findings)
		e, _ := h.Eligibility(a.Name, on)
		out = append(out, *a, w, e)
	}
	for _, d := range repro.Lists() {
		for _, days := range []int{0, d.MaxDays} {
			l, err := h.List(d.Name, on, repro.ListOptions{Days: days})
			if err != nil {
				t.Fatalf("list %s: %v", d.Name, err)
			}
			for i := range l.Rows {
				r := &l.Rows[i]
				r.Seqs = nil
				if r.Finding != nil {
					r.Finding = &withoutSeqs([]repro.Finding{*r.Finding})[0]
				}
			}
			l.Herd = "" // the tests fold one log under two names
			out = append(out, l)
		}
	}
	return append(out, withoutSeqs(h.Findings(on)))
}

// withoutSeqs takes the seqs out of findings.
func withoutSeqs(list []repro.Finding) []repro.Finding {
	out := slices.Clone(list)
	for i := range out {
		out[i].Seqs = nil
		if p := out[i].Pair; p != nil {
			pair := *p
			pair.First.Seq, pair.Second.Seq = 0, 0
			out[i].Pair = &pair
		}
	}
	return out
}

// strip takes the seqs out of an answer: they tell the order of arrival.
func strip(a repro.Answer) any {
	ev := slices.Clone(a.Evidence)
	for i := range ev {
		ev[i].Seqs = nil
	}
	return []any{a.Key, a.Value, a.NullReason, a.Numerator, a.Denominator, a.Interval, a.Small, a.Provisional, a.Measures, a.Excluded, a.Rows, ev}
}

func TestX16OrderAndDuplicates(t *testing.T) {
	events, ps := constructedEvents(t), constructedPolicies(t)
	on := day("2024-07-31")
	want := everything(t, fold(events, ps), on)
	reversed := slices.Clone(events)
	slices.Reverse(reversed)
	doubled := slices.Concat(events, events)
	for name, log := range map[string][]*event.Event{"reversed": reversed, "doubled": doubled} {
		if got := everything(t, fold(log, ps), on); !reflect.DeepEqual(got, want) {
			t.Errorf("X16 %s: answers differ", name)
		}
	}
}

func TestX17LateEntry(t *testing.T) {
	events, ps := constructedEvents(t), constructedPolicies(t)
	on := day("2024-07-31")
	for _, w := range []struct {
		name          string
		late          func(e *event.Event) bool
		before, after [2]int // conception risk
	}{
		{"B's diagnosis of open", func(e *event.Event) bool {
			d, ok := e.Data.(*event.PregnancyDiagnosis)
			return ok && e.Animal == "B" && d.Result == event.Open
		}, [2]int{7, 11}, [2]int{7, 11}},
		// B was bred again, so that her figures do not hang on it; A's do hang
		// on her positive diagnosis.
		{"A's diagnosis of pregnant", func(e *event.Event) bool {
			return e.Animal == "A" && e.Kind == event.KindPregnancyDiagnosis
		}, [2]int{6, 10}, [2]int{7, 11}},
	} {
		i := slices.IndexFunc(events, w.late)
		log := append(slices.Delete(slices.Clone(events), i, i+1), events[i])
		all := facts(log)
		h := repro.NewHerd("constructed", ps)
		h.Apply(all[:len(all)-1])
		p := between("2024-03-04", "2024-05-05")
		a := ask(t, h, "conception_risk", p)
		counts(t, w.name+" not yet known", a.Numerator, a.Denominator, w.before[0], w.before[1])
		then := everything(t, h, on)
		h.Apply(all[len(all)-1:])
		a = ask(t, h, "conception_risk", p)
		counts(t, w.name+" known", a.Numerator, a.Denominator, w.after[0], w.after[1])
		if !reflect.DeepEqual(everything(t, h, on), everything(t, fold(events, ps), on)) {
			t.Errorf("%s: entered late, the answers differ from those entered in time", w.name)
		}
		again := repro.NewHerd("constructed", ps)
		again.Apply(all[:len(all)-1])
		if !reflect.DeepEqual(everything(t, again, on), then) {
			t.Errorf("%s: what was known before cannot be reproduced", w.name)
		}
	}
}
