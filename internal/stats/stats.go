// Package stats holds the few statistics that the herd's indices need:
// intervals of proportions, survival, means and quantiles. It is small on purpose and
// every function is checked against published worked values.
package stats

import (
	"math"
	"slices"
)

// Interval bounds an estimate.
type Interval struct {
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Level  float64 `json:"level"` // 0.95; 0 for a range that is no confidence interval
	Method string  `json:"method"`
}

// z95 is the 97.5 % point of the standard normal distribution.
const z95 = 1.959963984540054

// Wilson is the 95 % score interval of a proportion k of n, without continuity
// correction (Wilson 1927). It returns false unless 0 <= k <= n and n > 0.
func Wilson(k, n int) (Interval, bool) {
	if n <= 0 || k < 0 || k > n {
		return Interval{}, false
	}
	p, m := float64(k)/float64(n), float64(n)
	z2 := z95 * z95
	centre := (p + z2/(2*m)) / (1 + z2/m)
	half := z95 / (1 + z2/m) * math.Sqrt(p*(1-p)/m+z2/(4*m*m))
	low, high := centre-half, centre+half
	if k == 0 { // exact zero and one, free of rounding
		low = 0
	}
	if k == n {
		high = 1
	}
	return Interval{Low: max(0, low), High: min(1, high), Level: 0.95, Method: "wilson"}, true
}

// Sort puts xs in ascending order. Days are many and small: they are counted rather
// than compared.
func Sort(xs []int) {
	const few = 64
	if len(xs) < few || slices.IsSorted(xs) {
		slices.Sort(xs)
		return
	}
	low, high := xs[0], xs[0]
	for _, x := range xs {
		low, high = min(low, x), max(high, x)
	}
	span := uint(high) - uint(low) // right even where the difference overflows
	if span >= 4*uint(len(xs)) {
		slices.Sort(xs)
		return
	}
	counts := make([]int32, span+1)
	for _, x := range xs {
		counts[x-low]++
	}
	i := 0
	for x, n := range counts {
		for range n {
			xs[i] = low + x
			i++
		}
	}
}

// sorted is a sorted copy of xs, or xs itself if it is in order.
func sorted(xs []int) []int {
	if slices.IsSorted(xs) {
		return xs
	}
	xs = slices.Clone(xs)
	Sort(xs)
	return xs
}

// Mean is the arithmetic mean; false if there is nothing to average.
func Mean(xs []int) (float64, bool) {
	if len(xs) == 0 {
		return 0, false
	}
	sum := 0
	for _, x := range xs {
		sum += x
	}
	return float64(sum) / float64(len(xs)), true
}

// Median is the middle value, or the mean of the two middle ones; false if
// there is none. xs is left as it is.
func Median(xs []int) (float64, bool) {
	if len(xs) == 0 {
		return 0, false
	}
	s := sorted(xs)
	h := len(s) / 2
	if len(s)%2 == 1 {
		return float64(s[h]), true
	}
	return float64(s[h-1]+s[h]) / 2, true
}

// Quantile is the smallest value at or below which at least the share q of xs
// lies (0 < q <= 1): the inverse of the empirical distribution, so it is always
// one of the values. False if there is none or q is out of range.
func Quantile(xs []int, q float64) (float64, bool) {
	if len(xs) == 0 || !(q > 0 && q <= 1) {
		return 0, false
	}
	s := sorted(xs)
	i := int(math.Ceil(q*float64(len(s))-1e-9)) - 1
	return float64(s[max(0, i)]), true
}

// Mode is the most frequent value, the smallest of them if several are; false
// if there is none.
func Mode(xs []int) (float64, bool) {
	if len(xs) == 0 {
		return 0, false
	}
	s := sorted(xs)
	best, most := s[0], 0
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] == s[i] {
			j++
		}
		if j-i > most {
			best, most = s[i], j-i
		}
		i = j
	}
	return float64(best), true
}
