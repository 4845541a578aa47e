package main

import (
	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/sheet"
)

// csvFlags choose how CSV is written.
type csvFlags struct {
	csv                bool
	profile, delimiter string
}

// addTable is of a command that prints CSV only if it is asked to.
func (f *csvFlags) addTable(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.csv, "csv", false, "print CSV")
	f.add(cmd)
}

func (f *csvFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.profile, "profile", "", "interchange (default), for programs, or spreadsheet, for people")
	cmd.Flags().StringVar(&f.delimiter, "delimiter", "", "of the spreadsheet profile: semicolon (default), comma or tab")
}

// check tells a wrong word before a server is asked.
func (f *csvFlags) check() error {
	if _, err := sheet.ParseForm(f.profile, f.delimiter); err != nil {
		return usage("%v", err)
	}
	return nil
}

// fits tells whether the flags of a command that can also print something else
// go together.
func (f *csvFlags) fits(json bool) error {
	switch {
	case f.csv && json:
		return usage("--csv and --json exclude each other")
	case !f.csv && (f.profile != "" || f.delimiter != ""):
		return usage("--profile and --delimiter go with --csv")
	}
	return f.check()
}

func (f *csvFlags) params() (*api.ExportHerdParams, error) {
	return &api.ExportHerdParams{Profile: chosen[api.ExportHerdParamsProfile](f.profile), Delimiter: chosen[api.ExportHerdParamsDelimiter](f.delimiter)}, f.check()
}

// chosen is a parameter that is left out if it is empty.
func chosen[T ~string](s string) *T {
	if s == "" {
		return nil
	}
	t := T(s)
	return &t
}

func chosenWord[T ~string](p *T) string {
	if p == nil {
		return ""
	}
	return string(*p)
}
