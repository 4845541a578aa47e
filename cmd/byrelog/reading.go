package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"byrelog.example/api"
)

func readerOf(b []byte) io.Reader { return bytes.NewReader(b) }

func (p *program) eventsCommand() *cobra.Command {
	return group("events", "Append to a herd's log and read it", p.eventsAppend(), p.eventsList())
}

func (p *program) eventsAppend() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "append HERD FILE", Short: "Append events from NDJSON, one a line", Args: cobra.ExactArgs(2),
		Long: `Append events from a file of NDJSON (- is standard input), in groups that are
each stored whole or not at all. Events with an id are stored once, however
often the file is sent.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			in, err := p.input(cmd.Context(), args[1])
			if err != nil {
				return err
			}
			defer in.close()
			appended, there := 0, 0
			err = c.AppendNDJSON(cmd.Context(), args[0], in, func(a *api.AppendAnswer) error {
				for _, r := range a.Results {
					if r.Outcome == "appended" {
						appended++
					} else {
						there++
					}
				}
				return nil
			})
			if err != nil && appended+there == 0 {
				return explain(&f, err)
			}
			if err != nil {
				return fmt.Errorf("%w (of the groups of lines before, %d events were appended and %d were there already)", explain(&f, err), appended, there)
			}
			return p.show(&f, map[string]int{"appended": appended, "already_there": there}, func(w *tabwriter.Writer) {
				line(w, fmt.Sprintf("%d events appended, %d were there already.", appended, there))
			})
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) eventsList() *cobra.Command {
	var f clientFlags
	var animal, kind, asOf string
	var from, to dateFlag
	var after int64
	var all, follow bool
	cmd := &cobra.Command{
		Use: "list HERD", Short: "Print events as NDJSON", Args: cobra.ExactArgs(1),
		Long: `Print the herd's events as NDJSON in the order of the log, voided ones left out
unless --all. --follow waits for news and goes on until it is stopped.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.ListEventsParams{All: &all, From: from.param(), To: to.param(), AsOf: given(asOf), Animal: given(animal)}
			if after > 0 {
				params.After = &after
			}
			if kind != "" {
				k := api.Kind(kind)
				params.Kind = &k
			}
			events := c.Events(cmd.Context(), args[0], params)
			if follow {
				events = c.Follow(cmd.Context(), args[0], params, nil)
			}
			for e, err := range events {
				if err != nil {
					if follow && cmd.Context().Err() != nil {
						return nil // stopped by hand, as --follow is meant to be
					}
					return explain(&f, err)
				}
				if _, err := p.out.Write(append(slices.Clip(e.Raw()), '\n')); err != nil {
					return err
				}
			}
			return nil
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&animal, "animal", "", "only this animal")
	cmd.Flags().StringVar(&kind, "kind", "", "only this kind of event")
	cmd.Flags().Var(&from, "from", "on this day or later")
	cmd.Flags().Var(&to, "to", "on this day or earlier")
	cmd.Flags().Int64Var(&after, "after", 0, "only with a greater seq")
	cmd.Flags().StringVar(&asOf, "as-of", "", asOfHelp)
	cmd.Flags().BoolVar(&all, "all", false, "with the voided events")
	cmd.Flags().BoolVar(&follow, "follow", false, "wait for news and go on")
	return cmd
}

func (p *program) animalCommand() *cobra.Command {
	return group("animal", "One cow: how she stands, and may she be bred", p.animalShow(), p.animalEligible(), p.animalList())
}

func (p *program) animalShow() *cobra.Command {
	var f clientFlags
	var at momentFlags
	cmd := &cobra.Command{
		Use: "show HERD ANIMAL", Short: "Show a cow's status and history", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.GetAnimalWithResponse(cmd.Context(), args[0], args[1], &api.GetAnimalParams{On: at.on.param(), AsOf: given(at.asOf)})
			if err != nil {
				return explain(&f, err)
			}
			cow, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, cow, func(w *tabwriter.Writer) { cowText(w, cow) })
		},
	}
	f.add(cmd)
	at.add(cmd, "as she stands on this day (default today)", asOfHelp)
	return cmd
}

