package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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
	cow := regexp.MustCompile(`animal show alder-row (\S+)`).FindStringSubmatch(s.out.String())
	if cow == nil {
		t.Fatalf("the tour names no cow:\n%s", s.out)
	}
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
			c = strings.TrimSpace(strings.ReplaceAll(c, "alder-row 0012", "alder-row "+cow[1]))
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

// The tables of kinds and indices are whole.
func TestReadmeTables(t *testing.T) {
	t.Parallel()
	text := readme(t)
	for _, s := range event.Specs() {
		contains(t, text, "| `"+s.Name+"` |")
	}
	for _, d := range repro.Keys() {
		contains(t, text, "| `"+d.Key+"` |")
	}
}
