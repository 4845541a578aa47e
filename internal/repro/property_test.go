package repro_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

var (
	firstDay = day("2022-01-01")
	lastDay  = day("2024-12-31")
)

// drawEvent makes an event that the log would take, however odd: the fold must
// make sense of anything that passes validation.
func drawEvent(t *rapid.T, animals []string) *event.Event {
	pick := func(label string, words ...string) string { return rapid.SampledFrom(words).Draw(t, label) }
	animal := pick("animal", animals...)
	on := firstDay + event.Date(rapid.IntRange(0, int(lastDay-firstDay)).Draw(t, "day"))
	kind := rapid.SampledFrom([]event.Kind{
		event.KindArrival, event.KindRenumber, event.KindCalving, event.KindCalving, event.KindCalving, event.KindPregnancyLoss,
		event.KindWalk, event.KindHeat, event.KindPalpation, event.KindPregnancyDiagnosis, event.KindPregnancyDiagnosis,
		event.KindPregnancyDiagnosis, event.KindBreedingStop, event.KindBreedingResume, event.KindTreatment, event.KindBreeding,
		event.KindBreeding, event.KindBreeding, event.KindBreeding, event.KindBreeding, event.KindBreeding, event.KindDryOff,
		event.KindSize, event.KindMove, event.KindDeparture,
	}).Draw(t, "kind")
	if kind == event.KindWalk {
		animal = ""
	}
	e := event.New(kind, "random", animal, on)
	id := rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "id")
	e.ID = uuid.UUID(id)
	e.Half = pick("half", "", "", event.AM, event.PM)
	e.By = pick("by", "", "t1", "t2")
	stage := func() event.OptInt {
		if n := rapid.IntRange(-60, 120).Draw(t, "stage"); n > 0 {
			return event.Int(n)
		}
		return event.OptInt{}
	}
	pen := pick("pen", "p1", "p2")
	switch d := e.Data.(type) {
	case *event.Arrival:
		d.How, d.Pen, d.Sex = pick("how", event.Born, event.Purchased), pen, pick("sex", "", event.Female, event.Female, event.Male)
		d.Breed = pick("breed", "", "Holstein", "jersey")
		d.Dam, d.Sire, d.DamSire = pick("dam", "", animals[0]), pick("sire", "", "b1", "b2"), pick("dam's sire", "", "b1", "b2")
		if id := pick("official id", "", "own-1", "own-2"); id != "" {
			d.OfficialID = &event.OfficialID{ID: id, Scheme: pick("scheme", "herd.own", "herd.other")}
		}
		if rapid.Bool().Draw(t, "cow") && d.How == event.Purchased {
			d.Parity, d.LastCalvedOn = event.Int(rapid.IntRange(0, 4).Draw(t, "parity")), on-100
			d.LastBredOn, d.ConceivedOn = on-40, on-40
		}
	case *event.Renumber:
		if d.To = pick("to", animals...); d.To == animal {
			d.To = animal + "x"
		}
	case *event.Calving:
		if rapid.Bool().Draw(t, "numbered") {
			d.Parity = event.Int(rapid.IntRange(1, 5).Draw(t, "parity"))
		}
	case *event.PregnancyLoss:
		d.DaysPregnant = stage()
	case *event.Walk:
		d.Pen = pen
	case *event.Heat:
		d.Verdict, d.FoundBy = pick("verdict", event.InHeat, event.Suspect, event.NotInHeat), pick("found", "", "chalk", "watching")
	case *event.Palpation:
		d.Verdict = pick("verdict", event.InHeat, event.NotInHeat, event.Pregnant, event.Unclear)
	case *event.PregnancyDiagnosis:
		d.Method, d.Result = pick("method", event.Ultrasound, event.ByPalpation, event.Blood, event.Milk), pick("result", event.Pregnant, event.Open, event.Unclear)
		if d.Result == event.Pregnant {
			d.DaysPregnant = stage()
		}
	case *event.BreedingStop:
		if rapid.Bool().Draw(t, "bounded") {
			d.Until = on + 30
		}
	case *event.Treatment:
		d.MilkWithheldUntil = on + 4
	case *event.Breeding:
		d.Method, d.Sire = pick("method", event.AI, event.AI, event.AI, event.Natural, event.Embryo), pick("sire", "", "b1", "b2")
		d.Basis = pick("basis", "", event.ByHeat, event.Timed)
		if d.Method == event.Natural && rapid.Bool().Draw(t, "run") {
			d.Until = min(on+40, lastDay)
		}
	case *event.Size:
		d.WeightKG = event.Int(rapid.IntRange(100, 600).Draw(t, "weight"))
		if rapid.Bool().Draw(t, "judged") {
			d.BigEnough = event.OptBool{V: rapid.Bool().Draw(t, "big enough"), Set: true}
		}
	case *event.Move:
		d.Pen = pen
	case *event.Departure:
		d.How, d.Reason = pick("how", event.Sold, event.Died), pick("reason", "", "infertility", "lameness")
	}
	if err := e.Validate(lastDay); err != nil {
		t.Fatalf("the test draws an event that the log refuses: %v: %+v", err, e.Data)
	}
	return e
}

