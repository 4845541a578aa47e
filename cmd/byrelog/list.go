package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
)

func (p *program) listCommand() *cobra.Command {
	var f clientFlags
	var at momentFlags
	var pen string
	var narrow listFlags
	var form csvFlags
	var fillIn string
	cmd := &cobra.Command{
		Use: "list HERD LIST", Short: "Print a work list of the day", Args: cobra.ExactArgs(2),
		Long: `Print a work list on the screen: who is on it and why, since when, what to check
first, and the cautions that go with it. --page writes it as a page for paper,
landscape on A4 or Letter, each pen on a sheet of its own, with room to write by
hand. --form writes the list diagnose or examine as a CSV file with blank cells for
what is found; filled in with any program, whole or in part, it comes back by
byrelog import as it is. LIST is one of

` + listHelp() + `
A list is no advice to treat, and does not say who may examine.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := knownList(args[1]); err != nil {
				return err
			}
			if fillIn != "" {
				if form.csv || f.json || narrow.page != "" || narrow.short {
					return usage("--form excludes --csv, --json, --page and --short")
				}
				return p.listForm(cmd, &f, args, &at, pen, &narrow, &form, fillIn)
			}
			if err := narrow.fits(&form, f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.GetListParams{
				On: at.on.param(), Pen: given(pen), AsOf: given(at.asOf),
				Profile: chosen[api.GetListParamsProfile](form.profile), Delimiter: chosen[api.GetListParamsDelimiter](form.delimiter),
			}
			params.Days, params.Short = narrow.params(cmd)
			params.Method = chosen[api.GetListParamsMethod](narrow.method)
			list := api.ListName(args[1])
			switch {
			case form.csv:
				return explain(&f, c.WorkListCSV(cmd.Context(), args[0], list, params, p.out))
			case f.json:
				l, err := c.WorkList(cmd.Context(), args[0], list, params)
				if err != nil {
					return explain(&f, err)
				}
				return p.show(&f, l, nil)
			case narrow.page != "":
				return explain(&f, p.paper(narrow.page, func(w io.Writer) error { return c.WorkListPage(cmd.Context(), args[0], list, params, w) }))
			}
			return explain(&f, c.WorkListText(cmd.Context(), args[0], list, params, p.out))
		},
	}
	f.add(cmd)
	at.add(cmd, "the day (default today)", asOfHelp)
	cmd.Flags().StringVar(&pen, "pen", "", "only animals of this pen")
	narrow.add(cmd)
	form.addTable(cmd)
	cmd.Flags().StringVar(&fillIn, "form", "", "diagnose, examine: write a form to fill in into this file (.csv); --profile spreadsheet for a spreadsheet program")
	return cmd
}

func (p *program) listForm(cmd *cobra.Command, f *clientFlags, args []string, at *momentFlags, pen string, narrow *listFlags, form *csvFlags, name string) error {
	if err := form.check(); err != nil {
		return err
	}
	c, err := p.client(f)
	if err != nil {
		return err
	}
	params := api.GetListFormParams{
		On: at.on.param(), Pen: given(pen), AsOf: given(at.asOf), Method: chosen[api.GetListFormParamsMethod](narrow.method),
		Profile: chosen[api.GetListFormParamsProfile](form.profile), Delimiter: chosen[api.GetListFormParamsDelimiter](form.delimiter),
	}
	params.Days, _ = narrow.params(cmd)
	if err := save(name, func(w io.Writer) error {
		return c.WorkListForm(cmd.Context(), args[0], api.ListName(args[1]), params, w)
	}); err != nil {
		return explain(f, err)
	}
	line(p.out, name+" is written: fill it in, then byrelog import "+args[0]+" "+name)
	return nil
}

// listFlags narrow a work list, of one herd or of several, or put it on paper.
type listFlags struct {
	days   int
	method string
	short  bool
	page   string
}

func (f *listFlags) fits(form *csvFlags, json bool) error {
	if f.page != "" && (form.csv || json) {
		return usage("--page excludes --csv and --json")
	}
	return form.fits(json)
}

// paper writes a page to print. What some herds failed at does not lose the others'.
func (p *program) paper(name string, fetch func(io.Writer) error) error {
	var some *api.FailedHerdsError
	err := save(name, func(w io.Writer) error {
		if err := fetch(w); err != nil && !errors.As(err, &some) {
			return err
		}
		return nil
	})
	if err != nil {
		return err
	}
	line(p.out, name+" is written: open it in a browser and print it, landscape, on A4 or Letter.")
	if some != nil {
		return some
	}
	return nil
}

func (f *listFlags) add(cmd *cobra.Command) {
	cmd.Flags().IntVar(&f.days, "days", 0, "how far the list looks ahead or back (default: the list's own)")
	cmd.Flags().StringVar(&f.method, "method", "", "diagnose: only who is due by ultrasound, palpation, blood or milk")
	cmd.Flags().BoolVar(&f.short, "short", false, "walk: without those for whom a mark means simply no, such as the plainly pregnant; they are counted")
	cmd.Flags().StringVar(&f.page, "page", "", "write a page to print into this file (.html)")
}

func (f *listFlags) params(cmd *cobra.Command) (days *int, short *bool) {
	if cmd.Flags().Changed("days") {
		days = &f.days
	}
	if f.short {
		short = &f.short
	}
	return days, short
}

func knownList(name string) error {
	var names []string
	for _, d := range repro.Lists() {
		if d.Name == name {
			return nil
		}
		names = append(names, d.Name)
	}
	return usage("%s is no list; the lists are %s", name, strings.Join(names, ", "))
}

func listHelp() string {
	var b strings.Builder
	for _, d := range repro.Lists() {
		days := ""
		if d.MaxDays > 0 {
			days = fmt.Sprintf(" (--days: %s; %d)", d.DaysAre, d.Days)
		}
		fmt.Fprintf(&b, "  %-9s %s%s\n", d.Name, strings.ToLower(d.Title[:1])+d.Title[1:], days)
	}
	return b.String()
}

func (p *program) checksCommand() *cobra.Command {
	var f clientFlags
	var at momentFlags
	var animal, rule, severity, imported string
	var form csvFlags
	cmd := &cobra.Command{
		Use: "checks HERD", Short: "List what in a herd's records does not fit", Args: cobra.ExactArgs(1),
		Long: `List what in a herd's records does not fit, with what it was held against and
what please to check. Nothing is corrected by itself: two events that may be one are
shown side by side, and whoever knows voids one of them.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := form.fits(f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.ListChecksParams{
				On: at.on.param(), AsOf: given(at.asOf), Animal: given(animal), Rule: given(rule),
				Profile: chosen[api.ListChecksParamsProfile](form.profile), Delimiter: chosen[api.ListChecksParamsDelimiter](form.delimiter),
			}
			if severity != "" {
				s := api.Severity(severity)
				params.Severity = &s
			}
			if imported != "" {
				id, err := uuid.Parse(imported)
				if err != nil {
					return usage("--import %s: it is the id that the import was answered with", imported)
				}
				params.Import = &id
			}
			if form.csv {
				return explain(&f, c.ChecksCSV(cmd.Context(), args[0], params, p.out))
			}
			list := []api.Check{}
			for x, err := range c.Checks(cmd.Context(), args[0], params) {
				if err != nil {
					return explain(&f, err)
				}
				list = append(list, x)
			}
			return p.show(&f, list, func(w *tabwriter.Writer) { checksText(w, list) })
		},
	}
	f.add(cmd)
	at.add(cmd, "as of this day (default today)", asOfHelp)
	cmd.Flags().StringVar(&animal, "animal", "", "only about whoever has borne this number")
	cmd.Flags().StringVar(&imported, "import", "", "only about what this import appended, by its id")
	cmd.Flags().StringVar(&rule, "rule", "", "only of this rule, such as R20")
	cmd.Flags().StringVar(&severity, "severity", "", "only note, doubtful or serious ones")
	form.addTable(cmd)
	return cmd
}

