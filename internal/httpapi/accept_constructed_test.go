package httpapi_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"byrelog.example/api"
)

// Every expectation of this file is constructed here (indices.md section 3):
// ten cows, with all results derived by hand. X1 to X17 are its vectors.

// constructedOn is the day of the herd's answers, its last data date.
const constructedOn = "2024-07-31"

func constructedFile(t *testing.T, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// constructedLines are the events of the herd, to be recorded under a name.
func constructedLines(t *testing.T, herd string) []string {
	t.Helper()
	text := strings.TrimSpace(string(constructedFile(t, "constructed-herd.ndjson")))
	return strings.Split(strings.ReplaceAll(text, `"herd":"constructed"`, fmt.Sprintf(`"herd":%q`, herd)), "\n")
}

// loadConstructed makes a herd and records the events in the order given, in
// batches of so many; 0 is all at once.
func loadConstructed(t *testing.T, c *api.ClientWithResponses, herd string, lines []string, batch int) *farm {
	t.Helper()
	f := newFarm(t, c, herd, string(constructedFile(t, "constructed-policy.json")))
	if batch == 0 {
		batch = len(lines)
	}
	for part := range slices.Chunk(lines, batch) {
		f.append(bytes.NewBufferString(strings.Join(part, "\n")))
	}
	return f
}

func constructedFarm(t *testing.T) *farm {
	t.Helper()
	return loadConstructed(t, serve(t), "constructed", constructedLines(t, "constructed"), 0)
}

// during asks about a period of the constructed herd.
func during(from, to string) question {
	return question{from: from, to: to, on: constructedOn, anchor: "2024-03-04"}
}

func inWindow(from string, counted ...api.EvidenceItemCounted) func(e *api.EvidenceItem) bool {
	return func(e *api.EvidenceItem) bool {
		return e.From != nil && e.From.String() == from && slices.Contains(counted, e.Counted)
	}
}

// X1 to X5: constructed here (indices.md section 3).
func TestAcceptX1toX5Windows(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2024-03-04", "2024-05-26")
	pr, ir := f.index("pregnancy_risk_21d", q), f.index("insemination_risk_21d", q)
	prRows, irRows := f.evidence("pregnancy_risk_21d", q), f.evidence("insemination_risk_21d", q)
	want := []struct {
		id, from, to, eligible, few, bred, pregnant string
		n, nBred, nPregnant                         int
		service, risk                               float64
	}{
		{"X1", "2024-03-04", "2024-03-24", "A21 B15 D21 E21 G21 H21 J21 K21", "C3", "A21 E21 G21 H21", "H21", 8, 4, 1, 50.0, 12.5},
		{"X2", "2024-03-25", "2024-04-14", "A21 B21 D11 G21 J21 K21", "E7", "A21 B21 G21", "A21 G21", 6, 3, 2, 50.0, 33.3},
		{"X3", "2024-04-15", "2024-05-05", "B21 F15 J21 K21", "", "B21 F15 K21", "B21 F15 K21", 4, 3, 3, 75.0, 75.0},
		{"X4", "2024-05-06", "2024-05-26", "J21", "", "J21", "", 1, 1, 0, 100.0, -1},
	}
	if len(pr.Rows) != len(want) || len(ir.Rows) != len(want) {
		t.Fatalf("%d and %d windows, want %d", len(pr.Rows), len(ir.Rows), len(want))
	}
	for i, w := range want {
		p, s := pr.Rows[i], ir.Rows[i]
		same(t, w.id+" first day", p.From.String(), w.from)
		same(t, w.id+" last day", p.To.String(), w.to)
		same(t, w.id+" eligible", told(irRows, inWindow(w.from, "numerator", "denominator")), w.eligible)
		same(t, w.id+" too few risk days", told(irRows, inWindow(w.from, "excluded")), w.few)
		same(t, w.id+" bred", told(irRows, inWindow(w.from, "numerator")), w.bred)
		counted(t, w.id+" bred", s.Numerator, s.Denominator, w.nBred, w.n)
		percent(t, w.id+" service risk", s.Value, w.service)
		counted(t, w.id+" pregnant", p.Numerator, p.Denominator, w.nPregnant, w.n)
		same(t, w.id+" counts", p.Counts["eligible"], w.n)
		same(t, w.id+" counts", p.Counts["bred"], w.nBred)
		if w.risk < 0 {
			// 05-26 + 70 days = 08-04, after the last data date.
			if p.Value != nil || !p.Provisional || shown(p.NullReason) != "provisional" || p.Interval != nil {
				t.Errorf("%s: %s, provisional %v, reason %s; want null, provisional", w.id, shown(p.Value), p.Provisional, shown(p.NullReason))
			}
			continue
		}
		same(t, w.id+" pregnant", told(prRows, inWindow(w.from, "numerator")), w.pregnant)
		percent(t, w.id+" pregnancy risk", p.Value, w.risk)
		if p.Provisional || !p.Small || p.Interval == nil || p.Interval.Low > *p.Value || p.Interval.High < *p.Value {
			t.Errorf("%s: provisional %v, small %v, interval %+v", w.id, p.Provisional, p.Small, p.Interval)
		}
	}
	same(t, "X1 conceived outside", pr.Rows[0].Counts["pregnant_outside_eligible"], 1)
	same(t, "X1 C", told(prRows, because("pregnant_outside_eligible")), "C3")
	same(t, "X1 unknown (E)", pr.Rows[0].Counts["unknown"], 1)
	// X5 pools X1 to X3: the provisional window stays out of the risk by itself.
	counted(t, "X5 pregnant", pr.Numerator, pr.Denominator, 6, 18)
	percent(t, "X5 pregnancy risk", pr.Value, 33.3)
	ir = f.index("insemination_risk_21d", during("2024-03-04", "2024-05-05"))
	counted(t, "X5 bred", ir.Numerator, ir.Denominator, 10, 18)
	percent(t, "X5 insemination risk", ir.Value, 55.6)
}

// X6 and X8: constructed here (indices.md section 3).
func TestAcceptX6ExposureAndX8Product(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2024-03-04", "2024-05-05")
	for _, w := range []struct {
		exposure, eligible, bred, pregnant int
		service, risk                      float64
	}{{1, 20, 11, 7, 55.0, 35.0}, {11, 18, 10, 6, 55.6, 33.3}, {21, 15, 9, 5, 60.0, 33.3}} {
		q.exposure = &w.exposure
		pr, ir := f.index("pregnancy_risk_21d", q), f.index("insemination_risk_21d", q)
		what := fmt.Sprintf("X6, %d risk days", w.exposure)
		counted(t, what+", bred", ir.Numerator, ir.Denominator, w.bred, w.eligible)
		counted(t, what+", pregnant", pr.Numerator, pr.Denominator, w.pregnant, w.eligible)
		percent(t, what+", service risk", ir.Value, w.service)
		percent(t, what+", pregnancy risk", pr.Value, w.risk)
	}
	q.exposure = nil
	pr, ir, cr := f.index("pregnancy_risk_21d", q), f.index("insemination_risk_21d", q), f.index("conception_risk", q)
	near(t, "X6 risk days to conception", pr.Measures["risk_days_to_conception"], 309, 0)
	percent(t, "X6 person-time", pr.Measures["per_21_risk_days"], 47.6)
	percent(t, "X8 product of service and conception risk", pointer(*ir.Value**cr.Value), 35.4)
	percent(t, "X8 pregnancy risk, which is another", pr.Value, 33.3)
}

// X7: constructed here (indices.md section 3).
func TestAcceptX7ConceptionRisk(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2024-03-04", "2024-05-05")
	a := f.index("conception_risk", q)
	counted(t, "X7", a.Numerator, a.Denominator, 7, 11)
	percent(t, "X7", a.Value, 63.6)
	near(t, "X7 failed", a.Measures["failed"], 4, 0)
	near(t, "X7 unknown", a.Measures["unknown"], 1, 0)
	percent(t, "X7 unknown as failed", a.Measures["unknown_as_failed"], 58.3)
	percent(t, "X7 unknown as pregnant", a.Measures["unknown_as_pregnant"], 66.7) // 8 of 12
	same(t, "X7 who is unknown", told(f.evidence("conception_risk", q), func(e *api.EvidenceItem) bool { return e.Counted == "excluded" }), "E")
	if len(a.Excluded) != 1 || a.Excluded[0].Count != 1 || a.Excluded[0].Reason != "left_undiagnosed" {
		t.Errorf("X7 excluded %+v, want E, who left undiagnosed", a.Excluded)
	}
	q.merge = pointer(0)
	a = f.index("conception_risk", q)
	counted(t, "X7 unmerged", a.Numerator, a.Denominator, 7, 12)
	percent(t, "X7 unmerged, E excluded", a.Value, 58.3)
	percent(t, "X7 unmerged, E failed", a.Measures["unknown_as_failed"], 53.8)
	// 1.7: services per conception is one over the conception risk, 11/7.
	s := f.index("services_per_conception", during("2024-03-04", "2024-05-05"))
	near(t, "services per conception", s.Value, 11.0/7, 1e-9)
}

// X9: constructed here (indices.md section 3).
func TestAcceptX9Intervals(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2023-12-01", constructedOn)
	a, rows := f.index("inter_service_interval", q), f.evidence("inter_service_interval", q)
	same(t, "X9", told(rows, func(e *api.EvidenceItem) bool { return e.Counted != "excluded" }), "A21 B22 G21 H19 K27 K46 K60 K8")
	same(t, "X9 after a loss", told(rows, because("after_loss")), "F80")
	for _, w := range []struct {
		label string
		n     int
		share float64
	}{{"up_to_17", 1, 12.5}, {"18-24", 4, 50}, {"25-35", 1, 12.5}, {"36-48", 1, 12.5}, {"over_48", 1, 12.5}} {
		r := row(t, a, w.label)
		counted(t, "X9 "+w.label, r.Numerator, r.Denominator, w.n, 8)
		percent(t, "X9 "+w.label, r.Value, w.share)
	}
	r := row(t, a, "after_loss")
	same(t, "X9 after_loss intervals", r.Counts["intervals"], 1)
	same(t, "X9 after_loss is no share", shown(r.Value), "null")
	near(t, "X9 mean", a.Value, 28.0, 1e-9)
	percent(t, "X9 21 over the mean", a.Measures["heat_detection_by_interval"], 75)
	ret := f.index("return_interval_share", q)
	counted(t, "X9 normal returns", ret.Numerator, ret.Denominator, 4, 8)
}

// X10 and X11: constructed here (indices.md section 3).
func TestAcceptX10X11Days(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2023-10-01", constructedOn)
	a, rows := f.index("days_to_first_service", q), f.evidence("days_to_first_service", q)
	same(t, "X10", told(rows, because("served")), "A60 B73 C51 E86 F71 G67 H106 J167 K61")
	same(t, "X10 not served", told(rows, because("not_served")), "D")
	same(t, "X10 n", *a.Denominator, 9)
	near(t, "X10 mean", a.Measures["mean"], 82.4, 0.05)
	near(t, "X10 median", a.Value, 71, 0)
	near(t, "X10 not served", a.Measures["not_served"], 1, 0)

	a, rows = f.index("days_open", q), f.evidence("days_open", q)
	same(t, "X11 closed", told(rows, because("open_closed")), "A81 B95 C51 F151 G89 H125 K202")
	same(t, "X11 running", told(rows, because("open_running")), "D229 J239")
	same(t, "X11 censored", told(rows, because("open_censored")), "E103")
	near(t, "X11 mean", a.Measures["mean"], 113.4, 0.05)
	near(t, "X11 median", a.Value, 95, 0)
	near(t, "X11 running", a.Measures["running"], 2, 0)
	near(t, "X11 running, mean", a.Measures["running_mean"], 234, 0)
	near(t, "X11 censored", a.Measures["censored"], 1, 0)
}

// X12: constructed here (indices.md section 3).
func TestAcceptX12Due(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2023-10-01", constructedOn)
	want := map[string][3]string{ // due, dry off, projected interval
		"A": {"2025-01-05", "2024-11-06", "361"}, "B": {"2025-01-29", "2024-11-30", "375"}, "C": {"2024-12-28", "2024-10-29", "331"},
		"F": {"2025-02-04", "2024-12-06", "431"}, "G": {"2025-01-08", "2024-11-09", "369"}, "H": {"2024-12-29", "2024-10-30", "405"},
		"K": {"2025-01-25", "2024-11-26", "482"},
	}
	rows := f.evidence("projected_calvings", q)
	same(t, "X12 cows due", len(rows), len(want))
	for _, e := range rows {
		w := want[e.Animal]
		same(t, "X12 due, dry off, interval of "+e.Animal, [3]string{shown(e.On), shown(e.To), shown(e.Days)}, w)
		v := f.cow(e.Animal, constructedOn)
		if v.Pregnant == nil {
			t.Errorf("X12: %s is not pregnant by her own page", e.Animal)
			continue
		}
		same(t, "X12 "+e.Animal+"'s page", [2]string{shown(v.Pregnant.DueOn), shown(v.Pregnant.DryOffOn)}, [2]string{w[0], w[1]})
		same(t, "X12 "+e.Animal+" next", steps(v), "dry_off "+w[1]+"; calve "+w[0])
	}
	a := f.index("projected_calvings", q)
	near(t, "X12", a.Value, 7, 0)
	for month, n := range map[string]float64{"2024-12": 2, "2025-01": 4, "2025-02": 1} {
		near(t, "X12 due in "+month, row(t, a, month).Value, n, 0)
	}
	seen := 0
	for item, err := range f.c.Animals(t.Context(), f.name, api.ListAnimalsParams{On: pointer(date(constructedOn))}) {
		if err != nil {
			t.Fatal(err)
		}
		if w, ok := want[item.Animal]; ok {
			seen++
			same(t, "X12 "+item.Animal+" in the list", shown(item.DueOn), w[0])
		} else {
			same(t, "X12 "+item.Animal+" in the list", shown(item.DueOn), "null")
		}
	}
	same(t, "X12 cows in the list", seen, len(want))
}

// steps lists what comes next.
func steps(v *api.Cow) string {
	var out []string
	for _, n := range v.Next {
		if n.What != "confirm" { // the second check is no matter of X12
			out = append(out, n.What+" "+shown(n.On))
		}
	}
	return strings.Join(out, "; ")
}

// X13: constructed here (indices.md section 3).
func TestAcceptX13NonReturn(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2023-10-01", constructedOn)
	a, rows := f.index("non_return_56d", q), f.evidence("non_return_56d", q)
	counted(t, "X13", a.Numerator, a.Denominator, 3, 8)
	percent(t, "X13", a.Value, 37.5)
	bare := func(reason string) string {
		return strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' || r == ' ' {
				return -1
			}
			return r
		}, told(rows, because(reason)))
	}
	same(t, "X13 returns", bare("returned"), "ABGHK")
	same(t, "X13 no return", bare("not_returned"), "CFJ")
	same(t, "X13 left", bare("left_within"), "E")
}

