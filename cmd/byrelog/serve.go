package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"byrelog.example/internal/book"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/localpg"
	"byrelog.example/internal/store"
)

// serverFlags are what serve and demo share.
type serverFlags struct {
	listen, databaseURL, dataDir, logLevel string
	exchangeSource                         string
	migrate                                bool
	quiet                                  time.Duration // between "not ready" and "no new connections"; see httpapi.Config
	cacheMiB, importMiB                    int64
}

func (f *serverFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.listen, "listen", "127.0.0.1:8480", "address to listen on")
	cmd.Flags().StringVar(&f.dataDir, "data-dir", "", "folder of the private Postgres (default: a folder of your own)")
	cmd.Flags().StringVar(&f.logLevel, "log-level", "info", "debug, info, warn or error")
	cmd.Flags().Int64Var(&f.importMiB, "import-mib", 1024, "largest file that comes in, in MiB, as sent and as inflated; it takes room in Postgres while it is read")
	cmd.Flags().StringVar(&f.exchangeSource, "exchange-source", book.DefaultSource, "what the service is called in exchanges with others: a URI or reverse DNS name of yours, never to change")
	cmd.Flags().Int64Var(&f.cacheMiB, "cache-mib", 512, "memory for folded herds in MiB; below 0 keeps none")
}

func (f *serverFlags) level() (slog.Level, error) {
	var l slog.Level
	if err := l.UnmarshalText([]byte(f.logLevel)); err != nil {
		return l, usage("--log-level %s: it is debug, info, warn or error", f.logLevel)
	}
	return l, nil
}

// check looks at what would only be found out by others. A source goes into
// every log that takes from this service.
func (f *serverFlags) check() error {
	if s := f.exchangeSource; s == "" || len(s) > 64 || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return usage("--exchange-source %q: 1 to 64 characters of ASCII without a space, such as org.example.byrelog", s)
	}
	return nil
}