func checksText(w *tabwriter.Writer, list []api.Check) {
	line(w, "number", "date", "severity", "rule", "what does not fit")
	for i := range list {
		x := &list[i]
		animal := x.Animal
		if animal == "" {
			animal = "(herd)"
		}
		line(w, animal, day(x.On), string(x.Severity), x.Rule, x.Text)
		if x.Pair != nil {
			line(w, "", "", "", "", "  "+pairText(&x.Pair.First))
			line(w, "", "", "", "", "  "+pairText(&x.Pair.Second))
		}
		line(w, "", "", "", "", "  please check: "+x.PleaseCheck)
	}
}

func pairText(e *api.PairEvent) string {
	parts := []string{fmt.Sprintf("seq %d, %s", e.Seq, e.On.Format("2006-01-02"))}
	for _, name := range []string{"time", "result", "method", "sire", "semen", "basis", "until", "days_pregnant", "fetuses", "seen", "ease", "calves", "parity"} {
		if v := e.Data[name]; v != "" {
			parts = append(parts, strings.ReplaceAll(name, "_", " ")+" "+v)
		}
	}
	if e.By != nil {
		parts = append(parts, "by "+*e.By)
	}
	if e.Source != nil {
		parts = append(parts, "from "+*e.Source)
	}
	return strings.Join(parts, ", ") + " (" + e.ID.String() + ")"
}