// drawLog draws a log of several animals, with a walk on the last day so that
// every part of it ends on the same date.
func drawLog(t *rapid.T, animals []string, most int) []*event.Event {
	n := rapid.IntRange(1, most).Draw(t, "events")
	seen := map[uuid.UUID]bool{}
	var out []*event.Event
	for range n {
		if e := drawEvent(t, animals); !seen[e.ID] {
			seen[e.ID] = true
			out = append(out, e)
		}
	}
	return append(out, endWalk("end"))
}

func endWalk(pen string) *event.Event {
	e := event.New(event.KindWalk, "random", "", lastDay)
	e.ID = uuid.NewSHA1(uuid.Nil, []byte(pen))
	e.Data = &event.Walk{Pen: pen}
	return e
}

func randomPolicies() repro.Policies {
	old, now := repro.DefaultPolicy(), repro.DefaultPolicy()
	old.WaitFirst, old.WaitLater = 45, 50
	now.HeiferFirstBreedingDays = 420
	return repro.Policies{{From: day("2022-06-01"), Policy: old}, {From: day("2023-06-01"), Policy: now}}
}

var animals = []string{"1", "2", "3", "04"}

// same compares all answers on the last day and on one in the middle.
func same(t *rapid.T, what string, a, b *repro.Herd) {
	t.Helper()
	for _, on := range []event.Date{lastDay, day("2023-09-15")} {
		x, y := everything(t, a, on), everything(t, b, on)
		if len(x) != len(y) {
			t.Fatalf("%s, on %s: %d answers against %d", what, on, len(x), len(y))
		}
		for i := range x {
			if !reflect.DeepEqual(x[i], y[i]) {
				t.Fatalf("%s, on %s: %s", what, on, difference(x[i], y[i]))
			}
		}
	}
}

func difference(x, y any) string { return fmt.Sprintf("\n%+v\nagainst\n%+v", x, y) }

func TestOrderAndDuplicates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 40)
		want := fold(log, randomPolicies())
		shuffled := rapid.Permutation(slices.Concat(log, log[:len(log)/2])).Draw(t, "order")
		same(t, "in another order, half of it twice", fold(shuffled, randomPolicies()), want)
	})
}

func TestBatching(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := facts(drawLog(t, animals, 40))
		want := repro.NewHerd("random", randomPolicies())
		want.Apply(all)
		got := repro.NewHerd("random", randomPolicies())
		var before *repro.Herd
		for i := 0; i < len(all); {
			j := min(len(all), i+rapid.IntRange(1, 10).Draw(t, "batch"))
			got.Animals(lastDay) // so that there is something to refold
			if before = got.Clone(); rapid.Bool().Draw(t, "clone goes on") {
				got, before = before, got
			}
			got.Apply(all[max(0, i-2):j]) // what is known already is ignored
			i = j
		}
		same(t, "in batches", got, want)
		again := repro.NewHerd("random", randomPolicies())
		again.Apply(all[:before.Seq()])
		same(t, "a clone left behind", before, again)
	})
}