func cowText(w io.Writer, c *api.Cow) {
	line(w, fmt.Sprintf("%s of %s on %s: %s", c.Animal, c.Herd, c.On.Format("2006-01-02"), c.Status.Text))
	var facts []string
	fact := func(name, v string) {
		if v != "" {
			facts = append(facts, name+" "+v)
		}
	}
	fact("lactation", number(c.Lactation))
	fact("calved", day(c.CalvedOn))
	fact("days in milk", number(c.DaysInMilk))
	fact("breed", word(c.Breed))
	fact("born", day(c.BornOn))
	fact("pen", word(c.Pen))
	if c.OfficialID != nil {
		fact("official id", c.OfficialID.ID+" ("+c.OfficialID.Scheme+")")
	}
	if n := len(c.Sizes); n > 0 {
		fact("size", sizeText(&c.Sizes[n-1]))
	}
	line(w, strings.Join(facts, ", "))
	for _, b := range []struct {
		who  string
		bull *api.KnownBull
	}{{"her sire", c.Sire}, {"her dam's sire", c.DamSire}} {
		if b.bull != nil {
			line(w, fmt.Sprintf("Not by %s: he is %s, %s", b.bull.Code, b.who, b.bull.Text))
		}
	}
	if c.Pregnant != nil {
		line(w, "Pregnant: "+c.Pregnant.Text)
		line(w, fmt.Sprintf("  conceived %s, due %s, dry off %s", day(c.Pregnant.ConceivedOn), day(c.Pregnant.DueOn), day(c.Pregnant.DryOffOn)))
	}
	if len(c.Services) > 0 {
		line(w, "")
		line(w, "LACT", "SERVICE", "ON", "DAYS", "METHOD", "SIRE", "BY", "OUTCOME")
		for _, s := range c.Services {
			line(w, number(s.Lactation), fmt.Sprint(s.Number), s.On.Format("2006-01-02"), number(s.DaysAfterCalving), s.Method, word(s.Sire), word(s.By), s.OutcomeText+": "+s.WhyText)
		}
	}
	if len(c.Next) > 0 {
		line(w, "")
		line(w, "Next:")
		for _, n := range c.Next {
			when := day(n.On)
			if when != "" {
				when += ": "
			}
			line(w, "  "+when+n.Text)
		}
	}
	for _, f := range c.Findings {
		line(w, "Query: "+f.Text)
	}
}

// sizeText says how big she was.
func sizeText(s *api.SizeOn) string {
	var parts []string
	if s.BigEnough != nil {
		parts = append(parts, map[bool]string{true: "big enough to be bred", false: "too small to be bred"}[*s.BigEnough])
	}
	if s.WeightKg != nil {
		parts = append(parts, fmt.Sprintf("%d kg", *s.WeightKg))
	}
	if s.HeightCm != nil {
		parts = append(parts, fmt.Sprintf("%d cm at the hips", *s.HeightCm))
	}
	return fmt.Sprintf("%s (%s)", strings.Join(parts, ", "), s.On.Format("2006-01-02"))
}

func (p *program) animalEligible() *cobra.Command {
	var f clientFlags
	var at momentFlags
	cmd := &cobra.Command{
		Use: "eligible HERD ANIMAL", Short: "May she be bred on this day: yes, no, or examine first", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.GetEligibilityWithResponse(cmd.Context(), args[0], args[1], &api.GetEligibilityParams{On: at.on.param(), AsOf: given(at.asOf)})
			if err != nil {
				return explain(&f, err)
			}
			e, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, e, func(w *tabwriter.Writer) {
				line(w, fmt.Sprintf("%s of %s on %s: %s", e.Animal, e.Herd, e.On.Format("2006-01-02"), strings.ReplaceAll(string(e.Verdict), "_", " ")))
				for _, r := range e.Reasons {
					line(w, "  "+r.Text)
				}
				for _, s := range e.Examine {
					line(w, "  Examine: "+s)
				}
				for _, s := range e.Caution {
					line(w, "  Caution: "+s)
				}
			})
		},
	}
	f.add(cmd)
	at.add(cmd, "the day (default today)", asOfHelp)
	return cmd
}

