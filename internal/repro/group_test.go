package repro_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

var allGroups = []string{
	repro.ByTechnician, repro.BySire, repro.ByServiceNumber, repro.ByLactationGroup, repro.ByMonth, repro.ByWindow,
	repro.ByMethod, repro.ByBasis, repro.BySemen, repro.ByFound, repro.ByPen,
}

// A grouping that makes no sense for an index is refused, with those that do.
func TestGroupsOfEveryIndex(t *testing.T) {
	h := constructed(t)
	for _, d := range repro.Keys() {
		for _, by := range append([]string{"hoof"}, allGroups...) {
			_, err := h.Index(d.Key, repro.Params{On: day("2024-07-31"), By: by})
			if slices.Contains(d.Groups, by) {
				if err != nil {
					t.Errorf("%s by %s: %v", d.Key, by, err)
				}
				continue
			}
			if !errors.Is(err, repro.ErrBadParameter) || !strings.Contains(err.Error(), strings.Join(d.Groups, ", ")) {
				t.Errorf("%s by %s: %v", d.Key, by, err)
			}
		}
	}
	for key, want := range map[string][]string{ // derived from what each index counts
		"conception_risk":     allGroups,
		"pregnancy_loss_risk": allGroups,
		"pregnancy_risk_21d":  {repro.ByLactationGroup, repro.ByMonth, repro.ByWindow, repro.ByPen},
		"heat_reading_yield":  {repro.ByLactationGroup, repro.ByMonth, repro.ByWindow, repro.ByPen},
		"pregnant_per_month":  {repro.ByLactationGroup, repro.ByMonth, repro.ByPen},
		"cost_of_open_days":   {repro.ByLactationGroup, repro.ByPen},
	} {
		for _, d := range repro.Keys() {
			if d.Key == key {
				got, want := slices.Sorted(slices.Values(d.Groups)), slices.Sorted(slices.Values(want))
				if !slices.Equal(got, want) {
					t.Errorf("%s: groups %v, want %v", key, got, want)
				}
			}
		}
	}
}

// Grouped or not, an index counts the same things: the rows of the groups add
// up to the whole.
func TestGroupsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := fold(drawLog(t, animals, 60), randomPolicies())
		for _, d := range repro.Keys() {
			for _, by := range d.Groups {
				p := repro.Params{From: firstDay, To: lastDay, On: lastDay, By: by}
				a := ask(t, h, d.Key, p)
				p.By = ""
				whole := ask(t, h, d.Key, p)
				if fmt.Sprint(deref(a.Numerator), deref(a.Denominator), deref(a.Value)) != fmt.Sprint(deref(whole.Numerator), deref(whole.Denominator), deref(whole.Value)) {
					t.Fatalf("%s by %s: the whole changes", d.Key, by)
				}
				num, den, provisional := 0, 0, false
				for _, r := range a.Rows {
					num, den = num+deref(r.Numerator), den+deref(r.Denominator)
					provisional = provisional || r.Provisional && r.Value == nil
					if net := r.Measures["net_of_losses"]; net != nil && *net > deref(r.Value)+1e-9 && d.Unit == repro.Share {
						t.Fatalf("%s by %s, %s: net %v of gross %v", d.Key, by, r.Label, *net, *r.Value)
					}
				}
				if d.Key == "pregnant_per_month" || provisional {
					continue // the denominator is rounded by row; a window too recent counts in its own row only
				}
				if (a.Numerator != nil && num != *a.Numerator) || den != deref(a.Denominator) {
					t.Fatalf("%s by %s: rows add up to %d of %d, the whole is %d of %d", d.Key, by, num, den, deref(a.Numerator), deref(a.Denominator))
				}
			}
		}
	})
}