// X14: constructed here (indices.md section 3), with the period's value as
// pregnancies per cow-month: 8 of 29 over the three months, not 8 of 10 cows.
func TestAcceptX14PregnantPerMonth(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	q := during("2024-02-01", "2024-04-30")
	a, rows := f.index("pregnant_per_month", q), f.evidence("pregnant_per_month", q)
	for _, w := range []struct {
		month, names  string
		n, cows, lost int
		share         float64
	}{{"2024-02", "F", 1, 10, 1, 10.0}, {"2024-03", "ACH", 3, 10, 0, 30.0}, {"2024-04", "BFGK", 4, 9, 0, 44.4}} {
		r := row(t, a, w.month)
		names := ""
		for _, e := range rows {
			if e.Counted == "numerator" && *e.Group == w.month {
				names += e.Animal
			}
		}
		same(t, "X14 who conceived in "+w.month, names, w.names)
		counted(t, "X14 "+w.month, r.Numerator, r.Denominator, w.n, w.cows)
		percent(t, "X14 of the milking cows "+w.month, r.Value, w.share)
		percent(t, "X14 of all cows "+w.month, r.Measures["of_all_cows"], w.share)
		same(t, "X14 lost later "+w.month, r.Counts["lost_later"], w.lost)
		same(t, "X14 cow-days "+w.month, r.Counts["cow_days"], w.cows*r.Counts["days"])
		near(t, "X14 target (common practice, no source)", r.Measures["target"], 0.08, 0)
		near(t, "X14 target met", r.Measures["target_met"], 1, 0)
	}
	counted(t, "X14 over the period", a.Numerator, a.Denominator, 8, 29)
	near(t, "X14 over the period, a month", a.Value, 8.0/29, 1e-9)
	near(t, "X14 cow-months", a.Measures["cow_months"], 29, 1e-9)
	near(t, "X14 cow-months in milk", a.Measures["milking_cow_months"], 29, 1e-9)
	near(t, "X14 of all cows", a.Measures["of_all_cows"], 8.0/29, 1e-9)
	near(t, "X14 months", a.Measures["months"], 3, 0)
	near(t, "X14 target met over the period", a.Measures["target_met"], 1, 0)
	one := f.index("pregnant_per_month", during("2024-03-01", "2024-03-31"))
	counted(t, "X14 March by itself", one.Numerator, one.Denominator, 3, 10)
	percent(t, "X14 March by itself", one.Value, 30.0)
	// July is too recent: its value is withheld.
	late := f.index("pregnant_per_month", during("2024-07-01", "2024-07-31"))
	if late.Value != nil || !late.Provisional || shown(late.NullReason) != "provisional" {
		t.Errorf("July: %s, provisional %v, reason %s", shown(late.Value), late.Provisional, shown(late.NullReason))
	}
}

