package localpg

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"byrelog.example/internal/guard"
)

// Config says where the server lives and how it runs.
type Config struct {
	// Dir is the folder of everything: data, socket, log, lock. It is made when it
	// does not exist. Required; DefaultDir gives the usual one.
	Dir string
	// Log takes what the package does; nil discards it.
	Log *slog.Logger
	// Ephemeral removes Dir when the server stops, and stops without a last
	// checkpoint. For tests.
	Ephemeral bool
	// Unsafe switches fsync and its like off: quick, and what is acknowledged may be
	// lost in a crash of the machine. For tests.
	Unsafe bool
	// Settings are further lines of the server's configuration.
	Settings map[string]string
}

// Server is a running server.
type Server struct {
	c        Config
	bin      binaries
	user     account
	socket   string // folder of the socket
	attached bool   // belongs to another process
	log      *slog.Logger

	mu    sync.Mutex
	lock  *os.File  // held while the server is ours; nil when stopped
	guard *watchdog // stops the server when this process ends
}

// InUseError says that another process uses the folder.
type InUseError struct {
	Dir string
	PID int // of that process; 0 when not known
}

func (e *InUseError) Error() string {
	who := "another process"
	if e.PID != 0 {
		who = fmt.Sprintf("process %d", e.PID)
	}
	return fmt.Sprintf("the database folder %s is in use by %s: stop that one first, or give another folder", e.Dir, who)
}

// DefaultDir is the folder of the server when none is named: /var/lib/byrelog for
// root, whose home the server's user could not enter, else byrelog in the user's
// data folder ($XDG_DATA_HOME or ~/.local/share).
func DefaultDir() (string, error) {
	if os.Geteuid() == 0 {
		return "/var/lib/byrelog/postgres", nil
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "byrelog", "postgres"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for the database: %w", err)
	}
	return filepath.Join(home, ".local", "share", "byrelog", "postgres"), nil
}

// Start makes the server ready to take connections; at the first start it makes
// the cluster, with data checksums. A server that was left running by a killed
// process is stopped first, and a stale pid file is dealt with.
//
// Errors: *NoServerError, *InUseError, or what the server said when it did not start.
func Start(ctx context.Context, c Config) (_ *Server, err error) {
	if c.Dir, err = filepath.Abs(c.Dir); err != nil {
		return nil, fmt.Errorf("database folder: %w", err)
	}
	s := &Server{c: c, log: c.Log}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	want, err := clusterVersion(s.data())
	if err != nil {
		return nil, err
	}
	if s.bin, err = find(ctx, os.Getenv("PATH"), folders, want); err != nil {
		return nil, err
	}
	if s.user, err = runAs(s.data()); err != nil {
		return nil, err
	}
	if err := s.folders(); err != nil {
		return nil, err
	}
	if s.lock, err = lockFolder(c.Dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = s.Stop(context.WithoutCancel(ctx))
		}
	}()
	if err := s.settle(ctx); err != nil {
		return nil, err
	}
	if want == 0 {
		if err := s.initdb(ctx); err != nil {
			return nil, err
		}
	}
	if err := s.configure(); err != nil {
		return nil, err
	}
	if s.guard, err = s.watch(context.WithoutCancel(ctx)); err != nil {
		return nil, err
	}
	if err := s.up(ctx); err != nil {
		return nil, err
	}
	running.Store(s, true)
	return s, nil
}

// running holds every started server until it is stopped: were one collected as
// garbage, the pipe to its watchdog would close and the server would stop.
var running sync.Map

// Attach finds the server that another process of this machine runs in dir, for a
// command that works beside a running service. Stop of such a Server does nothing.
func Attach(dir string) (*Server, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("database folder: %w", err)
	}
	s := &Server{c: Config{Dir: dir}, attached: true, log: slog.New(slog.DiscardHandler)}
	p, err := readPID(s.data())
	if err != nil || !alive(p.pid) {
		return nil, fmt.Errorf("no database server is running in %s", dir)
	}
	if !p.ready {
		return nil, fmt.Errorf("the database server in %s is not ready yet", dir)
	}
	s.socket = p.socket
	s.bin.major, err = clusterVersion(s.data())
	return s, err
}

