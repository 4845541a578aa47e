package stats

import "math"

// Limits are where a proportion of n cases is expected to lie around a target
// if nothing but chance makes it differ.
type Limits struct {
	Low95  float64 `json:"low_95"`
	High95 float64 `json:"high_95"`
	Low99  float64 `json:"low_998"`
	High99 float64 `json:"high_998"`
}

// Funnel gives the limits of a funnel plot for proportions (Spiegelhalter 2005,
// Stat Med 24:1185) at 95 % and 99.8 %, from the exact binomial distribution: a
// share beyond one of them would come up by chance with at most 2.5 % and 0.1 %.
// They lie at whole numbers of cases, where that paper interpolates between
// them: with few cases an interpolated limit calls results unusual that are not.
// It returns false unless n > 0 and 0 <= target <= 1.
func Funnel(target float64, n int) (Limits, bool) {
	if n <= 0 || !(target >= 0 && target <= 1) {
		return Limits{}, false
	}
	at := func(p float64) float64 { return float64(binomialPoint(target, n, p)) / float64(n) }
	return Limits{Low95: at(0.025), High95: at(0.975), Low99: at(0.001), High99: at(0.999)}, true
}

// binomialPoint is the p-point of a binomial distribution: the smallest number
// at or below which more than p of it lies.
func binomialPoint(theta float64, n int, p float64) int {
	if theta == 0 || theta == 1 {
		return n * int(theta)
	}
	a, _ := math.Lgamma(float64(n) + 1)
	below := 0.0
	for r := range n + 1 {
		b, _ := math.Lgamma(float64(r) + 1)
		c, _ := math.Lgamma(float64(n-r) + 1)
		below += math.Exp(a - b - c + float64(r)*math.Log(theta) + float64(n-r)*math.Log1p(-theta))
		if below > p {
			return r
		}
	}
	return n
}