// X15, as far as it concerns one cow: constructed here (indices.md section 3).
// J was bred on 05-20: day 21 on 06-10, day 31 on 06-20.
func TestAcceptX15NextForJ(t *testing.T) {
	t.Parallel()
	f := constructedFarm(t)
	v := f.cow("J", "2024-06-10")
	same(t, "J on 06-10", v.Status.Code, "bred")
	same(t, "J's next on 06-10", steps(v), "return 2024-06-07; diagnose 2024-06-17; diagnose 2024-06-24; return 2024-06-25")
	e := f.eligibility("J", "2024-06-10")
	reason := e.Reasons[0]
	if e.Verdict != api.ExamineFirst || reason.Code != "normal_return" || shown(reason.Until) != "2024-06-13" {
		t.Errorf("J on 06-10: %s for %+v; want within a normal return until day 24", e.Verdict, reason)
	}
	v = f.cow("J", "2024-06-20")
	due := map[string]bool{}
	for _, n := range v.Next {
		if n.What == "diagnose" {
			due[strings.Fields(n.Text)[3]] = !n.On.After(date("2024-06-20").Time)
		}
	}
	if len(due) != 2 || !due["ultrasound"] || due["palpation"] {
		t.Errorf("J on 06-20: diagnosis due %v, want ultrasound and not palpation", due)
	}
	same(t, "J's next on 06-20", steps(v), "diagnose 2024-06-17; diagnose 2024-06-24; return 2024-06-25")
}