// AdminURL connects as the superuser of the server.
func (s *Server) AdminURL(database string) string { return s.url("postgres", database) }

// OwnerURL connects as the role that migrates. The roles are the caller's to make.
func (s *Server) OwnerURL(database string) string { return s.url("byrelog_owner", database) }

// AppURL connects as the role of the service.
func (s *Server) AppURL(database string) string { return s.url("byrelog_app", database) }

func (s *Server) url(user, database string) string {
	q := url.Values{"host": {s.socket}, "port": {port}, "sslmode": {"disable"}}
	u := url.URL{Scheme: "postgres", User: url.User(user), Path: "/" + database, RawQuery: q.Encode()}
	return u.String()
}

// port only names the socket file: nothing listens on it.
const port = "5432"

// Version is the main version of the server.
func (s *Server) Version() int { return s.bin.major }

// Socket is the folder of the server's socket, with the file .s.PGSQL.5432 in it.
func (s *Server) Socket() string { return s.socket }

// Stop ends the server: connections are closed, what is in memory is written. It
// is safe to call twice.
func (s *Server) Stop(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.attached || s.lock == nil {
		return nil
	}
	running.Delete(s)
	err := s.down(ctx)
	if s.guard != nil {
		s.guard.dismiss()
		s.guard = nil
	}
	if s.socket != s.run() { // elsewhere, and made again at every start
		err = errors.Join(err, os.RemoveAll(s.socket))
	}
	if s.c.Ephemeral {
		err = errors.Join(err, os.RemoveAll(s.c.Dir))
	}
	_ = s.lock.Close()
	s.lock = nil
	return err
}

// Kill ends the server with SIGKILL, as a crash would. Restart starts it again.
func (s *Server) Kill() error {
	p, err := readPID(s.data())
	if err != nil {
		return err
	}
	proc, err := os.FindProcess(p.pid)
	if err != nil {
		return err
	}
	if err := proc.Kill(); err != nil {
		return err
	}
	for alive(p.pid) {
		time.Sleep(5 * time.Millisecond)
	}
	return nil
}

// Restart starts a server that was killed.
func (s *Server) Restart(ctx context.Context) error {
	if err := s.settle(ctx); err != nil {
		return err
	}
	return s.up(ctx)
}

func (s *Server) data() string    { return filepath.Join(s.c.Dir, "data") }
func (s *Server) run() string     { return filepath.Join(s.c.Dir, "run") }
func (s *Server) logFile() string { return filepath.Join(s.c.Dir, "server.log") }

// clusterVersion is the main version that made a data folder; 0 when there is none.
func clusterVersion(data string) (int, error) {
	text, err := os.ReadFile(filepath.Join(data, "PG_VERSION")) //nolint:gosec // the caller's own folder
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("database folder: %w", err)
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("database folder %s: PG_VERSION is no main version", data)
	}
	return n, nil
}

var plain = regexp.MustCompile(`^[A-Za-z0-9/._-]+$`)

// folders makes the folder and gives it to the server's user, and only to that one.
func (s *Server) folders() error {
	if err := os.MkdirAll(filepath.Dir(s.c.Dir), 0o755); err != nil { //nolint:gosec // the server's user must pass
		return fmt.Errorf("database folder: %w", err)
	}
	s.socket = s.run()
	// A socket's path has room for about 100 bytes, and a URL none for some characters
	// (a comma separates hosts): such a folder gets a short and plain one elsewhere.
	if len(s.socket)+len("/.s.PGSQL.")+len(port) > 100 || !plain.MatchString(s.socket) {
		sum := sha256.Sum256([]byte(s.c.Dir))
		s.socket = filepath.Join(os.TempDir(), "byrelog-"+hex.EncodeToString(sum[:6]))
	}
	for _, dir := range []string{s.c.Dir, s.socket} {
		if err := s.user.own(dir); err != nil {
			return err
		}
	}
	return s.user.reach(s.c.Dir)
}

