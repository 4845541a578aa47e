package main

import (
	"context"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// walkThrough is the README, and what goes on from it.
func walkThrough(t *testing.T) string {
	t.Helper()
	text := ""
	for _, name := range []string{"README.md", "deploy/office.md"} {
		b, err := os.ReadFile(filepath.Join("..", "..", filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		text += string(b)
	}
	return text
}

// The walk-throughs of the README and of deploy/office.md, pasted line by line into one shell: every command
// does what is shown, which is exit code 0 but where refused rows are shown.
func TestReadmeCommands(t *testing.T) {
	t.Parallel()
	s := demo(t)
	dir := t.TempDir()
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	for name, target := range map[string]string{"bin": filepath.Dir(binary), "testdata": filepath.Join(root, "testdata")} {
		if err := os.Symlink(target, filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	var script strings.Builder
	script.WriteString("export PATH=\"$PWD/bin:$PATH\"\n")
	commands := 0
	for _, block := range regexp.MustCompile("(?s)```console\n(.*?)```").FindAllStringSubmatch(walkThrough(t), -1) {
		for l := range strings.Lines(block[1]) {
			c, ok := strings.CutPrefix(l, "$ ")
			if !ok {
				continue
			}
			commands++
			c = strings.TrimSpace(c)
			want := "0"
			if strings.Contains(c, "messy.csv") {
				want = "1" // it shows refused rows
			}
			script.WriteString(c + "\ncode=$?\n[ $code = " + want + " ] || { echo \"exit $code: " + strings.ReplaceAll(c, `"`, `\"`) + "\"; exit 1; }\n")
		}
	}
	if commands < 20 {
		t.Fatalf("only %d commands in the README", commands)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	bash := exec.CommandContext(ctx, "bash")
	bash.Dir, bash.Env, bash.Stdin = dir, cleanEnv("BYRELOG_SERVER="+s.base, "BYRELOG_TOKEN="+s.token), strings.NewReader(script.String())
	out, err := bash.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	// What does not hang on the demo's dates is shown as it is printed.
	contains(t, string(out),
		"13 events would be appended", "0 events appended, 13 were there already", "hazel-end.csv is sound", "rows refused")
	if strings.Contains(walkThrough(t), "@@") {
		t.Error("the README has a placeholder left")
	}
}

// openapi/definitions.md says of kinds, indices and sources what the code says (-update
// writes it anew).
func TestDefinitions(t *testing.T) {
	t.Parallel()
	file := filepath.Join("..", "..", "openapi", "definitions.md")
	want := `# What the log holds and what the figures mean

Written by the tests from the declarations in the code (go test ./cmd/byrelog -run TestDefinitions -update). The same is served:
the kinds at /docs, the indices at GET /v1/definitions and by byrelog indices --define KEY.

## Kinds of events

One herd is one stream of events. Dates are civil dates in the herd's own zone; animal numbers are text, leading zeros and all; by is a
code of the herd's own, not a person's name. A field with a star is required. Fields and their bounds are in the contract and, for CSV,
in the data package beside an export.

| kind | what it says |
|---|---|
` + kindTable() + `
## Indices

A proportion has the interval of Wilson. The trade says "rate" for most of these; they are proportions, so their keys say risk. The herd's
own rules (waiting periods, diagnosis days, gestation by breed, cost of an open day and the rest) are a dated policy: a change holds from
its day on, and old windows keep the old rules.

| key | the trade's word | what it is | sources |
|---|---|---|---|
` + indexTable() + `
## What stands behind the definitions

` + sourceList() + `
The checks against these sources are part of the tests, with the source named beside each figure.
`
	if *update {
		if err := os.WriteFile(file, []byte(want), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(file)
	if err != nil || string(got) != want {
		t.Errorf("%s is not what the code says (go test ./cmd/byrelog -run TestDefinitions -update writes it): %v", file, err)
	}
}

func kindTable() string {
	var b strings.Builder
	for _, s := range event.Specs() {
		var fields []string
		for _, f := range s.Fields {
			name := "`" + f.Name + "`"
			if f.Required {
				name += "*"
			}
			fields = append(fields, name)
		}
		fmt.Fprintf(&b, "| `%s` | %s %s |\n", s.Name, s.Doc, strings.Join(fields, ", "))
	}
	return strings.ReplaceAll(b.String(), "  |", " |")
}

var (
	citation  = regexp.MustCompile(`^(.*) \[(S\d+)\](?: \(.*\))?$`)
	qualified = regexp.MustCompile(`, no source.*| \(.*`)
)

// indexTable names the sources by their numbers, which the list below resolves.
func indexTable() string {
	var b strings.Builder
	for _, d := range repro.Keys() {
		var short []string
		for _, s := range d.Sources {
			name := qualified.ReplaceAllString(s, "")
			if m := citation.FindStringSubmatch(s); m != nil {
				name = m[2]
			}
			if !slices.Contains(short, name) {
				short = append(short, name)
			}
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", d.Key, d.TradeName, d.Text, strings.Join(short, ", "))
	}
	return b.String()
}

func sourceList() string {
	cited := map[int]string{}
	for _, d := range repro.Keys() {
		for _, s := range d.Sources {
			if m := citation.FindStringSubmatch(s); m != nil {
				n, _ := strconv.Atoi(m[2][1:])
				cited[n] = m[1]
			}
		}
	}
	var b strings.Builder
	for _, n := range slices.Sorted(maps.Keys(cited)) {
		fmt.Fprintf(&b, "- S%d: %s\n", n, cited[n])
	}
	return b.String()
}
