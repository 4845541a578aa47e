package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"byrelog.example/api"
)

// importFlags are what an import is asked for beside its file.
type importFlags struct {
	mapping, rejects, digest string
	dry, strict, part        bool
	workbook                 bool
	voids                    int64 // below 0: what the mapping allows
}

func (p *program) importCommand() *cobra.Command {
	var f clientFlags
	var o importFlags
	cmd := &cobra.Command{
		Use: "import [HERD] FILE", Short: "Take in a CSV file or a workbook", Args: cobra.RangeArgs(1, 2),
		Long: `Take in a CSV file (- is standard input): byrelog's own form, or with --mapping
a foreign sheet. A file named .xlsx is read as the workbook that it is. A file
may be sent again as often as you like: what is there already is not stored
twice. Without HERD the mapping names a column of herds,
and each row goes to its own.

byrelog's own form is also one to type into: a header with the columns kind, animal and
on (YYYY-MM-DD), those of the kinds that you note, and at, by and note as you like; a
row for each event, and in it the cells that its kind has. For example

  kind,animal,on,by,verdict,chalk,tone,mucus,method,sire,result,days_pregnant
  heat,0412,2026-11-24,t2,suspect,disturbed,,,,,,
  palpation,0412,2026-11-24,t2,in_heat,,strong,clear,,,,
  breeding,0412,2026-11-24,t2,,,,,ai,b-101,,
  pregnancy_diagnosis,0388,2026-11-24,v1,,,,,ultrasound,,pregnant,42

A word or column that there is not is refused. All columns stand in
the header of byrelog export, and byrelog export --datapackage describes them. A list to
be filled in (byrelog list --form) comes back in this way too.

--dry-run says what would happen and writes nothing; --digest, with the SHA-256
that it prints, lets exactly those bytes be imported. Rows with faults are told
and left out; --rejects FILE saves them as a sheet of the same form with the
reasons, to be mended and sent again.

The next state of a sheet is held against the one before: rows that were edited
or are gone are told, or corrected in the log, as the mapping says (on_change,
on_vanish). A file that would void many events is refused unless --max-voids
allows as many; --part says that it is only a part of the sheet.

Exit code 1 if any row was refused, or the sheet and the log differ and the log
was left alone.`,
		Example: "  byrelog import alder-row office.csv --mapping office-rows --dry-run\n  byrelog import county.csv --mapping county-rows",
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.rejects != "" && o.dry {
				return usage("--rejects goes with an import, not with --dry-run: a dry run keeps nothing")
			}
			if len(args) == 2 {
				return p.importFile(cmd.Context(), &f, args[0], args[1], &o)
			}
			if o.workbook || isWorkbook(args[0]) {
				return usage("import %s: name the herd before a workbook, or save a sheet of many herds as CSV", args[0])
			}
			if o.mapping == "" {
				return usage("import %s: name the herd before the file, or with --mapping a sheet that says which herd each row is of", args[0])
			}
			return p.importHerds(cmd.Context(), &f, args[0], &o)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&o.mapping, "mapping", "", "name of a saved mapping (byrelog mapping put)")
	cmd.Flags().StringVar(&o.rejects, "rejects", "", "file for the refused rows")
	cmd.Flags().StringVar(&o.digest, "digest", "", "SHA-256 that the file must have, as a dry run prints it")
	cmd.Flags().BoolVar(&o.dry, "dry-run", false, "say what would happen, write nothing")
	cmd.Flags().BoolVar(&o.strict, "strict", false, "one refused row refuses the whole file")
	cmd.Flags().BoolVar(&o.workbook, "workbook", false, "the file is a workbook (.xlsx), whatever its name")
	cmd.Flags().BoolVar(&o.part, "part", false, "the file holds a part of the sheet: rows that it lacks are not gone")
	cmd.Flags().Int64Var(&o.voids, "max-voids", -1, "how many events the file may void (default: what the mapping allows)")
	cmd.Flags().Lookup("max-voids").DefValue = "0" // not shown: -1 would be no help
	return cmd
}

func (o *importFlags) maxVoids() *int64 {
	if o.voids < 0 {
		return nil
	}
	return &o.voids
}

