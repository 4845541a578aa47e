package httpapi_test

import (
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

// The cow, as one asks for her in the yard.
func TestCow(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var cow api.Cow
	get(s, "%s/animals/0412", herdPath).Want(http.StatusOK).JSON(&cow)
	// Bred 2026-07-20, holstein cow, 279.4 days (indices.md V13): due 2027-04-25.
	if cow.Status.Code != "pregnant" || cow.Pregnant == nil || cow.Pregnant.ConceivedOn.String() != "2026-07-20" || cow.Pregnant.DueOn.String() != "2027-04-25" {
		t.Errorf("status %+v, pregnant %+v", cow.Status, cow.Pregnant)
	}
	if len(cow.Services) != 1 || cow.Services[0].Outcome != "pregnant" || *cow.Services[0].DaysAfterCalving != 77 || *cow.Services[0].By != "t2" {
		t.Errorf("services %+v", cow.Services)
	}
	if cow.AsOf.Seq != int64(scenarioEvents) || cow.On.String() != "2026-11-25" || *cow.DaysInMilk != 205 {
		t.Errorf("as of %+v on %s, %d days in milk", cow.AsOf, cow.On, *cow.DaysInMilk)
	}
	// Before the diagnosis she was only bred; the day before that she was open.
	for on, want := range map[string]string{"2026-08-30": "bred", "2026-07-19": "open", "2026-05-10": "fresh"} {
		if get(s, "%s/animals/0412?on=%s", herdPath, on).Want(http.StatusOK).JSON(&cow); cow.Status.Code != want {
			t.Errorf("on %s she is %s, want %s", on, cow.Status.Code, want)
		}
	}
	// What the log knew at seq 4 is that she was bred, also of today.
	if get(s, "%s/animals/0412?as_of=4", herdPath).Want(http.StatusOK).JSON(&cow); cow.Status.Code != "bred" || cow.AsOf.Seq != 4 {
		t.Errorf("as of seq 4 she is %s", cow.Status.Code)
	}
	get(s, "%s/animals/0412?as_of=2026-11-24", herdPath).Want(http.StatusNotFound)
	var list api.AnimalPage
	for query, want := range map[string]string{
		"": "0388 0412 0517", "?status=pregnant": "0412", "?pen=north": "0517", "?status=gone": "0600", "?pen=south&status=open": "0388", "?on=2021-06-01": "0600",
	} {
		get(s, "%s/animals%s", herdPath, query).Want(http.StatusOK).JSON(&list)
		var names []string
		for _, a := range list.Items {
			names = append(names, a.Animal)
		}
		if got := strings.Join(names, " "); got != want {
			t.Errorf("animals%s: %s, want %s", query, got, want)
		}
	}
}

func TestEligibility(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	for _, c := range []struct {
		animal, on string
		verdict    api.EligibilityVerdict
	}{
		{"0412", "", api.No},                     // pregnant
		{"0388", "", api.ExamineFirst},           // a suspect heat
		{"0388", "2026-09-15", api.No},           // before the waiting period
		{"0600", "2026-03-01", api.No},           // gone
		{"0388", "2023-06-01", api.No},           // too young
		{"0517", "2026-09-06", api.WhenInHeat},   // past the waiting period, not bred
		{"0412", "2026-08-01", api.ExamineFirst}, // bred 12 days ago
	} {
		var e api.Eligibility
		query := ""
		if c.on != "" {
			query = "?on=" + c.on
		}
		get(s, "%s/animals/%s/eligibility%s", herdPath, c.animal, query).Want(http.StatusOK).JSON(&e)
		if e.Verdict != c.verdict || c.verdict != api.Yes && len(e.Reasons) == 0 || c.verdict == api.ExamineFirst && len(e.Examine) == 0 {
			t.Errorf("%s on %s: %+v, want %s", c.animal, c.on, e, c.verdict)
		}
	}
}

// Every index's evidence counts to its figures: what is in the numerator and
// in the denominator can be read row by row, and the address that the answer
// gives leads there.
func TestEvidenceCounts(t *testing.T) {
	t.Parallel()
	// Their denominators are not counts of rows: cycles of 21 days, and the
	// average of a month's cows.
	sums := map[string]bool{"pregnancy_risk_cow_cycles": true, "pregnant_per_month": true}
	s := seeded(t)
	var list api.IndexList
	get(s, "%s/indices?from=2026-01-01", herdPath).Want(http.StatusOK).JSON(&list)
	var defs api.DefinitionList
	get(s, "/v1/definitions").Want(http.StatusOK).JSON(&defs)
	if len(list.Indices) != len(defs.Definitions) || len(list.Indices) == 0 {
		t.Fatalf("%d indices, %d definitions", len(list.Indices), len(defs.Definitions))
	}
	for i, index := range list.Indices {
		if index.Key != defs.Definitions[i].Key || index.Definition.Text == "" || len(index.Definition.Sources) == 0 {
			t.Errorf("index %s, definition %+v", index.Key, defs.Definitions[i])
		}
		if index.Value == nil && index.NullReason == nil {
			t.Errorf("%s has neither a value nor a reason why not", index.Key)
		}
		num, den := 0, 0
		for path := *index.Evidence + "&limit=2"; path != ""; {
			var page api.EvidencePage
			r := get(s, "%s", path).Want(http.StatusOK)
			r.JSON(&page)
			for _, e := range page.Items {
				switch e.Counted {
				case api.EvidenceItemCountedNumerator:
					num++
					den++
				case api.EvidenceItemCountedDenominator:
					den++
				case api.EvidenceItemCountedExcluded:
				}
			}
			path = ""
			if page.Next != nil {
				path = *index.Evidence + "&limit=2&cursor=" + *page.Next
			}
			if a, b := page.Parameters, list.Parameters; a.Anchor.String() != b.Anchor.String() || a.ExposureDays != b.ExposureDays || a.MaturityDays != b.MaturityDays {
				t.Errorf("%s: evidence of other parameters: %+v", index.Key, a)
			}
		}
		if sums[index.Key] {
			den = *index.Denominator
		}
		if index.Unit == "share" && index.Numerator != nil && (num != *index.Numerator || den != *index.Denominator) {
			t.Errorf("%s: %d of %d, its evidence counts %d of %d", index.Key, *index.Numerator, *index.Denominator, num, den)
		}
		var one api.IndexList
		get(s, "%s/indices/%s?from=2026-01-01", herdPath, index.Key).Want(http.StatusOK).JSON(&one)
		if len(one.Indices) != 1 || one.Indices[0].Key != index.Key {
			t.Errorf("%s by itself: %+v", index.Key, one.Indices)
		}
	}
}

// A parameter of 0 is 0 and not the default.
func TestZeroParameters(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var list api.IndexList
	get(s, "%s/indices?keys=conception_risk&merge_days=0&maturity_days=0", herdPath).Want(http.StatusOK).JSON(&list)
	if list.Parameters.MergeDays != 0 || list.Parameters.MaturityDays != 0 || list.Parameters.ExposureDays != 11 {
		t.Errorf("parameters %+v", list.Parameters)
	}
}

// The pool's counts are the sums of the herds'.
func TestSummary(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seedHerd(t, s, "mill-lane")
	s.Herd("north-meadow") // without a record
	var sum api.Summary
	get(s, "/v1/summary?from=2026-01-01&keys=conception_risk,pregnancy_risk_21d").Want(http.StatusOK).JSON(&sum)
	if len(sum.Herds) != 3 || len(sum.Pool) != 2 || sum.From.String() != "2026-01-01" {
		t.Fatalf("%d herds, %d indices of the pool", len(sum.Herds), len(sum.Pool))
	}
	for i, pooled := range sum.Pool {
		num, den := 0, 0
		for _, h := range sum.Herds {
			num += *h.Indices[i].Numerator
			den += *h.Indices[i].Denominator
		}
		if *pooled.Numerator != num || *pooled.Denominator != den || den == 0 {
			t.Errorf("%s: the pool is %d of %d, the herds are %d of %d", pooled.Key, *pooled.Numerator, *pooled.Denominator, num, den)
		}
		if pooled.Evidence != nil {
			t.Errorf("the pool's evidence is at %s", *pooled.Evidence)
		}
	}
	var none api.Summary
	empty := httpapitest.Start(t, httpapitest.Options{Now: clock})
	get(empty, "/v1/summary").Want(http.StatusOK).JSON(&none)
	if len(none.Herds) != 0 || len(none.Pool) != 0 {
		t.Errorf("without a herd: %+v", none)
	}
}
