package simherd_test

import (
	"crypto/sha256"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/simherd"
)

// small is a herd that takes little time: 300 cows over three years.
func small() simherd.Params {
	p := simherd.Default(300)
	p.First, p.Last = event.NewDate(2023, 1, 1), event.NewDate(2025, 12, 31)
	return p
}

// messy is small with every kind of noise and every option.
func messy() simherd.Params {
	p := small()
	p.Renumber, p.OfficialIDs = true, true
	p.Breeding.Timed = 0.3
	p.Reading.ServePregnant, p.Reading.Sensor = 0.2, 0.1
	p.Diagnosis.Sensitivity, p.Diagnosis.Specificity = 0.97, 0.98
	p.Noise = simherd.Noise{Late: 0.1, LateMax: 20, Doubled: 0.02, Missing: 0.03, Swapped: 0.01, Corrected: 0.02, Noted: 0.3}
	return p
}

func herd(t testing.TB, p simherd.Params) *simherd.Herd {
	t.Helper()
	h, err := simherd.New(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// Every event of every demo herd, and of one with every noise, is valid on the
// day it is recorded, comes on a day not before the last, has an id of its own,
// and corrects only what stands before it.
func TestEventsAreValid(t *testing.T) {
	herds := append(simherd.Demo(), simherd.Named{Herd: "noise", Params: messy()})
	kinds := map[event.Kind]int{}
	for _, d := range herds {
		h, err := simherd.New(d.Params, d.Herd)
		if err != nil {
			t.Fatal(err)
		}
		ids, voided := map[uuid.UUID]event.Kind{}, map[uuid.UUID]bool{}
		last := d.Params.First
		for on, e := range h.Events() {
			if on < last || on > d.Params.Last || e.On < d.Params.First || e.Herd != d.Herd {
				t.Fatalf("%s: recorded on %s after %s: %s", d.Herd, on, last, e.Canonical())
			}
			last = on
			if err := e.Validate(on); err != nil {
				t.Fatalf("%s: %v: %s", d.Herd, err, e.Canonical())
			}
			if _, again := ids[e.ID]; again || e.ID.Version() != 8 || e.ID.Variant() != uuid.RFC4122 {
				t.Fatalf("%s: the id %s", d.Herd, e.ID)
			}
			ids[e.ID] = e.Kind
			kinds[e.Kind]++
			if v, ok := e.Data.(*event.Void); ok {
				if kind, ok := ids[v.Event]; !ok || kind == event.KindVoid || voided[v.Event] {
					t.Fatalf("%s: a void of %s, a %s", d.Herd, v.Event, kind)
				}
				voided[v.Event] = true
			}
			if e.Replaces != uuid.Nil && !voided[e.Replaces] {
				t.Fatalf("%s: %s replaces what is not withdrawn", d.Herd, e.Canonical())
			}
			if (e.Note == "") != (e.NoteHash == event.Digest{}) {
				t.Fatalf("%s: a note that is not sealed: %+v", d.Herd, e)
			}
		}
		if last < d.Params.Last-7 {
			t.Errorf("%s ends on %s", d.Herd, last)
		}
	}
	for _, s := range event.Specs() {
		if kinds[s.Kind] == 0 {
			t.Errorf("no %s in any herd", s.Name)
		}
	}
}

// digest is over everything that is recorded, with its day.
func digest(h *simherd.Herd) string {
	sum := sha256.New()
	for on, e := range h.Events() {
		sum.Write(fmt.Appendf(nil, "%s %s %s %s\n", on, e.Canonical(), e.Note, e.NoteSalt))
	}
	return fmt.Sprintf("%x", sum.Sum(nil))
}

func TestSameSeedSameHerd(t *testing.T) {
	p := messy()
	h := herd(t, p)
	for range h.Events() { // a run that is broken off leaves nothing behind
		break
	}
	first := digest(h)
	truth := h.Truth()
	if digest(h) != first || digest(herd(t, p)) != first {
		t.Error("the same seed gives another herd")
	}
	if !reflect.DeepEqual(h.Truth(), truth) {
		t.Error("the same seed gives another truth")
	}
	if other, err := simherd.New(p, "alder-row"); err != nil || digest(other) == first {
		t.Error("another name gives the same herd")
	}
	p.Seed++
	if digest(herd(t, p)) == first {
		t.Error("another seed gives the same herd")
	}
	events, again, err := simherd.Generate(messy(), "mill-lane")
	if err != nil || len(events) == 0 || !reflect.DeepEqual(again, truth) {
		t.Errorf("Generate gives another herd: %v", err)
	}
}

// Noise is between the cow and the paper: what happens to the cows is the same,
// and so is every event that noise leaves alone.
func TestNoiseLeavesTheTruth(t *testing.T) {
	p := messy()
	noisy, truth, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	noise := p.Noise
	p.Noise = simherd.Noise{}
	clean, pure, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(truth, pure) {
		t.Fatal("noise changed the truth")
	}
	found := map[uuid.UUID]*event.Event{}
	for _, e := range noisy {
		found[e.ID] = e
	}
	same, gone, moved, fixed := 0, 0, 0, 0
	for _, e := range clean {
		n := found[e.ID]
		switch {
		case n == nil:
			gone++
		case n.Animal != e.Animal:
			moved++
		case n.Replaces != e.Replaces:
			fixed++
		case n.Note != "" || string(n.Canonical()) == string(e.Canonical()):
			same++
		default:
			t.Fatalf("%s became %s", e.Canonical(), n.Canonical())
		}
		delete(found, e.ID)
	}
	twins, voids, wrong := 0, 0, 0
	for _, e := range found { // what only the noisy record has
		switch {
		case e.Kind == event.KindVoid:
			voids++
		case e.By == "s1" || strings.HasPrefix(e.By, "t"):
			twins++
		default:
			wrong++
		}
	}
	if gone == 0 || moved == 0 || fixed == 0 || voids == 0 || twins == 0 || wrong == 0 || same < len(clean)*9/10 {
		t.Errorf("same %d, missing %d, swapped %d, restated %d, withdrawn %d, doubled %d, wrong %d of %d with %+v", same, gone, moved, fixed, voids, twins, wrong, len(clean), noise)
	}
}

// The shares of the noise are those of the parameters.
func TestNoiseShares(t *testing.T) {
	p := small()
	clean, _, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[uuid.UUID]event.Kind{}
	n := map[event.Kind]int{}
	for _, e := range clean {
		kinds[e.ID] = e.Kind
		n[e.Kind]++
	}
	fixed := n[event.KindArrival] + n[event.KindDeparture] + n[event.KindWalk] + n[event.KindSize] + n[event.KindCalving]
	for _, e := range clean { // what stands in for an older fact on the first day is always recorded
		if e.On == p.First && (e.Kind == event.KindDryOff || e.Kind == event.KindBreedingStop) {
			fixed++
		}
	}
	doubtful := n[event.KindHeat] + n[event.KindBreeding] + n[event.KindPregnancyDiagnosis]
	run := func(noise simherd.Noise) (events []*event.Event, late int) {
		t.Helper()
		p.Noise = noise
		for on, e := range herd(t, p).Events() {
			events = append(events, e)
			if on != e.On {
				late++
				if on < e.On || on > e.On+event.Date(max(noise.LateMax, 1)) {
					t.Fatalf("recorded on %s: %s", on, e.Canonical())
				}
			}
		}
		return events, late
	}
	events, _ := run(simherd.Noise{Missing: 0.05})
	binomial(t, "missing", len(clean)-len(events), len(clean)-fixed, 0.05)
	events, _ = run(simherd.Noise{Doubled: 0.05})
	binomial(t, "doubled", len(events)-len(clean), doubtful, 0.05)
	_, late := run(simherd.Noise{Late: 0.2, LateMax: 10})
	binomial(t, "late", late, len(clean)-fixed, 0.2)
	events, _ = run(simherd.Noise{Corrected: 0.05, LateMax: 10})
	voids := 0
	for _, e := range events {
		if e.Kind == event.KindVoid {
			voids++
		}
	}
	binomial(t, "corrected", voids, n[event.KindBreeding]+n[event.KindPregnancyDiagnosis], 0.05)
}

func TestNewRefuses(t *testing.T) {
	for _, c := range []struct {
		field string
		spoil func(*simherd.Params)
	}{
		{"Cows", func(p *simherd.Params) { p.Cows = 0 }},
		{"First", func(p *simherd.Params) { p.First = event.NewDate(1919, 12, 31) }},
		{"Last", func(p *simherd.Params) { p.Last = p.First - 1 }},
		{"WaitDays", func(p *simherd.Params) { p.WaitDays = -1 }},
		{"Breeds", func(p *simherd.Params) { p.Breeds = nil }},
		{"Breeds", func(p *simherd.Params) { p.Breeds[0].GestationCow = 250 }},
		{"Breeds", func(p *simherd.Params) { p.Breeds[0].Name = "" }},
		{"Cycle", func(p *simherd.Params) { p.Cycle.CowDays = 28 }},
		{"Cycle", func(p *simherd.Params) { p.Cycle.SD = -1 }},
		{"Cycle", func(p *simherd.Params) { p.Cycle.LateMax = 3 }},
		{"Cycle", func(p *simherd.Params) { p.Cycle.WhilePregnant = 1.5 }},
		{"Cycle.SilentDays", func(p *simherd.Params) { p.Cycle.SilentDays = -3 }},
		{"Reading", func(p *simherd.Params) { p.Reading.Obvious, p.Reading.Suspect = 0.7, 0.4 }},
		{"Reading", func(p *simherd.Params) { p.Reading.Served = -0.1 }},
		{"Breeding.TimedAt", func(p *simherd.Params) { p.Breeding.Timed, p.Breeding.TimedAt = 0.5, 30 }},
		{"Breeding.StopAfter", func(p *simherd.Params) { p.Breeding.StopAfter = 10 }},
		{"Breeding.SellAfter", func(p *simherd.Params) { p.Breeding.SellAfter = 0 }},
		{"Conception", func(p *simherd.Params) { p.Conception.ByService = nil }},
		{"Conception", func(p *simherd.Params) { p.Conception.Suspect = 4 }},
		{"Losses", func(p *simherd.Params) { p.Losses[1].From = 31 }},
		{"Losses", func(p *simherd.Params) { p.Losses[3].To = 290 }},
		{"Losses", func(p *simherd.Params) { p.Losses[0].Share = 2 }},
		{"Diagnosis.Every", func(p *simherd.Params) { p.Diagnosis.Every = 0 }},
		{"Diagnosis.After", func(p *simherd.Params) { p.Diagnosis.After = 20 }},
		{"Diagnosis.Method", func(p *simherd.Params) { p.Diagnosis.Method = "guess" }},
		{"Calving", func(p *simherd.Params) { p.Calving.Twins = -1 }},
		{"Calving.TwinsDays", func(p *simherd.Params) { p.Calving.TwinsDays = 20 }},
		{"DryBefore", func(p *simherd.Params) { p.DryBefore = 200 }},
		{"Leaving", func(p *simherd.Params) { p.Leaving.Reasons[0].How = "lost" }},
		{"Rearing", func(p *simherd.Params) { p.Rearing.Kept = 1.1 }},
		{"Rearing.BreedAt", func(p *simherd.Params) { p.Rearing.BreedAt = 100 }},
		{"Rearing.GiveUpAt", func(p *simherd.Params) { p.Rearing.GiveUpAt = 396 }},
		{"Pens", func(p *simherd.Params) { p.Pens.Milking = nil }},
		{"Technicians", func(p *simherd.Params) { p.Technicians = nil }},
		{"Technicians", func(p *simherd.Params) { p.Technicians[0].Factor = -1 }},
		{"Sires", func(p *simherd.Params) { p.Sires = p.Sires[6:] }},
		{"Diagnosis.Before", func(p *simherd.Params) { p.Diagnosis.Before = 14 }},
		{"Calving", func(p *simherd.Params) { p.Calving.Stillborn = nil }},
		{"Leaving", func(p *simherd.Params) { p.Leaving.ByLactation = nil }},
		{"Leaving.FreshDays", func(p *simherd.Params) { p.Leaving.FreshDays = -1 }},
		{"Breeds", func(p *simherd.Params) { p.Rearing.BigAt, p.Breeds[0].MatureKG = 0.55, 0 }},
		{"Pens", func(p *simherd.Params) { p.Pens.Fresh = "fresh" }},
		{"Summer", func(p *simherd.Params) { p.Summer = simherd.Season{From: 9, To: 6} }},
		{"Breeding.Bull", func(p *simherd.Params) { p.Breeding.Bull.Code = "b-301" }},
		{"Noise", func(p *simherd.Params) { p.Noise.Uncalved = -1 }},
		{"Noise", func(p *simherd.Params) { p.Noise.Late = 7 }},
		{"Noise.LateMax", func(p *simherd.Params) { p.Noise.Late = 0.1 }},
	} {
		p := small()
		c.spoil(&p)
		_, err := simherd.New(p, "mill-lane")
		if err == nil || !strings.Contains(err.Error(), "simherd: "+c.field+" ") {
			t.Errorf("%s: %v", c.field, err)
		}
		if _, _, err := simherd.Generate(p, "mill-lane"); err == nil {
			t.Errorf("%s: taken by Generate", c.field)
		}
	}
	if _, err := simherd.New(small(), "Mill Lane"); err == nil {
		t.Error("a bad name is taken")
	}
	if _, err := simherd.New(simherd.Params{}, "mill-lane"); err == nil {
		t.Error("no parameters are taken")
	}
}

// A herd of one cow, a record of one day, a sire list without beef: the edges
// of what is allowed.
func TestEdges(t *testing.T) {
	for name, spoil := range map[string]func(*simherd.Params){
		"one cow":    func(p *simherd.Params) { p.Cows = 1 },
		"one day":    func(p *simherd.Params) { p.Last = p.First },
		"no beef":    func(p *simherd.Params) { p.Sires = p.Sires[:3] },
		"no leaving": func(p *simherd.Params) { p.Leaving.Reasons = nil },
		"never read": func(p *simherd.Params) { p.Reading.Walked = 0 },
		"all certain": func(p *simherd.Params) {
			p.Reading.Obvious, p.Reading.Suspect, p.Reading.FalseSuspect, p.Reading.FalseObvious = 1, 0, 1, 1
			p.Conception.ByService, p.Calving.Stillborn, p.Calving.Twins = []float64{1}, []float64{1}, 1
		},
		"no false marks": func(p *simherd.Params) { p.Reading.FalseSuspect, p.Reading.FalseObvious = 0, 0 },
		"no waiting":     func(p *simherd.Params) { p.WaitDays, p.Breeding.Held = 0, 1 },
		"no losses":      func(p *simherd.Params) { p.Losses, p.Cycle.WhilePregnant = nil, 0 },
		"all lost":       func(p *simherd.Params) { p.Losses[0].Share = 1 },
		"early":          func(p *simherd.Params) { p.First, p.Last = event.NewDate(1920, 1, 1), event.NewDate(1921, 1, 1) },
		"late":           func(p *simherd.Params) { p.First, p.Last = event.NewDate(2199, 1, 1), event.NewDate(2199, 12, 31) },
	} {
		p := small()
		p.Cows, p.Last = 40, p.First+400
		spoil(&p)
		events := 0
		for on, e := range herd(t, p).Events() {
			events++
			if err := e.Validate(on); err != nil {
				t.Fatalf("%s: %v: %s", name, err, e.Canonical())
			}
		}
		if events == 0 {
			t.Errorf("%s: no events", name)
		}
	}
}

// The demo's herds are of the sizes that the demo promises.
func TestDemo(t *testing.T) {
	var names []string
	for _, d := range simherd.Demo() {
		names = append(names, fmt.Sprintf("%s %d", d.Herd, d.Params.Cows))
		h, err := simherd.New(d.Params, d.Herd)
		if err != nil {
			t.Fatal(err)
		}
		if h.Name() != d.Herd || h.Params().Cows != d.Params.Cows || h.Truth() != nil {
			t.Errorf("%s: %+v", d.Herd, h)
		}
	}
	if want := []string{"alder-row 180", "mill-lane 600", "north-meadow 3000"}; !slices.Equal(names, want) {
		t.Errorf("got %v", names)
	}
}

// Five years of 3,000 cows, and what that is in events a second.
func BenchmarkHerd(b *testing.B) {
	h := herd(b, simherd.Default(3000))
	events := 0
	b.ReportAllocs()
	for b.Loop() {
		for range h.Events() {
			events++
		}
	}
	b.ReportMetric(float64(events)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(float64(events)/float64(b.N), "events/herd")
}
