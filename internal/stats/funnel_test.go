package stats_test

import (
	"math"
	"testing"

	"byrelog.example/internal/stats"
)

// Spiegelhalter 2005 (from memory) asks of the limits what is held here: they
// interpolate the exact binomial distribution, and come to the normal ones for
// large n.
func TestFunnel(t *testing.T) {
	// Worked by hand: n = 2, target 0.5 has masses 1/4, 1/2, 1/4.
	// p = 0.025: r = 0, 0 - (0.25-0.025)/0.25 < 0, so 0. p = 0.975: r = 2, 2 - (1-0.975)/0.25 = 1.9.
	l, ok := stats.Funnel(0.5, 2)
	if !ok || l.Low95 != 0 || math.Abs(l.High95-0.95) > 1e-12 || math.Abs(l.High99-(2-0.001/0.25)/2) > 1e-12 {
		t.Errorf("n = 2: %+v", l)
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
