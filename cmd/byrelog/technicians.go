package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"byrelog.example/api"
)

func (p *program) techniciansCommand() *cobra.Command {
	var f clientFlags
	var count countingFlags
	var herds []string
	cmd := &cobra.Command{
		Use: "technicians", Short: "Conception by technician over several herds, with funnel limits", Args: cobra.NoArgs,
		Long: `Conception risk by the code of who bred, herd by herd, beside the limits between
which it lies 95 % and 99.8 % of the time if it differs from the pool by chance
alone. A difference is no judgement of a person.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := count.form.fits(f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := &api.ListTechniciansParams{
				From: count.from.param(), To: count.to.param(), On: count.at.on.param(), AsOf: given(count.at.asOf), Herds: listed(herds),
				MergeDays: count.merge.param(), MaturityDays: count.maturity.param(), Strata: chosen[api.ListTechniciansParamsStrata](count.strata),
				Profile: chosen[api.ListTechniciansParamsProfile](count.form.profile), Delimiter: chosen[api.ListTechniciansParamsDelimiter](count.form.delimiter),
			}
			if count.form.csv {
				return explain(&f, c.TechniciansCSV(cmd.Context(), *params, p.out))
			}
			rsp, err := c.ListTechniciansWithResponse(cmd.Context(), params)
			if err != nil {
				return explain(&f, err)
			}
			t, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, t, func(w *tabwriter.Writer) { techniciansText(w, t) })
		},
	}
	f.add(cmd)
	cmd.Flags().StringSliceVar(&herds, "herd", nil, "only this herd (can be given several times; default: all that the token may read)")
	count.add(cmd, asOfTimeHelp)
	return cmd
}

func techniciansText(w *tabwriter.Writer, t *api.Technicians) {
	line(w, "herd", "code", "share", "counts", "95 % limits", "99.8 % limits", "position")
	for i := range t.Rows {
		x := &t.Rows[i]
		code := "(not recorded)"
		if x.Code != nil {
			code = *x.Code
		}
		inner, outer, position := "", "", ""
		if l := x.Limits; l != nil {
			inner = shareText(&l.Low95) + " to " + shareText(&l.High95)
			outer = shareText(&l.Low998) + " to " + shareText(&l.High998)
		}
		if x.Position != nil {
			position = map[api.TechnicianRowPosition]string{"within": "within", "outside_95": "outside 95 %", "outside_99_8": "outside 99.8 %"}[*x.Position]
		}
		line(w, x.Herd, code, shareText(x.Value), fmt.Sprintf("%d of %d", x.Numerator, x.Denominator), inner, outer, position)
	}
	line(w, "all", "", shareText(t.Value), fmt.Sprintf("%d of %d", t.Numerator, t.Denominator))
	line(w, "")
	line(w, t.Caution)
}
