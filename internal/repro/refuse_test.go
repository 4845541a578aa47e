package repro_test

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"

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
		if a, b := cold.Refusal(next), warm.Refusal(next); !reflect.DeepEqual(a, b) {
			t.Fatalf("%s of %s on %s: %+v with a cold fold, %+v with a warm one", next.Kind, next.Animal, next.On, a, b)
		}
		// What it folded by the way serves the answers that follow.
		same(t, "after a refusal", cold, warm)
	})
}