// allAnswers are all indices, cows and eligibilities of the constructed herd,
// without what tells the order of arrival: seqs, times and the herd's name.
func allAnswers(t *testing.T, f *farm, asOf *string) []any {
	t.Helper()
	on := date(constructedOn)
	rsp, err := f.c.ListIndicesWithResponse(t.Context(), f.name, &api.ListIndicesParams{
		From: pointer(date("2023-10-01")), On: &on, Anchor: pointer(date("2024-03-04")), AsOf: asOf,
	})
	if err != nil {
		t.Fatal(err)
	}
	out := []any{rsp.JSON200.Parameters}
	for _, a := range rsp.JSON200.Indices {
		a.Evidence = nil
		out = append(out, a)
	}
	for _, animal := range strings.Split("ABCDEFGHJK", "") {
		c, err := f.c.GetAnimalWithResponse(t.Context(), f.name, animal, &api.GetAnimalParams{On: &on, AsOf: asOf})
		if err != nil {
			t.Fatal(err)
		}
		cow := *c.JSON200
		cow.AsOf, cow.Herd = api.AsOf{}, ""
		for i := range cow.Services {
			cow.Services[i].Seqs = nil
		}
		for i := range cow.Heats {
			cow.Heats[i].Seq = 0
		}
		for i := range cow.Checks {
			cow.Checks[i].Seqs = nil
			if p := cow.Checks[i].Pair; p != nil {
				p.First.Seq, p.Second.Seq = 0, 0
			}
		}
		e, err := f.c.GetEligibilityWithResponse(t.Context(), f.name, animal, &api.GetEligibilityParams{On: &on, AsOf: asOf})
		if err != nil {
			t.Fatal(err)
		}
		e.JSON200.AsOf, e.JSON200.Herd = api.AsOf{}, ""
		out = append(out, cow, *e.JSON200)
	}
	return out
}

