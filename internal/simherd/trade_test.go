package simherd_test

import (
	"fmt"
	"math"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/simherd"
)

// lactations are the shares of cows by lactation, 1 to 8 and more, at position 1 to
// 8, on the mean of the first days of the months of the record's last year; with
// the number of cows.
func lactations(events []*event.Event, p simherd.Params) (shares [9]float64, cows float64) {
	parity := map[string]int{}
	next, days := p.Last-364, 0.0
	for _, e := range events {
		for ; e.On > next; next += 30 {
			days++
			for _, n := range parity {
				if n > 0 {
					shares[min(n, 8)]++
					cows++
				}
			}
		}
		switch d := e.Data.(type) {
		case *event.Arrival:
			parity[e.Animal] = d.Parity.N
		case *event.Calving:
			parity[e.Animal] = d.Parity.N
		case *event.Renumber:
			parity[d.To] = parity[e.Animal]
			delete(parity, e.Animal)
		case *event.Departure:
			delete(parity, e.Animal)
		}
	}
	for i := range shares {
		shares[i] /= cows
	}
	return shares, cows / days
}

// Hare, Norman and Wright 2006, J Dairy Sci 89:3713: about 37, 26, 17, 11 and 5 % of
// cows in lactations 1 to 5, hardly any from the 8th on. Each within three points for
// a large middling herd, and within eight for those of the demo, which are small or
// run better or worse.
func TestAgeStructure(t *testing.T) {
	want := []float64{0.37, 0.26, 0.17, 0.11, 0.05}
	herds := append(clean(simherd.Demo()), simherd.Named{Herd: "mill-lane", Params: simherd.Default(3000)})
	for i, d := range herds {
		events, _, err := simherd.Generate(d.Params, d.Herd)
		if err != nil {
			t.Fatal(err)
		}
		shares, cows := lactations(events, d.Params)
		t.Logf("%s: %d events, %.0f cows, by lactation %.3f", d.Herd, len(events), cows, shares[1:])
		room := 0.08
		if i == len(herds)-1 {
			room = 0.03
		}
		for n, w := range want {
			if math.Abs(shares[n+1]-w) > room {
				t.Errorf("%s: %.3f of the cows are in lactation %d, about %.2f are wanted", d.Herd, shares[n+1], n+1, w)
			}
		}
		if shares[8] > 0.015 {
			t.Errorf("%s: %.3f of the cows are in lactation 8 or later", d.Herd, shares[8])
		}
		if math.Abs(cows/float64(d.Params.Cows)-1) > 0.04 {
			t.Errorf("%s: %.0f cows, wanted are %d", d.Herd, cows, d.Params.Cows)
		}
	}
}

// clean are herds without recording noise.
func clean(herds []simherd.Named) []simherd.Named {
	for i := range herds {
		herds[i].Params.Noise = simherd.Noise{}
	}
	return herds
}

type cowDay struct {
	animal string
	on     event.Date
}

// Of 100 clear rubs 6 to 8 are false, and about 40 of 100 suspects are in heat (common
// practice, no source).
func TestFalseMarks(t *testing.T) {
	for _, d := range append(clean(simherd.Demo()), simherd.Named{Herd: "mill-lane", Params: simherd.Default(1500)}) {
		events, truth, err := simherd.Generate(d.Params, d.Herd)
		if err != nil {
			t.Fatal(err)
		}
		inHeat := map[cowDay]bool{}
		for _, h := range truth.Heats {
			if !h.Pregnant {
				inHeat[cowDay{h.Animal, h.On}] = true
			}
		}
		all, right := map[string]float64{}, map[string]float64{}
		for _, e := range events {
			if h, ok := e.Data.(*event.Heat); ok {
				all[h.Verdict]++
				if inHeat[cowDay{e.Animal, e.On}] {
					right[h.Verdict]++
				}
			}
		}
		wrong, suspects := 1-right[event.InHeat]/all[event.InHeat], right[event.Suspect]/all[event.Suspect]
		t.Logf("%s: %.3f of %.0f clear rubs are false, %.3f of %.0f suspects in heat", d.Herd, wrong, all[event.InHeat], suspects, all[event.Suspect])
		if wrong < 0.06 || wrong > 0.08 || suspects < 0.37 || suspects > 0.43 {
			t.Errorf("%s: %.3f of the clear rubs are false, %.3f of the suspects are in heat", d.Herd, wrong, suspects)
		}
	}
}

// The first diagnosis after a service finds a living pregnancy, and an open cow open,
// as often as the parameters say.
func TestDiagnosesErr(t *testing.T) {
	for _, d := range clean(simherd.Demo())[1:] {
		_, truth, err := simherd.Generate(d.Params, d.Herd)
		if err != nil {
			t.Fatal(err)
		}
		pregnant, open, found, foundOpen := 0, 0, 0, 0
		for _, s := range truth.Services {
			if s.DiagnosedOn == 0 || s.Pregnant || s.Found == simherd.FoundByBull {
				continue
			}
			alive := s.Conceived && (truth.Pregnancies[s.Pregnancy].LostOn == 0 || truth.Pregnancies[s.Pregnancy].LostOn > s.DiagnosedOn)
			switch {
			case alive:
				pregnant++
				if s.Diagnosis == event.Pregnant {
					found++
				}
			default:
				open++
				if s.Diagnosis == event.Open {
					foundOpen++
				}
			}
		}
		binomial(t, d.Herd+": pregnant and found so", found, pregnant, 0.98)
		binomial(t, d.Herd+": open and found so", foundOpen, open, 0.97)
	}
}

