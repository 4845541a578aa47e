package repro_test

import (
	"fmt"
	"math"
	"reflect"
	"runtime"
	"slices"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// However a fold rests between batches (trimmed, shed of what it derived, as a clone,
// packed and unpacked) it says the same as one that took all in at once.
func TestForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := facts(drawCorrections(t, drawLog(t, animals, 40)))
		h := repro.NewHerd("random", randomPolicies())
		for i := 0; i < len(all); {
			j := min(len(all), i+rapid.IntRange(1, 15).Draw(t, "batch"))
			h.Apply(all[i:j])
			i = j
			for range rapid.IntRange(0, 3).Draw(t, "rests") {
				switch rapid.IntRange(0, 6).Draw(t, "rest") {
				case 0:
					h.Trim()
				case 1:
					h.Shed()
					if h.Derived() != 0 {
						t.Fatalf("%d bytes are derived after all was shed", h.Derived())
					}
				case 2:
					left := h.Clone()
					h, left = left.Clone(), h
					left.Apply(all[i:]) // goes on by itself, and leaves no trace in the other
				case 3:
					var err error
					if h, err = repro.Unpack(h.Pack(), "random", randomPolicies()); err != nil {
						t.Fatal(err)
					}
				case 4:
					h.Animals(lastDay)
				case 5:
					h.Animals(lastDay - 200)
				default:
					h.Refusal(drawEvent(t, animals), repro.Asked{})
				}
			}
		}
		want := repro.NewHerd("random", randomPolicies())
		want.Apply(all)
		same(t, "after rests", h, want)
		if h.LastDate() != want.LastDate() || h.FirstDate() != want.FirstDate() {
			t.Fatalf("dates %s to %s, want %s to %s", h.FirstDate(), h.LastDate(), want.FirstDate(), want.LastDate())
		}
	})
}

// Findings that are gone through animal by animal are those of the herd folded whole.
func TestFindingsInPassing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 60)
		on := rapid.SampledFrom([]event.Date{0, lastDay, lastDay - 300}).Draw(t, "on")
		filter := repro.FindingFilter{Animal: rapid.SampledFrom(append([]string{"", "", "none"}, animals...)).Draw(t, "animal")}
		if rapid.Bool().Draw(t, "about") {
			filter.About = func(seq int64) bool { return seq%3 == 0 }
		}
		if rapid.Bool().Draw(t, "keep") {
			filter.Keep = func(f *repro.Finding) bool { return f.Severity != repro.SeverityNote }
		}
		whole, passing := fold(log, randomPolicies()), fold(log, randomPolicies())
		whole.Warm(on)
		want := whole.FindingsOf(on, filter)
		if got := passing.FindingsOf(on, filter); !reflect.DeepEqual(got, want) {
			t.Fatalf("in passing: %s", difference(got, want))
		}
		if passing.Derived() != 0 {
			t.Fatalf("%d bytes were kept", passing.Derived())
		}
		most := rapid.IntRange(0, 5).Draw(t, "most")
		first, count := passing.FirstFindings(on, filter, most)
		if count != len(want) || !reflect.DeepEqual(first, want[:min(most, len(want))]) {
			t.Fatalf("the first %d of %d: %s", most, count, difference(first, want))
		}
		n := 0
		passing.EachFinding(on, filter, func(f *repro.Finding) {
			n++
			if !slices.ContainsFunc(want, func(w repro.Finding) bool { return reflect.DeepEqual(w, *f) }) {
				t.Fatalf("not a finding of the herd: %+v", *f)
			}
		})
		if n != len(want) {
			t.Fatalf("%d findings, want %d", n, len(want))
		}
	})
}

// More findings than FirstFindings holds at a time.
func TestFirstFindingsOfMany(t *testing.T) {
	var log []*event.Event
	for i := range 3000 { // none of them has an arrival
		e := event.New(event.KindHeat, "big", fmt.Sprint(i*7919%3000), lastDay-event.Date(i%700))
		e.ID, e.Data = uuid.NewSHA1(uuid.Nil, []byte{byte(i >> 8), byte(i)}), &event.Heat{Verdict: event.InHeat}
		log = append(log, e)
	}
	h := fold(log, nil)
	all := h.Findings(lastDay)
	first, count := h.FirstFindings(lastDay, repro.FindingFilter{}, 50)
	if len(all) != 3000 || count != len(all) || !reflect.DeepEqual(first, all[:50]) {
		t.Errorf("%d of %d findings: %s", len(first), count, difference(first, all[:50]))
	}
}

// The cache is bounded by what Size says, so it has to be near the truth: at rest, and
// with all that is derived.
func TestSizeIsNearTheHeap(t *testing.T) {
	log := facts(bigHerd(3000, 60))
	heap := func() int64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC()
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	// The numbers are few bytes each beside what is asked of the heap meanwhile.
	near := func(what string, said, found int64) {
		t.Helper()
		if r := float64(said) / float64(found); math.Abs(math.Log(r)) > math.Log(1.25) {
			t.Errorf("%s: %d bytes are said, %d found", what, said, found)
		}
	}
	before := heap()
	h := repro.NewHerd("big", nil)
	for some := range slices.Chunk(log, 5000) {
		h.Apply(some)
	}
	near("untrimmed", h.Size(), heap()-before)
	h.Trim()
	rest := heap() - before
	near("at rest", h.Size(), rest)
	if most := int64(24 * len(log)); h.Size() > most {
		t.Errorf("%d events take %d bytes at rest", len(log), h.Size())
	}
	h.Animals(lastDay)
	near("warm", h.Size(), heap()-before)
	near("derived", h.Derived(), heap()-before-rest)
	h.Animals(lastDay - 100)
	near("of two days", h.Size(), heap()-before)
	h.Shed()
	near("shed", h.Size(), heap()-before)
	runtime.KeepAlive(log)
	if h.Seq() != int64(len(log)) {
		t.Errorf("at %d of %d", h.Seq(), len(log))
	}
}

// FuzzUnpack: no bytes make a fold that panics, and one that is taken can be packed
// and taken again.
func FuzzUnpack(f *testing.F) {
	f.Add(constructed(f).Pack())
	f.Add(repro.NewHerd("constructed", nil).Pack())
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := repro.Unpack(b, "constructed", nil)
		if err != nil {
			return
		}
		again, err := repro.Unpack(h.Pack(), "constructed", nil)
		if err != nil {
			t.Fatal(err)
		}
		if x, y := h.Animals(0), again.Animals(0); !reflect.DeepEqual(x, y) {
			t.Fatal(difference(x, y))
		}
		h.Findings(0)
	})
}
