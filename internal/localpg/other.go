//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package localpg

import (
	"context"
	"errors"
	"os"
	"os/exec"
)

// On other systems the package builds and says that it cannot work: sockets,
// file locks and users are another matter there.
var errSystem = errors.New("a private database server is not supported on this system: name a database in BYRELOG_DATABASE_URL")

type account struct{}

func runAs(string) (account, error) { return account{}, errSystem }

func (account) command(ctx context.Context, dir, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir = dir
	return cmd
}

func (account) chown(string) error { return nil }
func (account) own(string) error   { return errSystem }
func (account) reach(string) error { return errSystem }

func lockFolder(string) (*os.File, error) { return nil, errSystem }

type watchdog struct{}

func (s *Server) watch(context.Context) (*watchdog, error) { return nil, errSystem }
func (w *watchdog) dismiss()                               {}

// Sweep does nothing here.
func Sweep(context.Context, string, string) {}
