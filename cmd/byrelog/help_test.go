package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

func helpOf(t *testing.T, path string) string {
	t.Helper()
	var out, errs bytes.Buffer
	p := &program{
		args: append(strings.Fields(path), "--help"), env: func(string) (string, bool) { return "", false },
		in: strings.NewReader(""), out: &out, err: &errs,
	}
	if code := run(t.Context(), p); code != exitDone || errs.Len() > 0 {
		t.Fatalf("%s --help: exit code %d, %s", path, code, errs.String())
	}
	return out.String()
}

// paths are all commands; the root is the empty path.
func paths(c *cobra.Command) []string {
	list := []string{strings.TrimSpace(strings.TrimPrefix(c.CommandPath(), "byrelog"))}
	for _, sub := range c.Commands() {
		if sub.Name() != "help" {
			list = append(list, paths(sub)...)
		}
	}
	return list
}

// The help of every command is what testdata says (-update writes it anew), and
// testdata has none of a command that is gone.
func TestHelp(t *testing.T) {
	t.Parallel()
	const dir = "testdata/help"
	all := paths((&program{}).root())
	if len(all) < 25 {
		t.Fatalf("only %d commands: %q", len(all), all)
	}
	var files []string
	for _, path := range all {
		name := strings.ReplaceAll(strings.TrimSpace("byrelog "+path), " ", "-") + ".txt"
		files = append(files, name)
		got, file := helpOf(t, path), filepath.Join(dir, name)
		if *update {
			if err := os.MkdirAll(dir, 0o750); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, []byte(got), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Errorf("%v (go test ./cmd/byrelog -run TestHelp -update writes it)", err)
			continue
		}
		if got != string(want) {
			t.Errorf("the help of %q is now\n%s\nand was\n%s", path, got, want)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !slices.Contains(files, e.Name()) {
			t.Errorf("%s is the help of no command", e.Name())
		}
	}
}

// Every example in a help is a command line that exists, with flags that exist.
func TestExamples(t *testing.T) {
	t.Parallel()
	var each func(c *cobra.Command)
	root := (&program{env: func(string) (string, bool) { return "", false }}).root()
	quoted := regexp.MustCompile(`'[^']*'`)
	n := 0
	each = func(c *cobra.Command) {
		for l := range strings.Lines(c.Example) {
			for part := range strings.SplitSeq(quoted.ReplaceAllString(l, "text"), "|") {
				words := strings.Fields(part)
				if len(words) == 0 || words[0] != "byrelog" {
					continue
				}
				n++
				found, rest, err := root.Find(words[1:])
				if err != nil || found == root {
					t.Errorf("%s: %v", part, err)
					continue
				}
				if err := found.ParseFlags(rest); err != nil {
					t.Errorf("%s: %v", part, err)
					continue
				}
				if err := found.Args(found, found.Flags().Args()); err != nil {
					t.Errorf("%s: %v", part, err)
				}
			}
		}
		for _, sub := range c.Commands() {
			each(sub)
		}
	}
	each(root)
	if n < 5 {
		t.Errorf("only %d examples were found", n)
	}
}

// help and --version work without a service, and no variable of the environment
// is taken for them.
func TestVersion(t *testing.T) {
	t.Parallel()
	env := []string{"BYRELOG_VERSION=17", "BYRELOG_HELP=please"}
	contains(t, call{args: []string{"--version"}, env: env}.must(t), "byrelog version ")
	contains(t, call{env: env}.must(t), "Exit codes: 0 done, 1 something was refused, or a check failed,\n2 wrong usage.")
	contains(t, call{args: []string{"help", "import"}, env: env}.must(t), "Take in a CSV file")
	call{args: []string{"simulate", "--cows", "10", "--years", "1"}, env: env}.must(t)
}
