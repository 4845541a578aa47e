package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"byrelog.example/migrations"
)

// WantVersion is the schema version that this program was built for: the highest
// number among its migrations.
func WantVersion() int64 {
	files, err := fs.Glob(migrations.FS, "*.sql")
	if err != nil { // only a malformed pattern can fail
		return 0
	}
	var v int64
	for _, f := range files {
		n, _, _ := strings.Cut(f, "_")
		if i, err := strconv.ParseInt(n, 10, 64); err == nil {
			v = max(v, i)
		}
	}
	return v
}

// SchemaVersion is the version of the database's schema; 0 when it has none.
func (db *DB) SchemaVersion(ctx context.Context) (int64, error) {
	var v int64
	err := db.health.tx(ctx, "schema version", uuid.Nil, func(ctx context.Context, tx pgx.Tx) (err error) {
		v, err = schemaVersion(ctx, tx)
		return err
	})
	return v, err
}

func schemaVersion(ctx context.Context, tx pgx.Tx) (int64, error) {
	var there, mine bool
	if err := tx.QueryRow(ctx, `select to_regclass('goose_db_version') is not null,
		coalesce(has_table_privilege(to_regclass('goose_db_version'), 'select'), false)`).Scan(&there, &mine); err != nil {
		return 0, err
	}
	if !there || !mine { // before, or in the middle of, the first migration
		return 0, nil
	}
	var v int64
	err := tx.QueryRow(ctx, `select coalesce(max(version_id), 0) from goose_db_version where is_applied`).Scan(&v)
	return v, err
}

// migrationLock bounds how long a migration step waits for a lock that readers
// hold, so that it never queues the whole service up behind itself.
const migrationLock = 2 * time.Second

// Migrate brings the schema of the database at ownerURL up to date, under a lock
// that lets one of several starters do it while the others wait. It takes the role
// byrelog_owner when the login may. Migrations are forward only. log may be nil.
//
// A step that cannot get its table lock within two seconds is rolled back and
// tried again, three times in all.
// Errors: ErrUnavailable, ErrSchema (roles missing; schema newer than the program
// is not an error).
func Migrate(ctx context.Context, ownerURL string, log *slog.Logger) error {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return migrateWith(ctx, ownerURL, log, migrations.FS, true)
}

// migrateWith lets a test take other files, or leave the lock away.
func migrateWith(ctx context.Context, ownerURL string, log *slog.Logger, files fs.FS, locked bool) error {
	const op = "migrate"
	cc, err := pgx.ParseConfig(ownerURL)
	if err != nil {
		return &Error{Kind: ErrInvalid, Op: "database URL", Err: errors.New("cannot be parsed")}
	}
	cc.ConnectTimeout = 5 * time.Second
	cc.RuntimeParams["application_name"] = "byrelog migrate"
	cc.RuntimeParams["lock_timeout"] = millis(migrationLock)
	cc.RuntimeParams["idle_in_transaction_session_timeout"] = millis(time.Minute)
	cc.RuntimeParams["statement_timeout"] = "0"
	conn := stdlib.OpenDB(*cc, stdlib.OptionAfterConnect(takeOwner))
	defer func() { _ = conn.Close() }()
	if err := rolesExist(ctx, conn); err != nil {
		return classify(op, err)
	}
	for try := 1; ; try++ {
		err := migrate(ctx, conn, log, files, locked)
		if err == nil {
			return nil
		}
		var pg *pgconn.PgError
		if try == maxTries || !errors.As(err, &pg) || pg.Code != "55P03" {
			return classify(op, err)
		}
		log.WarnContext(ctx, "migration waits for a lock", slog.Int("try", try))
	}
}

func migrate(ctx context.Context, conn *sql.DB, log *slog.Logger, files fs.FS, locked bool) error {
	options := []goose.ProviderOption{goose.WithDisableGlobalRegistry(true), goose.WithSlog(log)}
	// The table-based lock works on any Postgres, distributed ones too, and its
	// lease ends by itself when the holder is killed.
	locker, err := lock.NewPostgresTableLocker(
		lock.WithTableLeaseDuration(15*time.Second),
		lock.WithTableHeartbeatInterval(3*time.Second),
		lock.WithTableLockTimeout(250*time.Millisecond, 1200),
		lock.WithTableUnlockTimeout(250*time.Millisecond, 40),
		lock.WithTableLogger(log),
	)
	if err != nil {
		return err
	}
	if locked {
		options = append(options, goose.WithLocker(locker))
	}
	p, err := goose.NewProvider(goose.DialectPostgres, conn, files, options...)
	if err != nil {
		return err
	}
	done, err := p.Up(ctx)
	for _, r := range done {
		log.InfoContext(ctx, "migrated", slog.Int64("version", r.Source.Version), slog.Duration("took", r.Duration))
	}
	return err
}

