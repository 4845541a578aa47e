package simherd_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

// binomial holds a count against its probability: within 4.5 standard errors,
// which a right program misses once in 150,000 draws.
func binomial(t *testing.T, what string, k, n int, p float64) {
	t.Helper()
	within(t, what, float64(k), float64(n)*p, float64(n)*p*(1-p))
	if n < 30 {
		t.Errorf("%s: only %d trials", what, n)
	}
}

func within(t *testing.T, what string, got, mean, variance float64) {
	t.Helper()
	if math.Abs(got-mean) > 4.5*math.Sqrt(variance)+0.5 {
		t.Errorf("%s: %.1f, expected %.1f with a standard error of %.1f", what, got, mean, math.Sqrt(variance))
	}
}

// What is drawn has the frequencies that the parameters state.
func TestTruthFollowsParameters(t *testing.T) {
	p := simherd.Default(1500)
	p.First = event.NewDate(2022, 1, 1)
	p.Breeding.Timed = 0.2
	_, truth, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	shown, walked := [3]int{}, 0
	last := map[int]simherd.Heat{}
	cycles, cycleDays := 0, 0.0
	for _, h := range truth.Heats {
		shown[h.Shown]++
		if h.Walked {
			walked++
		}
		if h.Served && !h.Walked {
			t.Fatalf("served without a reading: %+v", h)
		}
		if before, ok := last[h.Individual]; ok && h.Lactation >= 2 && before.Lactation == h.Lactation && !before.Served && !before.Pregnant && !h.Pregnant {
			if d := int(h.On - before.On); d <= 27 {
				cycles++
				cycleDays += float64(d)
			}
		}
		last[h.Individual] = h
	}
	heats := len(truth.Heats)
	binomial(t, "obvious heats", shown[simherd.Obvious], heats, p.Reading.Obvious)
	binomial(t, "suspect heats", shown[simherd.Suspect], heats, p.Reading.Suspect)
	within(t, "mean cycle of cows", cycleDays/float64(cycles), p.Cycle.CowDays, p.Cycle.SD*p.Cycle.SD/float64(cycles)+0.001)

	// Heats of cows that are eligible and walked: obvious ones are served by one
	// share, suspects by the product of three.
	served, could := [3]int{}, [3]int{}
	for _, h := range truth.Heats {
		if h.Walked && h.Eligible && !h.Pregnant {
			could[h.Shown]++
			if h.Served {
				served[h.Shown]++
			}
		}
	}
	binomial(t, "served of obvious", served[simherd.Obvious], could[simherd.Obvious], p.Reading.Served)
	binomial(t, "served of suspects", served[simherd.Suspect], could[simherd.Suspect], p.Reading.Examined*p.Reading.FeltInHeat*p.Reading.Served)
	if served[simherd.Missed] != 0 {
		t.Error("a missed heat was served")
	}

	all, mean, variance, out := 0, 0.0, 0.0, 0
	for _, s := range truth.Services {
		if s.Conceived {
			all++
		}
		mean += s.Probability
		variance += s.Probability * (1 - s.Probability)
		if !s.TrueHeat || s.Pregnant {
			out++
			if s.Conceived || s.Probability != 0 {
				t.Fatalf("took without a heat: %+v", s)
			}
		}
		if s.Conceived != (s.Pregnancy >= 0) || s.Conceived && truth.Pregnancies[s.Pregnancy].On != s.On {
			t.Fatalf("pregnancy of %+v", s)
		}
	}
	within(t, "conceptions", float64(all), mean, variance)
	if out == 0 {
		t.Error("no service out of heat")
	}

	// Losses by stage, of the pregnancies that lived to it and could be followed
	// to its end.
	for _, l := range p.Losses {
		lost, followed := 0, 0
		for _, c := range truth.Pregnancies {
			end := c.LeftOn
			if end == 0 {
				end = p.Last + 1
			}
			if c.On < p.First || c.LostOn != 0 && c.LostOn-c.On < event.Date(l.From) || end-c.On < event.Date(l.To) {
				continue
			}
			followed++
			if c.LostOn != 0 && c.LostOn-c.On < event.Date(l.To) {
				lost++
			}
		}
		binomial(t, fmt.Sprintf("losses on days %d to %d", l.From, l.To), lost, followed, l.Share)
	}

	twins := 0
	for _, c := range truth.Calvings {
		if c.Calves == 2 {
			twins++
		}
	}
	binomial(t, "twins", twins, len(truth.Calvings), p.Calving.Twins)

	// Departures for each reason, in each lactation, and in the first days after a
	// calving and later, against the hazard of every day lived, of the cows that
	// calved in the record.
	type spell struct{ from, to event.Date }
	lived, calved := map[int]map[int]*spell{}, map[int]int{} // by individual and lactation
	for _, c := range truth.Calvings {
		if lived[c.Individual] == nil {
			lived[c.Individual] = map[int]*spell{}
		}
		if before := lived[c.Individual][c.Lactation-1]; before != nil {
			before.to = c.On
		}
		lived[c.Individual][c.Lactation] = &spell{c.On, p.Last + 1}
		calved[c.Lactation]++
	}
	got, want := map[string]float64{}, map[string]float64{}
	for _, l := range truth.Departures {
		x := lived[l.Individual][l.Lactation]
		if x == nil {
			continue
		}
		x.to = l.On
		for _, r := range p.Leaving.Reasons {
			if r.Text == l.Reason {
				got[r.Text]++
				got[fmt.Sprint("lactation ", l.Lactation)]++
				got[fmt.Sprint("fresh ", l.On-x.from <= event.Date(p.Leaving.FreshDays))]++
			}
		}
	}
	yearly := 0.0
	for _, r := range p.Leaving.Reasons {
		yearly += r.PerYear
	}
	for _, list := range lived {
		for n, x := range list {
			days := float64(x.to - x.from)
			fresh := min(days, float64(p.Leaving.FreshDays))
			factor := p.Leaving.ByLactation[min(n, len(p.Leaving.ByLactation))-1] / 365
			early, late := p.Leaving.Fresh*fresh*factor, (days-fresh)*factor
			for _, r := range p.Leaving.Reasons {
				want[r.Text] += r.PerYear * (early + late)
			}
			want[fmt.Sprint("lactation ", n)] += yearly * (early + late)
			want["fresh true"] += yearly * early
			want["fresh false"] += yearly * late
		}
	}
	for what, mean := range want {
		within(t, "left: "+what, got[what], mean, mean)
	}
	if len(want) < 14 || calved[6] < 20 {
		t.Errorf("only %d groups of departures, %d in lactation 6", len(want), calved[6])
	}
}

