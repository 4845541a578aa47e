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

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The README's walk-throughs, pasted line by line into one shell: every command
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
	for _, block := range regexp.MustCompile("(?s)```console\n(.*?)```").FindAllStringSubmatch(readme(t), -1) {
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
	if strings.Contains(readme(t), "@@") {
		t.Error("the README has a placeholder left")
	}
}

// The tables of kinds, indices and sources say what the code says (-update
// writes them anew).
func TestReadmeTables(t *testing.T) {
	t.Parallel()
	text := readme(t)
	for _, table := range []struct{ head, body string }{
		{"| kind | what it says |\n|---|---|\n", kindTable()},
		{"| key | the trade's word | what it is | sources |\n|---|---|---|---|\n", indexTable()},
		{"What stands behind the definitions:\n\n", sourceList()},
	} {
		before, rest, ok := strings.Cut(text, table.head)
		if !ok {
			t.Fatalf("the README has no %q", table.head)
		}
		body, after, _ := strings.Cut(rest, "\n\n")
		if body+"\n" != table.body {
			if !*update {
				t.Errorf("what follows %q is not what the code says (go test ./cmd/byrelog -run TestReadmeTables -update writes it)", table.head)
			}
			text = before + table.head + table.body + "\n" + after
		}
	}
	if *update {
		if err := os.WriteFile(filepath.Join("..", "..", "README.md"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
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
