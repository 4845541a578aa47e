package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the golden files anew")

// What the tests share: the built program, and a folder whose children the user
// of the private Postgres can reach, which t.TempDir is not for root.
var (
	binary string
	area   string
)

func TestMain(m *testing.M) {
	flag.Parse()
	os.Exit(testMain(m))
}

func testMain(m *testing.M) int {
	var err error
	if area, err = os.MkdirTemp("", "byrelog-cmd-"); err == nil {
		err = os.Chmod(area, 0o755)
	}
	if err != nil {
		_, _ = fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(area) }()
	defer watch(`sleep 5; rm -rf "$1"`, area)()
	binary = filepath.Join(area, "bin", "byrelog")
	build := exec.Command("go", "build", "-o", binary, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		_, _ = fmt.Fprintf(os.Stderr, "go build: %v\n%s", err, out)
		return 1
	}
	defer stopShared()
	return m.Run()
}

// watch does something when the tests end without the chance to do it
// themselves: killed, or by a panic after their time. The shell that does it waits for
// its standard input to be closed, which happens at the latest then.
func watch(script, arg string) (dismiss func()) {
	cmd := exec.Command("sh", "-c", "read -r x || { "+script+"; }", "watch", arg)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	pipe, err := cmd.StdinPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		return func() {}
	}
	return func() {
		_, _ = io.WriteString(pipe, "dismissed\n")
		_ = cmd.Wait()
	}
}

// result is what a command line came to.
type result struct {
	out, err string
	code     int
}

// call is a command line to be run as a process, with no variable of ours in its
// environment but those given.
type call struct {
	env  []string
	dir  string
	in   io.Reader
	args []string
}

func cleanEnv(more ...string) []string {
	var env []string
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "BYRELOG_") {
			env = append(env, v)
		}
	}
	return append(env, more...)
}

func (c call) command(ctx context.Context) *exec.Cmd {
	cmd := exec.CommandContext(ctx, binary, c.args...)
	cmd.Env, cmd.Dir, cmd.Stdin = cleanEnv(c.env...), c.dir, c.in
	return cmd
}

// run waits for the end of the process and gives its exit code.
func (c call) run(t *testing.T) result {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := c.command(ctx)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) || ctx.Err() != nil {
		t.Fatalf("byrelog %s: %v\n%s", strings.Join(c.args, " "), err, errs.String())
	}
	return result{out.String(), errs.String(), cmd.ProcessState.ExitCode()}
}

// must is a run that ends with code 0; it gives what was printed.
func (c call) must(t *testing.T) string {
	t.Helper()
	r := c.run(t)
	if r.code != 0 {
		t.Fatalf("byrelog %s: exit code %d\n%s%s", strings.Join(c.args, " "), r.code, r.out, r.err)
	}
	return r.out
}