// A service takes with the product of everything that bears on it. The factors
// lie far apart here, so that a forgotten one shows.
func TestConceptionIsTheProduct(t *testing.T) {
	p := simherd.Default(1000)
	p.Breeding.Timed = 0.3
	p.Conception = simherd.Conception{
		Heifer: 0.5, ByService: []float64{0.6, 0.45, 0.3}, ByLactation: []float64{1.2, 1, 0.7}, Suspect: 0.6, Timed: 0.5, Sexed: 0.6,
	}
	p.Technicians = []simherd.Worker{{Code: "t1", Share: 0.6, Factor: 1.1}, {Code: "t2", Share: 0.4, Factor: 0.6}}
	p.Summer = simherd.Season{From: 6, To: 8, Conception: 0.5, Signs: 0.6}
	p.Sires = []simherd.Sire{{Code: "b-101", Factor: 1.1}, {Code: "b-104", Factor: 0.6}, {Code: "b-201", Beef: true, Factor: 0.8}}
	_, truth, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	worker, sire := map[string]float64{}, map[string]float64{}
	for _, w := range p.Technicians {
		worker[w.Code] = w.Factor
	}
	beef := map[string]bool{}
	for _, b := range p.Sires {
		sire[b.Code] = b.Factor
		beef[b.Code] = b.Beef
	}
	groups := map[string]*[3]float64{} // took, mean, variance
	served := map[string]int{}
	for _, s := range truth.Services {
		served[s.Technician]++
		if s.Pregnant || !s.TrueHeat {
			continue
		}
		want := p.Conception.Heifer
		if s.Lactation > 0 {
			want = p.Conception.ByService[min(s.Number, 3)-1] * p.Conception.ByLactation[min(s.Lactation, 3)-1]
		}
		want *= map[simherd.Found]float64{simherd.FoundObvious: 1, simherd.FoundSuspect: p.Conception.Suspect, simherd.FoundTimed: p.Conception.Timed}[s.Found]
		if s.Semen == "sexed_female" {
			want *= p.Conception.Sexed
		}
		_, month, _ := s.On.Civil()
		summer := month >= 6 && month <= 8
		if summer {
			want *= p.Summer.Conception
		}
		want = min(want*worker[s.Technician]*sire[s.Sire], 0.95)
		if math.Abs(want-s.Probability) > 1e-9 {
			t.Fatalf("want %v: %+v", want, s)
		}
		if late := s.Lactation > 0 && s.Number >= p.Breeding.BeefFrom; late != beef[s.Sire] || late != (s.Semen == "beef") || s.Semen == "sexed_female" && s.Lactation > 0 {
			t.Fatalf("the semen of %+v", s)
		}
		for _, group := range []string{
			fmt.Sprintf("in summer %v", summer),
			fmt.Sprintf("service %d of cows %v", min(s.Number, 3), s.Lactation > 0), fmt.Sprintf("lactation %d", min(s.Lactation, 3)),
			fmt.Sprintf("found %d", s.Found), "technician " + s.Technician, "sire " + s.Sire, "semen " + s.Semen,
		} {
			g := groups[group]
			if g == nil {
				g = new([3]float64)
				groups[group] = g
			}
			if s.Conceived {
				g[0]++
			}
			g[1] += want
			g[2] += want * (1 - want)
		}
	}
	for name, g := range groups {
		within(t, name, g[0], g[1], g[2])
	}
	if len(groups) < 20 {
		t.Errorf("only %d groups", len(groups))
	}
	shown := map[bool][2]int{}
	for _, h := range truth.Heats {
		_, month, _ := h.On.Civil()
		summer := month >= 6 && month <= 8
		n := shown[summer]
		n[1]++
		if h.Shown == simherd.Obvious {
			n[0]++
		}
		shown[summer] = n
	}
	binomial(t, "obvious heats in summer", shown[true][0], shown[true][1], p.Reading.Obvious*p.Summer.Signs)
	binomial(t, "obvious heats out of it", shown[false][0], shown[false][1], p.Reading.Obvious)
	binomial(t, "services of t1", served["t1"], served["t1"]+served["t2"], 0.6)
}

