// Package pgtest gives each test a database of its own on a real Postgres.
//
// The server is started once in a test process and goes away with it, also when
// the process is killed:
//
//   - BYRELOG_TEST_DATABASE_URL, if set, names a server by a superuser's URL;
//   - else a container of the postgres image, if a container engine answers;
//   - else a private cluster from the server binaries of this machine.
//
// On it a template database is migrated once, and each test gets a clone of it.
// Every server but one that was named runs without fsync. Only tests may import
// this package.
package pgtest

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"byrelog.example/internal/localpg"
	"byrelog.example/internal/store"
	"byrelog.example/migrations"
)

// EnvURL is the variable that names a server for the tests.
const EnvURL = "BYRELOG_TEST_DATABASE_URL"

// server is where the databases of this process are made.
type server struct {
	kind     string // for the log of the tests
	admin    string // superuser's URL of any database
	roles    bool   // the service's own roles can log in without a password
	template string
	db       *sql.DB
}

// The one server of the process.
var shared = sync.OnceValues(start)

// DB makes an empty migrated database and removes it at the end of the test. It
// gives the URL of a role that may migrate and of the role that the service uses.
func DB(t testing.TB) (ownerURL, appURL string) {
	t.Helper()
	s, err := shared()
	if err != nil {
		t.Fatalf("database for tests: %v", err)
	}
	name := dbPrefix + strconv.FormatInt(time.Now().Unix(), 10) + "_" + random()
	if err := s.exec(30*time.Second, "create database "+name+" template "+s.template+" owner byrelog_owner"); err != nil {
		t.Fatalf("database for tests: %v", err)
	}
	t.Cleanup(func() {
		if err := s.exec(30*time.Second, "drop database "+name+" with (force)"); err != nil {
			t.Errorf("database for tests: %v", err)
		}
	})
	t.Logf("database %s on %s", name, s.kind)
	return s.url("byrelog_owner", name), s.url("byrelog_app", name)
}

// AdminURL gives the superuser's URL of the database that ownerURL names, for what
// no role of the service may do.
func AdminURL(t testing.TB, ownerURL string) string {
	t.Helper()
	s, err := shared()
	if err != nil {
		t.Fatalf("database for tests: %v", err)
	}
	u, err := url.Parse(ownerURL)
	if err != nil {
		t.Fatalf("database for tests: %v", err)
	}
	return s.url("", strings.TrimPrefix(u.Path, "/"))
}

// patient are timeouts for a machine that has many tests to run at once: what is
// tried with them is the log and not how quick the machine is.
var patient = store.Timeouts{
	Acquire: 30 * time.Second, ImportAcquire: 30 * time.Second, Lock: 10 * time.Second, ImportLock: 20 * time.Second,
	Statement: 30 * time.Second, ImportStatement: 40 * time.Second, Call: 40 * time.Second, ImportCall: time.Minute,
}

// Open opens a store on a database of its own and closes it at the end of the test.
func Open(t testing.TB) *store.DB {
	t.Helper()
	_, app := DB(t)
	db, err := store.Open(t.Context(), store.Config{URL: app, AllowUnsafe: true, Timeouts: patient})
	if err != nil {
		t.Fatalf("open store: %v", err)
	}
	t.Cleanup(db.Close)
	return db
}

const (
	dbPrefix       = "byrelog_test_"
	templatePrefix = "byrelog_template_"
)

// start finds or starts the server and migrates its template.
func start() (*server, error) {
	// Binaries may have to be found, a cluster made, an image fetched.
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	s, err := choose(ctx)
	if err != nil {
		return nil, err
	}
	if s.db, err = sql.Open("pgx", s.admin); err != nil {
		return nil, err
	}
	if err := s.prepare(ctx); err != nil {
		return nil, fmt.Errorf("%s: %w", s.kind, err)
	}
	return s, nil
}

func choose(ctx context.Context) (*server, error) {
	if u := os.Getenv(EnvURL); u != "" {
		return &server{kind: "the server of " + EnvURL, admin: u}, nil
	}
	admin, noEngine := container(ctx)
	if noEngine == nil {
		return &server{kind: "a container", admin: admin}, nil
	}
	s, err := private(ctx)
	if err != nil {
		return nil, errors.Join(err, fmt.Errorf("container engine: %w", noEngine))
	}
	return s, nil
}

