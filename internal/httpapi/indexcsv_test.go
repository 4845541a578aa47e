package httpapi_test

import (
	"net/http"
	"strconv"
	"testing"

	"byrelog.example/api"
)

// The CSV of the indices holds the figures of the JSON, number for number.
func TestIndicesAsCSV(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	seedHerd(t, s, "mill-lane")
	var list api.IndexList
	get(s, "%s/indices?from=2026-01-01", herdPath).Want(http.StatusOK).JSON(&list)
	var want [][]string
	for _, a := range list.Indices {
		want = append(want, figures(a.Key, "", a.Value, a.Numerator, a.Denominator, a.Measures))
		for _, row := range a.Rows {
			want = append(want, figures(a.Key, row.Label, row.Value, row.Numerator, row.Denominator, row.Measures))
		}
	}
	compareFigures(t, "indices", get(s, "%s/indices.csv?from=2026-01-01", herdPath).Want(http.StatusOK).Body, 0, want)

	var sum api.Summary
	get(s, "/v1/summary?from=2026-01-01").Want(http.StatusOK).JSON(&sum)
	want = nil
	for _, h := range sum.Herds {
		for _, a := range h.Indices {
			want = append(want, append([]string{h.Herd}, figures(a.Key, "", a.Value, a.Numerator, a.Denominator, a.Measures)...))
		}
	}
	for _, a := range sum.Pool {
		want = append(want, append([]string{""}, figures(a.Key, "", a.Value, a.Numerator, a.Denominator, a.Measures)...))
	}
	compareFigures(t, "summary", get(s, "/v1/summary.csv?from=2026-01-01").Want(http.StatusOK).Body, 1, want)
}

func figures(key, row string, value *float64, num, den *int, measures map[string]*float64) []string {
	out := []string{key, row, "", "", "", ""}
	for i, v := range map[int]*float64{2: value, 5: measures["net_of_losses"]} {
		if v != nil {
			out[i] = strconv.FormatFloat(*v, 'g', -1, 64)
		}
	}
	for i, n := range []*int{num, den} {
		if n != nil {
			out[3+i] = strconv.Itoa(*n)
		}
	}
	return out
}

// compareFigures holds the rows of a CSV, of which the index stands in the
// given column, against the figures wanted.
func compareFigures(t *testing.T, name string, body []byte, at int, want [][]string) {
	t.Helper()
	records := tableRecords(t, body)
	if len(records) != len(want)+1 {
		t.Fatalf("%s: %d rows, want %d", name, len(records)-1, len(want))
	}
	columns := map[string]int{}
	for i, c := range records[0] {
		columns[c] = i
	}
	for i, w := range want {
		r := records[i+1]
		got := append(r[:at:at], r[columns["index"]], r[columns["row"]], r[columns["value"]], r[columns["numerator"]], r[columns["denominator"]], r[columns["net_of_losses"]])
		for n := range w {
			if got[n] != w[n] {
				t.Errorf("%s row %d: %q, want %q", name, i+1, got, w)
				break
			}
		}
	}
}
