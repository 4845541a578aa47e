package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/simherd"
)

func rowProblems(w io.Writer, title string, list []api.RowProblem) {
	if len(list) == 0 {
		return
	}
	line(w, title)
	const most = 20
	for i, pr := range list {
		if i == most {
			line(w, fmt.Sprintf("  and %d more", len(list)-most))
			return
		}
		s := fmt.Sprintf("  line %d", pr.Line)
		if pr.Column != nil {
			s += ", " + *pr.Column
		}
		if pr.Value != nil && !strings.Contains(pr.Detail, strconv.Quote(*pr.Value)) {
			s += " " + strconv.Quote(*pr.Value)
		}
		s += ": " + pr.Detail
		if pr.Suggestion != nil {
			s += " (" + *pr.Suggestion + ")"
		}
		line(w, s)
	}
}

func copyOf(r io.Reader) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := io.Copy(w, r)
		return err
	}
}

// save writes a file whole or not at all.
func save(name string, write func(io.Writer) error) (err error) {
	tmp, err := os.CreateTemp(filepath.Dir(name), filepath.Base(name)+".*.part")
	if err != nil {
		var where *os.PathError
		if errors.As(err, &where) {
			err = where.Err // the name that it has is not the one that was given
		}
		return fmt.Errorf("cannot write %s: %w", name, err)
	}
	defer func() {
		if err != nil {
			_ = tmp.Close()
			_ = os.Remove(tmp.Name())
		}
	}()
	if err = write(tmp); err != nil {
		return err
	}
	if err = tmp.Close(); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), name)
}