func (p *program) serveCommand() *cobra.Command {
	var f serverFlags
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the service",
		Long: `Run the service until it is told to stop (SIGINT or SIGTERM).

With --database-url it uses that Postgres (version 15 or later), whose schema
must fit: run byrelog migrate before, or start with --migrate. Without, it
starts a private Postgres from the server programs on this machine, in a folder
of your own, and keeps its schema up to date.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return p.serve(cmd.Context(), &f) },
	}
	f.add(cmd)
	cmd.Flags().StringVar(&f.databaseURL, "database-url", "", "Postgres to use instead of a private one")
	cmd.Flags().BoolVar(&f.migrate, "migrate", false, "bring the schema up to date first (the URL's login is a superuser, or a member of byrelog_owner and of byrelog_app's roles)")
	return cmd
}

func (p *program) serve(ctx context.Context, f *serverFlags) error {
	if f.importMiB < 1 || f.importMiB > 1<<20 {
		return usage("--import-mib %d: it is 1 to %d", f.importMiB, 1<<20)
	}
	if err := f.check(); err != nil {
		return err
	}
	level, err := f.level()
	if err != nil {
		return err
	}
	log := p.logger(level)
	s, err := p.open(ctx, f, log)
	if err != nil {
		return err
	}
	defer s.close()
	if s.private {
		if err := p.firstToken(ctx, s.book); err != nil {
			return err
		}
	}
	return s.run(ctx, nil)
}

// firstToken makes a new private service usable: somebody has to be able to
// register a herd.
func (p *program) firstToken(ctx context.Context, b *book.Book) error {
	tokens, err := b.Tokens(ctx)
	if err != nil || len(tokens) > 0 {
		return err
	}
	secret, _, err := b.CreateToken(ctx, book.TokenSpec{Name: "first administrator", Admin: true})
	if err != nil {
		return err
	}
	p.printf("This is the first start. The administrator's token, shown this once:\n\n    %s\n\n", secret)
	p.printf("Use it to register herds and issue narrower tokens:\n\n    export BYRELOG_TOKEN=%s\n    byrelog herd create HERD\n    byrelog token create office --grant HERD=read,record\n\n", secret)
	return nil
}

// service is a running byrelog with everything below it.
type service struct {
	private  bool // on a Postgres of its own
	pg       *localpg.Server
	db       *store.DB
	book     *book.Book
	server   *httpapi.Server
	listener net.Listener
	log      *slog.Logger
}

// open starts or finds the database and listens, but serves nothing yet.
func (p *program) open(ctx context.Context, f *serverFlags, log *slog.Logger) (_ *service, err error) {
	s := &service{log: log, private: f.databaseURL == ""}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	// First of all: a second start by mistake must not touch anything.
	if s.listener, err = (&net.ListenConfig{}).Listen(ctx, "tcp", f.listen); err != nil {
		return nil, fmt.Errorf("cannot listen on %s (is byrelog running already? --listen sets another address): %w", f.listen, err)
	}
	url := f.databaseURL
	switch {
	case s.private:
		if url, err = s.embed(ctx, f.dataDir); err != nil {
			return nil, err
		}
	case f.migrate:
		if err := store.Migrate(ctx, url, log); err != nil {
			return nil, err
		}
	}
	if s.db, err = store.Open(ctx, store.Config{URL: url, Log: log}); err != nil {
		return nil, err
	}
	if s.private || f.migrate {
		if err := s.db.Ready(ctx); err != nil {
			return nil, err
		}
	}
	cache := f.cacheMiB << 20
	if cache == 0 {
		cache = -1
	}
	s.book = book.New(s.db, book.Options{Log: log, CacheSize: cache, Alone: s.private, Source: f.exchangeSource})
	s.server, err = httpapi.New(s.book, httpapi.Config{Log: log, Ready: s.db.Ready, Quiet: f.quiet, ImportBytes: f.importMiB << 20})
	return s, err
}

// embed starts the private Postgres and brings its schema up to date.
func (s *service) embed(ctx context.Context, dir string) (url string, err error) {
	if dir == "" {
		if dir, err = localpg.DefaultDir(); err != nil {
			return "", err
		}
	}
	if s.pg, err = localpg.Start(ctx, localpg.Config{Dir: dir, Log: s.log}); err != nil {
		return "", err
	}
	const name = "byrelog"
	if err := store.Provision(ctx, s.pg.AdminURL("postgres"), name); err != nil {
		return "", err
	}
	if err := store.Migrate(ctx, s.pg.OwnerURL(name), s.log); err != nil {
		return "", err
	}
	return s.pg.AppURL(name), nil
}

// run serves until ctx ends, then lets requests end and stops. ready is called
// once the service answers; it may be nil.
func (s *service) run(ctx context.Context, ready func(base string)) error {
	if err := s.db.Ready(ctx); err != nil {
		// A shared database may be migrated while we wait: readiness says so.
		s.log.WarnContext(ctx, "the database is not ready yet", slog.Any("error", err))
	} else if err := s.book.Resume(ctx); err != nil {
		return err
	}
	guard.Go("cmd.tidy", func() error { s.book.Tidy(ctx); return nil }, func(err error) {
		if err != nil {
			s.log.ErrorContext(ctx, "old idempotency keys are not removed any more", slog.Any("error", err))
		}
	})
	done := make(chan error, 1)
	guard.Go("cmd.serve", func() error { return s.server.Serve(ctx, s.listener) }, func(err error) { done <- err })
	s.log.InfoContext(ctx, "byrelog serves", slog.String("address", s.listener.Addr().String()), slog.String("version", version()))
	if ready != nil {
		ready("http://" + s.listener.Addr().String())
	}
	return <-done
}

// close stops what was started, in the reverse order.
func (s *service) close() {
	if s.listener != nil {
		_ = s.listener.Close() // the server may have closed it
	}
	if s.book != nil {
		s.book.Close()
	}
	if s.db != nil {
		s.db.Close()
	}
	if s.pg != nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := s.pg.Stop(ctx); err != nil {
			s.log.Error("the private Postgres did not stop", slog.Any("error", err))
		}
	}
}

func (p *program) migrateCommand() *cobra.Command {
	var f serverFlags
	var newEpoch bool
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the schema of a Postgres up to date",
		Long: `Bring the schema of a Postgres up to date. The URL's role must own the schema
(migrations/roles.sql makes the roles).

After the database was restored from a backup, run it with --new-epoch: readers
that had seen more than the backup holds are then told to read again.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if f.databaseURL == "" {
				return usage("migrate needs --database-url; the private Postgres is migrated by serve and demo")
			}
			return p.migrateSchema(cmd.Context(), f.databaseURL, newEpoch)
		},
	}
	cmd.Flags().StringVar(&f.databaseURL, "database-url", "", "Postgres, as the role that owns the schema")
	cmd.Flags().BoolVar(&newEpoch, "new-epoch", false, "the database was restored from a backup")
	return cmd
}

func (p *program) migrateSchema(ctx context.Context, url string, newEpoch bool) error {
	if err := store.Migrate(ctx, url, p.logger(slog.LevelInfo)); err != nil {
		return err
	}
	v, err := store.VersionAt(ctx, url)
	if err != nil {
		return err
	}
	p.printf("The schema is at version %d.\n", v)
	if !newEpoch {
		return nil
	}
	epoch, err := store.NewEpoch(ctx, url, now().UTC())
	if err != nil {
		return err
	}
	p.printf("The log is in epoch %d: readers with cursors of an earlier one will read again.\n", epoch)
	return nil
}
