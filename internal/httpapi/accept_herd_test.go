package httpapi_test

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

// The acceptance tests put records into the log and read figures, cows and
// eligibility through the public client only, on a real Postgres; the client's
// answers are held against the contract on their way.

// farm is one herd behind the public client.
type farm struct {
	t    *testing.T
	c    *api.ClientWithResponses
	name string
	log  bytes.Buffer // events not sent yet, one a line
	seq  int64        // head after the last sending
}

// shortWait is a policy whose waiting period is 50 days in every lactation.
const shortWait = `{"wait_first_days":50,"wait_later_days":50}`

func serve(t *testing.T) *api.ClientWithResponses {
	t.Helper()
	s := httpapitest.Start(t, httpapitest.Options{})
	return s.Client(s.Admin)
}

// newFarm makes a herd under a policy.
func newFarm(t *testing.T, c *api.ClientWithResponses, name, policy string) *farm {
	t.Helper()
	if _, err := c.CreateHerdWithResponse(t.Context(), api.NewHerd{Herd: name}); err != nil {
		t.Fatal(err)
	}
	f := &farm{t: t, c: c, name: name}
	f.policy("2020-01-01", policy)
	return f
}

func (f *farm) policy(from, policy string) {
	f.t.Helper()
	if _, err := f.c.PutPolicyWithBodyWithResponse(f.t.Context(), f.name, date(from), "application/json", strings.NewReader(policy)); err != nil {
		f.t.Fatal(err)
	}
}

func date(s string) openapi_types.Date {
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		panic(err)
	}
	return openapi_types.Date{Time: d}
}

// after is the day so many days after another.
func after(day string, n int) string { return date(day).AddDate(0, 0, n).Format(time.DateOnly) }

// add tells an event of an animal; with no animal, of the herd.
func (f *farm) add(animal, on, kind, data string) *farm {
	who := ""
	if animal != "" {
		who = fmt.Sprintf(`"animal":%q,`, animal)
	}
	fmt.Fprintf(&f.log, "{%s\"kind\":%q,\"on\":%q,\"data\":%s}\n", who, kind, on, data)
	return f
}

func (f *farm) calved(animal, on string) *farm { return f.add(animal, on, "calving", `{}`) }

func (f *farm) bred(animal, on string) *farm { return f.add(animal, on, "breeding", `{"method":"ai"}`) }

// pregnant diagnoses her at so many days of pregnancy.
func (f *farm) pregnant(animal, on string, days int) *farm {
	return f.add(animal, on, "pregnancy_diagnosis", fmt.Sprintf(`{"method":"ultrasound","result":"pregnant","days_pregnant":%d}`, days))
}

func (f *farm) open(animal, on string) *farm {
	return f.add(animal, on, "pregnancy_diagnosis", `{"method":"ultrasound","result":"open"}`)
}

func (f *farm) heat(animal, on, verdict string) *farm {
	return f.add(animal, on, "heat", fmt.Sprintf(`{"verdict":%q}`, verdict))
}

// until makes sure that records tell up to a day, and sends all.
func (f *farm) until(on string) *farm {
	f.t.Helper()
	return f.add("", on, "walk", `{"pen":"end"}`).send()
}

// send appends what was told since the last time.
func (f *farm) send() *farm {
	f.t.Helper()
	f.append(&f.log)
	f.log.Reset()
	return f
}

func (f *farm) append(log *bytes.Buffer) []api.AppendResult {
	f.t.Helper()
	var all []api.AppendResult
	if err := f.c.AppendNDJSON(f.t.Context(), f.name, nil, log, func(a *api.AppendAnswer) error {
		f.seq = a.Head.Seq
		all = append(all, a.Results...)
		return nil
	}); err != nil {
		f.t.Fatal(err)
	}
	return all
}

// question narrows an index. Empty texts and nil numbers ask for the default.
type question struct {
	from, to, on, anchor, asOf, by string
	exposure, merge, maturity      *int
}

func (q *question) params() *api.GetIndexParams {
	p := &api.GetIndexParams{ExposureDays: q.exposure, MergeDays: q.merge, MaturityDays: q.maturity}
	for _, d := range []struct {
		from string
		to   **openapi_types.Date
	}{{q.from, &p.From}, {q.to, &p.To}, {q.on, &p.On}, {q.anchor, &p.Anchor}} {
		if d.from != "" {
			v := date(d.from)
			*d.to = &v
		}
	}
	if q.asOf != "" {
		p.AsOf = &q.asOf
	}
	if q.by != "" {
		p.By = &q.by
	}
	return p
}