// bar shows progress where a person watches; else it is nil.
func (p *program) bar(size int64, what string) *progressbar.ProgressBar {
	if !p.terminal(p.err) {
		return nil
	}
	return progressbar.NewOptions64(size, progressbar.OptionSetWriter(p.err), progressbar.OptionSetDescription(what),
		progressbar.OptionShowBytes(true), progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
}

func (p *program) exportCommand() *cobra.Command {
	var f clientFlags
	var csv csvFlags
	var out, pkg string
	cmd := &cobra.Command{
		Use: "export HERD", Short: "Give out a herd's whole log as CSV", Args: cobra.ExactArgs(1),
		Long: `Give out a herd's whole log as CSV, voided events included, in byrelog's own
form: it can be imported again anywhere, and byrelog verify checks it offline.
Its last record says how many events there are, so a cut-off file is noticed.

--profile spreadsheet gives the same for people who open it in a spreadsheet
program. What was saved there can be imported too: a row that the program
changed is refused, never taken for another fact.

--datapackage FILE saves the description of its columns (Data Package 2.0), with
--out that of the very file: its name, form, size and SHA-256.`,
		Example: "  byrelog export alder-row -o alder-row.csv --profile spreadsheet --datapackage datapackage.json",
		RunE: func(cmd *cobra.Command, args []string) error {
			params, err := csv.params()
			if err != nil {
				return err
			}
			return p.export(cmd.Context(), &f, args[0], params, out, pkg)
		},
	}
	f.add(cmd)
	csv.add(cmd)
	cmd.Flags().StringVarP(&out, "out", "o", "", "file to write (default: standard output)")
	cmd.Flags().StringVar(&pkg, "datapackage", "", "file for the description of the columns")
	return cmd
}

func (p *program) export(ctx context.Context, f *clientFlags, herd string, params *api.ExportHerdParams, out, pkg string) error {
	c, err := p.client(f)
	if err != nil {
		return err
	}
	sum := &summed{hash: sha256.New()}
	if err := p.exportFile(ctx, f, c, herd, params, out, sum); err != nil || pkg == "" {
		return err
	}
	rsp, err := c.GetDataPackage(ctx, herd, nil)
	if err != nil {
		return explain(f, err)
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	if out == "" {
		return save(pkg, copyOf(rsp.Body))
	}
	doc, err := ofFile(rsp.Body, params, out, pkg, sum)
	if err != nil {
		return err
	}
	return save(pkg, copyOf(bytes.NewReader(doc)))
}

// summed is the size and hash of what goes by.
type summed struct {
	hash hash.Hash
	size int64
}

func (s *summed) Write(p []byte) (int, error) {
	s.size += int64(len(p))
	return s.hash.Write(p)
}

// ofFile makes the server's description one of the file that was saved.
func ofFile(in io.Reader, params *api.ExportHerdParams, out, pkg string, sum *summed) ([]byte, error) {
	var doc sheet.PackageDoc
	if err := json.NewDecoder(in).Decode(&doc); err != nil {
		return nil, fmt.Errorf("the description of the columns: %w", err)
	}
	form, err := sheet.ParseForm(chosenWord(params.Profile), chosenWord(params.Delimiter))
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(doc.Resources, func(r sheet.ResourceDoc) bool {
		return strings.HasSuffix(r.Path, "="+chosenWord(params.Profile)) == form.Spreadsheet
	})
	if i < 0 {
		return nil, errors.New("the server does not describe this form of the export")
	}
	r := doc.Resources[i]
	r.Name = "events"
	// A path is relative to the package and may not lead out of its folder.
	r.Path = filepath.Base(out)
	if rel, err := filepath.Rel(filepath.Dir(pkg), out); err == nil && filepath.IsLocal(rel) {
		r.Path = filepath.ToSlash(rel)
	}
	if form.Delimiter != 0 {
		r.Dialect.Delimiter = string(rune(form.Delimiter))
	}
	r.Bytes, r.Hash = sum.size, "sha256:"+hex.EncodeToString(sum.hash.Sum(nil))
	doc.Resources = []sheet.ResourceDoc{r}
	return doc.Encode()
}

func (p *program) exportFile(ctx context.Context, f *clientFlags, c *api.ClientWithResponses, herd string, params *api.ExportHerdParams, out string, sum *summed) error {
	write := func(w io.Writer) error {
		_, err := c.ExportAs(ctx, herd, params, io.MultiWriter(w, sum))
		if errors.Is(err, api.ErrTruncated) {
			return errors.New("the export broke off before its end record; what came of it is of no use, fetch it again")
		}
		return explain(f, err)
	}
	if out == "" {
		return write(p.out)
	}
	return save(out, func(w io.Writer) error {
		if bar := p.bar(-1, "receiving "+herd); bar != nil {
			w = io.MultiWriter(w, bar)
		}
		return write(w)
	})
}

func (p *program) mappingCommand() *cobra.Command {
	return group("mapping", "Draft, check, save, show and list descriptions of foreign sheets", p.mappingSuggest(), p.mappingCheck(), p.mappingPut(), p.mappingShow(), p.mappingList(), p.mappingSchema())
}

func (p *program) mappingPut() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "put NAME FILE", Short: "Save a mapping (YAML or JSON)", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			doc, err := p.readFile(cmd.Context(), args[1])
			if err != nil {
				return err
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.PutMappingWithBodyWithResponse(cmd.Context(), args[0], "application/yaml", readerOf(doc))
			if err != nil {
				return explain(&f, err)
			}
			m, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, m, func(w *tabwriter.Writer) { line(w, fmt.Sprintf("Mapping %s is saved, version %d.", m.Name, m.Version)) })
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) mappingShow() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "show NAME", Short: "Print a saved mapping", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.GetMapping(cmd.Context(), args[0])
			if err != nil {
				return explain(&f, err)
			}
			defer func() { _ = rsp.Body.Close() }() // read to its end or given up
			_, err = io.Copy(p.out, rsp.Body)
			return err
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) mappingList() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "list", Short: "List the saved mappings", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.ListMappingsWithResponse(cmd.Context())
			if err != nil {
				return explain(&f, err)
			}
			list, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, list, func(w *tabwriter.Writer) {
				line(w, "name", "version", "saved")
				for _, m := range list.Mappings {
					saved := "built in"
					if m.CreatedAt != nil {
						saved = moment(m.CreatedAt)
					}
					line(w, m.Name, fmt.Sprint(m.Version), saved)
				}
			})
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) verifyCommand() *cobra.Command {
	var f clientFlags
	var herd string
	cmd := &cobra.Command{
		Use: "verify [FILE]", Short: "Recompute the hash chain of an export, or of a herd on the server", Args: cobra.MaximumNArgs(1),
		Long: `Recompute the hash chain of an export (- is standard input) of either profile,
offline, or with --herd that of a herd on the server, from the bytes it serves.
Exit code 1 if anything was changed, left out, added, moved or cut off; the first
place is named. Other tables (animals, lists, checks, indices) have no chain:
of them it is told whether they are whole and as they were given.

It proves that the file and its head belong together. Whether the head is the
one you saw before, only you can tell: keep the heads that you were shown.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case herd == "" && len(args) == 1:
				return p.verifyFile(cmd.Context(), args[0], f.json)
			case herd != "" && len(args) == 0:
				return p.verifyHerd(cmd.Context(), &f, herd)
			}
			return usage("verify wants either the file of an export or --herd")
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&herd, "herd", "", "check this herd on the server")
	return cmd
}

func (p *program) verifyFile(ctx context.Context, name string, asJSON bool) error {
	in, err := p.input(ctx, name)
	if err != nil {
		return err
	}
	defer in.close()
	return p.verified(in, name, asJSON)
}

func (p *program) verified(in io.Reader, name string, asJSON bool) error {
	buf := bufio.NewReaderSize(in, 1<<16)
	if sheet.IsTable(buf) {
		return p.verifiedTable(buf, name, asJSON)
	}
	report, err := sheet.VerifyExport(buf)
	if err == nil && !report.Complete {
		err = errors.New("the file has no end record: it is cut off, or was made by hand")
	}
	if err != nil {
		return fmt.Errorf("%s does not verify; %d events before were sound: %w", name, report.Events, err)
	}
	return p.show(&clientFlags{json: asJSON}, report, func(w *tabwriter.Writer) {
		line(w, fmt.Sprintf("%s is sound: %d events of %s, every hash recomputed.", name, report.Events, report.Herd))
		line(w, "Head: "+report.Hash.String())
	})
}

func (p *program) verifiedTable(in io.Reader, name string, asJSON bool) error {
	report, err := sheet.VerifyTable(in)
	if err != nil {
		return fmt.Errorf("%s does not verify; %d rows were read: %w", name, report.Rows, err)
	}
	return p.show(&clientFlags{json: asJSON}, report, func(w *tabwriter.Writer) {
		s := fmt.Sprintf("%s is whole and as it was given: a table of %d rows. It has no hash chain; that is in the export.", name, report.Rows)
		if report.More {
			s += " More rows followed on another page."
		}
		line(w, s)
	})
}

// verifyHerd checks the herd's export as it comes from the server, and that
// its end is the head that the server names.
func (p *program) verifyHerd(ctx context.Context, f *clientFlags, herd string) error {
	c, err := p.client(f)
	if err != nil {
		return err
	}
	rsp, err := c.ExportHerd(ctx, herd, &api.ExportHerdParams{})
	if err != nil {
		return explain(f, err)
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	if rsp.StatusCode != http.StatusOK {
		return fmt.Errorf("the server answered %s", rsp.Status)
	}
	return p.verified(rsp.Body, herd+" on "+f.server, f.json)
}

func (p *program) simulateCommand() *cobra.Command {
	var cows, years int
	var seed uint64
	var last dateFlag
	var herd string
	cmd := &cobra.Command{
		Use: "simulate", Short: "Invent a herd's records and print them as NDJSON", Args: cobra.NoArgs,
		Long: `Invent a herd's records from stated parameters and print them, one event a
line, in the order in which they would have been recorded. The same arguments
give the same records. byrelog events append takes them.`,
		Example: "  byrelog simulate --herd trial --cows 100 --years 3 | byrelog events append trial -",
		RunE: func(cmd *cobra.Command, _ []string) error {
			if years < 1 || years > 30 {
				return usage("--years %d: 1 to 30", years)
			}
			if cows < 1 || cows > 1_000_000 {
				return usage("--cows %d: 1 to 1000000", cows)
			}
			if last.date == 0 {
				last.date = event.DateOf(now().UTC()) - 1
			}
			params := simherd.Default(cows)
			params.Seed, params.Last, params.First = seed, last.date, last.date-event.Date(years*365)
			h, err := simherd.New(params, herd)
			if err != nil {
				return usage("%v", err)
			}
			return p.simulate(h)
		},
	}
	cmd.Flags().StringVar(&herd, "herd", "trial", "the herd's name")
	cmd.Flags().IntVar(&cows, "cows", 100, "cows that have calved, on an average day")
	cmd.Flags().IntVar(&years, "years", 3, "years of records")
	cmd.Flags().Uint64Var(&seed, "seed", 1, "another seed is another herd")
	cmd.Flags().Var(&last, "last", "last day of the records (default yesterday)")
	return cmd
}

func (p *program) simulate(h *simherd.Herd) error {
	w := bufio.NewWriterSize(p.out, 1<<16)
	var b []byte
	for _, e := range h.Events() {
		b = e.AppendStated(b[:0])
		b = append(b, '\n')
		if _, err := w.Write(b); err != nil {
			return err
		}
	}
	return w.Flush()
}
