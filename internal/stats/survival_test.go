package stats

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"strconv"
	"testing"
)

// table reads a table of testdata/survival without its header. What it holds
// and how it was made is told in the README there.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/survival/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }() // only read
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	return rows[1:]
}

func whole(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// near holds a figure against R's, which is NA where there is none. The issue
// asks for four digits; eight are the same.
func near(t *testing.T, what string, got *float64, want string) {
	t.Helper()
	if want == "NA" && got != nil {
		t.Errorf("%s: %v, R has none", what, *got)
	}
	if want == "NA" {
		return
	}
	if got == nil {
		t.Errorf("%s: none, R has %s", what, want)
		return
	}
	w, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(*got-w) <= 1e-8*max(1, math.Abs(w))) {
		t.Errorf("%s: %v, R has %s", what, *got, want)
	}
}

func spanSets(t *testing.T) map[string][]Span {
	t.Helper()
	sets := map[string][]Span{}
	for _, r := range table(t, "rows.csv") {
		sets[r[0]] = append(sets[r[0]], Span{whole(t, r[1]), r[2] == "1"})
	}
	return sets
}

func TestKaplanMeierAgainstR(t *testing.T) {
	sets := spanSets(t)
	steps := map[string]int{}
	for _, r := range table(t, "fit.csv") {
		set := r[0]
		c := KaplanMeier(sets[set])
		i := steps[set]
		steps[set]++
		if i >= len(c.Steps) {
			t.Fatalf("%s has only %d steps", set, len(c.Steps))
		}
		s := c.Steps[i]
		what := set + " on day " + r[1]
		if got, want := [4]int{s.Days, s.AtRisk, s.Events, s.Censored}, [4]int{whole(t, r[1]), whole(t, r[2]), whole(t, r[3]), whole(t, r[4])}; got != want {
			t.Errorf("%s: %v, R has %v", what, got, want)
		}
		near(t, what+", survival", &s.Survival, r[5])
		se := math.Sqrt(s.Variance)
		if r[6] == "NA" { // 0 times infinity in R
			if s.Survival != 0 || s.Variance != 0 {
				t.Errorf("%s: variance %v at survival %v", what, s.Variance, s.Survival)
			}
		} else {
			near(t, what+", standard error", &se, r[6])
		}
		near(t, what+", low", s.Low, r[7])
		near(t, what+", high", s.High, r[8])
	}
	for set := range sets {
		if c := KaplanMeier(sets[set]); len(c.Steps) != steps[set] {
			t.Errorf("%s: %d steps, R has %d", set, len(c.Steps), steps[set])
		}
	}
	if len(sets) < 25 {
		t.Errorf("only %d sets", len(sets))
	}
}

func TestMedianAgainstR(t *testing.T) {
	sets := spanSets(t)
	seen := 0
	for _, r := range table(t, "median.csv") {
		c := KaplanMeier(sets[r[0]])
		if c.N != whole(t, r[1]) || c.Events != whole(t, r[2]) || c.Events+c.Censored != c.N {
			t.Errorf("%s: %d rows, %d events, %d censored, R has %s and %s", r[0], c.N, c.Events, c.Censored, r[1], r[2])
		}
		median, low, high := c.Median()
		near(t, r[0]+", median", median, r[3])
		near(t, r[0]+", low", low, r[4])
		near(t, r[0]+", high", high, r[5])
		seen++
	}
	if seen != len(sets) {
		t.Errorf("%d medians for %d sets", seen, len(sets))
	}
}

// The remission times of Freireich et al. 1963, with the survival that
// textbooks print for them to three digits.
func TestKaplanMeierPublished(t *testing.T) {
	c := KaplanMeier(spanSets(t)["freireich_6mp"])
	for day, want := range map[int]float64{0: 1, 5: 1, 6: 0.857, 7: 0.807, 9: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448, 35: 0.448, 99: 0.448} {
		if got := c.At(day); math.Abs(got-want) > 0.0005 {
			t.Errorf("day %d: %.4f, published %.3f", day, got, want)
		}
	}
}

// Without censoring the curve is the share still without the event, and
// Greenwood's variance the binomial one.
func TestKaplanMeierUncensored(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		n := 1 + r.IntN(40)
		spans := make([]Span, n)
		for i := range spans {
			spans[i] = Span{r.IntN(30), true}
		}
		for _, s := range KaplanMeier(spans).Steps {
			later := 0
			for _, x := range spans {
				if x.Days > s.Days {
					later++
				}
			}
			p := float64(later) / float64(n)
			if math.Abs(s.Survival-p) > 1e-12 || math.Abs(s.Variance-p*(1-p)/float64(n)) > 1e-12 {
				t.Fatalf("day %d of %v: %v with variance %v", s.Days, spans, s.Survival, s.Variance)
			}
		}
	}
}

func TestKaplanMeierEdges(t *testing.T) {
	c := KaplanMeier(nil)
	if m, l, h := c.Median(); c.N != 0 || len(c.Steps) != 0 || c.Steps == nil || m != nil || l != nil || h != nil || c.At(100) != 1 {
		t.Errorf("of nobody: %+v", c)
	}
	spans := []Span{{9, true}, {-3, false}, {4, true}, {9, false}}
	before := append([]Span{}, spans...)
	c = KaplanMeier(spans)
	if !reflect.DeepEqual(spans, before) {
		t.Errorf("the caller's spans were changed: %v", spans)
	}
	if c.Steps[0].Days != 0 || c.Steps[0].Censored != 1 || c.Steps[0].AtRisk != 4 {
		t.Errorf("a negative time: %+v", c.Steps[0])
	}
	if got := KaplanMeier([]Span{{4, true}, {9, false}, {9, true}, {0, false}}); !reflect.DeepEqual(got, c) {
		t.Errorf("in another order: %+v against %+v", got, c)
	}
}
