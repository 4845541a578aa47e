package report_test

import (
	"fmt"
	"strings"
	"testing"

	"byrelog.example/internal/report"
	"byrelog.example/internal/repro"
)

// On paper every pen has a sheet with its own heading, every cow a row with room to
// write, and the legend and the cautions stand once, behind the last pen of the list.
func TestPage(t *testing.T) {
	h := herd([]string{"0412", "0388", "7", "<b>12", "31"}, "south")
	for i := range 3 {
		move(h, []string{"7", "0388", "31"}[i], fmt.Sprintf("p%d", i%2))
	}
	l, err := h.List(repro.ListWalk, day("2026-11-25"), repro.ListOptions{})
	if err != nil {
		t.Fatal(err)
	}
	q, err := h.List(repro.ListChecks, day("2026-11-25"), repro.ListOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := report.Page(&b, []report.Paper{{List: &l, Options: report.Options{AsOf: "log up to seq 12"}}, {List: &q}}); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	var pens []string
	for _, part := range strings.Split(page, `<span class="pen">`)[1:] {
		pen, rest, _ := strings.Cut(part, "</span>")
		pens = append(pens, fmt.Sprint(pen, " ", strings.Count(rest, `<td class="number">`), " ", strings.Count(rest, `<td class="fill"></td>`)))
	}
	if got, want := strings.Join(pens, ", "), "pen p0 2 12, pen p1 1 6, pen south 2 12, all pens 0 0"; got != want {
		t.Errorf("sheets: %s, want %s", got, want)
	}
	for what, want := range map[string]int{
		`<td class="number">&lt;b&gt;12</td>`: 1, "<b>12": 0, "log up to seq 12": 3, `<section class="foot">`: 2, "<b>Caution:</b> Cows in heat are dangerous": 1,
		"<b>open:</b>": 1, "No checks.": 1, "<b>pregnant:</b>": 1,
	} {
		if n := strings.Count(page, what); n != want {
			t.Errorf("%d times %q, want %d", n, what, want)
		}
	}
}
