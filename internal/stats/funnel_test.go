package stats_test

import (
	"math"
	"testing"

	"byrelog.example/internal/stats"
)

// What is held here: the limits are those of the exact binomial distribution,
// and come to the normal ones for large n.
func TestFunnel(t *testing.T) {
	// Worked by hand: n = 2, target 0.5 has masses 1/4, 1/2, 1/4, so nothing is unusual.
	// n = 8, target 0.5 in 256ths: 1 9 37 93 163 219 247 255 256. 2.5 % is 6.4 and 97.5 % 249.6: 1 to 7.
	// 0.1 % is 0.256 and 99.9 % 255.7: 0 to 8.
	for n, want := range map[int]stats.Limits{2: {Low95: 0, High95: 1, Low99: 0, High99: 1}, 8: {Low95: 1. / 8, High95: 7. / 8, Low99: 0, High99: 1}} {
		if l, ok := stats.Funnel(0.5, n); !ok || l != want {
			t.Errorf("n = %d: %+v", n, l)
		}
	}
	if l, _ := stats.Funnel(0.31, 1); l.High99 != 1 || l.Low99 != 0 {
		t.Errorf("one case of one: %+v", l)
	}
	for _, n := range []int{2000, 50000} {
		for _, theta := range []float64{0.1, 0.35, 0.5} {
			l, _ := stats.Funnel(theta, n)
			sd := math.Sqrt(theta * (1 - theta) / float64(n))
			for _, w := range []struct{ got, z float64 }{{l.Low95, -1.959964}, {l.High95, 1.959964}, {l.Low99, -3.090232}, {l.High99, 3.090232}} {
				// the distribution is skew, and half a case either way
				if slack := (1 + 2*math.Abs(1-2*theta)*2) / float64(n); math.Abs(w.got-theta-w.z*sd) > slack {
					t.Errorf("n = %d, target %v: %v, the normal limit is %v", n, theta, w.got, theta+w.z*sd)
				}
			}
		}
	}
	last := stats.Limits{Low95: -1, High95: 2}
	for n := 5; n <= 320; n *= 2 { // narrower with more cases
		l, _ := stats.Funnel(0.35, n)
		if !(l.Low99 <= l.Low95 && l.Low95 <= 0.35 && 0.35 <= l.High95 && l.High95 <= l.High99) || l.High95-l.Low95 >= last.High95-last.Low95 {
			t.Errorf("n = %d: %+v", n, l)
		}
		last = l
	}
	for _, bad := range []struct {
		target float64
		n      int
	}{{0.5, 0}, {-0.1, 5}, {1.1, 5}, {math.NaN(), 5}} {
		if _, ok := stats.Funnel(bad.target, bad.n); ok {
			t.Errorf("%+v has limits", bad)
		}
	}
	if l, ok := stats.Funnel(0, 10); !ok || l != (stats.Limits{}) {
		t.Errorf("target 0: %+v", l)
	}
}
