package main

import (
	"bytes"
	"fmt"
	"io"
	"slices"
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
	var unknown string
	cmd := &cobra.Command{
		Use: "append HERD FILE", Short: "Append events from NDJSON, one a line", Args: cobra.ExactArgs(2),
		Long: `Append events from a file of NDJSON (- is standard input), in groups that are
each stored whole or not at all. Events with an id are stored once, however
often the file is sent.

An event about a number that nobody in the herd ever bore is refused, with those
that have a number like it, unless an arrival comes before it, --unknown begin is
given, or the herd's policy lets such events begin a history.`,
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
			params := &api.AppendEventsParams{}
			if unknown != "" {
				u := api.AppendEventsParamsUnknownAnimals(unknown)
				params.UnknownAnimals = &u
			}
			err = c.AppendNDJSON(cmd.Context(), args[0], params, in, func(a *api.AppendAnswer) error {
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
	cmd.Flags().StringVar(&unknown, "unknown", "", "events about unknown numbers: refuse or begin (default: as the herd's policy says)")
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

const byNumber = `ANIMAL is her number or,
where none in the herd ever bore that, her official identity without its scheme.`

func (p *program) animalShow() *cobra.Command {
	var f clientFlags
	var at momentFlags
	cmd := &cobra.Command{
		Use: "show HERD ANIMAL", Short: "Show a cow's status and history", Args: cobra.ExactArgs(2),
		Long: "Show a cow's status and history. " + byNumber,
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
		line(w, "lactation", "service", "on", "days", "method", "sire", "by", "outcome")
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
	for i := range c.Checks {
		line(w, "Please check: "+c.Checks[i].Text)
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
		Long: "May she be bred on this day: yes, no, or examine first, and why. " + byNumber,
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
	var status, pen, official string
	var form csvFlags
	cmd := &cobra.Command{
		Use: "list HERD", Short: "List the animals of a herd as they stand", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := form.fits(f.json); err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			params := api.ListAnimalsParams{On: at.on.param(), AsOf: given(at.asOf), Pen: given(pen), Status: given(status), OfficialID: given(official)}
			if form.csv {
				params.Profile, params.Delimiter = chosen[api.ListAnimalsParamsProfile](form.profile), chosen[api.ListAnimalsParamsDelimiter](form.delimiter)
				return explain(&f, c.AnimalsCSV(cmd.Context(), args[0], params, p.out))
			}
			var list []api.AnimalItem
			for a, err := range c.Animals(cmd.Context(), args[0], params) {
				if err != nil {
					return explain(&f, err)
				}
				list = append(list, a)
			}
			return p.show(&f, list, func(w *tabwriter.Writer) {
				line(w, "number", "status", "pen", "lactation", "calved", "days in milk", "bred", "due", "official id")
				for _, a := range list {
					id := ""
					if a.OfficialID != nil {
						id = a.OfficialID.ID
					}
					line(w, a.Animal, a.Status.Code, word(a.Pen), number(a.Lactation), day(a.CalvedOn), number(a.DaysInMilk), day(a.BredOn), day(a.DueOn), id)
				}
			})
		},
	}
	f.add(cmd)
	at.add(cmd, "as they stand on this day (default today)", asOfHelp)
	cmd.Flags().StringVar(&status, "status", "", "only animals of this status")
	cmd.Flags().StringVar(&pen, "pen", "", "only animals of this pen")
	cmd.Flags().StringVar(&official, "official-id", "", "only animals of this official identity, those that left with them")
	form.addTable(cmd)
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