// index asks one index; the answer's parameters are those asked for.
func (f *farm) index(key string, q question) *api.IndexAnswer {
	f.t.Helper()
	rsp, err := f.c.GetIndexWithResponse(f.t.Context(), f.name, key, q.params())
	if err != nil {
		f.t.Fatalf("%s: %v", key, err)
	}
	list := rsp.JSON200
	if q.exposure != nil && list.Parameters.ExposureDays != *q.exposure || q.merge != nil && list.Parameters.MergeDays != *q.merge {
		f.t.Errorf("%s: the answer echoes %+v", key, list.Parameters)
	}
	return &list.Indices[0]
}

// evidence asks for the rows of an index, page by page.
func (f *farm) evidence(key string, q question) []api.EvidenceItem {
	f.t.Helper()
	p, limit := q.params(), 7
	var out []api.EvidenceItem
	for e, err := range f.c.Evidence(f.t.Context(), f.name, key, api.ListEvidenceParams{
		From: p.From, To: p.To, On: p.On, Anchor: p.Anchor, AsOf: p.AsOf, By: p.By,
		ExposureDays: p.ExposureDays, MergeDays: p.MergeDays, MaturityDays: p.MaturityDays, Limit: &limit,
	}) {
		if err != nil {
			f.t.Fatalf("evidence of %s: %v", key, err)
		}
		out = append(out, e)
	}
	return out
}

// told lists the animals with their days ("A81 B95") of the evidence that is so.
func told(list []api.EvidenceItem, is func(e *api.EvidenceItem) bool) string {
	var out []string
	for i := range list {
		e := &list[i]
		if !is(e) {
			continue
		}
		s := e.Animal
		if e.Days != nil {
			s += fmt.Sprint(*e.Days)
		}
		out = append(out, s)
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// because picks the evidence of one reason.
func because(reason string) func(e *api.EvidenceItem) bool {
	return func(e *api.EvidenceItem) bool { return e.Reason != nil && *e.Reason == reason }
}

func (f *farm) cow(animal, on string) *api.Cow {
	f.t.Helper()
	d := date(on)
	rsp, err := f.c.GetAnimalWithResponse(f.t.Context(), f.name, animal, &api.GetAnimalParams{On: &d})
	if err != nil {
		f.t.Fatalf("animal %s on %s: %v", animal, on, err)
	}
	return rsp.JSON200
}

func (f *farm) eligibility(animal, on string) *api.Eligibility {
	f.t.Helper()
	d := date(on)
	rsp, err := f.c.GetEligibilityWithResponse(f.t.Context(), f.name, animal, &api.GetEligibilityParams{On: &d})
	if err != nil {
		f.t.Fatalf("eligibility of %s on %s: %v", animal, on, err)
	}
	return rsp.JSON200
}

// percent holds a share against a percentage printed to one decimal.
func percent(t *testing.T, what string, got *float64, want float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: null, want %.1f %%", what, want)
		return
	}
	if math.Abs(math.Round(*got*1000)/10-want) > 1e-9 {
		t.Errorf("%s: %.3f %%, want %.1f %%", what, 100**got, want)
	}
}

// near holds a figure against one within a tolerance.
func near(t *testing.T, what string, got *float64, want, tolerance float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: null, want %v", what, want)
		return
	}
	if math.Abs(*got-want) > tolerance {
		t.Errorf("%s: %v, want %v", what, *got, want)
	}
}

// counted holds numerator and denominator.
func counted(t *testing.T, what string, num, den *int, wantNum, wantDen int) {
	t.Helper()
	if num == nil || den == nil || *num != wantNum || *den != wantDen {
		t.Errorf("%s: %s of %s, want %d of %d", what, shown(num), shown(den), wantNum, wantDen)
	}
}

func shown[T any](v *T) string {
	if v == nil {
		return "null"
	}
	return fmt.Sprint(*v)
}

// same holds what must be equal.
func same[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

func pointer[T any](v T) *T { return &v }

// row finds a row of the breakdown.
func row(t *testing.T, a *api.IndexAnswer, label string) *api.IndexRow {
	t.Helper()
	for i := range a.Rows {
		if a.Rows[i].Label == label {
			return &a.Rows[i]
		}
	}
	t.Fatalf("%s has no row %s: %+v", a.Key, label, a.Rows)
	return nil
}