func TestVoids(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 30)
		var wrong []*event.Event
		for range rapid.IntRange(1, 8).Draw(t, "wrong") {
			wrong = append(wrong, drawEvent(t, animals))
		}
		mixed := rapid.Permutation(slices.Concat(log, wrong)).Draw(t, "order")
		for i, e := range wrong {
			v := event.New(event.KindVoid, "random", "", e.On)
			v.ID = uuid.NewSHA1(uuid.Nil, []byte{byte(i)})
			v.Data = &event.Void{Event: e.ID, Reason: "mistake"}
			mixed = append(mixed, v)
			if rapid.Bool().Draw(t, "restated") { // as a new event, that goes on to be right
				again := *e
				again.ID = uuid.NewSHA1(uuid.Nil, []byte{byte(i), 1})
				mixed = append(mixed, &again)
				log = append(log, &again)
			}
		}
		h := repro.NewHerd("random", randomPolicies())
		for _, f := range facts(mixed) {
			h.Apply([]repro.Fact{f})
			h.Animals(lastDay)
		}
		same(t, "voided, against never there", h, fold(log, randomPolicies()))
	})
}

// drawCorrections scatters over a log what a herd's people do about mistakes:
// some events are withdrawn later, and some of these restated, of the same or
// of another cow, on the same day or on another, at once or later still.
func drawCorrections(t *rapid.T, log []*event.Event) []*event.Event {
	out := slices.Clone(log)
	later := func(i int) int { return rapid.IntRange(i+1, len(out)).Draw(t, "later") }
	for i, e := range log {
		if !rapid.Bool().Draw(t, "wrong") {
			continue
		}
		v := event.New(event.KindVoid, "random", "", e.On)
		v.ID, v.Data = uuid.NewSHA1(uuid.Nil, []byte{byte(i)}), &event.Void{Event: e.ID, Reason: "mistake"}
		at := later(slices.Index(out, e))
		out = slices.Insert(out, at, v)
		if rapid.Bool().Draw(t, "restated") {
			right := drawEvent(t, animals)
			right.ID, right.Replaces = uuid.NewSHA1(uuid.Nil, []byte{byte(i), 1}), e.ID
			out = slices.Insert(out, later(at), right)
		}
	}
	return out
}

// The fold that goes on from where it stood equals the fold from scratch, at
// every stop, however the log comes: entries late by any number of days (the
// order of the log has nothing to do with that of the days), withdrawn and
// restated, in batches of any size that may repeat what is known already, and
// with questions asked in between, which leave folded lives behind.
func TestIncrementalFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := facts(drawCorrections(t, drawLog(t, animals, 25)))
		h := repro.NewHerd("random", randomPolicies())
		for i := 0; i < len(all); {
			j := min(len(all), i+rapid.IntRange(1, 12).Draw(t, "batch"))
			h.Apply(all[max(0, i-rapid.IntRange(0, 3).Draw(t, "repeated")):j])
			i = j
			stop := rapid.IntRange(0, 3).Draw(t, "question")
			if stop == 0 && i < len(all) {
				continue
			}
			if stop == 1 || i == len(all) {
				scratch := repro.NewHerd("random", randomPolicies())
				scratch.Apply(all[:i])
				same(t, fmt.Sprintf("after %d of %d events", i, len(all)), h, scratch)
				continue
			}
			on := lastDay - event.Date(rapid.IntRange(0, 900).Draw(t, "on"))
			h.Animals(on)
			ask(t, h, "conception_risk", repro.Params{From: firstDay, To: on, On: on, Merge: stop})
		}
	})
}

func TestIrrelevantEvent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 40)
		h := fold(log, randomPolicies())
		all := h.Animals(lastDay)
		if len(all) == 0 {
			return
		}
		a := rapid.SampledFrom(all).Draw(t, "animal")
		on := a.EnteredOn
		if a.LeftOn != 0 || a.FirstSeen {
			on = max(on, a.LeftOn-1)
		}
		v, _ := h.Animal(a.Name, on)
		if v == nil || v.EnteredOn != a.EnteredOn || v.Name != a.Name {
			return // her number was another's that day
		}
		if v.Status.Code == "gone" {
			return // an event after she left is a finding, so it does matter
		}
		e := event.New(event.KindTreatment, "random", a.Name, on)
		e.ID, e.Data = uuid.New(), &event.Treatment{Class: "vitamin"}
		same(t, "with a treatment that withholds nothing", fold(append(slices.Clone(log), e), randomPolicies()), h)
	})
}