// X16: constructed here (indices.md section 3).
func TestAcceptX16OrderAndDuplicates(t *testing.T) {
	t.Parallel()
	c := serve(t)
	want := allAnswers(t, loadConstructed(t, c, "in-order", constructedLines(t, "in-order"), 0), nil)
	random := rand.New(rand.NewPCG(20240731, 16)) // a fixed seed, so that a failure comes again
	for i, batch := range []int{0, 1, 7, 20, 0, 13} {
		herd := fmt.Sprintf("shuffled-%d", i+1)
		lines := constructedLines(t, herd)
		random.Shuffle(len(lines), func(i, j int) { lines[i], lines[j] = lines[j], lines[i] })
		f := loadConstructed(t, c, herd, lines, batch)
		if got := allAnswers(t, f, nil); !reflect.DeepEqual(got, want) {
			t.Errorf("X16: shuffled in batches of %d, answer %s", batch, firstDifference(got, want))
		}
		// Every event again, in another order: nothing is added.
		head := f.seq
		random.Shuffle(len(lines), func(i, j int) { lines[i], lines[j] = lines[j], lines[i] })
		for _, r := range f.append(bytes.NewBufferString(strings.Join(lines, "\n"))) {
			if r.Outcome != "already_there" {
				t.Errorf("X16: %s sent twice: %s", r.ID, r.Outcome)
			}
		}
		same(t, "X16 head after sending all twice", f.seq, head)
		if got := allAnswers(t, f, nil); !reflect.DeepEqual(got, want) {
			t.Errorf("X16: sent twice, answer %s", firstDifference(got, want))
		}
	}
}

