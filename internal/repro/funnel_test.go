package repro_test

import (
	"fmt"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// herdOf is a herd in which each code breeds so many cows, of which the first
// are found pregnant and the others open.
func herdOf(t *testing.T, bred map[string][2]int) *repro.Herd {
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
	return s.herd()
}

// Limits around the pool (Spiegelhalter 2005, from memory): 120 of 240 in all.
// With 60 services the 95 % limits are about 0.5 +- 0.126, the 99.8 % limits
// about 0.5 +- 0.199.
func TestTechnicians(t *testing.T) {
	one := herdOf(t, map[string][2]int{"a": {30, 60}, "b": {21, 60}, "": {6, 20}})
	two := herdOf(t, map[string][2]int{"a": {48, 60}, "c": {15, 40}})
	p := repro.Params{From: day("2024-01-01"), To: day("2024-04-30"), On: day("2024-06-30"), By: repro.ByTechnician}
	got := repro.PoolTechnicians([]repro.Answer{ask(t, one, "conception_risk", p), ask(t, two, "conception_risk", p)})
	var rows []string
	for _, r := range got.Rows {
		rows = append(rows, fmt.Sprintf("%s %d/%d %s", r.Code, r.Numerator, r.Denominator, r.Position))
	}
	equal(t, "pool", fmt.Sprintf("%d/%d %v", got.Numerator, got.Denominator, *got.Value), "120/240 0.5")
	equal(t, "rows", strings.Join(rows, "; "), " 6/20 ; a 30/60 within; a 48/60 outside_99_8; b 21/60 outside_95; c 15/40 within")
	number(t, "95 % limit of 60", &got.Rows[1].Limits.Low95, 0.374, 0.01)
	number(t, "99.8 % limit of 60", &got.Rows[1].Limits.High99, 0.699, 0.01)
	none := repro.PoolTechnicians(nil)
	if none.Value != nil || none.NullReason != "no_herds" || none.Rows == nil {
		t.Errorf("%+v", none)
	}
	p.By = ""
	if n := len(repro.PoolTechnicians([]repro.Answer{ask(t, one, "conception_risk", p)}).Rows); n != 0 {
		t.Errorf("an answer that is not grouped by technician gave %d rows", n)
	}
}
