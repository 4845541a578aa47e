package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"byrelog.example/api"
)

// dataset is the one that there is.
const dataset = "reproduction"

func (p *program) exchangeCommand() *cobra.Command {
	return group("exchange", "Records out and in by the open livestock exchange standard (ICAR ADE)", p.exchangeExport(), p.exchangeImport())
}

func (p *program) exchangeExport() *cobra.Command {
	var f clientFlags
	var out, since string
	cmd := &cobra.Command{
		Use: "export HERD", Short: "Give out a herd's records as resources of the standard", Args: cobra.ExactArgs(1),
		Long: `Give out a herd's reproduction and movements as a JSON array of resources of the
ICAR Animal Data Exchange standard, 1.3.2. A fact that was corrected is one
resource, with the same id for ever.

The token that is printed asks for what changes from now on: give it with
--since the next time; what was withdrawn comes with meta.isDeleted. Should the
answer be everything all the same (after a restore, for one), that is said: the
receiver is then to drop what it holds.

What the standard has no place for is left out, or stands in the member
x-byrelog only; after a whole export it is listed, with counts.`,
		Example: "  byrelog exchange export alder-row -o alder-row.json",
		RunE: func(cmd *cobra.Command, args []string) error {
			return p.exchangeOut(cmd.Context(), &f, args[0], out, since)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVarP(&out, "out", "o", "", "file to write (default: standard output)")
	cmd.Flags().StringVar(&since, "since", "", "token of an earlier export: only what changed since")
	return cmd
}

// exported is what --json tells of an export into a file.
type exported struct {
	Resources      int             `json:"resources"`
	FullSync       bool            `json:"full_sync"`
	Token          string          `json:"token"`
	NotExpressible []api.LostField `json:"not_expressible"`
}

func (p *program) exchangeOut(ctx context.Context, f *clientFlags, herd, out, since string) error {
	if f.json && out == "" {
		return usage("--json tells of an export into a file: give --out too; the resources are JSON anyway")
	}
	c, err := p.client(f)
	if err != nil {
		return err
	}
	var told *api.Changes
	write := func(w io.Writer) error {
		told, err = c.ExchangeChanges(ctx, herd, dataset, since, w)
		if errors.Is(err, api.ErrTruncated) {
			return errors.New("the answer broke off before its last object; what came of it is of no use, ask again")
		}
		return explain(f, err)
	}
	if out == "" {
		err = write(p.out)
	} else {
		err = save(out, write)
	}
	if err != nil {
		return err
	}
	e := exported{Resources: told.Count, FullSync: told.FullSync, Token: told.Token, NotExpressible: []api.LostField{}}
	if told.FullSync {
		rsp, err := c.GetDatasetWithResponse(ctx, herd, dataset, nil)
		if err != nil {
			return explain(f, err)
		}
		state, err := answered(rsp.JSON200, rsp.Status(), f)
		if err != nil {
			return err
		}
		e.NotExpressible = state.NotExpressible
	}
	if f.json {
		return p.show(f, &e, nil)
	}
	p.tellExport(&e, since != "")
	return nil
}

// tellExport goes to standard error: standard output may be the export.
func (p *program) tellExport(e *exported, asked bool) {
	switch {
	case e.FullSync && asked:
		p.tell("%s: everything, not only what changed, for the token is of an earlier state of the service. Drop what you hold of the herd.\n", several(e.Resources, "resource"))
	case e.FullSync:
		p.tell("%s.\n", several(e.Resources, "resource"))
	default:
		p.tell("Changed: %s.\n", several(e.Resources, "resource"))
	}
	if len(e.NotExpressible) > 0 {
		p.tell("The standard has no place for:\n")
	}
	for _, l := range e.NotExpressible {
		if l.Field == nil {
			p.tell("  %s of kind %s, left out\n", several(l.Count, "event"), l.Kind)
		} else {
			p.tell("  %s of %s of kind %s, which stands in x-byrelog only\n", *l.Field, several(l.Count, "event"), l.Kind)
		}
	}
	p.tell("Next time: --since %s\n", e.Token)
}

func (p *program) exchangeImport() *cobra.Command {
	var f clientFlags
	var location string
	var dry bool
	cmd := &cobra.Command{
		Use: "import HERD FILE", Short: "Take in resources of the standard", Args: cobra.ExactArgs(2),
		Long: `Take in resources of the ICAR Animal Data Exchange standard (- is standard
input): an array, a collection with member, or a single resource. What is new
is appended, a newer version voids and replaces what is there, a deletion voids
it; the same file again does nothing.

--dry-run says what would happen and writes nothing. Resources with faults are
told and left out. Resources that name another place than this herd are refused
unless --location names it. Exit code 1 if any was refused.`,
		Example: "  byrelog exchange import alder-row collars.json --dry-run",
		RunE: func(cmd *cobra.Command, args []string) error {
			return p.exchangeIn(cmd.Context(), &f, args[0], args[1], &api.ImportExchangeParams{DryRun: &dry, Location: given(location)})
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&location, "location", "", "id of a place whose resources are this herd's, beside its own")
	cmd.Flags().BoolVar(&dry, "dry-run", false, "say what would happen, write nothing")
	return cmd
}

func (p *program) exchangeIn(ctx context.Context, f *clientFlags, herd, name string, params *api.ImportExchangeParams) error {
	c, err := p.client(f)
	if err != nil {
		return err
	}
	in, err := p.input(ctx, name)
	if err != nil {
		return err
	}
	defer in.close()
	body := io.Reader(bufio.NewReaderSize(in, 1<<16))
	bar := p.bar(in.size, "sending "+filepath.Base(name))
	if bar != nil {
		body = io.TeeReader(body, bar)
	}
	report, err := c.ImportResources(ctx, herd, params, body)
	if bar != nil {
		_ = bar.Clear() // a bar that stays is only untidy
	}
	if errors.Is(err, api.ErrResources) {
		return fmt.Errorf("%s: %w", name, err) // the file's fault, whatever was taken before
	}
	if brokenOff(err) && !*params.DryRun {
		return fmt.Errorf("%w; sending the file again takes only what is missing", explain(f, err))
	}
	if err != nil {
		return explain(f, err)
	}
	if err := p.show(f, report, func(w *tabwriter.Writer) { exchangeText(w, report) }); err != nil {
		return err
	}
	if report.Counts.Refused > 0 {
		return errQuiet
	}
	return nil
}

func exchangeText(w io.Writer, r *api.ExchangeReport) {
	would := ""
	if r.DryRun {
		would = "would be "
	}
	c := r.Counts
	line(w, fmt.Sprintf("%s read: %d %snew, %d %samended, %d %sdeleted, %d already there; %d refused, %d without a place in the log.",
		several(c.Resources, "resource"), c.Appended, would, c.Amended, would, c.Deleted, would, c.AlreadyThere, c.Refused, c.NotExpressible))
	refusedText(w, r)
	if len(r.NotExpressible) > 0 {
		line(w, "The log has no place for:")
	}
	for _, l := range r.NotExpressible {
		if l.Member == nil {
			line(w, fmt.Sprintf("  %d of %s", l.Count, word(l.ResourceType)))
		} else {
			line(w, fmt.Sprintf("  %s of %d %s", *l.Member, l.Count, word(l.ResourceType)))
		}
	}
}

// several gives "1 event" or "n events".
func several(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// refusedText tells the faults, those alike in one line.
func refusedText(w io.Writer, r *api.ExchangeReport) {
	if len(r.Problems) == 0 {
		return
	}
	line(w, "Refused:")
	alike := map[string]int{}
	for _, pr := range r.Problems {
		alike[pr.Detail]++
	}
	const most = 20
	told := 0
	for _, pr := range r.Problems {
		n := alike[pr.Detail]
		if n == 0 {
			continue // told with the first of them
		}
		if told++; told > most {
			break
		}
		alike[pr.Detail] = 0
		also := ""
		if n > 1 {
			also = fmt.Sprintf(" (and %d more alike)", n-1)
		}
		line(w, fmt.Sprintf("  %s %s: %s%s", pr.Pointer, word(pr.ResourceType), pr.Detail, also))
	}
	if len(r.Problems) < r.Counts.Refused || told > most {
		line(w, "  These are the first faults only: mend them and try again with --dry-run.")
	}
}
