package main

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/localpg"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

func (p *program) demoCommand() *cobra.Command {
	var f serverFlags
	var years int
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run the service with three invented herds and a tour",
		Long: `Start the service on a private Postgres of its own with three invented herds
(about 180, 600 and 3,000 cows, some years of records that end at the last noon
in UTC, in the middle of the round), make a token, and print a short tour of
addresses and commands that work when pasted.

The herds are made once; a later start finds them. To begin anew, delete the
data folder, which the tour names.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if years < 2 || years > 8 {
				return usage("--years %d: 2 to 8", years)
			}
			return p.demo(cmd.Context(), &f, years)
		},
	}
	f.add(cmd)
	cmd.Flags().Lookup("log-level").DefValue = "warn"
	f.logLevel = "warn"
	cmd.Flags().IntVar(&years, "years", 3, "years of records to invent")
	return cmd
}

func (p *program) demo(ctx context.Context, f *serverFlags, years int) error {
	if err := f.check(); err != nil {
		return err
	}
	level, err := f.level()
	if err != nil {
		return err
	}
	if f.dataDir == "" {
		dir, err := localpg.DefaultDir()
		if err != nil {
			return err
		}
		f.dataDir = dir + "-demo" // never the folder of somebody's real records
	}
	f.quiet = -1 // no load balancer has to notice
	p.printf("Starting a private Postgres in %s\n", f.dataDir)
	s, err := p.open(ctx, f, p.logger(level))
	if err != nil {
		return err
	}
	defer s.close()
	if err := p.inventHerds(ctx, s.book, years); err != nil {
		return err
	}
	expires := now().AddDate(0, 1, 0).UTC().Truncate(time.Second)
	secret, _, err := s.book.CreateToken(ctx, book.TokenSpec{Name: "demo", Admin: true, ExpiresAt: &expires})
	if err != nil {
		return err
	}
	return s.run(ctx, func(base string) { p.tour(ctx, s.book, base, secret, f.dataDir) })
}

// unfinished marks a herd of the demo whose records are still being made, so
// that a start that was interrupted goes on with the same ones.
const unfinished = "being invented"

// inventHerds fills the herds of the demo, those that are not there yet.
func (p *program) inventHerds(ctx context.Context, b *book.Book, years int) error {
	for _, named := range simherd.Demo() {
		h, err := p.inventedHerd(ctx, b, &named, years)
		if err != nil {
			return err
		}
		if h.Title != unfinished {
			continue
		}
		policies, err := b.Policies(ctx, h)
		if err != nil {
			return err
		}
		if len(policies) != 1 {
			return fmt.Errorf("the herd %s of the demo is unfinished and not as the demo left it: delete the data folder to begin anew", h.Name)
		}
		named.Params.First = policies[0].From
		named.Params.Last = named.Params.First + event.Date(years*365) + 1
		if err := p.fill(ctx, b, h, &named.Params); err != nil {
			return err
		}
		title := fmt.Sprintf("Invented herd of about %d cows", named.Params.Cows)
		if _, err := b.UpdateHerd(ctx, h, book.HerdSpec{Title: &title}); err != nil {
			return err
		}
	}
	return nil
}

func (p *program) inventedHerd(ctx context.Context, b *book.Book, named *simherd.Named, years int) (*book.Herd, error) {
	h, err := b.Herd(ctx, named.Herd)
	var known *book.Error
	if err == nil || !errors.As(err, &known) || known.Kind != book.NotFound {
		return h, err
	}
	title := unfinished
	if h, err = b.CreateHerd(ctx, book.HerdSpec{Name: named.Herd, Title: &title}); err != nil {
		return nil, err
	}
	policy := repro.DefaultPolicy()
	policy.WaitFirst, policy.WaitLater = named.Params.WaitDays, named.Params.WaitDays
	policy.OpenMark, policy.BredMark = "orange", "blue"
	// the last day is the latest whose noon is over: nothing lies in the future
	first := event.DateOf(now().UTC().Add(-12*time.Hour)) - 1 - event.Date(years*365)
	return h, b.PutPolicy(ctx, h, first, policy, "demo")
}

// fill appends the events of an invented herd in groups, in the order in which
// they would have been recorded.
func (p *program) fill(ctx context.Context, b *book.Book, h *book.Herd, params *simherd.Params) error {
	herd, err := simherd.New(*params, h.Name)
	if err != nil {
		return err
	}
	start, total := now(), 0
	p.printf("Inventing %s: about %d cows from %s to %s …", h.Name, params.Cows, params.First, params.Last)
	group := make([]*event.Event, 0, book.MaxAppend)
	flush := func() error {
		if len(group) == 0 {
			return nil
		}
		if _, err := b.Append(ctx, h, group, book.AppendOptions{History: true}); err != nil {
			return fmt.Errorf("fill %s: %w", h.Name, err)
		}
		total += len(group)
		group = group[:0]
		return nil
	}
	for e := range untilNoon(herd.Events(), params.Last) {
		group = append(group, e)
		if len(group) == cap(group) {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	if err := flush(); err != nil {
		return err
	}
	p.printf(" %d events in %.1f s\n", total, now().Sub(start).Seconds())
	return nil
}

// untilNoon ends a herd's records at noon of the last day, in the middle of the
// round: some pens are walked, some suspects felt, some cows bred, some of those that
// the examiner came for examined. What people do at the desk in the evening (calvings,
// moves, sales, corrections) is not there yet. A correction that is still to come
// leaves the wrong event standing, so its restatement, which may be of an earlier day,
// is left out with it.
func untilNoon(events iter.Seq2[event.Date, *event.Event], last event.Date) iter.Seq[*event.Event] {
	return func(yield func(*event.Event) bool) {
		ahead := map[uuid.UUID]bool{} // to be corrected yet
		pens := map[string]string{}
		var today []*event.Event
		for _, e := range events {
			if v, ok := e.Data.(*event.Void); ok && e.On == last {
				ahead[v.Event] = true
			}
			if ahead[e.Replaces] {
				continue
			}
			if e.On == last {
				today = append(today, e)
				continue
			}
			switch d := e.Data.(type) {
			case *event.Arrival:
				pens[e.Animal] = d.Pen
			case *event.Move:
				pens[e.Animal] = d.Pen
			case *event.Renumber:
				pens[d.To] = pens[e.Animal]
			}
			if !yield(e) {
				return
			}
		}
		for _, e := range morning(today, pens) {
			if !yield(e) {
				return
			}
		}
	}
}

// morning gives of a day's events those until noon; pens are those that the animals
// stand in.
func morning(today []*event.Event, pens map[string]string) []*event.Event {
	of, doubtful := map[event.Kind][]string{}, map[string]bool{} // who it is about, each once; of walks the pens
	for _, e := range today {
		who := e.Animal
		switch d := e.Data.(type) {
		case *event.Walk:
			who = d.Pen
		case *event.Heat:
			doubtful[who] = d.Verdict == event.Suspect
		}
		if !slices.Contains(of[e.Kind], who) {
			of[e.Kind] = append(of[e.Kind], who)
		}
	}
	first := func(list []string, n int) map[string]bool {
		m := map[string]bool{}
		for _, who := range list[:n] {
			m[who] = true
		}
		return m
	}
	walked := first(of[event.KindWalk], (2*len(of[event.KindWalk])+2)/3)
	pick := func(kind event.Kind, wanted func(who string) bool) map[string]bool {
		var list []string
		for _, who := range of[kind] {
			if wanted(who) {
				list = append(list, who)
			}
		}
		return first(list, len(list)/2)
	}
	seen := first(of[event.KindHeat], len(of[event.KindHeat]))
	felt := pick(event.KindPalpation, func(who string) bool { return walked[pens[who]] && seen[who] })
	bred := pick(event.KindBreeding, func(who string) bool { return walked[pens[who]] && (felt[who] || !doubtful[who]) })
	examined := pick(event.KindPregnancyDiagnosis, func(who string) bool { return !seen[who] })
	return slices.DeleteFunc(today, func(e *event.Event) bool {
		switch d := e.Data.(type) {
		case *event.Walk:
			return !walked[d.Pen]
		case *event.Heat:
			return !walked[pens[e.Animal]]
		case *event.Palpation:
			return !felt[e.Animal]
		case *event.Breeding:
			return !bred[e.Animal]
		case *event.PregnancyDiagnosis:
			return !examined[e.Animal]
		}
		return true
	})
}

// tour prints what to try, with names that exist in the herds at hand.
func (p *program) tour(ctx context.Context, b *book.Book, base, secret, dir string) {
	cow, morning := "…", event.DateOf(now().UTC())
	if h, err := b.Herd(ctx, "alder-row"); err == nil {
		_ = b.View(ctx, h, book.AsOf{}, func(v *book.View) error {
			morning = v.Fold.LastDate()
			cow = ordinary(v.Fold, morning)
			return nil
		})
	}
	round := "round " + morning.String() + " afternoon, by t2"
	if h, err := b.Herd(ctx, "north-meadow"); err == nil {
		_ = b.View(ctx, h, book.AsOf{}, func(v *book.View) error {
			round = noted(v.Fold, morning)
			return nil
		})
	}
	to := settled(morning)
	from := to - 364
	r := strings.NewReplacer("{round}", "'"+strings.Join(strings.Split(round, "\n"), "' '")+"'", "{base}", base, "{token}", secret, "{cow}", cow, "{from}", from.String(), "{to}", to.String(), "{day}", morning.String(), "{dir}", filepath.Clean(dir))
	p.printf("%s", r.Replace(`
byrelog runs at {base} with three invented herds: alder-row, mill-lane, north-meadow.
The records lie in {dir}; Ctrl-C stops the demo and keeps them.

In another terminal, in the folder of the clone:

  export BYRELOG_SERVER={base}
  export BYRELOG_TOKEN={token}
  export PATH="$PWD/bin:$PATH"

One cow: how does she stand, and may she be bred?

  byrelog animal show alder-row {cow}
  byrelog animal eligible alder-row {cow} --on {day}

The morning. The records end at noon of {day}, in the middle of the round: who is
still to be read, to be examined by hand, to be bred? (--csv and --json as well)

  byrelog list north-meadow walk --pen p1 --short --on {day}
  byrelog list north-meadow examine --on {day}
  byrelog list north-meadow breed --on {day}

The same on paper, with room to write; and back at the desk what was written, in plain
words: first dry, then in earnest, and (if it was the wrong herd) taken back:

  byrelog list north-meadow walk --pen p1 --short --on {day} --page walk.html
  printf '%s\n' {round} > round.txt
  byrelog round north-meadow round.txt --dry-run
  byrelog round north-meadow round.txt
  byrelog void north-meadow --last --why "written down for the wrong herd"

The clinic's visit: who is to be diagnosed, in all herds, and one herd as a form that comes
back by import:

  byrelog visit diagnose --on {day}
  byrelog list alder-row diagnose --on {day} --method ultrasound --form diagnose.csv

And who is easily forgotten: no heat seen, bred again and again, lost what she carried?

  byrelog list mill-lane not-seen --on {day}
  byrelog list mill-lane repeat --on {day}
  byrelog list mill-lane losses --on {day}

Please check these in the records (nothing is corrected by itself):

  byrelog checks alder-row --severity serious

Do the herds get pregnant fast enough? (each figure with its counts and interval; the
year ends so long ago that the outcome of every service is known)

  byrelog summary --from {from} --to {to}
  byrelog indices alder-row --from {from} --to {to}
  byrelog indices alder-row --from {from} --to {to} --key pregnancy_risk_21d --rows
  byrelog technicians --from {from} --to {to}

The records, out and in again (nothing is new the second time) and checked:

  byrelog export alder-row > alder-row.csv
  byrelog import alder-row alder-row.csv --dry-run
  byrelog verify alder-row.csv

The same over HTTP:

  curl -s -H "Authorization: Bearer $BYRELOG_TOKEN" {base}/v1/herds/alder-row/animals/{cow}
  curl -s -H "Authorization: Bearer $BYRELOG_TOKEN" "{base}/v1/summary?from={from}&to={to}"

The contract: {base}/docs and {base}/openapi.yaml

`))
}

// noted is a round that the technician might write down: the first suspect felt in heat,
// the first cow that may be bred bred, and a pen with nothing to note.
func noted(fold *repro.Herd, on event.Date) string {
	lines := []string{"round " + on.String() + " afternoon, by t2"}
	first := func(list, code, text string) {
		l, err := fold.List(list, on, repro.ListOptions{})
		if err != nil {
			return
		}
		for i := range l.Rows {
			if r := &l.Rows[i]; r.Code == code && r.Verdict != repro.No && r.Pen != "p2" {
				lines = append(lines, r.Animal+" "+text)
				return
			}
		}
	}
	first(repro.ListExamine, repro.ReasonSuspect, "felt in heat, strong tone, clear mucus, bred b-101")
	first(repro.ListBreed, repro.ReasonInHeat, "bred b-104 straw 17")
	return strings.Join(append(lines, "pen p2: nothing"), "\n")
}

// settled is the last day of a period whose figures are not provisional on a day: the
// services are mature, and so are those of the cows that calved at its end, 200 days
// on.
func settled(on event.Date) event.Date { return on - 200 - repro.DefaultMaturity }

// ordinary names a cow to begin with: bred two or three times in her second or third
// lactation, else any that is bred.
func ordinary(fold *repro.Herd, on event.Date) string {
	name := "…"
	for _, a := range fold.Animals(on) {
		if a.Status.Code != "bred" || a.DaysInMilk == nil {
			continue
		}
		if name == "…" {
			name = a.Name
		}
		if n := *a.Lactation; n != 2 && n != 3 || on-a.BredOn > 40 {
			continue
		}
		v, ok := fold.Animal(a.Name, on)
		if !ok {
			continue
		}
		services := 0
		for _, s := range v.Services {
			if s.Lactation != nil && *s.Lactation == *a.Lactation {
				services++
			}
		}
		if services == 2 || services == 3 {
			return a.Name
		}
	}
	return name
}
