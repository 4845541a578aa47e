package repro_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// herdOf is a herd in which each code breeds so many cows, of which the first
// are found pregnant and the others open.
func herdOf(t *testing.T, name string, bred map[string][2]int) *repro.Herd {
	t.Helper()
	s := tell(t)
	n := 0
	for _, by := range []string{"a", "b", "c", ""} {
		for i := range bred[by][1] {
			n++
			c := fmt.Sprint(n)
			s.calved(c, "2024-01-01")
			s.add(c, "2024-03-01", &event.Breeding{Method: event.AI}).By = by
			if i < bred[by][0] {
				s.pregnant(c, "2024-04-10", 40)
			} else {
				s.open(c, "2024-04-10")
			}
		}
	}
	h := repro.NewHerd(name, repro.Policies{{Policy: repro.DefaultPolicy()}})
	h.Apply(facts(s.events))
	return h
}

// Limits around the pool (Spiegelhalter 2005, from memory): 120 of 240 in all. With 60
// services the 95 % limits are about 0.5 +- 0.126, the 99.8 % limits about 0.5 +- 0.199.
// What is expected in the first herd is its own 57 of 140, in the second its 63 of 100.
func TestTechnicians(t *testing.T) {
	one := herdOf(t, "one", map[string][2]int{"a": {30, 60}, "b": {21, 60}, "": {6, 20}})
	two := herdOf(t, "two", map[string][2]int{"a": {48, 60}, "c": {15, 40}})
	p := repro.Params{From: day("2024-01-01"), To: day("2024-04-30"), On: day("2024-06-30"), By: repro.ByCaseMix}
	answers := []repro.Answer{ask(t, one, "conception_risk", p), ask(t, two, "conception_risk", p)}
	got := repro.PoolTechnicians(answers, nil)
	told := func(got *repro.Technicians) string {
		var rows []string
		for _, r := range got.Rows {
			rows = append(rows, strings.TrimSpace(fmt.Sprintf("%s%d: %s %d/%d of %.1f %s", r.Person, len(r.Codes), r.Codes[0].Code, r.Numerator, r.Denominator, *r.Expected, r.Position)))
		}
		return strings.Join(rows, "; ")
	}
	equal(t, "pool", fmt.Sprintf("%d/%d %v", got.Numerator, got.Denominator, *got.Value), "120/240 0.5")
	equal(t, "rows", told(&got), "1:  6/20 of 8.1; 1: a 30/60 of 24.4 within; 1: b 21/60 of 24.4 within; 1: a 48/60 of 37.8 outside_95; 1: c 15/40 of 25.2")
	number(t, "95 % limit of 60 around the pool", &got.Rows[1].Limits.Low95, 0.374, 0.01)
	number(t, "99.8 % limit of 60 around the pool", &got.Rows[1].Limits.High99, 0.699, 0.01)
	none := repro.PoolTechnicians(nil, nil)
	if none.Value != nil || none.NullReason != "no_herds" || none.Rows == nil {
		t.Errorf("%+v", none)
	}
	p.By = ""
	if n := len(repro.PoolTechnicians([]repro.Answer{ask(t, one, "conception_risk", p)}, nil).Rows); n != 0 {
		t.Errorf("an answer that is not grouped by technician gave %d rows", n)
	}
	got = repro.PoolTechnicians(answers, func(c repro.HerdCode) string { return map[string]string{"a": "Ann", "b": "Ann"}[c.Code] })
	if got.Rows[0].Person != "Ann" || got.Rows[0].Denominator != 180 || len(got.Rows[0].Codes) != 3 || len(got.Unmapped) != 1 || got.Unmapped[0].Code != "c" {
		t.Errorf("%+v", got)
	}
}

