package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"byrelog.example/internal/event"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/sheet"
)

// isWorkbook tells by a file's name that it is meant as a workbook. What a file
// holds does not decide: one that was renamed is refused with a word.
func isWorkbook(name string) bool {
	ext := strings.ToLower(filepath.Ext(name))
	return ext == ".xlsx" || ext == ".xlsm"
}

func (p *program) mappingSuggest() *cobra.Command {
	var source, name, out string
	var asJSON bool
	cmd := &cobra.Command{
		Use: "suggest FILE", Short: "Draft a mapping from a sheet, offline", Args: cobra.ExactArgs(1),
		Long: `Draft a mapping from the beginning of a sheet (CSV or .xlsx; - is standard input)
and print it as YAML, with the reasons as comments: encoding, delimiter, header,
one row per event or per animal, what each column seems to hold, the order of
its dates with the rows that prove it, the words of coded columns. No server is
asked, and nothing is kept.

What the sheet cannot show stands as CHOOSE, with what it can be: fill it in,
then byrelog mapping check FILE says whether anything is left.`,
		Example: "  byrelog mapping suggest office.csv --source office -o office.yaml",
		RunE: func(cmd *cobra.Command, args []string) error {
			in, err := p.input(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			defer in.close()
			if source == "" {
				source = sourceOf(args[0])
			}
			opts := []sheet.SuggestOption{sheet.SuggestSource(source)}
			switch {
			case isWorkbook(args[0]):
				opts = append(opts, sheet.SuggestWorkbook(name))
			case name != "":
				return usage("--sheet goes with a workbook (.xlsx)")
			}
			found, err := sheet.Suggest(in, event.DateOf(now().UTC()), opts...)
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			return p.showSuggestion(found, out, asJSON)
		},
	}
	cmd.Flags().StringVar(&source, "source", "", "the system that the sheet comes from (default: the file's name)")
	cmd.Flags().StringVar(&name, "sheet", "", "of a workbook: which sheet, a name or a number")
	cmd.Flags().StringVarP(&out, "out", "o", "", "file to write the draft to (default: standard output)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print everything that was found as JSON")
	return cmd
}

// sourceOf makes a source of a file's name.
func sourceOf(name string) string {
	base := strings.TrimSpace(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name)))
	if base == "" || base == "-" || base == "." || base == sheet.Choose || len(base) > 64 {
		return "sheet"
	}
	return base
}

func (p *program) showSuggestion(s *sheet.Suggestion, out string, asJSON bool) error {
	if asJSON {
		return p.show(&clientFlags{json: true}, httpapi.Suggestion(s), nil)
	}
	if out == "" {
		if _, err := fmt.Fprint(p.out, s.Mapping); err != nil {
			return err
		}
	} else if err := save(out, copyOf(strings.NewReader(s.Mapping))); err != nil {
		return err
	}
	if out != "" {
		p.tell("The draft is in %s.\n", out)
	}
	switch n := len(s.Choices); n {
	case 0:
		p.tell("Nothing is left to choose. Read it through all the same: it is what names and words seem to say.\n")
	default:
		p.tell("To choose (%d):\n", n)
		for _, c := range s.Choices {
			p.tell("  %s: %s (%s)\n", c.Path, strings.Join(quotedBlank(c.Options), " or "), c.Reason)
		}
	}
	return nil
}

// quotedBlank shows an empty option as what is written for it.
func quotedBlank(options []string) []string {
	out := make([]string, len(options))
	for i, o := range options {
		if out[i] = o; o == "" {
			out[i] = `""`
		}
	}
	return out
}

func (p *program) mappingCheck() *cobra.Command {
	return &cobra.Command{
		Use: "check FILE", Short: "Say what is wrong with a mapping, or left to choose, offline", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			doc, err := p.readFile(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			if _, err := sheet.ParseMapping(doc); err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			_, err = fmt.Fprintf(p.out, "%s is a sound mapping; byrelog mapping put NAME %s saves it.\n", args[0], args[0])
			return err
		},
	}
}

func (p *program) mappingSchema() *cobra.Command {
	return &cobra.Command{
		Use: "schema", Short: "Print the JSON Schema of mappings", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			_, err := p.out.Write(sheet.MappingSchema())
			return err
		},
	}
}