// initdb makes the cluster. A first start that was broken off left no PG_VERSION
// or a half-made cluster: it is made in a folder beside and moved into place.
func (s *Server) initdb(ctx context.Context) error {
	fresh := s.data() + ".new"
	if err := os.RemoveAll(fresh); err != nil {
		return fmt.Errorf("database folder: %w", err)
	}
	args := []string{"-D", fresh, "-U", "postgres", "-E", "UTF8", "--no-locale", "--data-checksums", "--auth-local=trust", "--auth-host=reject"}
	if s.c.Unsafe {
		args = append(args, "--no-sync")
	}
	s.log.InfoContext(ctx, "making a database cluster", slog.Int("version", s.bin.major))
	cmd := s.user.command(ctx, s.c.Dir, s.bin.path("initdb"), args...)
	// Broken off by a signal that it knows, it ends its helpers and removes what it made.
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 10 * time.Second
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w\n%s", err, out)
	}
	f, err := os.OpenFile(filepath.Join(fresh, "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0o600) //nolint:gosec // our own folder
	if err != nil {
		return fmt.Errorf("initdb: %w", err)
	}
	_, err = f.WriteString("\ninclude_if_exists 'byrelog.conf'\n")
	if err := errors.Join(err, f.Close(), os.Rename(fresh, s.data())); err != nil {
		return fmt.Errorf("initdb: %w", err)
	}
	return nil
}

// configure writes the settings of this start.
func (s *Server) configure() error {
	conf := map[string]string{
		"listen_addresses":        "",
		"port":                    port,
		"unix_socket_directories": `"` + strings.ReplaceAll(s.socket, `"`, `""`) + `"`,
		"unix_socket_permissions": "0700",
		"max_connections":         "100",
		"log_checkpoints":         "off",
		"log_timezone":            "UTC",
		"timezone":                "UTC",
	}
	if s.c.Unsafe {
		for _, k := range []string{"fsync", "synchronous_commit", "full_page_writes"} {
			conf[k] = "off"
		}
	}
	maps.Copy(conf, s.c.Settings)
	var b strings.Builder
	b.WriteString("# Written at every start.\n")
	for _, k := range slices.Sorted(maps.Keys(conf)) {
		fmt.Fprintf(&b, "%s = '%s'\n", k, strings.ReplaceAll(conf[k], "'", "''"))
	}
	file := filepath.Join(s.data(), "byrelog.conf")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		return fmt.Errorf("database settings: %w", err)
	}
	return s.user.chown(file)
}

// settle brings a folder to rest that a crash left behind: a server that still
// runs is stopped, and the pid file of one that does not is removed when its number
// has gone to another program, which would keep Postgres from starting.
func (s *Server) settle(ctx context.Context) error {
	p, err := readPID(s.data())
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err == nil && alive(p.pid) {
		s.log.InfoContext(ctx, "stopping a server that was left running", slog.Int("pid", p.pid))
		return s.down(ctx)
	}
	if err := os.Remove(filepath.Join(s.data(), "postmaster.pid")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("stale pid file: %w", err)
	}
	return nil
}

// up starts the server and waits until it takes connections. It starts the program
// itself: pg_ctl would hand our paths to a shell, unquoted, and leave the dead
// server to a first process that, in a container, may not collect it.
func (s *Server) up(ctx context.Context) error {
	var err error
	// After a crash the last processes of the dead server may hold its memory for a moment.
	for range 10 {
		var final bool
		if final, err = s.upOnce(ctx); err == nil || final {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(300 * time.Millisecond):
		}
	}
	return err
}