func firstDifference(got, want []any) string {
	for i := range got {
		if !reflect.DeepEqual(got[i], want[i]) {
			return fmt.Sprintf("%d differs:\n%+v\nwant\n%+v", i, got[i], want[i])
		}
	}
	return "has another length"
}

// X17: constructed here (indices.md section 3): an event left out and recorded
// later changes the answer of now, and both stay reproducible, by seq and by
// time of recording.
func TestAcceptX17LateEntry(t *testing.T) {
	t.Parallel()
	c := serve(t)
	whole := allAnswers(t, loadConstructed(t, c, "whole", constructedLines(t, "whole"), 0), nil)
	for _, w := range []struct {
		name, herd, late string
		before           [2]int // conception risk; known, it is X7
		changes          bool   // of the figures
	}{
		{"B's diagnosis of open", "late-open", `"animal":"B","kind":"pregnancy_diagnosis","on":"2024-05-01"`, [2]int{7, 11}, true},
		// A's figures hang on her diagnosis: she was not bred again.
		{"A's diagnosis of pregnant", "late-pregnant", `"animal":"A","kind":"pregnancy_diagnosis","on":"2024-05-05"`, [2]int{6, 10}, true},
	} {
		lines := constructedLines(t, w.herd)
		at := slices.IndexFunc(lines, func(s string) bool { return strings.Contains(s, w.late) })
		if at < 0 {
			t.Fatalf("no event %s", w.late)
		}
		late := lines[at]
		f := loadConstructed(t, c, w.herd, slices.Delete(lines, at, at+1), 0)
		q := during("2024-03-04", "2024-05-05")
		a := f.index("conception_risk", q)
		counted(t, w.name+", not recorded yet", a.Numerator, a.Denominator, w.before[0], w.before[1])
		before, seq := allAnswers(t, f, nil), f.seq
		head, err := c.GetHeadWithResponse(t.Context(), w.herd, nil)
		if err != nil {
			t.Fatal(err)
		}
		moment := head.JSON200.RecordedAt.UTC().Format(time.RFC3339Nano)

		f.append(bytes.NewBufferString(late))
		a = f.index("conception_risk", q)
		counted(t, w.name+", recorded late", a.Numerator, a.Denominator, 7, 11)
		if got := allAnswers(t, f, nil); !reflect.DeepEqual(got, whole) {
			t.Errorf("%s, recorded late: answer %s", w.name, firstDifference(got, whole))
		} else if reflect.DeepEqual(got, before) == w.changes {
			t.Errorf("%s changes the answers: want %v", w.name, w.changes)
		}
		for _, asOf := range []string{fmt.Sprint(seq), moment} {
			if got := allAnswers(t, f, &asOf); !reflect.DeepEqual(got, before) {
				t.Errorf("%s, as of %s: answer %s", w.name, asOf, firstDifference(got, before))
			}
			q.asOf = asOf
			a = f.index("conception_risk", q)
			counted(t, w.name+", as of "+asOf, a.Numerator, a.Denominator, w.before[0], w.before[1])
		}
		now := fmt.Sprint(f.seq)
		if got := allAnswers(t, f, &now); !reflect.DeepEqual(got, whole) {
			t.Errorf("%s, as of the head: answer %s", w.name, firstDifference(got, whole))
		}
	}
}
