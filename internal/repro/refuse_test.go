package repro_test

import (
	"fmt"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// A refusal rests on the animals that have to do with the event; whether the
// rest of the herd is folded already makes no difference.
func TestRefusalColdAndWarm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 40)
		next := drawEvent(t, animals)
		cold, warm := fold(log, randomPolicies()), fold(log, randomPolicies())
		ask(t, warm, "days_open", repro.Params{From: firstDay, To: lastDay + 1, On: lastDay + 1})
		if a, b := cold.Refusal(next, repro.Asked{Pen: "p1"}), warm.Refusal(next, repro.Asked{Pen: "p1"}); !reflect.DeepEqual(a, b) {
			t.Fatalf("%s of %s on %s: %+v with a cold fold, %+v with a warm one", next.Kind, next.Animal, next.On, a, b)
		}
		// What it folded by the way serves the answers that follow.
		same(t, "after a refusal", cold, warm)
	})
}

// An event of a number that nobody ever bore is refused, with those like it: those that
// are here first, of these those of the pen.
func TestUnknownAnimal(t *testing.T) {
	s := tell(t)
	for _, a := range [][3]string{ // number, day, pen
		{"0071", "2024-01-01", "p3"},
		{"0117", "2024-01-01", "p1"},
		{"17", "2024-01-01", "p2"},
		{"0018", "2024-01-01", "p1"},
		{"0019", "2024-01-01", ""},
		{"0010", "2024-01-01", "p2"},
		{"0027", "2024-08-01", "p2"},
		{"2345", "2024-01-01", "p1"},
		{"5", "2024-01-01", "p1"},
		{"61", "2024-01-01", "p1"},
	} {
		s.add(a[0], a[1], &event.Arrival{How: event.Purchased, Pen: a[2]})
	}
	s.left("0018", "2024-03-01", "")
	s.add("2345", "2024-03-01", &event.Renumber{To: "0016"})
	s.add("0019", "2024-03-01", &event.Move{Pen: "p1"})
	s.born("big", "2024-01-01")
	h := s.herd()
	refusal := func(animal, on string, asked repro.Asked) string {
		if r := h.Refusal(tell(t).add(animal, on, &event.Heat{Verdict: event.Suspect}), asked); r != nil {
			return r.Code + ": " + r.Text
		}
		return ""
	}
	const hint = "; an arrival begins a history, and unknown_animals=begin lets any event begin one"
	for _, c := range []struct {
		animal, on string
		asked      repro.Asked
		want       string
	}{
		{"0017", "2024-06-01", repro.Asked{}, "unknown_animal: no animal 0017 is recorded; 17 stands in p2, 0010 in p2, 0016 in p1, 0019 in p1, 0071 in p3" + hint},
		{"0017", "2024-06-01", repro.Asked{Pen: "p1"}, "unknown_animal: no animal 0017 is recorded; 0016 stands in p1, 0019 in p1, 0117 in p1, 17 in p2, 0010 in p2" + hint},
		{"0017", "2024-02-01", repro.Asked{Unknown: repro.UnknownRefuse}, "unknown_animal: no animal 0017 is recorded; 17 stands in p2, 0010 in p2, 0018 in p1, 0019 is here, 0071 in p3" + hint},
		{"0028", "2024-06-01", repro.Asked{}, "unknown_animal: no animal 0028 is recorded; 0018 left on 2024-03-01, 0027 comes on 2024-08-01" + hint},
		{"2346", "2024-06-01", repro.Asked{}, "unknown_animal: no animal 2346 is recorded; 0016 stands in p1" + hint}, // she is called so now
		{"16", "2024-06-01", repro.Asked{}, "unknown_animal: no animal 16 is recorded; 0016 stands in p1, 0010 in p2, 17 in p2, 0019 in p1, 61 in p1" + hint},
		{"8", "2024-06-01", repro.Asked{}, "unknown_animal: no animal 8 is recorded; 0018 left on 2024-03-01" + hint},
		{"B-99", "2024-06-01", repro.Asked{}, "unknown_animal: no animal B-99 is recorded, nor one with a number like it" + hint},
		{"0017", "2024-06-01", repro.Asked{Unknown: repro.UnknownBegin}, ""},
		{"2345", "2024-06-01", repro.Asked{}, ""}, // she bore it once
		{"0018", "2024-02-01", repro.Asked{}, ""},
		{"0027", "2024-06-01", repro.Asked{}, ""}, // not yet here
	} {
		equal(t, fmt.Sprint(c.animal, " ", c.on, " ", c.asked), refusal(c.animal, c.on, c.asked), c.want)
	}
	if r := h.Refusal(tell(t).add("0017", "2024-06-01", &event.Renumber{To: "0020"}), repro.Asked{}); r == nil || r.Code != repro.RefuseUnknownAnimal {
		t.Errorf("a renumbering of nobody: %+v", r)
	}
	if r := h.Refusal(tell(t).add("0017", "2024-06-01", &event.Arrival{How: event.Purchased}), repro.Asked{}); r != nil {
		t.Errorf("an arrival: %+v", r)
	}
	p := repro.DefaultPolicy()
	p.UnknownAnimals = repro.UnknownBegin
	h = fold(s.events, repro.Policies{{Policy: repro.DefaultPolicy()}, {From: day("2024-06-01"), Policy: p}})
	equal(t, "the policy of the day before", refusal("0017", "2024-05-31", repro.Asked{}) != "", true)
	equal(t, "the policy of the day", refusal("0017", "2024-06-01", repro.Asked{}), "")
	equal(t, "the request against it", refusal("0017", "2024-06-01", repro.Asked{Unknown: repro.UnknownRefuse}) != "", true)
	equal(t, "known", fmt.Sprint(h.Knows("0018"), h.Knows("0017"), h.Knows("2345"), h.Knows("")), "true false true false")
}
