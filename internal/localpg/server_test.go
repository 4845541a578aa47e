//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package localpg_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"byrelog.example/internal/guard"
	"byrelog.example/internal/localpg"
	_ "byrelog.example/internal/store" // brings the driver
)

// folder makes a temporary folder that the server's user can reach, also as root,
// where t.TempDir is for root alone.
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "byrelog-localpg-") //nolint:usetesting // as root, t.TempDir is out of the server's reach
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func start(t *testing.T, c localpg.Config) *localpg.Server {
	t.Helper()
	s, err := localpg.Start(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return s
}

func ask(t *testing.T, s *localpg.Server, query string) (answer string) {
	t.Helper()
	db, err := sql.Open("pgx", s.AdminURL("postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	if err := db.QueryRowContext(t.Context(), query).Scan(&answer); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return answer
}

func do(t *testing.T, s *localpg.Server, statement string) {
	t.Helper()
	ask(t, s, "select 'there'")
	db, err := sql.Open("pgx", s.AdminURL("postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	if _, err := db.ExecContext(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

// A path with all that can go wrong in quoting.
const awkward = "it's a, \"strange\" folder %s"

func TestStartStop(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), awkward)
	s := start(t, localpg.Config{Dir: dir})
	for setting, want := range map[string]string{
		"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on", "data_checksums": "on",
		"listen_addresses": "", "server_encoding": "UTF8", "unix_socket_permissions": "0700", "timezone": "UTC",
	} {
		if got := ask(t, s, "select current_setting('"+setting+"')"); got != want {
			t.Errorf("%s = %q, want %q", setting, got, want)
		}
	}
	if s.Version() < localpg.MinVersion {
		t.Errorf("version %d", s.Version())
	}
	for _, d := range []string{dir, s.Socket(), filepath.Join(dir, "data")} {
		info, err := os.Stat(d)
		if err != nil || info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s: %v, %v: others may enter", d, info.Mode(), err)
		}
		if st, ok := info.Sys().(*syscall.Stat_t); !ok || (os.Geteuid() == 0 && st.Uid == 0) {
			t.Errorf("%s belongs to root", d)
		}
	}
	// A second start is refused while the first runs, and says who it is.
	_, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	var inUse *localpg.InUseError
	if !errors.As(err, &inUse) || inUse.PID != os.Getpid() || !strings.Contains(err.Error(), strconv.Itoa(os.Getpid())) {
		t.Errorf("second start: %v", err)
	}
	// A command beside the service attaches, and its Stop is harmless.
	other, err := localpg.Attach(dir)
	if err != nil {
		t.Fatal(err)
	}
	if ask(t, other, "select 'x'") != "x" || other.Version() != s.Version() {
		t.Error("the attached server is another one")
	}
	if err := other.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	do(t, s, "create table kept as select 'still here' as v")
	pid := postmaster(t, dir)
	for range 2 {
		if err := s.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if running(pid) {
		t.Error("the server runs after Stop")
	}
	if _, err := localpg.Attach(dir); err == nil {
		t.Error("attached to a stopped server")
	}
	again := start(t, localpg.Config{Dir: dir})
	if got := ask(t, again, "select v from kept"); got != "still here" {
		t.Errorf("after a restart: %q", got)
	}
}

func postmaster(t *testing.T, dir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.SplitN(string(text), "\n", 2)[0])
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

// running tells whether a process runs; one that is dead and not yet collected by
// its parent does not.
func running(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || !strings.Contains(string(stat), ") Z ")
}

func TestDeepFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), strings.Repeat("d", 60), strings.Repeat("e", 60))
	s := start(t, localpg.Config{Dir: dir, Unsafe: true, Ephemeral: true, Settings: map[string]string{"work_mem": "7MB"}})
	if len(s.Socket()) > 100 {
		t.Errorf("the socket's folder %s is too long a name", s.Socket())
	}
	if got := ask(t, s, "select current_setting('work_mem') || current_setting('fsync')"); got != "7MBoff" {
		t.Errorf("settings %q", got)
	}
	if err := s.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{dir, s.Socket()} {
		if _, err := os.Stat(d); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there: %v", d, err)
		}
	}
}

func TestKillAndRestart(t *testing.T) {
	t.Parallel()
	s := start(t, localpg.Config{Dir: filepath.Join(folder(t), "pg")})
	do(t, s, "create table kept as select 'committed' as v")
	if err := s.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := s.Restart(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := ask(t, s, "select v from kept"); got != "committed" {
		t.Errorf("after a crash: %q", got)
	}
}

// A panic of who waits for the server fails the start and not the process; the server
// is ended, and the next start is as ever. Not parallel: the hook is the whole
// process's.
func TestPanicOfTheWaiter(t *testing.T) { //nolint:paralleltest // see above
	dir := filepath.Join(folder(t), "pg")
	var once atomic.Bool
	restore := guard.OnDo(func(place string) {
		if place == "localpg.wait" && once.CompareAndSwap(false, true) {
			panic("broken by the test")
		}
	})
	s, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	restore()
	if err == nil {
		t.Errorf("it started: %v", s.Socket())
	}
	if got := ask(t, start(t, localpg.Config{Dir: dir}), "select 'up'"); got != "up" {
		t.Errorf("the next start: %q", got)
	}
}

// A pid file whose number has gone to another program does not stop a start.
func TestStalePID(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "pg")
	s := start(t, localpg.Config{Dir: dir, Unsafe: true})
	file := filepath.Join(dir, "data", "postmaster.pid")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	// This very test process has the number now.
	stale := strconv.Itoa(os.Getpid()) + string(text[strings.IndexByte(string(text), '\n'):])
	for _, content := range []string{stale, "", "garbage\n"} {
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true})
		if err != nil {
			t.Fatalf("pid file %q: %v", content, err)
		}
		if err := s.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

