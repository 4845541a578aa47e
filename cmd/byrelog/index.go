package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
)

// countFlag is a number of days that the server has a default for.
type countFlag struct {
	n     int
	given bool
}

func (c *countFlag) String() string {
	if !c.given {
		return ""
	}
	return strconv.Itoa(c.n)
}
func (c *countFlag) Type() string { return "days" }

func (c *countFlag) Set(s string) error {
	n, err := strconv.Atoi(s)
	if err != nil || n < 0 {
		return errors.New("it is a whole number of days")
	}
	c.n, c.given = n, true
	return nil
}

func (c *countFlag) param() *int {
	if !c.given {
		return nil
	}
	return &c.n
}

// countingFlags are what all figures of services can be counted by.
type countingFlags struct {
	from, to        dateFlag
	at              momentFlags
	merge, maturity countFlag
	strata          string
	form            csvFlags
}

func (f *countingFlags) add(cmd *cobra.Command, asOf string) {
	cmd.Flags().Var(&f.from, "from", "first day of the period (default: a year before --to)")
	cmd.Flags().Var(&f.to, "to", "last day of the period (default: --on)")
	f.at.add(cmd, "compute to this day (default today)", asOf)
	cmd.Flags().Var(&f.merge, "merge-days", "breedings at most so many days apart are one service: 0 to 3 (default 1)")
	cmd.Flags().Var(&f.maturity, "maturity-days", "days that an outcome is given to become known: 0 to 365 (default 70)")
	cmd.Flags().StringVar(&f.strata, "strata", "", "cows (default), or heifers, which are never counted together")
	f.form.addTable(cmd)
}

// periodFlags are what indices and summary share.
type periodFlags struct {
	countingFlags
	anchor   dateFlag
	exposure countFlag
	keys     []string
	by       string
	rows     bool
}

func (f *periodFlags) add(cmd *cobra.Command, asOf string) {
	f.countingFlags.add(cmd, asOf)
	cmd.Flags().Var(&f.anchor, "anchor", "a first day of a window of 21 days (default 2024-01-01)")
	cmd.Flags().Var(&f.exposure, "exposure-days", "days at risk that make a cow eligible in a window: 1 to 21 (default 11)")
	cmd.Flags().StringSliceVar(&f.keys, "key", nil, "only this index (can be given several times)")
	cmd.Flags().StringVar(&f.by, "by", "", "group the rows by technician, sire, service_number, lactation_group, month, window,\nmethod, basis, semen, found_by or pen")
}

func (f *periodFlags) keyParam() *[]string { return listed(f.keys) }

// listed is a parameter that is left out if the flag was not given.
func listed(list []string) *[]string {
	if len(list) == 0 {
		return nil
	}
	return &list
}

// define says what an index counts.
func (p *program) define(f *clientFlags, key string) error {
	var keys []string
	for _, d := range repro.Keys() {
		if d.Key == key {
			return p.show(f, d, func(w *tabwriter.Writer) {
				line(w, d.ID+", "+d.TradeName+":")
				line(w, indented(d.Text, "  ", 96))
				line(w, "Sources:")
				for _, s := range d.Sources {
					line(w, "  "+s)
				}
			})
		}
		keys = append(keys, d.Key)
	}
	return usage("%s is no index; the indices are %s", key, strings.Join(keys, ", "))
}