// send opens the file, shows how far it is read, and hands it on.
func (p *program) send(ctx context.Context, f *clientFlags, name string, o *importFlags, post func(file *string, body io.Reader) error) error {
	in, err := p.input(ctx, name)
	if err != nil {
		return err
	}
	defer in.close()
	var file *string
	if name != "-" {
		base := filepath.Base(name)
		file = &base
	}
	body := io.Reader(bufio.NewReaderSize(in, 1<<16))
	bar := p.bar(in.size, "sending "+filepath.Base(name))
	if bar != nil {
		body = io.TeeReader(body, bar)
	}
	err = post(file, body)
	if bar != nil {
		_ = bar.Clear() // a bar that stays is only untidy
	}
	if brokenOff(err) && !o.dry {
		return fmt.Errorf("%w; sending the file again appends only what is missing", explain(f, err))
	}
	if err != nil {
		return explain(f, err)
	}
	return nil
}

func (p *program) importFile(ctx context.Context, f *clientFlags, herd, name string, o *importFlags) error {
	c, err := p.client(f)
	if err != nil {
		return err
	}
	var report *api.ImportReport
	err = p.send(ctx, f, name, o, func(file *string, body io.Reader) (err error) {
		send := c.ImportCSV
		if o.workbook || isWorkbook(name) {
			send = c.ImportWorkbook
		}
		report, err = send(ctx, herd, &api.ImportFileParams{
			Mapping: given(o.mapping), DryRun: &o.dry, Strict: &o.strict, Part: &o.part, Digest: given(o.digest), MaxVoids: o.maxVoids(), FileName: file,
		}, body)
		return err
	})
	if err != nil {
		return err
	}
	if err := p.show(f, report, func(w *tabwriter.Writer) { importText(w, report) }); err != nil {
		return err
	}
	if o.rejects != "" && report.Counts.Refused > 0 && report.ID != nil {
		if err := p.saveRejects(f, o.rejects, func() (*http.Response, error) { return c.GetRejects(ctx, herd, *report.ID) }); err != nil {
			return err
		}
	}
	if amiss(&report.Counts) || report.State == api.ImportReportStateFailed {
		return errQuiet
	}
	return nil
}

// amiss tells whether somebody has to look at what became of the file.
func amiss(c *api.ImportCounts) bool { return c.Refused+c.Changed+c.Vanished > 0 }

func (p *program) importHerds(ctx context.Context, f *clientFlags, name string, o *importFlags) error {
	c, err := p.client(f)
	if err != nil {
		return err
	}
	var report *api.HerdsImportReport
	err = p.send(ctx, f, name, o, func(file *string, body io.Reader) (err error) {
		report, err = c.ImportHerdsCSV(ctx, &api.ImportHerdsParams{
			Mapping: o.mapping, DryRun: &o.dry, Strict: &o.strict, Part: &o.part, Digest: given(o.digest), MaxVoids: o.maxVoids(), FileName: file,
		}, body)
		return err
	})
	if err != nil {
		return err
	}
	if err := p.show(f, report, func(w *tabwriter.Writer) { herdsImportText(w, report) }); err != nil {
		return err
	}
	if o.rejects != "" && report.Counts.Refused > 0 && report.ID != nil {
		if err := p.saveRejects(f, o.rejects, func() (*http.Response, error) { return c.GetHerdsRejects(ctx, *report.ID) }); err != nil {
			return err
		}
	}
	if amiss(&report.Counts) || len(report.MissingHerds) > 0 || report.State == api.HerdsImportReportStateFailed {
		return errQuiet
	}
	return nil
}

func importText(w io.Writer, r *api.ImportReport) {
	if r.Error != nil {
		verb := "The import stopped: "
		if r.DryRun {
			verb = "The import would be refused: "
		}
		line(w, verb+*r.Error)
	}
	line(w, countsText(&r.Counts, r.DryRun))
	details(w, r)
	if len(r.Problems) > 0 && r.Rejects != nil {
		line(w, "All refused rows: "+*r.Rejects)
	}
	if r.DryRun {
		line(w, "SHA-256 of the file: "+r.Digest)
	}
}