// Splitting a herd and pooling the answers gives the answer of the whole.
func TestPool(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		one, two := drawLog(t, []string{"1", "2"}, 30), drawLog(t, []string{"5", "6"}, 30)
		for i, e := range two {
			if e.Kind == event.KindWalk {
				e.Data = &event.Walk{Pen: fmt.Sprintf("other%d", i)}
			}
			if m, ok := e.Data.(*event.Move); ok {
				m.Pen = "other"
			}
			if m, ok := e.Data.(*event.Arrival); ok {
				m.Pen = "other"
			}
		}
		last := two[len(two)-1]
		last.ID = uuid.NewSHA1(uuid.Nil, []byte("second end"))
		a, b := fold(one, randomPolicies()), fold(two, randomPolicies())
		whole := fold(slices.Concat(one, two), randomPolicies())
		for _, d := range repro.Keys() {
			for _, by := range append([]string{""}, d.Groups...) {
				p := repro.Params{From: firstDay, To: lastDay, On: lastDay, By: by}
				got := repro.Pool([]repro.Answer{ask(t, a, d.Key, p), ask(t, b, d.Key, p)})
				want := ask(t, whole, d.Key, p)
				// Of one herd or of two, the cost is a sum of floats in another order.
				if d.Key == "cost_of_open_days" {
					number(t, "low", got.Measures["low_per_day"], *want.Measures["low_per_day"], 1e-6)
					number(t, "high", got.Measures["high_per_day"], *want.Measures["high_per_day"], 1e-6)
					continue
				}
				if x, y := strip(got), strip(want); !reflect.DeepEqual(x, y) {
					t.Fatalf("%s by %q: %s", d.Key, by, difference(x, y))
				}
			}
		}
	})
}

// Every answer is a count of its own evidence.
func TestAnswersCountTheirEvidence(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := fold(drawLog(t, animals, 60), randomPolicies())
		for _, d := range repro.Keys() {
			a := ask(t, h, d.Key, repro.Params{From: firstDay, To: lastDay, On: lastDay})
			num, excluded := 0, 0
			for _, e := range a.Evidence {
				switch e.Counted {
				case repro.InNumerator:
					num++
				case repro.Out:
					excluded++
				}
				if e.Text == "" || e.Reason == "" {
					t.Fatalf("%s: evidence without a reason: %+v", d.Key, e)
				}
			}
			for _, x := range a.Excluded {
				excluded -= x.Count
				if x.Text == "" {
					t.Fatalf("%s: %s has no text", d.Key, x.Reason)
				}
			}
			if excluded != 0 {
				t.Fatalf("%s: %d of the evidence are excluded for no reason given", d.Key, excluded)
			}
			brief := ask(t, h, d.Key, repro.Params{From: firstDay, To: lastDay, On: lastDay, Brief: true})
			if brief.Evidence != nil {
				t.Fatalf("%s: evidence that was not asked for", d.Key)
			}
			if got, want := marshal(t, brief), marshal(t, a); got != want {
				t.Fatalf("%s: without its evidence\n%s\nwith it\n%s", d.Key, got, want)
			}
			whole := ask(t, h, d.Key, repro.Params{From: firstDay, To: lastDay, On: lastDay, Whole: true})
			rowless := a
			rowless.Rows = []repro.Row{}
			if got, want := marshal(t, whole), marshal(t, rowless); got != want {
				t.Fatalf("%s: without its rows\n%s\nwith them\n%s", d.Key, got, want)
			}
			if a.Value == nil && a.NullReason == "" || a.Value != nil && a.NullReason != "" {
				t.Fatalf("%s: value %v with reason %q", d.Key, a.Value, a.NullReason)
			}
			if d.Unit == repro.Share && a.Numerator != nil {
				if *a.Numerator != num && d.Key != "pregnant_per_month" {
					t.Fatalf("%s: numerator %d, evidence %d", d.Key, *a.Numerator, num)
				}
				if *a.Numerator > *a.Denominator && d.Key != "pregnant_per_month" {
					t.Fatalf("%s: %d of %d", d.Key, *a.Numerator, *a.Denominator)
				}
				if iv := a.Interval; iv != nil && a.Value != nil && d.Key != "pregnant_per_month" && (iv.Low > *a.Value || *a.Value > iv.High) {
					t.Fatalf("%s: %v lies outside %v", d.Key, *a.Value, iv)
				}
			}
			for _, r := range a.Rows {
				if r.Value == nil && r.NullReason == "" {
					t.Fatalf("%s, %s: no value and no reason", d.Key, r.Label)
				}
			}
		}
		for _, a := range h.Animals(lastDay) {
			v, ok := h.Animal(a.Name, lastDay)
			if !ok || v.Status.Text == "" {
				t.Fatalf("%s is listed but not found: %+v", a.Name, v)
			}
			e, ok := h.Eligibility(a.Name, lastDay)
			if !ok || e.Verdict == "" || len(e.Reasons) == 0 || (v.Pregnant != nil && e.Verdict == repro.Yes) {
				t.Fatalf("%s (%s): %+v", a.Name, v.Status.Code, e)
			}
			for _, f := range v.Findings {
				if f.Text == "" || f.Code == "" {
					t.Fatalf("finding without a text: %+v", f)
				}
			}
		}
	})
}

