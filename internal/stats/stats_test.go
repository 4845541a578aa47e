package stats_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/stats"
)

// The score method without continuity correction, as worked in Newcombe 1998,
// Statistics in Medicine 17:857, table I (method 3), from memory; the figures
// are reproduced by solving (p-phat)^2 = z^2 p(1-p)/n with z = 1.959964.
func TestWilson(t *testing.T) {
	for _, w := range []struct {
		k, n      int
		low, high float64
	}{
		{81, 263, 0.2553, 0.3662},
		{15, 148, 0.0624, 0.1605},
		{0, 20, 0.0000, 0.1611},
		{1, 29, 0.0061, 0.1718},
	} {
		iv, ok := stats.Wilson(w.k, w.n)
		if !ok || math.Abs(iv.Low-w.low) > 5e-5 || math.Abs(iv.High-w.high) > 5e-5 {
			t.Errorf("Wilson(%d, %d) = %.4f to %.4f, want %.4f to %.4f", w.k, w.n, iv.Low, iv.High, w.low, w.high)
		}
	}
}

// The bounds are where a test of the proportion just fails: the definition of
// the score interval, checked for every k of several n.
func TestWilsonInvertsTheScoreTest(t *testing.T) {
	const z = 1.959963984540054
	for _, n := range []int{1, 2, 7, 10, 50, 1000} {
		for k := 0; k <= n; k++ {
			iv, ok := stats.Wilson(k, n)
			if !ok {
				t.Fatalf("Wilson(%d, %d) refused", k, n)
			}
			phat := float64(k) / float64(n)
			for _, p := range []float64{iv.Low, iv.High} {
				if p == 0 || p == 1 {
					continue
				}
				if got := math.Abs(phat-p) / math.Sqrt(p*(1-p)/float64(n)); math.Abs(got-z) > 1e-6 {
					t.Errorf("Wilson(%d, %d): at %v the score is %v", k, n, p, got)
				}
			}
			if iv.Low > phat || phat > iv.High || (k == 0) != (iv.Low == 0) || (k == n) != (iv.High == 1) {
				t.Errorf("Wilson(%d, %d) = %v", k, n, iv)
			}
		}
	}
}

func TestWilsonRefuses(t *testing.T) {
	for _, w := range [][2]int{{0, 0}, {-1, 5}, {6, 5}, {0, -1}} {
		if iv, ok := stats.Wilson(w[0], w[1]); ok {
			t.Errorf("Wilson(%d, %d) = %v", w[0], w[1], iv)
		}
	}
}

func TestSpread(t *testing.T) {
	xs := []int{60, 73, 51, 86, 71, 67, 106, 167, 61} // indices.md X10
	if m, ok := stats.Mean(xs); !ok || math.Abs(m-82.444) > 5e-4 {
		t.Errorf("mean %v", m)
	}
	if m, ok := stats.Median(xs); !ok || m != 71 {
		t.Errorf("median %v", m)
	}
	if xs[0] != 60 {
		t.Error("the argument was sorted in place")
	}
	if m, ok := stats.Median([]int{4, 1, 3, 2}); !ok || m != 2.5 {
		t.Errorf("median of an even number %v", m)
	}
	if m, ok := stats.Mode([]int{22, 21, 22, 21, 40}); !ok || m != 21 {
		t.Errorf("mode %v, want the smaller of two", m)
	}
	for q, want := range map[float64]float64{0.1: 51, 0.5: 71, 0.9: 167, 1: 167} {
		if v, ok := stats.Quantile(xs, q); !ok || v != want {
			t.Errorf("quantile %v = %v, want %v", q, v, want)
		}
	}
	for name, f := range map[string]func([]int) (float64, bool){
		"mean": stats.Mean, "median": stats.Median, "mode": stats.Mode,
		"quantile": func(x []int) (float64, bool) { return stats.Quantile(x, 0.5) },
	} {
		if v, ok := f(nil); ok {
			t.Errorf("%s of nothing is %v", name, v)
		}
	}
	for _, q := range []float64{0, -1, 1.1, math.NaN()} {
		if v, ok := stats.Quantile(xs, q); ok {
			t.Errorf("quantile %v = %v", q, v)
		}
	}
}

// Days that lie close together are counted, others compared; both give one order.
func TestSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		one := rapid.IntRange(-300, 300)
		if rapid.Bool().Draw(t, "far") {
			one = rapid.OneOf(one, rapid.Int())
		}
		xs := rapid.SliceOfN(one, 0, 300).Draw(t, "xs")
		want := slices.Sorted(slices.Values(xs))
		if stats.Sort(xs); !slices.Equal(xs, want) {
			t.Fatalf("%v, want %v", xs, want)
		}
	})
}
