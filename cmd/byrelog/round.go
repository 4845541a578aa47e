package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"text/tabwriter"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/round"
)

func (p *program) roundCommand() *cobra.Command {
	var f clientFlags
	var params api.RecordRoundParams
	var dryRun, part, replace bool
	cmd := &cobra.Command{
		Use: "round HERD [FILE]", Short: "Record what was seen and done on a round, in plain words", Args: cobra.RangeArgs(1, 2),
		Long: `Record what was seen and done on a walk through the herd, from a text in plain
words (FILE, or - or nothing for standard input). A text is recorded whole or not at
all, unless --part is given; --dry-run says what would be recorded. The answer has a
line for each line of the text.`,
		Example: "  byrelog round alder-row morning.txt --dry-run\n  byrelog round alder-row morning.txt",
		RunE: func(cmd *cobra.Command, args []string) error {
			name := "-"
			if len(args) > 1 {
				name = args[1]
			}
			in, err := p.input(cmd.Context(), name)
			if err != nil {
				return err
			}
			defer in.close()
			text, err := io.ReadAll(io.LimitReader(in, round.MaxText+1)) // the service says that it is too long
			if err != nil {
				return fmt.Errorf("read %s: %w", name, err)
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params.DryRun, params.Part, params.Replace = &dryRun, &part, &replace
			a, err := c.Round(cmd.Context(), args[0], params, string(text))
			if err != nil {
				return p.refusedRound(&f, err)
			}
			if err := p.show(&f, a, func(*tabwriter.Writer) { _, _ = io.WriteString(p.out, a.Text()) }); err != nil {
				return err
			}
			if a.Refused > 0 {
				return errQuiet
			}
			return nil
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "say what would be recorded, and record nothing")
	cmd.Flags().BoolVar(&part, "part", false, "record the lines that are right even if others are refused")
	cmd.Flags().BoolVar(&replace, "replace", false, "let a line that says something else than the same round said before replace it")
	longHelp(cmd, func() (string, error) { return round.Help(), nil })
	return cmd
}

// refusedRound tells every fault of a round in a line of its own: they are mended with
// the text beside them.
func (p *program) refusedRound(f *clientFlags, err error) error {
	var problem *api.ProblemError
	if f.json || !errors.As(err, &problem) || problem.Errors == nil || len(*problem.Errors) == 0 {
		return explain(f, err)
	}
	for i := range *problem.Errors {
		x := &(*problem.Errors)[i]
		where := ""
		if x.Line != nil {
			where = fmt.Sprintf("line %d", *x.Line)
		}
		if x.Column != nil {
			where += ", character " + *x.Column
		}
		if where != "" {
			where += ": "
		}
		line(p.out, where+x.Detail)
	}
	return errors.New(problem.Detail)
}

func (p *program) voidCommand() *cobra.Command {
	var f clientFlags
	var last, dryRun bool
	var why string
	cmd := &cobra.Command{
		Use: "void HERD [EVENT]", Short: "Withdraw an event, or what this token recorded last", Args: cobra.RangeArgs(1, 2),
		Long: `Withdraw an event by its number in the log (which the answer of a round gives in
brackets) or its id, or with --last all that still stands of the last request of this token to the
herd: a round, or events appended under an Idempotency-Key. Nothing is deleted: the
log keeps what was said, that it was withdrawn, and why. --last again goes on with the
request before.`,
		Example: "  byrelog void alder-row --last --why misread",
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case last == (len(args) == 2):
				return usage("either the number of an event or --last says what is to be withdrawn")
			case why == "" && !dryRun:
				return usage("--why is needed: the log keeps why an event was withdrawn")
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			events := []api.ToldEvent{}
			if last {
				rsp, err := c.GetLastRequestWithResponse(cmd.Context(), args[0])
				if err != nil {
					return explain(&f, err)
				}
				body, err := answered(rsp.JSON200, rsp.Status(), &f)
				if err != nil {
					return err
				}
				if len(body.Events) == 0 {
					return errors.New("nothing that this token recorded lately in " + args[0] + " still stands: give the number of an event")
				}
				events = body.Events
			} else {
				id, err := p.eventID(cmd.Context(), &f, c, args[0], args[1])
				if err != nil {
					return err
				}
				events = append(events, api.ToldEvent{ID: id, Text: args[1]})
			}
			for i := range events {
				if dryRun {
					continue
				}
				_, err := c.VoidEventWithResponse(cmd.Context(), args[0], events[i].ID, &api.VoidEventParams{}, api.VoidRequest{Reason: why})
				if err != nil && i > 0 {
					return fmt.Errorf("%w (%s withdrawn before; the same command goes on with the rest)", explain(&f, err), count(int64(i), "event"))
				}
				if err != nil {
					return explain(&f, err)
				}
			}
			return p.show(&f, events, func(w *tabwriter.Writer) {
				word := "withdrawn"
				if dryRun {
					word = "would be withdrawn"
				}
				for i := range events {
					line(w, word+":", events[i].Text)
				}
			})
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&last, "last", false, "withdraw what this token recorded last in the herd")
	cmd.Flags().StringVar(&why, "why", "", "why, in a few words")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "say what would be withdrawn, and withdraw nothing")
	return cmd
}

// eventID finds the id of an event that is named by it or by its number in the log.
func (p *program) eventID(ctx context.Context, f *clientFlags, c *api.ClientWithResponses, herd, name string) (id uuid.UUID, err error) {
	if id, err = uuid.Parse(name); err == nil {
		return id, nil
	}
	seq, err := strconv.ParseInt(name, 10, 64)
	if err != nil || seq < 1 {
		return id, usage("%s is neither the number nor the id of an event", name)
	}
	after, all, limit := seq-1, true, 1
	rsp, err := c.ListEventsWithResponse(ctx, herd, &api.ListEventsParams{After: &after, All: &all, Limit: &limit})
	if api.IsProblem(err, "log-epoch-changed") { // its place is behind the end of the log
		return id, fmt.Errorf("%s has no event %d", herd, seq)
	}
	if err != nil {
		return id, explain(f, err)
	}
	page, err := answered(rsp.JSON200, rsp.Status(), f)
	if err != nil {
		return id, err
	}
	if len(page.Items) == 0 || page.Items[0].Seq != seq {
		return id, fmt.Errorf("%s has no event %d", herd, seq)
	}
	if page.Items[0].Voided {
		return id, fmt.Errorf("event %d is withdrawn already", seq)
	}
	return page.Items[0].ID, nil
}
