package localpg

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"
)

// MinVersion is the oldest main version of the server that is used.
const MinVersion = 15

// binaries is one installation of the server.
type binaries struct {
	dir   string
	major int
}

func (b binaries) path(name string) string { return filepath.Join(b.dir, name) }

// folders are the usual places of Debian and its children, Red Hat and its
// children, Alpine, Homebrew on both kinds of Mac, MacPorts, Postgres.app and the
// installers of the project's own download page.
var folders = []string{
	"/usr/lib/postgresql/*/bin",
	"/usr/pgsql-*/bin",
	"/usr/libexec/postgresql*",
	"/usr/lib/postgresql*/bin",
	"/opt/homebrew/opt/postgresql*/bin",
	"/usr/local/opt/postgresql*/bin",
	"/home/linuxbrew/.linuxbrew/opt/postgresql*/bin",
	"/opt/local/lib/postgresql*/bin",
	"/Applications/Postgres.app/Contents/Versions/*/bin",
	"/Library/PostgreSQL/*/bin",
	"/opt/PostgreSQL/*/bin",
	"/usr/local/pgsql/bin",
	"/usr/bin",
	"/usr/local/bin",
}

// NoServerError says that this machine has no usable server binaries. Its text
// tells what to do about it.
type NoServerError struct {
	Found []string // what was found and is too old, such as "/usr/bin (13)"
	Want  int      // the main version that is needed; 0 = any from MinVersion on
	hint  string
}

func (e *NoServerError) Error() string {
	s := fmt.Sprintf("no Postgres server binaries, version %d or later, on this machine", MinVersion)
	if e.Want != 0 {
		s = fmt.Sprintf("no Postgres server binaries of version %d on this machine, which made this data folder", e.Want)
	}
	if len(e.Found) > 0 {
		s += " (found " + strings.Join(e.Found, ", ") + ")"
	}
	return s + ". Install them:\n    " + e.hint +
		"\nor start everything in containers:\n    docker compose up" +
		"\nor name a database of your own in BYRELOG_DATABASE_URL"
}

// find gives the newest installation, or the one of version want if that is not 0.
func find(ctx context.Context, pathList string, patterns []string, want int) (binaries, error) {
	var dirs []string
	add := func(dir string) {
		if real, err := filepath.EvalSymlinks(dir); err == nil && !slices.Contains(dirs, real) {
			dirs = append(dirs, real)
		}
	}
	for _, dir := range filepath.SplitList(pathList) {
		// Debian links single programs into the path: the others lie beside the target.
		for _, name := range []string{"postgres", "initdb", "pg_ctl"} {
			if real, err := filepath.EvalSymlinks(filepath.Join(dir, name)); err == nil {
				add(filepath.Dir(real))
			}
		}
	}
	for _, pattern := range patterns {
		matches, _ := filepath.Glob(pattern) // the patterns are constants
		for _, m := range matches {
			add(m)
		}
	}
	var best binaries
	var others []string
	for _, dir := range dirs {
		b := binaries{dir: dir}
		if !executable(b.path("postgres")) || !executable(b.path("initdb")) || !executable(b.path("pg_ctl")) {
			continue
		}
		b.major = version(ctx, b.path("postgres"))
		switch {
		case b.major == 0:
		case b.major < MinVersion, want != 0 && b.major != want:
			others = append(others, fmt.Sprintf("%s (%d)", b.dir, b.major))
		case b.major > best.major:
			best = b
		}
	}
	if best.major == 0 {
		return best, &NoServerError{Found: others, Want: want, hint: installHint(osRelease(), want, os.Geteuid() == 0)}
	}
	return best, nil
}

func executable(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular() && info.Mode()&0o111 != 0
}

var versionText = regexp.MustCompile(`\) (\d+)`)

// version asks a server binary for its main version; 0 when it does not answer.
func version(ctx context.Context, postgres string) int {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, postgres, "--version").Output()
	if err != nil {
		return 0
	}
	m := versionText.FindSubmatch(out)
	if m == nil {
		return 0
	}
	n, _ := strconv.Atoi(string(m[1]))
	return n
}

// osRelease reads the words of /etc/os-release that tell the family of the system.
func osRelease() []string {
	if runtime.GOOS != "linux" {
		return []string{runtime.GOOS}
	}
	text, err := os.ReadFile("/etc/os-release")
	if err != nil {
		return nil
	}
	return family(text)
}

func family(text []byte) []string {
	var words []string
	for line := range bytes.Lines(text) {
		key, value, _ := strings.Cut(strings.TrimSpace(string(line)), "=")
		if key == "ID" || key == "ID_LIKE" {
			words = append(words, strings.Fields(strings.ToLower(strings.Trim(value, `"'`)))...)
		}
	}
	return words
}

// installHint is the command that installs the server on a system of that family.
func installHint(family []string, want int, root bool) string {
	sudo := "sudo "
	if root {
		sudo = ""
	}
	suffix := ""
	if want != 0 {
		suffix = "-" + strconv.Itoa(want)
	}
	for _, f := range family {
		switch f {
		case "debian", "ubuntu":
			return sudo + "apt-get install -y postgresql" + suffix
		case "fedora", "rhel", "centos", "rocky", "almalinux", "amzn":
			return sudo + "dnf install -y postgresql-server"
		case "alpine":
			return sudo + "apk add postgresql"
		case "arch":
			return sudo + "pacman -S --noconfirm postgresql"
		case "suse", "opensuse":
			return sudo + "zypper install -y postgresql-server"
		case "darwin":
			if want != 0 {
				return fmt.Sprintf("brew install postgresql@%d", want)
			}
			return "brew install postgresql@17"
		}
	}
	return "the package of your system that holds the programs postgres, initdb and pg_ctl"
}
