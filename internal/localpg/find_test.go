package localpg

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// install makes a folder with programs that answer as a server of that version.
func install(t *testing.T, dir, version string, programs ...string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, p := range programs {
		text := fmt.Sprintf("#!/bin/sh\necho '%s (PostgreSQL) %s'\n", p, version)
		if err := os.WriteFile(filepath.Join(dir, p), []byte(text), 0o755); err != nil {
			t.Fatal(err)
		}
	}
}

var whole = []string{"postgres", "initdb", "pg_ctl"}

func TestFind(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	install(t, filepath.Join(root, "pg", "13", "bin"), "13.9", whole...)
	install(t, filepath.Join(root, "pg", "15", "bin"), "15.8 (Debian 15.8-0+deb12u1)", whole...)
	install(t, filepath.Join(root, "pg", "17", "bin"), "17beta1", whole...)
	install(t, filepath.Join(root, "pg", "18", "bin"), "18.1", "postgres", "initdb") // no pg_ctl
	install(t, filepath.Join(root, "pg", "19", "bin"), "", whole...)
	// A program of a path that is a link, as on Debian.
	install(t, filepath.Join(root, "far", "bin"), "16.4", whole...)
	if err := os.Mkdir(filepath.Join(root, "path"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(root, "far", "bin", "postgres"), filepath.Join(root, "path", "postgres")); err != nil {
		t.Fatal(err)
	}
	all := []string{filepath.Join(root, "pg", "*", "bin")}
	path := filepath.Join(root, "path") + string(os.PathListSeparator) + filepath.Join(root, "missing")
	for _, c := range []struct {
		name, path string
		patterns   []string
		want       int
		dir        string
		major      int
		found      string
	}{
		{"newest", path, all, 0, "pg/17/bin", 17, ""},
		{"of the data folder", path, all, 15, "pg/15/bin", 15, ""},
		{"by the link in the path", path, nil, 0, "far/bin", 16, ""},
		{"version of the path", path, all, 16, "far/bin", 16, ""},
		{"too old", "", []string{filepath.Join(root, "pg", "13", "bin")}, 0, "", 0, "bin (13)"},
		{"another version", "", all, 14, "", 0, "bin (17)"},
		{"none", "", nil, 0, "", 0, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := find(t.Context(), c.path, c.patterns, c.want)
			if c.major == 0 {
				var none *NoServerError
				if !errors.As(err, &none) {
					t.Fatalf("error %v", err)
				}
				text := err.Error()
				if !strings.Contains(text, c.found) || !strings.Contains(text, "docker compose up") || !strings.Contains(text, "BYRELOG_DATABASE_URL") {
					t.Errorf("text %q", text)
				}
				return
			}
			real, err2 := filepath.EvalSymlinks(filepath.Join(root, c.dir))
			if err != nil || err2 != nil || b.major != c.major || b.dir != real {
				t.Errorf("found %+v, %v, want %s", b, err, c.dir)
			}
		})
	}
}

func TestInstallHint(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		release string
		want    int
		root    bool
		hint    string
	}{
		{"NAME=\"Debian GNU/Linux\"\nID=debian\n", 0, false, "sudo apt-get install -y postgresql"},
		{"ID=debian\n", 15, true, "apt-get install -y postgresql-15"},
		{"ID=linuxmint\nID_LIKE=\"ubuntu debian\"\n", 0, true, "apt-get install -y postgresql"},
		{"ID=\"rocky\"\nID_LIKE=\"rhel centos fedora\"\n", 0, false, "sudo dnf install -y postgresql-server"},
		{"ID=alpine\n", 0, true, "apk add postgresql"},
		{"ID=arch\n", 0, false, "sudo pacman -S --noconfirm postgresql"},
		{"ID=opensuse-leap\nID_LIKE=\"suse opensuse\"\n", 0, false, "sudo zypper install -y postgresql-server"},
		{"ID=plan9\n", 0, false, "the package of your system that holds the programs postgres, initdb and pg_ctl"},
		{"", 0, false, "the package of your system that holds the programs postgres, initdb and pg_ctl"},
	} {
		if got := installHint(family([]byte(c.release)), c.want, c.root); got != c.hint {
			t.Errorf("%q: %q, want %q", c.release, got, c.hint)
		}
	}
	if got := installHint([]string{"darwin"}, 16, false); got != "brew install postgresql@16" {
		t.Errorf("darwin: %q", got)
	}
}