func (p *program) animalList() *cobra.Command {
	var f clientFlags
	var at momentFlags
	var status, pen string
	cmd := &cobra.Command{
		Use: "list HERD", Short: "List the animals of a herd as they stand", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.ListAnimalsParams{On: at.on.param(), AsOf: given(at.asOf), Pen: given(pen)}
			if status != "" {
				params.Status = &status
			}
			var list []api.AnimalItem
			for a, err := range c.Animals(cmd.Context(), args[0], params) {
				if err != nil {
					return explain(&f, err)
				}
				list = append(list, a)
			}
			return p.show(&f, list, func(w *tabwriter.Writer) {
				line(w, "ANIMAL", "STATUS", "PEN", "LACT", "CALVED", "DIM", "BRED", "DUE")
				for _, a := range list {
					line(w, a.Animal, a.Status.Code, word(a.Pen), number(a.Lactation), day(a.CalvedOn), number(a.DaysInMilk), day(a.BredOn), day(a.DueOn))
				}
			})
		},
	}
	f.add(cmd)
	at.add(cmd, "as they stand on this day (default today)", asOfHelp)
	cmd.Flags().StringVar(&status, "status", "", "only animals of this status")
	cmd.Flags().StringVar(&pen, "pen", "", "only animals of this pen")
	return cmd
}

// momentFlags are the two clocks: the day that figures are computed to, and
// what of the log was known.
type momentFlags struct {
	on   dateFlag
	asOf string
}

const (
	asOfHelp     = "as the log knew it then: a seq, a date or a timestamp"
	asOfTimeHelp = "as the logs knew it then: a date or a timestamp"
)

func (f *momentFlags) add(cmd *cobra.Command, on, asOf string) {
	cmd.Flags().Var(&f.on, "on", on)
	cmd.Flags().StringVar(&f.asOf, "as-of", "", asOf)
}

// periodFlags are what indices and summary share.
type periodFlags struct {
	from, to dateFlag
	at       momentFlags
	keys     []string
	rows     bool
}

func (f *periodFlags) add(cmd *cobra.Command, asOf string) {
	cmd.Flags().Var(&f.from, "from", "first day of the period")
	cmd.Flags().Var(&f.to, "to", "last day of the period")
	f.at.add(cmd, "compute to this day (default today)", asOf)
	cmd.Flags().StringSliceVar(&f.keys, "key", nil, "only this index (can be given several times)")
	cmd.Flags().BoolVar(&f.rows, "rows", false, "with the windows, classes or groups of each index")
}

func (f *periodFlags) keyParam() *[]string {
	if len(f.keys) == 0 {
		return nil
	}
	return &f.keys
}