// The herd is at a steady state: its size is that of the parameters on the
// first day, on the last, and in between, and so is the share of cows pregnant.
func TestSteadyState(t *testing.T) {
	p := simherd.Default(600)
	h := herd(t, p)
	calved, calvings := map[string]bool{}, map[int]int{}
	check := func(on event.Date) {
		t.Helper()
		within(t, "cows on "+on.String(), float64(len(calved)), float64(p.Cows), 100)
	}
	first := true
	for on, e := range h.Events() {
		if first && on > p.First {
			check(p.First)
			first = false
		}
		switch d := e.Data.(type) {
		case *event.Arrival:
			if d.Parity.N > 0 {
				calved[e.Animal] = true
			}
		case *event.Calving:
			calved[e.Animal] = true
			y, _, _ := e.On.Civil()
			calvings[y]++
		case *event.Departure:
			delete(calved, e.Animal)
		}
		if _, m, day := on.Civil(); day == 15 && m == 6 && e.Kind == event.KindWalk {
			check(on)
		}
	}
	check(p.Last)
	total := 0
	for _, n := range calvings {
		total += n
	}
	mean := float64(total) / float64(len(calvings))
	for y, n := range calvings {
		if math.Abs(float64(n)-mean) > 0.2*mean {
			t.Errorf("%d calvings in %d, %.0f in the mean year", n, y, mean)
		}
	}
}

// state is what the record says of one animal.
type state struct {
	pen               string
	parity            int
	born, calved      event.Date
	bred, conceived   event.Date
	pregnant, dry     bool
	stopped, departed bool
	small             bool
}

