package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/term"
)

// Exit codes.
const (
	exitDone    = 0
	exitRefused = 1 // something was refused or not found, or a check failed
	exitUsage   = 2 // the command line itself is wrong
)

// program is everything that a run takes from the outside, so that tests can
// run the whole command line without a process.
type program struct {
	args     []string
	env      func(string) (string, bool)
	in       io.Reader
	out, err io.Writer
}

// usageError marks a command line that cannot be carried out as it is written.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usage(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errQuiet ends a command with exitRefused whose answer is already printed.
var errQuiet = errors.New("something was refused, or a check failed")

// run carries out one command line and returns its exit code. A failure is
// told in one line on stderr.
func run(ctx context.Context, p *program) int {
	root := p.root()
	root.SetArgs(p.args)
	root.SetIn(p.in)
	root.SetOut(p.out)
	root.SetErr(p.err)
	err := root.ExecuteContext(ctx)
	var bad usageError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errQuiet):
		return exitRefused
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		_, _ = fmt.Fprintln(p.err, "byrelog: stopped")
		return exitRefused
	case errors.As(err, &bad):
		_, _ = fmt.Fprintf(p.err, "byrelog: %s (see byrelog %s--help)\n", oneLine(err), p.command(root))
		return exitUsage
	}
	_, _ = fmt.Fprintf(p.err, "byrelog: %s\n", oneLine(err))
	return exitRefused
}

func oneLine(err error) string { return strings.Join(strings.Fields(err.Error()), " ") }

// command names the command that was meant, for the hint at its help.
func (p *program) command(root *cobra.Command) string {
	found, _, err := root.Find(p.args)
	if err != nil || found == root {
		return ""
	}
	return strings.TrimPrefix(found.CommandPath(), "byrelog ") + " "
}

func (p *program) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "byrelog",
		Short: "The shared book of a dairy herd's breeding",
		Long: `byrelog keeps the breeding records of dairy herds: an append-only log of what
was seen and done, the reproductive figures and lists computed from it, and
plain CSV in and out.

Settings come from flags or from BYRELOG_… variables: --listen is
BYRELOG_LISTEN, --server is BYRELOG_SERVER, and so on.

Exit codes: 0 done, 1 something was refused, or a check failed,
2 wrong usage.`,
		Version:           version(),
		SilenceErrors:     true,
		SilenceUsage:      true,
		CompletionOptions: cobra.CompletionOptions{DisableDefaultCmd: true},
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error { return p.fromEnvironment(cmd.Flags()) },
		Args:              cobra.NoArgs,
		RunE:              func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.AddCommand(
		p.serveCommand(), p.demoCommand(), p.migrateCommand(), p.tokenCommand(), p.herdCommand(), p.policyCommand(),
		p.importCommand(), p.exportCommand(), p.exchangeCommand(), p.mappingCommand(), p.eventsCommand(), p.animalCommand(),
		p.listCommand(), p.visitCommand(), p.roundCommand(), p.voidCommand(), p.checksCommand(), p.indicesCommand(), p.summaryCommand(), p.techniciansCommand(), p.verifyCommand(), p.simulateCommand(),
	)
	usageFromArgs(root)
	return root
}

// usageFromArgs makes cobra's complaints about arguments usage errors, and a
// word behind a command that only groups others an unknown command.
func usageFromArgs(c *cobra.Command) {
	check := c.Args
	if check == nil {
		check = cobra.NoArgs
	}
	c.Args = func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			return usageError{err}
		}
		return nil
	}
	for _, sub := range c.Commands() {
		usageFromArgs(sub)
	}
}

// longHelp puts behind the text of a command's help what is made only when it is asked for.
func longHelp(cmd *cobra.Command, more func() (string, error)) {
	help := cmd.HelpFunc()
	cmd.SetHelpFunc(func(c *cobra.Command, args []string) {
		text, err := more()
		if err != nil {
			_, _ = fmt.Fprintln(c.ErrOrStderr(), err)
		}
		c.Long += "\n\n" + text
		help(c, args)
	})
}

// group is a command that only holds others.
func group(use, short string, subs ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usage("%s has no command %q", use, args[0])
			}
			return usage("%s wants one of its commands", use)
		},
	}
	c.AddCommand(subs...)
	return c
}

// fromEnvironment sets flags that were not given from their variables.
func (p *program) fromEnvironment(flags *pflag.FlagSet) error {
	var bad error
	flags.VisitAll(func(f *pflag.Flag) {
		// help and version are no settings, and a token file that was named counts
		// for more than a token that lies about.
		if f.Changed || bad != nil || f.Name == "help" || f.Name == "version" || f.Name == "token" && flags.Changed("token-file") {
			return
		}
		name := "BYRELOG_" + strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_"))
		if v, ok := p.env(name); ok && v != "" {
			if err := flags.Set(f.Name, v); err != nil {
				bad = usage("%s: %v", name, err)
			}
		}
	})
	return bad
}

func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "unreleased"
	}
	return info.Main.Version
}

// logger writes JSON lines for machines, and text where a person watches.
func (p *program) logger(level slog.Level) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	if p.terminal(p.err) {
		return slog.New(slog.NewTextHandler(p.err, o))
	}
	return slog.New(slog.NewJSONHandler(p.err, o))
}

// terminal tells whether a person watches w.
func (p *program) terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

func (p *program) printf(format string, args ...any) { _, _ = fmt.Fprintf(p.out, format, args...) }
func (p *program) tell(format string, args ...any)   { _, _ = fmt.Fprintf(p.err, format, args...) }

func now() time.Time { return time.Now() }