func (p *program) indicesCommand() *cobra.Command {
	var f clientFlags
	var period periodFlags
	var by, evidence string
	cmd := &cobra.Command{
		Use: "indices HERD", Short: "Compute a herd's reproductive indices", Args: cobra.ExactArgs(1),
		Long: `Compute a herd's reproductive indices over a period, each with its counts and
95 % interval. --evidence KEY lists the animals, windows or services behind one
of them, row by row.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			if evidence != "" {
				return p.evidence(cmd.Context(), c, &f, args[0], evidence, &period, by)
			}
			params := &api.ListIndicesParams{From: period.from.param(), To: period.to.param(), On: period.at.on.param(), AsOf: given(period.at.asOf), Keys: period.keyParam()}
			if by != "" {
				params.By = &by
				period.rows = true
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
				line(w, "INDEX", "VALUE", "COUNTS", "95 % INTERVAL", "REMARK")
				for i := range list.Indices {
					indexText(w, &list.Indices[i], period.rows)
				}
			})
		},
	}
	f.add(cmd)
	period.add(cmd, asOfHelp)
	cmd.Flags().StringVar(&by, "by", "", "group by technician, sire, service_number, lactation_group, month …")
	cmd.Flags().StringVar(&evidence, "evidence", "", "list what is behind this index, row by row")
	return cmd
}

func (p *program) evidence(ctx context.Context, c *api.ClientWithResponses, f *clientFlags, herd, key string, period *periodFlags, by string) error {
	params := api.ListEvidenceParams{From: period.from.param(), To: period.to.param(), On: period.at.on.param(), AsOf: given(period.at.asOf), By: given(by)}
	var list []api.EvidenceItem
	for e, err := range c.Evidence(ctx, herd, key, params) {
		if err != nil {
			return explain(f, err)
		}
		list = append(list, e)
	}
	return p.show(f, list, func(w *tabwriter.Writer) {
		head := []string{"ANIMAL", "LACT", "FROM", "TO", "ON", "DAYS", "COUNTED", "WHY"}
		if by != "" {
			head = append([]string{"GROUP"}, head...)
		}
		line(w, head...)
		for _, e := range list {
			cells := []string{e.Animal, fmt.Sprint(e.Lactation), day(e.From), day(e.To), day(e.On), number(e.Days), string(e.Counted), word(e.Text)}
			if by != "" {
				cells = append([]string{word(e.Group)}, cells...)
			}
			line(w, cells...)
		}
	})
}

func indexText(w io.Writer, a *api.IndexAnswer, rows bool) {
	line(w, a.Key, figure(a.Unit, a.Value), counts(a.Numerator, a.Denominator), interval(a.Unit, a.Interval), remark(a.Small, a.Provisional, a.NullReason))
	if !rows {
		return
	}
	for _, r := range a.Rows {
		line(w, "  "+r.Label, figure(a.Unit, r.Value), counts(r.Numerator, r.Denominator), interval(a.Unit, r.Interval), remark(r.Small, r.Provisional, r.NullReason))
	}
}

func figure(unit api.Unit, v *float64) string {
	switch {
	case v == nil:
		return "-"
	case unit == "share":
		return strconv.FormatFloat(*v*100, 'f', 1, 64) + " %"
	case unit == "days" || unit == "services":
		return strconv.FormatFloat(*v, 'f', 1, 64)
	case unit == "money":
		return strconv.FormatFloat(*v, 'f', 2, 64)
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

func counts(n, d *int) string {
	switch {
	case n != nil && d != nil:
		return fmt.Sprintf("%d of %d", *n, *d)
	case d != nil:
		return fmt.Sprintf("n = %d", *d)
	}
	return ""
}

func interval(unit api.Unit, i *api.Interval) string {
	if i == nil {
		return ""
	}
	return figure(unit, &i.Low) + " to " + figure(unit, &i.High)
}

func remark(small, provisional bool, why *string) string {
	var list []string
	if why != nil {
		list = append(list, strings.ReplaceAll(*why, "_", " "))
	}
	if provisional && (why == nil || *why != "provisional") {
		list = append(list, "provisional")
	}
	if small {
		list = append(list, "few cases")
	}
	return strings.Join(list, ", ")
}

func (p *program) summaryCommand() *cobra.Command {
	var f clientFlags
	var period periodFlags
	var herds []string
	var by string
	cmd := &cobra.Command{
		Use: "summary", Short: "The indices of several herds in one call, with the pool's total", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := &api.GetSummaryParams{From: period.from.param(), To: period.to.param(), On: period.at.on.param(), AsOf: given(period.at.asOf), Keys: period.keyParam()}
			if len(herds) > 0 {
				params.Herds = &herds
			}
			if by != "" {
				params.By = &by
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
				line(w, "HERD", "INDEX", "VALUE", "COUNTS", "95 % INTERVAL", "REMARK")
				for _, h := range s.Herds {
					summaryText(w, h.Herd, h.Indices)
				}
				summaryText(w, "all", s.Pool)
			})
		},
	}
	f.add(cmd)
	period.add(cmd, asOfTimeHelp)
	cmd.Flags().StringSliceVar(&herds, "herd", nil, "only this herd (can be given several times; default: all that the token may read)")
	cmd.Flags().StringVar(&by, "by", "", "group by technician, sire, service_number, lactation_group, month …")
	return cmd
}

func summaryText(w io.Writer, herd string, list []api.IndexAnswer) {
	for i := range list {
		a := &list[i]
		line(w, herd, a.Key, figure(a.Unit, a.Value), counts(a.Numerator, a.Denominator), interval(a.Unit, a.Interval), remark(a.Small, a.Provisional, a.NullReason))
		for _, r := range a.Rows { // only where a group was asked for
			line(w, herd, "  "+r.Label, figure(a.Unit, r.Value), counts(r.Numerator, r.Denominator), interval(a.Unit, r.Interval), remark(r.Small, r.Provisional, r.NullReason))
		}
	}
}