// What comes of a calving: stillbirths and help by lactation, heifers by semen, and
// no calf of a beef bull is kept.
func TestCalves(t *testing.T) {
	p := simherd.Default(1500)
	p.Breeding.SexedYoung = 0.5
	p.Calving.Twins = 0 // calves of one birth share the semen
	events, truth, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	semen := map[cowDay]string{} // by calving
	for _, s := range truth.Services {
		if s.Conceived && truth.Pregnancies[s.Pregnancy].CalvedOn != 0 {
			semen[cowDay{s.Animal, truth.Pregnancies[s.Pregnancy].CalvedOn}] = s.Semen
		}
	}
	calves, dead, helped, calvings := map[int]int{}, map[int]int{}, map[int]int{}, map[int]int{}
	born, heifers, kept := map[string]int{}, map[string]int{}, map[string]int{}
	for _, e := range events {
		d, ok := e.Data.(*event.Calving)
		if !ok {
			continue
		}
		n := min(d.Parity.N, 2)
		calvings[n]++
		if d.Ease.N >= 2 {
			helped[n]++
		}
		for _, c := range d.Calves {
			calves[n]++
			if c.Outcome != event.Alive {
				dead[n]++
			}
			if of := semen[cowDay{e.Animal, e.On}]; of != "" {
				born[of]++
				if c.Sex == event.Female {
					heifers[of]++
				}
				if c.Tag != "" {
					kept[of]++
				}
			}
		}
	}
	for n := 1; n <= 2; n++ {
		binomial(t, fmt.Sprint("dead calves, lactation ", n), dead[n], calves[n], p.Calving.Stillborn[n-1])
		binomial(t, fmt.Sprint("assisted, lactation ", n), helped[n], calvings[n], p.Calving.Assisted[n-1])
	}
	binomial(t, "heifers of sexed semen", heifers["sexed_female"], born["sexed_female"], 0.9)
	binomial(t, "heifers of unsexed semen", heifers["conventional"], born["conventional"], p.Calving.Female)
	if born["beef"] < 100 || kept["beef"] != 0 || kept["sexed_female"] == 0 || kept["conventional"] == 0 {
		t.Errorf("born %v, kept %v", born, kept)
	}
}

// Groups by stage: who has just calved stands in the fresh pen, who is surely pregnant
// in a pen for those, and no pen is empty.
func TestPensByStage(t *testing.T) {
	for _, d := range clean(simherd.Demo()) {
		h, err := simherd.New(d.Params, d.Herd)
		if err != nil {
			t.Fatal(err)
		}
		pens, calved, pen := d.Params.Pens, map[string]event.Date{}, map[string]string{}
		heads := map[string]int{}
		for _, e := range h.Events() {
			switch x := e.Data.(type) {
			case *event.Arrival:
				pen[e.Animal], calved[e.Animal] = x.Pen, x.LastCalvedOn
			case *event.Calving:
				calved[e.Animal] = e.On
			case *event.Move:
				pen[e.Animal] = x.Pen
			case *event.Renumber:
				pen[x.To] = pen[e.Animal]
				delete(pen, e.Animal)
			case *event.Departure:
				delete(pen, e.Animal)
			}
		}
		for a, p := range pen {
			heads[p]++
			if days := d.Params.Last - calved[a]; calved[a] != 0 && (p == pens.Fresh) != (days < event.Date(pens.FreshDays)) {
				t.Errorf("%s: %s stands in %s %d days after her calving", d.Herd, a, p, days)
			}
		}
		t.Logf("%s: %v", d.Herd, heads)
		milking := 0
		for _, p := range append(append([]string{pens.Fresh, pens.Dry, pens.Calves, pens.Young}, pens.Milking...), pens.Pregnant...) {
			if heads[p] < 3 {
				t.Errorf("%s: %d animals stand in %s", d.Herd, heads[p], p)
			}
		}
		for _, p := range append(append([]string{pens.Fresh}, pens.Milking...), pens.Pregnant...) {
			milking += heads[p]
		}
		if share := float64(milking) / float64(milking+heads[pens.Dry]); share < 0.8 || share > 0.92 {
			t.Errorf("%s: %.2f of the cows are in milk", d.Herd, share)
		}
	}
}

// A calving is hardly ever missing from the records, whatever else is.
func TestCalvingsAreWritten(t *testing.T) {
	p := small()
	all, _, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	calvings := func(events []*event.Event) (n int) {
		for _, e := range events {
			if e.Kind == event.KindCalving {
				n++
			}
		}
		return n
	}
	n := calvings(all)
	for _, share := range []float64{0, 0.1} {
		p.Noise = simherd.Noise{Missing: 0.2, Uncalved: share}
		noisy, _, err := simherd.Generate(p, "mill-lane")
		if err != nil {
			t.Fatal(err)
		}
		binomial(t, fmt.Sprint("calvings missing at ", share), n-calvings(noisy), n, share)
	}
	for _, d := range simherd.Demo() {
		if u := d.Params.Noise.Uncalved; u <= 0 || u > 0.001 {
			t.Errorf("%s: %v of the calvings are missing", d.Herd, u)
		}
	}
}