// upOnce tries it once and tells whether another try is of no use.
func (s *Server) upOnce(ctx context.Context) (final bool, err error) {
	log, err := os.OpenFile(s.logFile(), os.O_APPEND|os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return true, fmt.Errorf("database log: %w", err)
	}
	defer func() { _ = log.Close() }()
	if err := s.user.chown(s.logFile()); err != nil {
		return true, fmt.Errorf("database log: %w", err)
	}
	info, err := log.Stat()
	if err != nil {
		return true, fmt.Errorf("database log: %w", err)
	}
	from := info.Size()
	// Not bound to ctx, which is about starting: the server outlives it.
	cmd := s.user.command(context.WithoutCancel(ctx), s.data(), s.bin.path("postgres"), "-D", s.data())
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		return true, fmt.Errorf("the database server did not start: %w", err)
	}
	exited := make(chan struct{})
	// Why it ended stands in its log.
	guard.Go("localpg.wait", cmd.Wait, func(err error) {
		var broken *guard.Panic
		if errors.As(err, &broken) { // a server that nobody waits for is not left running
			_ = cmd.Process.Signal(os.Interrupt)
			_ = cmd.Wait()
		}
		close(exited)
	})
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		if p, err := readPID(s.data()); err == nil && p.ready && p.pid == cmd.Process.Pid {
			return false, nil
		}
		select {
		case <-tick.C:
		case <-exited:
			text := tail(log, from)
			// Its words are English: the cluster has no locale. Any other reason stays.
			again := strings.Contains(text, "shared memory block") || strings.Contains(text, "lock file")
			return !again, errors.New("the database server did not start:\n" + text)
		case <-ctx.Done():
			_ = cmd.Process.Signal(os.Interrupt) // fast shutdown
			<-exited
			return true, fmt.Errorf("the database server did not start in time: %w\n%s", ctx.Err(), tail(log, from))
		}
	}
}

// down stops the server if it runs and waits for its end.
func (s *Server) down(ctx context.Context) error {
	p, err := readPID(s.data())
	if err != nil || !alive(p.pid) {
		return nil
	}
	mode := "fast"
	if s.c.Ephemeral {
		mode = "immediate"
	}
	ctx, cancel := context.WithTimeout(ctx, 90*time.Second)
	defer cancel()
	out, err := s.user.command(ctx, s.data(), s.bin.path("pg_ctl"), "stop", "-D", s.data(), "-m", mode, "-w", "-t", "60", "-s").CombinedOutput()
	// A server that was stopping by itself takes its pid file away before it ends.
	for err != nil && alive(p.pid) {
		if _, there := readPID(s.data()); there == nil || ctx.Err() != nil {
			return fmt.Errorf("the database server did not stop: %w\n%s", err, out)
		}
		time.Sleep(20 * time.Millisecond)
	}
	return nil
}

// tail gives the end of what was logged since from, for an error message.
func tail(log *os.File, from int64) string {
	info, err := log.Stat()
	if err != nil {
		return ""
	}
	text := make([]byte, 2000)
	n, _ := log.ReadAt(text, max(from, info.Size()-int64(len(text))))
	return string(text[:n])
}

// pidFile is what the server says of itself in postmaster.pid.
type pidFile struct {
	pid    int
	socket string
	ready  bool
}

func readPID(data string) (pidFile, error) {
	text, err := os.ReadFile(filepath.Join(data, "postmaster.pid")) //nolint:gosec // our own folder
	if err != nil {
		return pidFile{}, err
	}
	// pid, data folder, start time, port, socket folder, address, memory key, status
	lines := strings.Split(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(lines[0]))
	if err != nil || pid <= 1 {
		return pidFile{}, errors.New("postmaster.pid holds no process number")
	}
	p := pidFile{pid: pid}
	if len(lines) >= 5 {
		p.socket = strings.TrimSpace(lines[4])
	}
	if len(lines) >= 8 {
		p.ready = strings.TrimSpace(lines[7]) == "ready"
	}
	return p, nil
}

// alive tells whether the process is a Postgres server: numbers are used again, and
// a dead process whose parent does not care keeps its number.
func alive(pid int) bool {
	if stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid)); err == nil {
		name, rest, ok := strings.Cut(string(stat), ") ")
		return ok && strings.Contains(name, "(postgres") && !strings.HasPrefix(rest, "Z")
	}
	if _, err := os.Stat("/proc/self/stat"); err == nil {
		return false
	}
	out, err := exec.Command("ps", "-o", "stat=,comm=", "-p", strconv.Itoa(pid)).Output() //nolint:gosec,noctx // a number; systems without /proc
	return err == nil && strings.Contains(string(out), "postgres") && !strings.HasPrefix(strings.TrimSpace(string(out)), "Z")
}