// takeOwner makes the tables belong to byrelog_owner also when somebody else logs in.
func takeOwner(ctx context.Context, conn *pgx.Conn) error {
	var may bool
	err := conn.QueryRow(ctx, `select exists (select from pg_roles where rolname = $1 and pg_has_role(current_user, oid, 'member'))`,
		roleOwner).Scan(&may)
	if err != nil || !may {
		return err
	}
	_, err = conn.Exec(ctx, "set role "+roleOwner)
	return err
}

// VersionAt is SchemaVersion for whoever migrates: it needs no role but that of the
// URL, so it works with the owner's, who may not take the roles of the service.
func VersionAt(ctx context.Context, ownerURL string) (int64, error) {
	var v int64
	err := ownerTx(ctx, "schema version", ownerURL, func(ctx context.Context, tx pgx.Tx) (err error) {
		v, err = schemaVersion(ctx, tx)
		return err
	})
	return v, err
}

// NewEpoch is BumpEpoch for whoever restores: see VersionAt.
func NewEpoch(ctx context.Context, ownerURL string, at time.Time) (int64, error) {
	var n int64
	err := ownerTx(ctx, "new epoch", ownerURL, func(ctx context.Context, tx pgx.Tx) (err error) {
		n, err = bumpEpoch(ctx, tx, at)
		return err
	})
	return n, err
}

// ownerTx runs one transaction over a connection of its own as the owner.
func ownerTx(ctx context.Context, op, ownerURL string, fn func(context.Context, pgx.Tx) error) error {
	cc, err := pgx.ParseConfig(ownerURL)
	if err != nil {
		return &Error{Kind: ErrInvalid, Op: "database URL", Err: errors.New("cannot be parsed")}
	}
	ctx, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	cc.ConnectTimeout = 5 * time.Second
	cc.RuntimeParams["application_name"] = "byrelog " + op
	cc.RuntimeParams["statement_timeout"] = millis(5 * time.Second)
	cc.RuntimeParams["lock_timeout"] = millis(time.Second)
	conn, err := pgx.ConnectConfig(ctx, cc)
	if err != nil {
		return &Error{Kind: ErrUnavailable, Op: op, Err: unparsed(err)}
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if err := takeOwner(ctx, conn); err != nil {
		return classify(op, err)
	}
	tx, err := conn.Begin(ctx)
	if err != nil {
		return classify(op, err)
	}
	if err := fn(ctx, tx); err != nil {
		return classify(op, errors.Join(err, tx.Rollback(context.WithoutCancel(ctx))))
	}
	if err := tx.Commit(ctx); err != nil {
		return classify(op, commitError(err))
	}
	return nil
}

// rolesExist says clearly what is missing before the first GRANT fails.
func rolesExist(ctx context.Context, conn *sql.DB) error {
	var n int
	err := conn.QueryRowContext(ctx, `select count(*) from pg_roles
		where rolname in ('byrelog_owner', 'byrelog_reader', 'byrelog_writer', 'byrelog_registry', 'byrelog_backup', 'byrelog_app')`).Scan(&n)
	if err != nil {
		return err
	}
	if n < 6 {
		return fail(ErrSchema, "the database roles are missing: an administrator runs migrations/roles.sql once")
	}
	return nil
}

// Provision prepares a server of our own: it creates the roles and, where it does
// not exist, the database, owned by byrelog_owner. adminURL is a superuser on any
// database of the server. Safe to call again. The name of the database is letters,
// digits and underscores.
func Provision(ctx context.Context, adminURL, database string) error {
	const op = "provision"
	if database == "" || strings.Trim(database, "abcdefghijklmnopqrstuvwxyz0123456789_") != "" {
		return &Error{Kind: ErrInvalid, Op: op, Err: errors.New("database name: lower case letters, digits and _ only")}
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, adminURL)
	if err != nil {
		return &Error{Kind: ErrUnavailable, Op: op, Err: unparsed(err)}
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, migrations.Roles); err != nil {
		return classify(op, fmt.Errorf("roles: %w", err))
	}
	var there bool
	if err := conn.QueryRow(ctx, `select exists (select from pg_database where datname = $1)`, database).Scan(&there); err != nil {
		return classify(op, err)
	}
	if there {
		return nil
	}
	_, err = conn.Exec(ctx, "create database "+pgx.Identifier{database}.Sanitize()+" owner "+roleOwner+" encoding 'UTF8' template template0")
	var pg *pgconn.PgError
	if errors.As(err, &pg) && (pg.Code == "42P04" || pg.Code == "23505") { // somebody else was quicker
		return nil
	}
	return classify(op, err)
}
