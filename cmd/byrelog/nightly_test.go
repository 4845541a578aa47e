package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// cron runs the line of deploy/nightly.crontab as cron does: by sh, with the
// settings above it and hardly anything else, in the folder dir.
func (s *server) cron(t *testing.T, dir string) string {
	t.Helper()
	var command string
	env := []string{"HOME=" + dir}
	for l := range strings.Lines(read(t, "../../deploy/nightly.crontab")) {
		l = strings.TrimSpace(l)
		if name, value, ok := strings.Cut(l, "="); ok && !strings.ContainsAny(name, " #") {
			switch name {
			case "BYRELOG_SERVER":
				value = s.base
			case "PATH":
				value = filepath.Dir(binary) + ":" + value
			}
			env = append(env, name+"="+value)
		} else if rest, ok := strings.CutPrefix(l, "30 2 * * * "); ok {
			command = strings.ReplaceAll(rest, "/srv/office", dir)
		}
	}
	if command == "" || strings.Contains(command, "%") {
		t.Fatalf("the command is %q", command)
	}
	sh := exec.CommandContext(t.Context(), "sh", "-c", command)
	sh.Env = env
	out, err := sh.CombinedOutput()
	if err != nil {
		t.Fatalf("cron: %v\n%s", err, out)
	}
	return string(out)
}

// The nightly line: silent when all is well, and else a mail with the report; one
// at a time.
func TestNightlyLine(t *testing.T) {
	t.Parallel()
	s := work(t)
	herds := []string{s.herd(t, "hazel-bottom"), s.herd(t, "willow-bank")}
	s.call("mapping", "put", "county", sheets+"county.yaml").must(t)
	dir := t.TempDir()
	write(t, dir, "office.token", s.call("token", "create", "nightly", "--grant", herds[0]+"=read,record", "--grant", herds[1]+"=read,record").must(t))
	monday, tuesday := read(t, sheets+"county-messy.csv"), read(t, sheets+"county-tuesday.csv")
	write(t, dir, "county.csv", monday)
	contains(t, s.cron(t, dir), "ended with exit code 1", "11 rows read: 5 events appended", "5 rows refused",
		`line 5, Cow: "388" has 3 digits`, "The refused rows are in rejects.csv", "breeding recorded by K4 in county and by K2 in county, 1 day apart: the same one, or two")
	rejects := read(t, filepath.Join(dir, "rejects.csv"))
	mended := strings.NewReplacer(";388;", ";0388;", "31/04", "30/04", "Willow Bnk", "Willow Bank", "perhaps", "?",
		"found in the north pen;10;;", "\"found in the north pen; see slip\";10;;", ";\" see slip\"", "").Replace(rejects)
	write(t, dir, "county.csv", mended)
	if out := s.cron(t, dir); out != "" {
		t.Errorf("the mended rows: cron mails\n%s", out)
	}
	write(t, dir, "county.csv", tuesday)
	if out := s.cron(t, dir); out != "" {
		t.Errorf("Tuesday's sheet: cron mails\n%s", out)
	}
	log := read(t, filepath.Join(dir, "import.log"))
	contains(t, log, "5 rows read: 5 events appended, 0 were there already; 0 rows refused",
		"11 rows read: 1 event appended, 7 were there already, 2 corrected, 1 withdrawn; 0 rows refused, 1 skipped.")
	if out := s.cron(t, dir); out != "" {
		t.Errorf("the same sheet again: cron mails\n%s", out)
	}
	contains(t, read(t, filepath.Join(dir, "last.log")), "0 events appended, 10 were there already; 0 rows refused")

	// The office program was stopped while it wrote the sheet.
	before := s.call("events", "list", herds[1], "--all").must(t)
	lines := strings.SplitAfter(tuesday, "\r\n")
	write(t, dir, "county.csv", strings.Join(lines[:7], ""))
	contains(t, s.cron(t, dir), "exit code 1", "would void 4 of the 7 events that came by this mapping (0 edited, 4 gone), and 3 are allowed", "max_voids=4")
	write(t, dir, "county.csv", strings.Join(lines[:4], ""))
	contains(t, s.cron(t, dir), "exit code 1", "Earlier files had rows of willow-bank, and this one has none")
	if after := s.call("events", "list", herds[1], "--all").must(t); after != before {
		t.Errorf("a sheet that was cut off wrote\n%s", after)
	}

	// The import of the night before is still under way.
	lock := exec.CommandContext(t.Context(), "flock", filepath.Join(dir, "import.lock"), "sh", "-c", "echo held; read -r x")
	in, err := lock.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := lock.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := lock.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := out.Read(make([]byte, 5)); err != nil {
		t.Fatal(err)
	}
	if got := s.cron(t, dir); got != "byrelog import ended with exit code 75\n" {
		t.Errorf("while another holds the lock: %q", got)
	}
	_ = in.Close() // ends the one that holds the lock
	_ = lock.Wait()
	if err := os.Remove(filepath.Join(dir, "county.csv")); err != nil {
		t.Fatal(err)
	}
	contains(t, s.cron(t, dir), "exit code", "county.csv")
}