func (p *program) indicesCommand() *cobra.Command {
	var f clientFlags
	var period periodFlags
	var evidence, define string
	cmd := &cobra.Command{
		Use: "indices HERD", Short: "Compute a herd's reproductive indices",
		Args: func(cmd *cobra.Command, args []string) error {
			if define != "" {
				return cobra.NoArgs(cmd, args)
			}
			return cobra.ExactArgs(1)(cmd, args)
		},
		Long: `Compute a herd's reproductive indices over a period, each with what was counted
and its 95 % interval. --evidence KEY lists the animals, windows or services
behind one of them, row by row. --define KEY, without a herd, says what an index
counts and where that is from.

A figure is provisional while outcomes that belong to it cannot be known yet. It
says from which day of the records on it is not; a period that ends ten months
back has only settled figures.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := period.form.fits(f.json); err != nil {
				return err
			}
			if define != "" {
				return p.define(&f, define)
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			if evidence != "" {
				return p.evidence(cmd.Context(), c, &f, args[0], evidence, &period)
			}
			params := &api.ListIndicesParams{
				From: period.from.param(), To: period.to.param(), On: period.at.on.param(), AsOf: given(period.at.asOf), Keys: period.keyParam(), By: given(period.by),
				Anchor: period.anchor.param(), ExposureDays: period.exposure.param(), MergeDays: period.merge.param(), MaturityDays: period.maturity.param(),
				Strata:  chosen[api.ListIndicesParamsStrata](period.strata),
				Profile: chosen[api.ListIndicesParamsProfile](period.form.profile), Delimiter: chosen[api.ListIndicesParamsDelimiter](period.form.delimiter),
			}
			if period.form.csv {
				return explain(&f, c.IndicesCSV(cmd.Context(), args[0], *params, p.out))
			}
			rsp, err := c.ListIndicesWithResponse(cmd.Context(), args[0], params)
			if err != nil {
				return explain(&f, err)
			}
			list, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, list, func(w *tabwriter.Writer) {
				line(w, fmt.Sprintf("%s from %s to %s, computed to %s, log up to seq %d", list.Herd, day(&list.From), day(&list.To), day(&list.On), list.AsOf.Seq))
				t := figureTable{w: w, rows: period.rows, by: period.by}
				t.head(list.Indices)
				for i := range list.Indices {
					t.index("", &list.Indices[i])
				}
			})
		},
	}
	f.add(cmd)
	period.add(cmd, asOfHelp)
	cmd.Flags().BoolVar(&period.rows, "rows", false, "with the windows, classes or months of each index")
	cmd.Flags().StringVar(&evidence, "evidence", "", "list what is behind this index, row by row")
	cmd.Flags().StringVar(&define, "define", "", "say what this index counts, and where that is from")
	return cmd
}

func (p *program) evidence(ctx context.Context, c *api.ClientWithResponses, f *clientFlags, herd, key string, period *periodFlags) error {
	params := api.ListEvidenceParams{
		From: period.from.param(), To: period.to.param(), On: period.at.on.param(), AsOf: given(period.at.asOf), By: given(period.by),
		Anchor: period.anchor.param(), ExposureDays: period.exposure.param(), MergeDays: period.merge.param(), MaturityDays: period.maturity.param(),
		Strata:  chosen[api.ListEvidenceParamsStrata](period.strata),
		Profile: chosen[api.ListEvidenceParamsProfile](period.form.profile), Delimiter: chosen[api.ListEvidenceParamsDelimiter](period.form.delimiter),
	}
	if len(period.keys) > 0 {
		return usage("--evidence %s is of one index already; leave out --key", key)
	}
	if period.form.csv {
		return explain(f, c.EvidenceCSV(ctx, herd, key, params, p.out))
	}
	var list []api.EvidenceItem
	for e, err := range c.Evidence(ctx, herd, key, params) {
		if err != nil {
			return explain(f, err)
		}
		list = append(list, e)
	}
	return p.show(f, list, func(w *tabwriter.Writer) {
		head := []string{"animal", "lactation", "from", "to", "on", "days", "counted", "why"}
		if period.by != "" {
			head = append([]string{"group"}, head...)
		}
		line(w, head...)
		for _, e := range list {
			cells := []string{e.Animal, fmt.Sprint(e.Lactation), day(e.From), day(e.To), day(e.On), number(e.Days), string(e.Counted), word(e.Text)}
			if period.by != "" {
				cells = append([]string{word(e.Group)}, cells...)
			}
			line(w, cells...)
		}
	})
}

func (p *program) summaryCommand() *cobra.Command {
	var f clientFlags
	var period periodFlags
	var herds []string
	cmd := &cobra.Command{
		Use: "summary", Short: "The indices of several herds in one call, with the pool's total", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := period.form.fits(f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := &api.GetSummaryParams{
				From: period.from.param(), To: period.to.param(), On: period.at.on.param(), AsOf: given(period.at.asOf), Keys: period.keyParam(), By: given(period.by),
				Herds: listed(herds), Anchor: period.anchor.param(), ExposureDays: period.exposure.param(), MergeDays: period.merge.param(),
				MaturityDays: period.maturity.param(), Strata: chosen[api.GetSummaryParamsStrata](period.strata),
				Profile: chosen[api.GetSummaryParamsProfile](period.form.profile), Delimiter: chosen[api.GetSummaryParamsDelimiter](period.form.delimiter),
			}
			if period.form.csv {
				return explain(&f, c.SummaryCSV(cmd.Context(), *params, p.out))
			}
			rsp, err := c.GetSummaryWithResponse(cmd.Context(), params)
			if err != nil {
				return explain(&f, err)
			}
			s, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, s, func(w *tabwriter.Writer) {
				t := figureTable{w: w, by: period.by, herds: true}
				all := s.Pool
				for i := range s.Herds {
					all = append(all[:len(all):len(all)], s.Herds[i].Indices...)
				}
				t.head(all)
				for _, h := range s.Herds {
					for i := range h.Indices {
						t.index(h.Herd, &h.Indices[i])
					}
				}
				for i := range s.Pool {
					t.index("all", &s.Pool[i])
				}
			})
		},
	}
	f.add(cmd)
	period.add(cmd, asOfTimeHelp)
	cmd.Flags().StringSliceVar(&herds, "herd", nil, "only this herd (can be given several times; default: all that the token may read)")
	return cmd
}

// figureTable prints indices for people.
type figureTable struct {
	w      io.Writer
	by     string // the grouping that was asked for
	rows   bool   // print their own rows, too
	herds  bool   // a herd is in front of each
	prices bool   // one of them is a range of prices
}

func (t *figureTable) head(list []api.IndexAnswer) {
	for i := range list {
		t.prices = t.prices || list[i].Statistic == "range"
	}
	cells := []string{"index", "figure", "counts", "of", "95 % interval"}
	if t.herds {
		cells = append([]string{"herd"}, cells...)
	}
	if t.prices {
		cells = append(cells, "range")
	}
	line(t.w, append(cells, "remark")...)
}

func (t *figureTable) index(herd string, a *api.IndexAnswer) {
	currency := word(a.Currency)
	own := t.by != "" && a.By == nil // it cannot be grouped so
	whole := api.IndexRow{
		Label: a.Key, Unit: a.Unit, Statistic: a.Statistic, NumeratorIs: a.NumeratorIs, DenominatorIs: a.DenominatorIs, Value: a.Value, NullReason: a.NullReason,
		Numerator: a.Numerator, Denominator: a.Denominator, Interval: a.Interval, Measures: a.Measures, Small: a.Small, Provisional: a.Provisional, SettledOn: a.SettledOn,
	}
	remarks := remark(&whole)
	if own {
		remarks = append(remarks, "not grouped by "+strings.ReplaceAll(t.by, "_", " "))
	}
	t.line(herd, &whole, currency, remarks)
	if own || t.by == "" && !t.rows {
		return
	}
	for i := range a.Rows {
		r := &a.Rows[i]
		switch t.by {
		case "", "found_by", "method", "basis", "semen": // words of the program, not of the herd
			r.Label = strings.NewReplacer("_", " ", ":", ": ").Replace(r.Label)
		}
		r.Label = "  " + r.Label
		if word(r.NumeratorIs) == word(a.NumeratorIs) && r.DenominatorIs == a.DenominatorIs {
			r.NumeratorIs, r.DenominatorIs = nil, "" // the line of the index has said it
		}
		t.line(herd, r, currency, remark(r))
	}
}

func (t *figureTable) line(herd string, r *api.IndexRow, currency string, remarks []string) {
	n, of := counts(r)
	if r.DenominatorIs == "" {
		of = ""
	}
	interval, span := "", ""
	if iv := r.Interval; iv != nil {
		ends := plainFigure(r.Unit, iv.Low) + " to " + plainFigure(r.Unit, iv.High)
		if r.Statistic == "range" {
			span = ends + " " + unitWords(r.Unit, currency)
		} else {
			interval = ends
		}
	}
	cells := []string{r.Label, figure(r, currency), n, of, interval}
	if t.herds {
		cells = append([]string{herd}, cells...)
	}
	if t.prices {
		cells = append(cells, span)
	}
	line(t.w, append(cells, strings.Join(remarks, ", "))...)
}

// figure is a value with what it is: "34.5 %", "median 78.0 days".
func figure(r *api.IndexRow, currency string) string {
	if r.Value == nil {
		return "-"
	}
	v := plainFigure(r.Unit, *r.Value)
	if unit := unitWords(r.Unit, currency); unit == "cows" && *r.Value == 1 {
		v += " cow"
	} else if unit != "" {
		v += " " + unit
	}
	if r.Statistic == "median" || r.Statistic == "mean" {
		return r.Statistic + " " + v
	}
	return v
}

func unitWords(unit api.Unit, currency string) string {
	switch unit {
	case "share":
		return ""
	case "money":
		return currency + " a day"
	}
	return unit
}

// plainFigure writes a value of a unit, without the unit but for the percent.
func plainFigure(unit api.Unit, v float64) string {
	switch unit {
	case "share":
		return shareText(&v)
	case "days", "services":
		return strconv.FormatFloat(v, 'f', 1, 64)
	case "money":
		return strconv.FormatFloat(v, 'f', 2, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func shareText(v *float64) string {
	if v == nil {
		return "-"
	}
	return strconv.FormatFloat(*v*100, 'f', 1, 64) + " %"
}

// counts are the counts of a row, and in words what they count.
func counts(r *api.IndexRow) (n, of string) {
	switch {
	case r.Statistic == "count":
		return "", r.DenominatorIs
	case r.Numerator != nil && r.Denominator != nil && r.Statistic == "ratio":
		return fmt.Sprintf("%d for %d", *r.Numerator, *r.Denominator), word(r.NumeratorIs) + " for " + r.DenominatorIs
	case r.Numerator != nil && r.Denominator != nil:
		return fmt.Sprintf("%d of %d", *r.Numerator, *r.Denominator), word(r.NumeratorIs) + ", of " + r.DenominatorIs
	case r.Denominator != nil:
		return strconv.Itoa(*r.Denominator), r.DenominatorIs
	case r.Numerator != nil:
		return strconv.Itoa(*r.Numerator), word(r.NumeratorIs)
	}
	return "", ""
}

// nullWords say for people why there is no value; "" = the rest of the line says it.
var nullWords = map[string]string{
	"empty_denominator": "none to count", "no_days": "none to count", "no_intervals": "none to count", "range": "", "counts_only": "", "not_a_class": "",
	"cows_only": "of cows only", "provisional": "", "currencies_differ": "the herds' currencies differ",
}

// remark is what must be known beside a figure.
func remark(r *api.IndexRow) []string {
	var list []string
	if r.NullReason != nil {
		why, known := nullWords[*r.NullReason]
		if !known {
			why = strings.ReplaceAll(*r.NullReason, "_", " ")
		}
		if why != "" {
			list = append(list, why)
		}
	}
	if r.Provisional {
		list = append(list, "provisional until the records reach "+day(r.SettledOn))
	}
	if r.Small {
		list = append(list, "fewer than 10 cases")
	}
	if target := r.Measures["target"]; target != nil {
		text := "target " + shareText(target)
		switch short := r.Measures["shortfall_cows"]; {
		case short == nil:
		case *short == 0:
			text += " met"
		case *short == 1:
			text += ", 1 cow short"
		default:
			text += fmt.Sprintf(", %.0f cows short", *short)
		}
		list = append(list, text)
	}
	if expected := r.Measures["heats_expected"]; expected != nil && r.Numerator != nil {
		list = append(list, fmt.Sprintf("%d heats found of %.0f expected (%s)", *r.Numerator, *expected, shareText(r.Measures["found_of_expected"])))
	}
	return list
}