// No sequence of the record is impossible in biology or in the yard: replayed
// cow by cow, without noise.
func TestSequences(t *testing.T) {
	p := small()
	p.Renumber = true
	p.Breeding.Timed = 0.2
	counts := sequences(t, simherd.Named{Herd: "mill-lane", Params: p})
	for what, least := range map[string]int{"renumbered": 100, "calved": 500, "bred": 1500, "bred while pregnant": 1} {
		if counts[what] < least {
			t.Errorf("%s: %d", what, counts[what])
		}
	}
	for _, d := range simherd.Demo() {
		d.Params.Noise = simherd.Noise{}
		counts := sequences(t, d)
		if d.Params.Breeding.Bull.Code != "" && counts["ran with a bull"] < 50 || d.Params.Rearing.BigAt > 0 && counts["too small"] < 10 || counts["bred while pregnant"] < 5 {
			t.Errorf("%s: %v", d.Herd, counts)
		}
	}
}

func sequences(t *testing.T, d simherd.Named) map[string]int {
	t.Helper()
	p := d.Params
	truth := map[uuid.UUID]simherd.Service{}
	h, err := simherd.New(p, d.Herd)
	if err != nil {
		t.Fatal(err)
	}
	for range h.Events() {
	}
	for _, s := range h.Truth().Services {
		truth[s.Event] = s
	}
	breeds := map[string]simherd.Breed{}
	for _, b := range p.Breeds {
		breeds[b.Name] = b
	}
	animals, pens := map[string]*state{}, map[string]int{}
	counts := map[string]int{}
	for _, e := range h.Events() {
		fail := func(why string) {
			t.Helper()
			t.Errorf("%s: %s", why, e.Canonical())
		}
		a := animals[e.Animal]
		if e.Kind != event.KindWalk && e.Kind != event.KindArrival && (a == nil || a.departed) {
			fail("she is not there")
			continue
		}
		age := func() event.Date { return e.On - a.born }
		switch d := e.Data.(type) {
		case *event.Arrival:
			if a != nil {
				fail("she is there already")
			}
			a = &state{pen: d.Pen, parity: d.Parity.N, born: d.BornOn, calved: d.LastCalvedOn, bred: d.LastBredOn, conceived: d.ConceivedOn, pregnant: d.ConceivedOn != 0}
			a.dry = d.Pen == p.Pens.Dry
			animals[e.Animal] = a
			pens[d.Pen]++
			if a.pregnant && e.On-d.ConceivedOn > 320 || (a.parity > 0) != (a.calved != 0) || a.parity > 0 && a.calved-a.born < 600 {
				fail("no such past")
			}
		case *event.Renumber:
			if animals[d.To] != nil {
				fail("the number is taken")
			}
			animals[d.To] = a
			delete(animals, e.Animal)
			counts["renumbered"]++
		case *event.Calving:
			a.parity++
			if d.Parity.N != a.parity {
				fail("lactations were lost")
			}
			if a.parity > 1 && e.On-a.calved < 300 || age() < 600 {
				fail("calved too soon")
			}
			if a.bred == 0 {
				fail("calved without a service")
			}
			a.calved, a.pregnant, a.conceived, a.bred, a.dry, a.stopped = e.On, false, 0, 0, false, false
			counts["calved"]++
		case *event.Breeding:
			s, known := truth[e.ID]
			if !known || s.Animal != e.Animal || s.On != e.On || s.Technician != e.By || s.Sire != d.Sire || s.Semen != d.Semen {
				fail("the truth knows another service")
			}
			if s.Pregnant {
				counts["bred while pregnant"]++
			}
			if a.pregnant || a.dry || a.stopped || a.bred == e.On {
				fail("bred though she is not to be")
			}
			if a.parity == 0 && int(age()) < p.Rearing.BreedAt || a.parity > 0 && int(e.On-a.calved) < p.WaitDays {
				fail("bred too soon")
			}
			if (d.Basis == event.Timed) != (s.Found == simherd.FoundTimed) {
				fail("the basis")
			}
			a.bred = max(e.On, d.Until)
			if d.Until != 0 {
				counts["ran with a bull"]++
				if d.Method != event.Natural || a.pen != p.Breeding.Bull.Pen || d.Until-e.On > event.Date(p.Breeding.Bull.Days) {
					fail("no such run")
				}
			}
			if a.small {
				fail("bred though she is too small")
			}
			delete(truth, e.ID)
			counts["bred"]++
		case *event.PregnancyDiagnosis:
			if a.bred == 0 || int(e.On-a.bred) < p.Diagnosis.After && !a.pregnant {
				fail("diagnosed too soon")
			}
			a.pregnant = d.Result == event.Pregnant || a.pregnant && d.Result == event.Unclear
			if d.DaysPregnant.Set && d.DaysPregnant.N < 26 {
				fail("felt before it can be")
			}
		case *event.PregnancyLoss:
			if !a.pregnant {
				fail("lost what nobody knew of")
			}
			a.pregnant = false
		case *event.DryOff:
			if e.On != p.First && (a.dry || !a.pregnant || a.parity == 0) {
				fail("dried off")
			}
			a.dry = true
		case *event.BreedingStop:
			if a.stopped {
				fail("stopped twice")
			}
			a.stopped = true
		case *event.BreedingResume:
			if !a.stopped {
				fail("resumed without a stop")
			}
			a.stopped = false
		case *event.Move:
			if d.Pen == a.pen {
				fail("moved to where she is")
			}
			pens[a.pen]--
			pens[d.Pen]++
			a.pen = d.Pen
		case *event.Walk:
			if d.Seen.N != pens[d.Pen] {
				fail(fmt.Sprintf("there are %d", pens[d.Pen]))
			}
		case *event.Heat, *event.Palpation:
			if slices.Contains([]string{p.Pens.Calves, p.Pens.Dry, p.Pens.Fresh, p.Breeding.Bull.Pen}, a.pen) {
				fail("read in a pen that nobody walks")
			}
		case *event.Size:
			a.small = d.BigEnough == event.No
			if a.small {
				counts["too small"]++
			}
			if (p.Rearing.BigAt > 0) != d.WeightKG.Set && e.On != p.First {
				fail("weighed")
			}
		case *event.Departure:
			a.departed = true
			pens[a.pen]--
		}
	}
	if len(truth) != 0 {
		t.Errorf("%d services were never recorded", len(truth))
	}
	for _, c := range h.Truth().Calvings {
		if c.Gestation < 254 || c.Gestation > 302 { // the mean of the breeds ± 3 SD, twins 4.4 days earlier
			t.Errorf("carried for %d days: %+v", c.Gestation, c)
		}
	}
	return counts
}