func herdsImportText(w io.Writer, r *api.HerdsImportReport) {
	line(w, count(int64(len(r.Herds)), "herd")+". "+countsText(&r.Counts, r.DryRun))
	if len(r.MissingHerds) > 0 {
		line(w, "Earlier files had rows of "+strings.Join(r.MissingHerds, ", ")+", and this one has none: is it whole? Nothing was changed there.")
	}
	rowProblems(w, "Refused, of no herd:", r.Problems)
	for i := range r.Herds {
		h := &r.Herds[i]
		state := ""
		if h.Error != nil {
			state = " Stopped: " + *h.Error
		}
		line(w, h.Herd+": "+countsText(&h.Counts, h.DryRun)+state)
		details(w, h)
	}
	if r.Counts.Refused > 0 && r.Rejects != nil {
		line(w, "All refused rows: "+*r.Rejects)
	}
	if r.DryRun {
		line(w, "SHA-256 of the file: "+r.Digest)
	}
}

// countsText says what became of a file's rows. What did not happen is left out,
// but for what an import is for.
func countsText(c *api.ImportCounts, dry bool) string {
	verb, amended, withdrawn := "appended", "corrected", "withdrawn"
	if dry {
		verb, amended, withdrawn = "would be appended", "would be corrected", "would be withdrawn"
	}
	were := "were"
	if c.AlreadyThere == 1 {
		were = "was"
	}
	s := fmt.Sprintf("%s read: %s %s, %d %s there already", count(c.Rows, "row"), count(c.Appended, "event"), verb, c.AlreadyThere, were)
	for _, part := range []struct {
		n    int64
		text string
	}{{c.Amended, amended}, {c.Withdrawn, withdrawn}, {c.Changed, "changed in the sheet and left alone"}, {c.Vanished, "gone from the sheet and left alone"}} {
		if part.n > 0 {
			s += fmt.Sprintf(", %d %s", part.n, part.text)
		}
	}
	return s + fmt.Sprintf("; %s refused, %d skipped.", count(c.Refused, "row"), c.Skipped)
}

func count(n int64, what string) string {
	if n != 1 {
		what += "s"
	}
	return strconv.FormatInt(n, 10) + " " + what
}

// details tell the refused rows, the differences and the checks of one herd.
func details(w io.Writer, r *api.ImportReport) {
	rowProblems(w, "Refused:", r.Problems)
	rowProblems(w, "Taken, but worth a look:", r.Notices)
	list(w, "The sheet and the log differ:", len(r.Differences), len(r.Differences), func(i int) string {
		d := &r.Differences[i]
		s := d.Animal + " " + d.Kind + " " + d.On.String()
		if d.Line != nil {
			s = "line " + strconv.Itoa(*d.Line) + ", " + s
		}
		var changes []string
		for _, c := range d.Fields {
			changes = append(changes, fmt.Sprintf("%s %q is now %q", c.Name, c.Log, c.Sheet))
		}
		if changes != nil {
			s += " (" + strings.Join(changes, ", ") + ")"
		}
		return s + ": " + d.Detail
	})
	if r.Checks == nil {
		return
	}
	title := "Please check:"
	if r.DryRun {
		title = "To check then:"
	}
	list(w, title, len(r.Checks.Items), r.Checks.Count, func(i int) string {
		x := &r.Checks.Items[i]
		s := x.Animal
		if x.On != nil {
			s = strings.TrimSpace(s + " " + x.On.String())
		}
		if len(x.Lines) > 0 {
			var lines []string
			for _, n := range x.Lines {
				lines = append(lines, strconv.Itoa(n))
			}
			s = "line " + strings.Join(lines, " and ") + ", " + s
		}
		return s + ": " + x.Text
	})
	if r.ID != nil && (len(r.Differences) > 0 || r.Checks.Count > mostListed) {
		line(w, "In full: byrelog checks "+r.Herd+" --import "+r.ID.String())
	}
}

const mostListed = 20

// list prints some of all lines below a title, or nothing.
func list(w io.Writer, title string, have, all int, text func(i int) string) {
	const most = mostListed
	if all == 0 {
		return
	}
	line(w, title)
	for i := range min(have, most) {
		line(w, "  "+text(i))
	}
	if all > most {
		line(w, fmt.Sprintf("  and %d more", all-min(have, most)))
	}
}

func (p *program) saveRejects(f *clientFlags, name string, fetch func() (*http.Response, error)) error {
	rsp, err := fetch()
	if err != nil {
		return explain(f, err)
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	if err := save(name, copyOf(rsp.Body)); err != nil {
		return err
	}
	p.tell("The refused rows are in %s.\n", name)
	return nil
}