// services invents herds whose cows conceive by the herd, the lactation and the number
// of the service, and no technician is better than another but those of skill. It gives
// the answers by case mix, and the counts themselves: herd, code, lactation group,
// number -> conceived, services.
func services(t *testing.T, seed uint64, herds []float64, skill map[string]float64, codesOf func(herd int) []string) ([]repro.Answer, map[[4]string][2]int) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 1))
	counts := map[[4]string][2]int{}
	var answers []repro.Answer
	for i, level := range herds {
		name := fmt.Sprintf("herd-%d", i)
		h := repro.NewHerd(name, repro.Policies{{Policy: repro.DefaultPolicy()}})
		var list []repro.Fact
		add := func(kind event.Kind, cow, on string, days int, d event.Data, by string) {
			e := event.New(kind, name, cow, day(on)+event.Date(days))
			e.ID, e.Data, e.By = uuid.NewSHA1(uuid.Nil, fmt.Append(nil, name, len(list))), d, by
			list = append(list, repro.Fact{Event: e, Seq: int64(len(list) + 1)})
		}
		codes := codesOf(i)
		for c := range 250 {
			cow, parity := fmt.Sprint(c), 1+r.IntN(4)
			add(event.KindArrival, cow, "2023-06-01", 0, &event.Arrival{How: event.Purchased, Parity: event.Int(parity - 1)}, "")
			add(event.KindCalving, cow, "2024-01-01", 0, &event.Calving{}, "")
			group := strconv.Itoa(parity)
			if parity >= 3 {
				group = "3+"
			}
			for n := range 5 {
				code := codes[r.IntN(len(codes))]
				risk := level * []float64{1.1, 1, 0.9, 0.8}[parity-1] * []float64{1, 0.95, 0.9, 0.8, 0.8}[n]
				if s, ok := skill[code]; ok {
					risk *= s
				}
				add(event.KindBreeding, cow, "2024-03-15", 40*n, &event.Breeding{Method: event.AI}, code)
				number := strconv.Itoa(n + 1)
				if n >= 3 {
					number = "4+"
				}
				k := [4]string{name, code, group, number}
				x := counts[k]
				x[1]++
				took := r.Float64() < risk
				if took {
					x[0]++
				}
				counts[k] = x
				result := event.Open
				if took {
					result = event.Pregnant
				}
				add(event.KindPregnancyDiagnosis, cow, "2024-03-15", 40*n+35, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: result}, "")
				if took {
					break
				}
			}
		}
		h.Apply(list)
		p := repro.Params{From: day("2024-03-01"), To: day("2024-10-31"), On: day("2025-03-01"), By: repro.ByCaseMix}
		answers = append(answers, ask(t, h, "conception_risk", p))
	}
	return answers, counts
}

// The expected numbers are those of a plain second computation; and technicians of one
// skill in good and poor herds stand within what their herds let expect, whom the limits
// of the pool call unusual, while one who is truly worse stands outside.
func TestExpectedOfTechnicians(t *testing.T) {
	t.Parallel()
	answers, counts := services(t, 7, []float64{0.55, 0.5, 0.3, 0.25}, map[string]float64{"w": 0.4}, func(herd int) []string {
		return [][]string{{"a", "b"}, {"b", "c"}, {"d", "e", "w"}, {"e", "d"}}[herd]
	})
	people := func(c repro.HerdCode) string { return "person " + c.Code }
	got := repro.PoolTechnicians(answers, people)

	type sum struct{ num, den, expected float64 }
	pool, herds, want := map[[2]string]*sum{}, map[string]*sum{}, map[string]*sum{}
	for k, x := range counts {
		mix := [2]string{k[2], k[3]}
		if pool[mix] == nil {
			pool[mix] = &sum{}
		}
		pool[mix].num += float64(x[0])
		pool[mix].den += float64(x[1])
	}
	for k, x := range counts {
		if herds[k[0]] == nil {
			herds[k[0]] = &sum{}
		}
		m := pool[[2]string{k[2], k[3]}]
		herds[k[0]].num += float64(x[0])
		herds[k[0]].expected += float64(x[1]) * m.num / m.den
	}
	for k, x := range counts {
		name := "person " + k[1]
		if want[name] == nil {
			want[name] = &sum{}
		}
		m, h := pool[[2]string{k[2], k[3]}], herds[k[0]]
		want[name].num += float64(x[0])
		want[name].den += float64(x[1])
		want[name].expected += float64(x[1]) * math.Min(1, m.num/m.den*h.num/h.expected)
	}
	crude, fair := map[string]string{}, map[string]string{}
	expected, observed := 0.0, 0
	for i := range got.Rows {
		r := &got.Rows[i]
		w := want[r.Person]
		if w == nil || float64(r.Numerator) != w.num || float64(r.Denominator) != w.den || math.Abs(*r.Expected-w.expected) > 1e-9 {
			t.Errorf("%+v, want %+v", r, w)
			continue
		}
		fair[r.Person] = r.Position
		if l := r.Limits; *r.Value < l.Low99 || *r.Value > l.High99 {
			crude[r.Person] = repro.Outside998
		}
		expected += *r.Expected
		observed += r.Numerator
	}
	number(t, "expected in all", &expected, float64(observed), 1e-6)
	for _, person := range []string{"person a", "person c", "person d", "person e"} {
		if fair[person] != repro.Within {
			t.Errorf("%s is as good as the others and stands %q", person, fair[person])
		}
	}
	for _, person := range []string{"person a", "person d", "person e"} {
		if crude[person] != repro.Outside998 {
			t.Errorf("%s stands within the limits of the pool: the herds do not differ enough for this test", person)
		}
	}
	if fair["person w"] != repro.Outside998 {
		t.Errorf("the one who is worse stands %q", fair["person w"])
	}
}

// Who alone breeds in a herd is compared with herself, and has no position.
func TestAlone(t *testing.T) {
	t.Parallel()
	answers, _ := services(t, 3, []float64{0.5, 0.3}, nil, func(herd int) []string { return [][]string{{"a", "b"}, {"c"}}[herd] })
	for _, r := range repro.PoolTechnicians(answers, nil).Rows {
		if alone := r.Codes[0].Code == "c"; alone != (r.Alone == r.Denominator) || alone != (r.Position == "") {
			t.Errorf("%+v", r)
		}
	}
}
