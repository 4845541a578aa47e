package main

import (
	"io"

	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
)

func (p *program) visitCommand() *cobra.Command {
	var f clientFlags
	var at momentFlags
	var herds []string
	var narrow listFlags
	var form csvFlags
	cmd := &cobra.Command{
		Use: "visit [LIST]", Short: "Print a work list of several herds", Args: cobra.MaximumNArgs(1),
		Long: `Print a work list of several herds in one call, herd by herd: for a
veterinarian's round or a technician with several farms. LIST is one of those of
"byrelog list", by default diagnose. Each herd has its own today and policy.
--page writes a page for paper. If the service fails at one herd, the others are
listed all the same, and the exit code is 1.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			list := repro.ListDiagnose
			if len(args) > 0 {
				list = args[0]
			}
			if err := knownList(list); err != nil {
				return err
			}
			if err := narrow.fits(&form, f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.ListVisitParams{
				On: at.on.param(), AsOf: given(at.asOf),
				Profile: chosen[api.ListVisitParamsProfile](form.profile), Delimiter: chosen[api.ListVisitParamsDelimiter](form.delimiter),
			}
			if len(herds) > 0 {
				params.Herds = &herds
			}
			params.Days, params.Short = narrow.params(cmd)
			params.Method = chosen[api.ListVisitParamsMethod](narrow.method)
			switch {
			case form.csv:
				return explain(&f, c.VisitCSV(cmd.Context(), api.ListName(list), params, p.out))
			case f.json:
				rsp, err := c.ListVisitWithResponse(cmd.Context(), api.ListName(list), &params)
				if err != nil {
					return explain(&f, err)
				}
				v, err := answered(rsp.JSON200, rsp.Status(), &f)
				if err != nil {
					return err
				}
				if err := p.show(&f, v, nil); err != nil || len(v.Failed) == 0 {
					return err
				}
				some := &api.FailedHerdsError{}
				for i := range v.Failed {
					some.Herds = append(some.Herds, v.Failed[i].Herd)
				}
				return some
			case narrow.page != "":
				return explain(&f, p.paper(narrow.page, func(w io.Writer) error { return c.VisitPage(cmd.Context(), api.ListName(list), params, w) }))
			}
			return explain(&f, c.VisitText(cmd.Context(), api.ListName(list), params, p.out))
		},
	}
	f.add(cmd)
	cmd.Flags().StringSliceVar(&herds, "herd", nil, "only this herd (can be given several times; default: all that the token may read)")
	at.add(cmd, "the day (default each herd's today)", asOfTimeHelp)
	narrow.add(cmd)
	form.addTable(cmd)
	return cmd
}
