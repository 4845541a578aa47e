package bench

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// bound is a floor, below which something went wrong and not a target to tune for: the ratio must reach it (atLeast) or stay below.
type bound struct {
	atLeast bool
	value   float64 // 0 = none: the figure is there to be compared with
	unit    string  // what the ratio is
}

func (b bound) String() string {
	if b.value == 0 {
		return "-"
	}
	sign := "<="
	if b.atLeast {
		sign = ">="
	}
	return fmt.Sprintf("%s %s", sign, b.quote(b.value))
}

func (b bound) quote(v float64) string {
	if strings.HasPrefix(b.unit, "x") {
		return fmt.Sprintf("%s %s", figure(v), b.unit)
	}
	return fmt.Sprintf("%s %s", figure(v), b.unit)
}

func (b bound) met(v float64) bool {
	if b.atLeast {
		return v >= b.value
	}
	return v <= b.value
}

// line is one line of the table: what was measured, how it came out.
type line struct {
	name, ours, beside string
	oursAt, besideAt   string // medians, with their units
	ratios             []float64
	target             bound
	skipped            string // why nothing was measured
}

func (l *line) verdict() string {
	switch {
	case l.skipped != "":
		return "not measured: " + l.skipped
	case l.target.value == 0:
		return "-"
	case l.target.met(median(l.ratios)):
		return "met"
	}
	return "**missed**"
}

func (l *line) short() string {
	if l.skipped != "" {
		return l.name + " " + l.verdict()
	}
	s := fmt.Sprintf("%s: %s, beside it %s: %s (%s to %s)", l.name, l.oursAt, l.besideAt,
		l.target.quote(median(l.ratios)), figure(slices.Min(l.ratios)), figure(slices.Max(l.ratios)))
	if l.target.value == 0 {
		return s
	}
	return s + fmt.Sprintf(", floor %s: %s", l.target, strings.Trim(l.verdict(), "*"))
}

// render writes the table in Markdown.
func render(lines []line) string {
	var b strings.Builder
	b.WriteString("| | ours | | beside it | | ratio (least to most) | floor | |\n|---|---|---|---|---|---|---|---|\n")
	for i := range lines {
		l := &lines[i]
		ratio := "-"
		if l.skipped == "" {
			ratio = fmt.Sprintf("%s (%s to %s)", l.target.quote(median(l.ratios)), figure(slices.Min(l.ratios)), figure(slices.Max(l.ratios)))
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s | %s | %s | %s |\n", l.name, l.ours, l.oursAt, l.beside, l.besideAt, ratio, l.target, l.verdict())
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// median of a list that is not empty; the list keeps its order.
func median(list []float64) float64 {
	s := slices.Sorted(slices.Values(list))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

func medianTime(list []time.Duration) time.Duration {
	f := make([]float64, len(list))
	for i := range list {
		f[i] = float64(list[i])
	}
	return time.Duration(median(f))
}

// figure shows three digits.
func figure(v float64) string {
	switch {
	case v >= 99.5:
		return fmt.Sprintf("%.0f", v)
	case v >= 9.95:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

// span shows a duration with three digits.
func span(d time.Duration) string {
	switch {
	case d >= time.Second:
		return figure(d.Seconds()) + " s"
	case d >= time.Millisecond:
		return figure(float64(d)/1e6) + " ms"
	}
	return figure(float64(d)/1e3) + " µs"
}

// perSecond shows a rate.
func perSecond(v float64, what string) string { return fmt.Sprintf("%s %s/s", thousands(v), what) }

func thousands(v float64) string {
	s := fmt.Sprintf("%.0f", v)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		list []float64
		want float64
	}{{[]float64{3}, 3}, {[]float64{9, 1, 5}, 5}, {[]float64{4, 1, 3, 2}, 2.5}} {
		before := slices.Clone(c.list)
		if got := median(c.list); got != c.want || !slices.Equal(before, c.list) {
			t.Errorf("median of %v is %v, want %v", before, got, c.want)
		}
	}
}

func TestRender(t *testing.T) {
	rate := bound{atLeast: true, value: 0.9, unit: "x its rate"}
	lines := []line{
		{name: "a", ours: "import", oursAt: "10 s", beside: "copy", besideAt: "11 s", ratios: []float64{1.1, 0.5, 1.2}, target: rate},
		{name: "c", ours: "cold", oursAt: "2 s", beside: "scan", besideAt: "1 s", ratios: []float64{2}, target: bound{value: 1.3, unit: "x its time"}},
		{name: "e", ours: "warm", beside: "DuckDB", target: rate, skipped: "no C compiler"},
	}
	want := []string{
		"| a | import | 10 s | copy | 11 s | 1.10 x its rate (0.50 to 1.20) | >= 0.90 x its rate | met |",
		"| c | cold | 2 s | scan | 1 s | 2.00 x its time (2.00 to 2.00) | <= 1.30 x its time | **missed** |",
		"| e | warm |  | DuckDB |  | - | >= 0.90 x its rate | not measured: no C compiler |",
	}
	if got := strings.Split(render(lines), "\n"); !slices.Equal(got[2:], want) {
		t.Errorf("the table is\n%s\nwant\n%s", strings.Join(got[2:], "\n"), strings.Join(want, "\n"))
	}
	if got := thousands(1234567.4) + " " + thousands(12) + " " + span(1500*time.Microsecond) + " " + span(12*time.Second); got != "1,234,567 12 1.50 ms 12.0 s" {
		t.Error(got)
	}
}