func deref[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// X7 and X1 to X3 of indices.md section 3, grouped.
func TestGroupsOfTheConstructedHerd(t *testing.T) {
	h := constructed(t)
	p := between("2024-03-04", "2024-05-05")
	p.By = repro.ByWindow
	// Services of the windows: A, C, G, H twice, E unknown; A, B twice, G; F, K.
	want := "2024-03-04..2024-03-24 2/5; 2024-03-25..2024-04-14 2/3; 2024-04-15..2024-05-05 3/3"
	equal(t, "conception risk by window", fractions(ask(t, h, "conception_risk", p)), want)
	own := p
	own.By = ""
	equal(t, "windows are their own group", fractions(ask(t, h, "pregnancy_risk_21d", p)), fractions(ask(t, h, "pregnancy_risk_21d", own)))
	p.By = repro.ByMonth
	equal(t, "windows by month", fractions(ask(t, h, "pregnancy_risk_21d", p)), "2024-03 3/14; 2024-04 3/4")
	p.By = repro.ByServiceNumber
	equal(t, "by number", fractions(ask(t, h, "conception_risk", p)), "1 1/5; 2 5/5; 4+ 1/1")
}

func fractions(a repro.Answer) string {
	out := make([]string, len(a.Rows))
	for i, r := range a.Rows {
		out[i] = fmt.Sprintf("%s %d/%d", r.Label, deref(r.Numerator), deref(r.Denominator))
	}
	return strings.Join(out, "; ")
}

// The chain from chalk to pregnancy, counted by hand.
func TestChainOfReadings(t *testing.T) {
	s := tell(t)
	for _, c := range []string{"1", "2", "3"} {
		penned(s.calved(c, "2024-01-01"), c, "2024-01-01", "p1")
	}
	penned(s.calved("4", "2024-01-01"), "4", "2024-01-01", "p2")
	walk := func(pen string, days ...string) {
		for _, d := range days {
			s.add("", d, &event.Walk{Pen: pen})
		}
	}
	walk("p1", "2024-04-01", "2024-04-02", "2024-04-05") // not on the 3rd and 4th
	walk("p2", "2024-04-02")                             // not on the 3rd, 4th and 5th
	s.heat("1", "2024-04-01", event.InHeat).bred("1", "2024-04-01").pregnant("1", "2024-05-06", 35)
	s.heat("2", "2024-04-02", event.Suspect).palpated("2", "2024-04-02", event.InHeat).bred("2", "2024-04-02").open("2", "2024-05-06")
	s.heat("3", "2024-04-04", event.Suspect) // so p1 was read on the 4th; never examined
	h := s.herd()
	p := repro.Params{From: day("2024-04-01"), To: day("2024-04-05"), On: day("2024-05-06")}
	a := ask(t, h, "heat_reading_yield", p)
	// Readings: p1 on three days, three cows each; the 4th: one; p2: one day, one cow.
	equal(t, "chain", fractions(a), "readings 11/11; read_in_heat 1/11; suspects 2/11; suspects_examined 1/2; suspects_in_heat 1/1; in_heat 2/11; bred 2/2; pregnant 1/2")
	for name, want := range map[string]float64{
		"conception_of_obvious_heats": 1, "conception_of_suspects": 0, "suspects_never_examined": 1,
		"pen_days_walked": 5, "pen_days_missed": 4, "share_of_pen_days_missed": 4.0 / 9,
	} {
		number(t, name, a.Measures[name], want, 1e-9)
	}
	missed := ""
	for _, e := range a.Evidence {
		if e.Reason == "pen_not_walked" {
			missed += e.On.String()[8:] + " " + e.Text[:6] + "; "
		}
	}
	equal(t, "missed", missed, "03 pen p1; 03 pen p2; 04 pen p2; 05 pen p2; ")
	p.By = repro.ByPen
	a = ask(t, h, "heat_reading_yield", p)
	equal(t, "by pen", fractions(a), "p1 2/10; p2 0/1")
	number(t, "p1 missed", a.Rows[0].Measures["pen_days_missed"], 1, 0)
	number(t, "p2 missed", a.Rows[1].Measures["pen_days_missed"], 3, 0)
	equal(t, "suspects of p1", a.Rows[0].Counts["suspects"], 2)
	p.By = repro.ByMonth
	equal(t, "by month", fractions(ask(t, h, "heat_reading_yield", p)), "2024-04 2/11")
}
