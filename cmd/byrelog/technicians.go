package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"byrelog.example/api"
)

func (p *program) techniciansCommand() *cobra.Command {
	var f clientFlags
	var count countingFlags
	var herds []string
	var people string
	cmd := &cobra.Command{
		Use: "technicians", Short: "Conception by technician over several herds, beside what her services let expect", Args: cobra.NoArgs,
		Long: `Conception risk by the code of who bred, herd by herd, beside how many the row's own
services (their herd, lactation and number) let expect, and the limits between which the
share lies 95 % and 99.8 % of the time if it differs from that by chance alone. A
difference is no judgement of a person.

With --people FILE each row is a person over all her herds. The file is a table of your
own with the columns herd, code and person, and the service does not keep it:

  herd,code,person
  alder-row,t1,J. Reed
  mill-lane,t4,J. Reed`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := count.form.fits(f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.ListTechniciansParams{
				From: count.from.param(), To: count.to.param(), On: count.at.on.param(), AsOf: given(count.at.asOf), Herds: listed(herds),
				MergeDays: count.merge.param(), MaturityDays: count.maturity.param(), Strata: chosen[api.ListTechniciansParamsStrata](count.strata),
				Profile: chosen[api.ListTechniciansParamsProfile](count.form.profile), Delimiter: chosen[api.ListTechniciansParamsDelimiter](count.form.delimiter),
			}
			var doc []byte
			if people != "" {
				if doc, err = p.readFile(cmd.Context(), people); err != nil {
					return err
				}
			}
			if count.form.csv {
				return explain(&f, c.TechniciansCSV(cmd.Context(), params, doc, p.out))
			}
			t, err := c.Technicians(cmd.Context(), params, doc)
			if err != nil {
				return explain(&f, err)
			}
			return p.show(&f, t, func(w *tabwriter.Writer) { techniciansText(w, t, people != "") })
		},
	}
	f.add(cmd)
	cmd.Flags().StringSliceVar(&herds, "herd", nil, "only this herd (can be given several times; default: all that the token may read)")
	cmd.Flags().StringVar(&people, "people", "", "CSV file that says which code of which herd is which person (- is standard input)")
	count.add(cmd, asOfTimeHelp)
	return cmd
}

func techniciansText(w *tabwriter.Writer, t *api.Technicians, people bool) {
	first := "herd\tcode"
	if people {
		first = "person\tcodes"
	}
	line(w, first, "share", "conceived", "expected", "ratio", "95 % limits", "99.8 % limits", "position")
	alone := false
	for i := range t.Rows {
		x := &t.Rows[i]
		who, codes := x.Codes[0].Herd, "(not recorded)"
		if c := x.Codes[0].Code; c != nil {
			codes = *c
		}
		if people {
			who = "(not in the map)"
			if x.Person != nil {
				who = *x.Person
			} else if x.Codes[0].Code == nil {
				who = "(not recorded)"
			}
			var list []string
			for _, c := range x.Codes {
				name := c.Herd
				if c.Code != nil {
					name = *c.Code + " of " + c.Herd
				}
				list = append(list, name)
			}
			codes = strings.Join(list, ", ")
		}
		expected, ratio, inner, outer, position := "", "", "", "", ""
		if x.Expected != nil {
			expected = fmt.Sprintf("%.1f", *x.Expected)
		}
		if x.Ratio != nil {
			ratio = fmt.Sprintf("%.2f", *x.Ratio)
		}
		if l := x.ExpectedLimits; l != nil {
			inner = shareText(&l.Low95) + " to " + shareText(&l.High95)
			outer = shareText(&l.Low998) + " to " + shareText(&l.High998)
		}
		switch {
		case x.Position != nil:
			position = map[api.TechnicianRowPosition]string{"within": "within", "outside_95": "outside 95 %", "outside_99_8": "outside 99.8 %"}[*x.Position]
		case x.Denominator > 0 && 2*x.Alone >= x.Denominator:
			position, alone = "alone", true
		case x.Denominator > 0 && x.Denominator < 50:
			position = "too few"
		}
		line(w, who, codes, shareText(x.Value), fmt.Sprintf("%d of %d", x.Numerator, x.Denominator), expected, ratio, inner, outer, position)
	}
	line(w, "all", "", shareText(t.Value), fmt.Sprintf("%d of %d", t.Numerator, t.Denominator))
	line(w, "")
	if n := len(t.Unmapped); n > 0 {
		line(w, fmt.Sprintf("Of %s the map does not say whose they are.", count(int64(n), "code")))
	}
	if alone {
		line(w, "alone: nobody else bred in these herds, so that the expected number is her own.")
	}
	line(w, "The limits lie around the share that is expected; too few: below 50 services there is no position.")
	line(w, t.Caution)
}