// private starts a cluster in a temporary folder. Nothing stops it here: its
// watchdog does when the process ends, and removes the folder.
func private(ctx context.Context) (*server, error) {
	const prefix = "byrelog-pgtest-"
	localpg.Sweep(ctx, os.TempDir(), prefix)
	dir, err := os.MkdirTemp("", prefix)
	if err != nil {
		return nil, err
	}
	pg, err := localpg.Start(ctx, localpg.Config{Dir: dir, Ephemeral: true, Unsafe: true, Settings: map[string]string{
		"max_connections": "200", "autovacuum": "off", "shared_buffers": "64MB", "max_wal_size": "4GB",
	}})
	if err != nil {
		_ = os.RemoveAll(dir)
		return nil, err
	}
	return &server{kind: fmt.Sprintf("a private cluster of version %d", pg.Version()), admin: pg.AdminURL("postgres"), roles: true}, nil
}

// prepare makes the template, unless another process has made the same one.
func (s *server) prepare(ctx context.Context) error {
	sum, err := schemaSum()
	if err != nil {
		return err
	}
	s.template = templatePrefix + sum
	// A server that was named may be shared by several test processes.
	conn, err := s.db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	if _, err := conn.ExecContext(ctx, `select pg_advisory_lock(7239846512)`); err != nil {
		return err
	}
	defer func() { _, _ = conn.ExecContext(ctx, `select pg_advisory_unlock(7239846512)`) }()
	if err := s.reap(ctx, conn); err != nil {
		return err
	}
	var there bool
	if err := conn.QueryRowContext(ctx, `select exists (select from pg_database where datname = $1)`, s.template).Scan(&there); err != nil || there {
		return err
	}
	// Made under another name, so that a template is never half migrated.
	fresh := dbPrefix + strconv.FormatInt(time.Now().Unix(), 10) + "_new_" + random()
	if err := store.Provision(ctx, s.admin, fresh); err != nil {
		return err
	}
	if err := store.Migrate(ctx, s.url("byrelog_owner", fresh), nil); err != nil {
		return err
	}
	_, err = conn.ExecContext(ctx, "alter database "+fresh+" rename to "+s.template)
	return err
}

// reap drops what killed test processes left on a server that outlives them:
// databases older than an hour that nobody is connected to.
func (s *server) reap(ctx context.Context, conn *sql.Conn) error {
	rows, err := conn.QueryContext(ctx, `select datname from pg_database d
		where datname like 'byrelog\_test\_%' and not exists (select from pg_stat_activity a where a.datname = d.datname)`)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	var old []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return err
		}
		stamp, _, _ := strings.Cut(strings.TrimPrefix(name, dbPrefix), "_")
		if at, err := strconv.ParseInt(stamp, 10, 64); err == nil && time.Since(time.Unix(at, 0)) > time.Hour {
			old = append(old, name)
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, name := range old {
		if _, err := conn.ExecContext(ctx, "drop database if exists "+name); err != nil {
			return err
		}
	}
	return nil
}

func (s *server) exec(limit time.Duration, query string) error {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	_, err := s.db.ExecContext(ctx, query)
	return err
}

// url is the admin's URL with another database and, where the server lets it log
// in, another role. The store takes the roles of the service in any case.
func (s *server) url(role, database string) string {
	u, err := url.Parse(s.admin)
	if err != nil {
		return s.admin
	}
	u.Path = "/" + database
	if s.roles && role != "" {
		u.User = url.User(role)
	}
	return u.String()
}

// schemaSum names the schema that the migrations make.
func schemaSum() (string, error) {
	files, err := fs.Glob(migrations.FS, "*.sql")
	if err != nil {
		return "", err
	}
	slices.Sort(files)
	h := sha256.New()
	for _, f := range files {
		text, err := fs.ReadFile(migrations.FS, f)
		if err != nil {
			return "", err
		}
		_, _ = fmt.Fprintf(h, "%s %d\n%s", f, len(text), text)
	}
	_, _ = h.Write([]byte(migrations.Roles))
	return hex.EncodeToString(h.Sum(nil))[:12], nil
}

func random() string {
	var b [6]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}