func BenchmarkFold(b *testing.B) {
	ps := randomPolicies()
	all := facts(bigHerd(3000, 60))
	b.Run("apply", func(b *testing.B) {
		for b.Loop() {
			repro.NewHerd("big", ps).Apply(all)
		}
	})
	h := repro.NewHerd("big", ps)
	h.Apply(all)
	b.Run("fold", func(b *testing.B) {
		for b.Loop() {
			h.WithPolicies(ps).Animal("1", lastDay)
		}
	})
	b.Run("append-one", func(b *testing.B) {
		seq := h.Seq()
		for b.Loop() {
			seq++
			e := event.New(event.KindHeat, "big", "17", lastDay)
			e.ID, e.Data = uuid.New(), &event.Heat{Verdict: event.NotInHeat}
			h.Apply([]repro.Fact{{Event: e, Seq: seq}})
			h.Animal("17", lastDay)
		}
	})
	for _, d := range repro.Keys() {
		b.Run(d.Key, func(b *testing.B) {
			for b.Loop() {
				if _, err := h.Index(d.Key, repro.Params{On: lastDay, Brief: true}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Logf("%d events, %d bytes", len(all), h.Size())
}

// bigHerd invents n cows with about k events each, for measuring.
func bigHerd(n, k int) []*event.Event {
	r := rand.New(rand.NewPCG(1, 2))
	var out []*event.Event
	add := func(kind event.Kind, animal string, on event.Date, d event.Data) {
		if on > lastDay {
			return
		}
		e := event.New(kind, "big", animal, on)
		e.ID, e.Data = uuid.Must(uuid.NewRandomFromReader(zeroReader{r})), d
		out = append(out, e)
	}
	for i := range n {
		a := fmt.Sprint(i + 1)
		on := firstDay + event.Date(r.IntN(300))
		add(event.KindArrival, a, on, &event.Arrival{How: event.Purchased, Parity: event.Int(1), Pen: "p" + a[:1]})
		for on < lastDay {
			add(event.KindCalving, a, on, &event.Calving{})
			d := on + 60
			for d < on+200 && len(out) < (i+1)*k {
				for range 4 {
					add(event.KindHeat, a, d, &event.Heat{Verdict: event.NotInHeat})
					d += event.Date(1 + r.IntN(5))
				}
				add(event.KindBreeding, a, d, &event.Breeding{Method: event.AI, Sire: "b1"})
				if r.IntN(3) == 0 {
					add(event.KindPregnancyDiagnosis, a, d+35, &event.PregnancyDiagnosis{Method: event.Ultrasound, Result: event.Pregnant})
					break
				}
				d += 21
			}
			on = d + 280
		}
	}
	slices.SortStableFunc(out, func(a, b *event.Event) int { return int(a.On - b.On) })
	return out
}

type zeroReader struct{ r *rand.Rand }

func (z zeroReader) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(z.r.Uint32())
	}
	return len(p), nil
}

func marshal(t failer, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return string(b)
}