// Carried days by breed and lactation are those of the parameters.
func TestGestation(t *testing.T) {
	p := simherd.Default(800)
	p.Calving.Twins = 0
	p.Breeds = p.Breeds[:1]
	_, truth, err := simherd.Generate(p, "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	for young, want := range map[bool]float64{true: p.Breeds[0].GestationHeifer, false: p.Breeds[0].GestationCow} {
		n, sum := 0, 0.0
		for _, c := range truth.Calvings {
			if (c.Lactation == 1) == young {
				n++
				sum += float64(c.Gestation)
			}
		}
		sd := p.Breeds[0].GestationStdDays
		within(t, fmt.Sprintf("gestation (heifers %v) %.2f", young, sum/float64(n)), sum/float64(n), want-0.0, sd*sd/float64(n)-0)
		if n < 100 {
			t.Errorf("only %d calvings", n)
		}
	}
}

// The truth and a record without noise tell of the same calvings, losses seen
// and departures.
func TestTruthIsWhatIsRecorded(t *testing.T) {
	events, truth, err := simherd.Generate(small(), "mill-lane")
	if err != nil {
		t.Fatal(err)
	}
	type fact struct {
		kind   event.Kind
		animal string
		on     event.Date
	}
	want := map[fact]bool{}
	for _, c := range truth.Calvings {
		want[fact{event.KindCalving, c.Animal, c.On}] = true
	}
	for _, l := range truth.Departures {
		want[fact{event.KindDeparture, l.Animal, l.On}] = true
	}
	for _, c := range truth.Pregnancies {
		if c.LossSeen {
			want[fact{event.KindPregnancyLoss, c.Animal, c.LostOn}] = true
		}
		if c.CalvedOn != 0 && !want[fact{event.KindCalving, c.Animal, c.CalvedOn}] {
			t.Errorf("no calving of %+v", c)
		}
		if c.LostOn != 0 && c.CalvedOn != 0 || c.LeftOn != 0 && (c.CalvedOn != 0 || c.LostOn != 0) {
			t.Errorf("ended twice: %+v", c)
		}
	}
	for _, e := range events {
		if e.Kind == event.KindCalving || e.Kind == event.KindDeparture || e.Kind == event.KindPregnancyLoss {
			f := fact{e.Kind, e.Animal, e.On}
			if !want[f] {
				t.Errorf("the truth has no %+v", f)
			}
			delete(want, f)
		}
	}
	for f := range want {
		t.Errorf("not recorded: %+v", f)
	}

	results := map[fact]string{}
	for _, e := range events {
		if d, ok := e.Data.(*event.PregnancyDiagnosis); ok {
			results[fact{e.Kind, e.Animal, e.On}] = d.Result
		}
	}
	examined, lost := 0, 0
	for _, s := range truth.Services {
		if s.DiagnosedOn == 0 {
			continue
		}
		examined++
		if got := results[fact{event.KindPregnancyDiagnosis, s.Animal, s.DiagnosedOn}]; got != s.Diagnosis {
			t.Errorf("recorded as %q: %+v", got, s)
		}
		alive := s.Conceived
		if alive {
			if c := truth.Pregnancies[s.Pregnancy]; c.LostOn != 0 && c.LostOn <= s.DiagnosedOn {
				alive = false
				lost++
			}
		}
		if !s.Pregnant && alive != (s.Diagnosis == event.Pregnant) {
			t.Errorf("examined wrongly, though nobody errs here: %+v", s)
		}
	}
	if examined < len(truth.Services)/3 || lost == 0 {
		t.Errorf("%d of %d services were examined, %d of them after a loss", examined, len(truth.Services), lost)
	}
}