// folder makes a folder that the private Postgres can live in.
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp(area, "d") //nolint:usetesting // see area
	if err == nil {
		err = os.Chmod(dir, 0o755)
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// server is a byrelog process that serves.
type server struct {
	cmd   *exec.Cmd
	base  string // address
	token string // of an administrator
	dir   string // data folder
	out   *output
	errs  *output
	ended chan struct{}
}

// output gathers what a process prints and tells when something came.
type output struct {
	mu   sync.Mutex
	buf  bytes.Buffer
	news chan struct{}
}

func newOutput() *output { return &output{news: make(chan struct{}, 1)} }

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	select {
	case o.news <- struct{}{}:
	default:
	}
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

// launch starts a serving process and returns when it answers: the pattern is
// in its output, and its first group is the address.
func launch(c call, dir string, ready *regexp.Regexp, from func(*server) *output) (*server, error) {
	s := &server{dir: dir, out: newOutput(), errs: newOutput(), ended: make(chan struct{})}
	s.cmd = c.command(context.Background())
	s.cmd.Stdout, s.cmd.Stderr = s.out, s.errs
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	dismiss := watch(`kill -9 "$1"`, strconv.Itoa(s.cmd.Process.Pid))
	go func() {
		_ = s.cmd.Wait() // the exit code tells
		dismiss()
		close(s.ended)
	}()
	late := time.After(3 * time.Minute)
	for {
		if m := ready.FindStringSubmatch(from(s).String()); m != nil {
			s.base = "http://" + strings.TrimPrefix(m[1], "http://")
			return s, nil
		}
		select {
		case <-from(s).news:
		case <-s.ended:
			return nil, fmt.Errorf("%v ended with code %d\n%s%s", c.args, s.cmd.ProcessState.ExitCode(), s.out, s.errs)
		case <-late:
			s.kill()
			return nil, fmt.Errorf("%v does not answer\n%s%s", c.args, s.out, s.errs)
		}
	}
}

var (
	servesAt   = regexp.MustCompile(`"byrelog serves","address":"([^"]+)"`)
	shownToken = regexp.MustCompile(`(?m)^    (\S+)$`)
	tourBase   = regexp.MustCompile(`(?s)export BYRELOG_SERVER=(\S+)\n.*The contract:`)
	tourToken  = regexp.MustCompile(`export BYRELOG_TOKEN=(\S+)`)
)

// serve starts byrelog serve on a private Postgres in dir.
func serve(dir string, more ...string) (*server, error) {
	c := call{args: append([]string{"serve", "--data-dir", dir, "--listen", "127.0.0.1:0"}, more...)}
	s, err := launch(c, dir, servesAt, func(s *server) *output { return s.errs })
	if err != nil {
		return nil, err
	}
	if m := shownToken.FindStringSubmatch(s.out.String()); m != nil {
		s.token = m[1]
	}
	return s, nil
}

func mustServe(t *testing.T, dir string, more ...string) *server {
	t.Helper()
	s, err := serve(dir, more...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.kill)
	return s
}

// told is what the service logged but for the requests that it answered.
func (s *server) told() string {
	var b strings.Builder
	for l := range strings.Lines(s.errs.String()) {
		if !strings.Contains(l, `"msg":"request"`) {
			b.WriteString(l)
		}
	}
	return b.String()
}

// kill is SIGKILL, and waits for the end.
func (s *server) kill() {
	_ = s.cmd.Process.Kill() // it may have ended
	<-s.ended
}

// stop is SIGTERM; it gives the exit code and how long it took.
func (s *server) stop(t *testing.T) (int, time.Duration) {
	t.Helper()
	start := time.Now()
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case <-s.ended:
	case <-time.After(time.Minute):
		s.kill()
		t.Fatalf("the service did not stop\n%s", s.errs)
	}
	return s.cmd.ProcessState.ExitCode(), time.Since(start)
}

// call is a command line for this server, by an administrator.
func (s *server) call(args ...string) call {
	return call{env: []string{"BYRELOG_SERVER=" + s.base, "BYRELOG_TOKEN=" + s.token}, args: args}
}

// shared servers, each started by the first test that wants it.
var (
	sharedMu sync.Mutex
	shared   []*server
)

func share(start func() (*server, error)) func() (*server, error) {
	return sync.OnceValues(func() (*server, error) {
		s, err := start()
		if err == nil {
			sharedMu.Lock()
			shared = append(shared, s)
			sharedMu.Unlock()
		}
		return s, err
	})
}

// stopShared stops them as a person would: the demo ends by SIGINT with code 0.
func stopShared() {
	for _, s := range shared {
		_ = s.cmd.Process.Signal(os.Interrupt)
	}
	for _, s := range shared {
		select {
		case <-s.ended:
		case <-time.After(time.Minute):
			s.kill()
		}
	}
}

var startDemo = share(func() (*server, error) {
	dir := filepath.Join(area, "demo")
	c := call{args: []string{"demo", "--years", "2", "--data-dir", dir, "--listen", "127.0.0.1:0"}}
	s, err := launch(c, dir, tourBase, func(s *server) *output { return s.out })
	if err == nil {
		s.token = tourToken.FindStringSubmatch(s.out.String())[1]
	}
	return s, err
})

var startWork = share(func() (*server, error) { return serve(filepath.Join(area, "work")) })

// demo is the one demo that the tests read from: three herds of two years.
func demo(t *testing.T) *server {
	t.Helper()
	s, err := startDemo()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// work is a service that begins empty; each test has a herd of its own there.
func work(t *testing.T) *server {
	t.Helper()
	s, err := startWork()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// herd registers a herd.
func (s *server) herd(t *testing.T, name string) string {
	t.Helper()
	s.call("herd", "create", name).must(t)
	return name
}

// invent gives the NDJSON of an invented herd.
func invent(t *testing.T, herd string, cows, years string) string {
	t.Helper()
	return call{args: []string{"simulate", "--herd", herd, "--cows", cows, "--years", years}}.must(t)
}

func contains(t *testing.T, got string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(got, w) {
			t.Errorf("%q is missing in\n%.2000s", w, got)
		}
	}
}

func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// closedPort is an address that nobody listens on.
func closedPort(t *testing.T) string {
	t.Helper()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().String()
}
