package repro_test

import (
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// A fold that was packed and unpacked gives the same answers, also to what is
// recorded after it.
func TestPack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := facts(drawLog(t, animals, 40))
		cut := rapid.IntRange(0, len(all)).Draw(t, "cut")
		want := repro.NewHerd("random", randomPolicies())
		want.Apply(all[:cut])
		got, err := repro.Unpack(want.Pack(), "random", randomPolicies())
		if err != nil {
			t.Fatal(err)
		}
		same(t, "unpacked", got, want)
		again, err := repro.Unpack(got.Pack(), "random", randomPolicies())
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range []*repro.Herd{want, got, again} {
			h.Apply(all)
		}
		same(t, "unpacked and gone on", got, want)
		same(t, "twice unpacked and gone on", again, want)
		got.Trim()
		same(t, "trimmed", got, want)
	})
}

// No bytes make a fold that panics: what Unpack takes can be asked anything.
func TestUnpackDamaged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := repro.NewHerd("random", randomPolicies())
		h.Apply(facts(drawLog(t, animals, 40)))
		b := h.Pack()
		switch rapid.IntRange(0, 2).Draw(t, "damage") {
		case 0:
			b = b[:rapid.IntRange(0, len(b)-1).Draw(t, "cut")]
		case 1:
			b = append(b, 0)
		default:
			for range rapid.IntRange(1, 3).Draw(t, "bytes") {
				b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "by"))
			}
		}
		got, err := repro.Unpack(b, "random", randomPolicies())
		if err != nil {
			return
		}
		for _, d := range repro.Keys() {
			if _, err := got.Index(d.Key, repro.Params{On: lastDay}); err != nil {
				t.Fatal(err)
			}
		}
		got.Animals(lastDay)
		got.Apply(facts(drawLog(t, animals, 10)))
	})
}

func TestUnpackOfAnotherHerd(t *testing.T) {
	h := repro.NewHerd("one", nil)
	if _, err := repro.Unpack(h.Pack(), "two", nil); err == nil {
		t.Error("the fold of another herd was taken")
	}
	if _, err := repro.Unpack(nil, "one", nil); err == nil {
		t.Error("nothing was taken for a fold")
	}
	if h, err := repro.Unpack(h.Pack(), "one", nil); err != nil || h.Seq() != 0 || len(h.Animals(event.NewDate(2026, 1, 1))) != 0 {
		t.Errorf("an empty fold: %v", err)
	}
}