// A log refuses none of what is simulated, whatever noise there is.
func TestNothingIsRefused(t *testing.T) {
	p := messy()
	p.Cows = 60
	fold := repro.NewHerd("mill-lane", nil)
	seqs := map[uuid.UUID]int64{}
	seq := int64(0)
	for on, e := range herd(t, p).Events() {
		if r := fold.Refusal(e, repro.Asked{}); r != nil {
			t.Errorf("%s: %s: %s", r.Code, r.Text, e.Canonical())
		}
		seq++
		seqs[e.ID] = seq
		f := repro.Fact{Event: e, Seq: seq, RecordedAt: on.Time()}
		if v, ok := e.Data.(*event.Void); ok {
			f.Voids = seqs[v.Event]
		}
		fold.Apply([]repro.Fact{f})
	}
	if seq < 5000 {
		t.Errorf("only %d events", seq)
	}
}

// A herd left to itself sells no surplus and buys nothing; one kept at its size
// does both.
func TestFreeHerd(t *testing.T) {
	traded := func(free bool) (surplus, bought, departures int) {
		p := simherd.Default(300)
		p.Rearing.Kept, p.Leaving.Free = 0.5, free
		events, truth, err := simherd.Generate(p, "mill-lane")
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range truth.Departures {
			if l.Reason == "surplus" {
				surplus++
			}
		}
		for _, e := range events {
			if d, ok := e.Data.(*event.Arrival); ok && d.How == event.Purchased {
				bought++
			}
		}
		return surplus, bought, len(truth.Departures)
	}
	if surplus, bought, departures := traded(true); surplus != 0 || bought != 0 || departures < 100 {
		t.Errorf("a free herd sold %d as surplus, bought %d, lost %d", surplus, bought, departures)
	}
	if surplus, bought, _ := traded(false); surplus == 0 || bought == 0 {
		t.Errorf("a herd that is kept at its size sold %d as surplus and bought %d", surplus, bought)
	}
}
