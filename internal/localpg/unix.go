//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package localpg

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// account is the user that the server runs as; the zero account is ourselves.
type account struct {
	other    bool
	uid, gid uint32
	name     string
}

// runAs chooses the user: ourselves, or, as root, the owner of the data folder if
// there is one, else postgres, else nobody.
func runAs(data string) (account, error) {
	if os.Geteuid() != 0 {
		return account{}, nil
	}
	if info, err := os.Stat(data); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Uid != 0 {
			return account{other: true, uid: st.Uid, gid: st.Gid, name: "the owner of " + data}, nil
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err1 == nil && err2 == nil && uid != 0 {
			return account{other: true, uid: uint32(uid), gid: uint32(gid), name: name}, nil
		}
	}
	return account{}, errors.New("the database server refuses to run as root and there is no user postgres or nobody")
}

// command prepares a program that runs as the account, apart from our terminal and
// process group: a Ctrl-C is for us to handle.
func (a account) command(ctx context.Context, dir, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...) //nolint:gosec // programs that were found, no shell
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if a.other {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
		cmd.Env = append(cmd.Env, "HOME="+dir, "USER="+a.name)
	}
	return cmd
}

func (a account) chown(path string) error {
	if !a.other {
		return nil
	}
	return os.Chown(path, int(a.uid), int(a.gid))
}

// own makes a folder that belongs to the account alone. A folder of somebody else
// is refused, for whoever owns it could put another server's socket there.
func (a account) own(dir string) error {
	made := os.Mkdir(dir, 0o700)
	if made != nil && !errors.Is(made, os.ErrExist) {
		return fmt.Errorf("database folder: %w", made)
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return fmt.Errorf("database folder: %w", err)
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	want := uint32(os.Geteuid()) //nolint:gosec // user numbers are 32 bits
	if a.other {
		want = a.uid
	}
	if !info.IsDir() || !ok || (st.Uid != want && st.Uid != uint32(os.Geteuid())) { //nolint:gosec // as above
		return fmt.Errorf("database folder: %s belongs to another user or is no folder", dir)
	}
	if err := os.Chmod(dir, 0o700); err != nil { //nolint:gosec // a folder needs the x bits
		return fmt.Errorf("database folder: %w", err)
	}
	return a.chown(dir)
}

// reach tells whether the account can get to dir: root may go where it cannot.
func (a account) reach(dir string) error {
	if !a.other {
		return nil
	}
	for d := filepath.Dir(dir); ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if err != nil {
			return fmt.Errorf("database folder: %w", err)
		}
		st, ok := info.Sys().(*syscall.Stat_t)
		if ok {
			bit := os.FileMode(0o001)
			switch {
			case st.Uid == a.uid:
				bit = 0o100
			case st.Gid == a.gid:
				bit = 0o010
			}
			if info.Mode().Perm()&bit == 0 {
				return fmt.Errorf("database folder: as root the server runs as %s, who cannot enter %s: choose a folder elsewhere, such as /var/lib/byrelog", a.name, d)
			}
		}
		if d == filepath.Dir(d) {
			return nil
		}
	}
}

// lockFolder holds the folder for this process until the file is closed.
func lockFolder(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600) //nolint:gosec // the caller's own folder
	if err != nil {
		return nil, fmt.Errorf("database folder: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		text, _ := io.ReadAll(io.LimitReader(f, 20))
		_ = f.Close()
		pid, _ := strconv.Atoi(strings.TrimSpace(string(text)))
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, &InUseError{Dir: dir, PID: pid}
		}
		return nil, fmt.Errorf("database folder: lock: %w", err)
	}
	err = f.Truncate(0)
	if err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("database folder: %w", err)
	}
	return f, nil
}

// watchdog is a small shell that waits for this process to end: the pipe to it
// closes then, however the end came about, and it stops the server.
type watchdog struct {
	cmd  *exec.Cmd
	pipe *os.File
}

const watchScript = `trap '' HUP INT QUIT TERM
read -r word
[ "$word" = dismissed ] && exit 0
"$1" stop -D "$2" -m "$3" -w -t 60 -s
[ -n "$4" ] && cd / && rm -rf -- "$4" "$5"
exit 0`

func (s *Server) watch(ctx context.Context) (*watchdog, error) {
	r, w, err := os.Pipe()
	if err != nil {
		return nil, fmt.Errorf("watchdog: %w", err)
	}
	mode, remove := "fast", ""
	if s.c.Ephemeral {
		mode, remove = "immediate", s.c.Dir
	}
	// ctx is one that is never cancelled: the watchdog must outlive us.
	cmd := s.user.command(ctx, s.c.Dir, "/bin/sh", "-c", watchScript, "byrelog-watchdog",
		s.bin.path("pg_ctl"), s.data(), mode, remove, s.socket)
	cmd.Stdin = r
	err = cmd.Start()
	_ = r.Close()
	if err != nil {
		_ = w.Close()
		return nil, fmt.Errorf("watchdog: %w", err)
	}
	return &watchdog{cmd: cmd, pipe: w}, nil
}

// dismiss ends the watchdog without stopping the server.
func (w *watchdog) dismiss() {
	_, _ = w.pipe.WriteString("dismissed\n")
	_ = w.pipe.Close()
	_ = w.cmd.Wait()
}

// Sweep removes the folders in parent whose names start with prefix and that no
// process uses any more, and stops what still runs in them: what is left when a
// test run and its watchdog were killed together.
func Sweep(ctx context.Context, parent, prefix string) {
	dirs, _ := filepath.Glob(filepath.Join(parent, prefix+"*"))
	for _, dir := range dirs {
		info, err := os.Lstat(dir)
		if err != nil || !info.IsDir() {
			continue
		}
		if st, ok := info.Sys().(*syscall.Stat_t); !ok || (os.Geteuid() != 0 && int(st.Uid) != os.Geteuid()) {
			continue
		}
		if _, err := os.Stat(filepath.Join(dir, "lock")); err != nil {
			continue // being made at this moment, or not ours
		}
		lock, err := lockFolder(dir)
		if err != nil {
			continue
		}
		s := &Server{c: Config{Dir: dir, Ephemeral: true}, socket: filepath.Join(dir, "run"), lock: lock}
		want, err := clusterVersion(s.data())
		if err == nil {
			s.bin, err = find(ctx, os.Getenv("PATH"), folders, want)
		}
		if err == nil {
			s.user, err = runAs(s.data())
		}
		if err == nil {
			_ = s.Stop(ctx)
			continue
		}
		_ = lock.Close()
	}
}