// child is this test program in another role: it starts a server and waits.
const child = "BYRELOG_LOCALPG_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(child); dir != "" {
		s, err := localpg.Start(context.Background(), localpg.Config{Dir: dir, Ephemeral: os.Getenv("EPHEMERAL") != ""})
		if err != nil {
			fmt.Println("failed:", err)
			os.Exit(1)
		}
		fmt.Println("started", s.Version())
		select {}
	}
	os.Exit(m.Run())
}

func spawn(t *testing.T, dir string, env ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(append(os.Environ(), child+"="+dir), env...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	var line string
	if _, err := fmt.Fscan(out, &line); err != nil || line != "started" {
		t.Fatalf("child: %q, %v", line, err)
	}
	return cmd
}

func wait(t *testing.T, what string, done func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !done(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%s: not within 20 s", what)
		}
	}
}

// The process that started a server is killed with SIGKILL: the server goes too,
// its folder can be used at once, and nothing that was committed is lost.
func TestParentKilled(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "pg")
	cmd := spawn(t, dir)
	_, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	var inUse *localpg.InUseError
	if !errors.As(err, &inUse) || inUse.PID != cmd.Process.Pid {
		t.Errorf("start beside another process: %v", err)
	}
	beside, err := localpg.Attach(dir)
	if err != nil {
		t.Fatal(err)
	}
	do(t, beside, "create table kept as select 'committed' as v")
	pid := postmaster(t, dir)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	s := start(t, localpg.Config{Dir: dir}) // at once, with the watchdog still at work
	if got := ask(t, s, "select v from kept"); got != "committed" {
		t.Errorf("after the kill: %q", got)
	}
	if running(pid) {
		t.Error("the old server still runs")
	}
	// The dead process's watchdog must not stop the new server.
	time.Sleep(300 * time.Millisecond)
	ask(t, s, "select 'x'")
}

// Nothing is left of an ephemeral server whose process was killed.
func TestEphemeralParentKilled(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "pg")
	cmd := spawn(t, dir, "EPHEMERAL=1")
	pid := postmaster(t, dir)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	wait(t, "the server stops", func() bool { return !running(pid) })
	if os.Geteuid() == 0 { // the watchdog is not root: it empties what it owns
		wait(t, "the data goes", func() bool { _, err := os.Stat(filepath.Join(dir, "data")); return errors.Is(err, os.ErrNotExist) })
		return
	}
	wait(t, "the folder goes", func() bool { _, err := os.Stat(dir); return errors.Is(err, os.ErrNotExist) })
}

// Sweep removes what nobody uses and leaves what somebody does.
func TestSweep(t *testing.T) {
	t.Parallel()
	parent := folder(t)
	used := start(t, localpg.Config{Dir: filepath.Join(parent, "run-used"), Unsafe: true})
	left := start(t, localpg.Config{Dir: filepath.Join(parent, "run-left"), Unsafe: true})
	kept := start(t, localpg.Config{Dir: filepath.Join(parent, "other"), Unsafe: true})
	for _, s := range []*localpg.Server{left, kept} {
		if err := s.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	localpg.Sweep(t.Context(), parent, "run-")
	for name, want := range map[string]bool{"run-used": true, "run-left": false, "other": true} {
		if _, err := os.Stat(filepath.Join(parent, name)); (err == nil) != want {
			t.Errorf("%s: %v", name, err)
		}
	}
	ask(t, used, "select 'x'")
}

func TestRefusedFolders(t *testing.T) {
	t.Parallel()
	parent := folder(t)
	file := filepath.Join(parent, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	broken := filepath.Join(parent, "broken")
	if err := os.MkdirAll(filepath.Join(broken, "data"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(broken, "data", "PG_VERSION"), []byte("nine\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	old := filepath.Join(parent, "old")
	if err := os.MkdirAll(filepath.Join(old, "data"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(old, "data", "PG_VERSION"), []byte("9\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cases := map[string]string{
		file:                      "not a directory",
		filepath.Join(file, "in"): "not a directory",
		broken:                    "PG_VERSION",
		old:                       "of version 9",
	}
	if os.Geteuid() == 0 {
		closed := filepath.Join(parent, "closed")
		if err := os.Mkdir(closed, 0o700); err != nil {
			t.Fatal(err)
		}
		cases[filepath.Join(closed, "pg")] = "cannot enter"
	}
	for dir, want := range cases {
		_, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", filepath.Base(dir), err, want)
		}
	}
}

// A first start that is broken off while the cluster is made leaves nothing in the
// way of the next.
func TestBrokenOff(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "pg")
	for _, after := range []time.Duration{0, 30 * time.Millisecond, 150 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(t.Context(), after)
		s, err := localpg.Start(ctx, localpg.Config{Dir: dir, Unsafe: true})
		cancel()
		if err == nil { // a quick machine
			if err := s.Stop(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	ask(t, start(t, localpg.Config{Dir: dir, Unsafe: true}), "select 'x'")
}

// A server that cannot start says why, and leaves the folder free.
func TestDoesNotStart(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "pg")
	_, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true, Settings: map[string]string{"no_such_setting": "1"}})
	if err == nil || !strings.Contains(err.Error(), "no_such_setting") {
		t.Fatalf("error %v", err)
	}
	start(t, localpg.Config{Dir: dir, Unsafe: true})
}
