package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// minServer is the oldest server version that is served (15.0).
const minServer = 150000

// The roles that connections take; migrations/roles.sql creates them.
const (
	roleOwner    = "byrelog_owner"
	roleReader   = "byrelog_reader"
	roleWriter   = "byrelog_writer"
	roleRegistry = "byrelog_registry"
)

// Config says how to reach the database. Only URL is required.
type Config struct {
	// URL of the database, as libpq understands it. Its role is byrelog_app, or
	// any that may SET ROLE to the three roles of the service.
	URL string
	// Pool sizes; 0 means 10 readers, 16 writers, 4 importers, 3 registrars. One
	// more connection is kept for health. The sum plus 5 must stay below the
	// server's max_connections.
	Readers, Writers, Importers, Registrars int32
	// Timeouts; a zero field means its default.
	Timeouts Timeouts
	// AllowUnsafe accepts a server with fsync, full_page_writes or
	// synchronous_commit off, which loses acknowledged events in a crash. For tests.
	AllowUnsafe bool
	// Log takes warnings about the server; nil discards them.
	Log *slog.Logger
}

// Timeouts bound every call. Their order matters: lock < statement < call.
type Timeouts struct {
	Acquire, ImportAcquire     time.Duration // wait for a connection: 2 s, 5 s
	Call, ImportCall           time.Duration // a whole call: 8 s, 20 s
	Statement, ImportStatement time.Duration // statement_timeout: 5 s, 15 s
	Lock, ImportLock           time.Duration // lock_timeout: 1 s, 5 s
	Idle, ImportIdle           time.Duration // idle_in_transaction_session_timeout: 10 s, 30 s
}

func (t Timeouts) withDefaults() Timeouts {
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&t.Acquire, 2 * time.Second},
		{&t.ImportAcquire, 5 * time.Second},
		{&t.Call, 8 * time.Second},
		{&t.ImportCall, 20 * time.Second},
		{&t.Statement, 5 * time.Second},
		{&t.ImportStatement, 15 * time.Second},
		{&t.Lock, time.Second},
		{&t.ImportLock, 5 * time.Second},
		{&t.Idle, 10 * time.Second},
		{&t.ImportIdle, 30 * time.Second},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
	return t
}

// DB is an open store.
type DB struct {
	reader, writer, importer, registry, health *pool
	log                                        *slog.Logger
}

// Open connects, checks that the server is one that keeps what it acknowledges,
// and returns the store. It does not migrate and does not refuse a schema that is
// out of date; Ready does. The caller closes the store.
//
// Errors: ErrUnavailable (no server), ErrUnsafe (settings), ErrSchema (the server
// is too old, or the roles are missing or not granted).
func Open(ctx context.Context, c Config) (*DB, error) {
	t := c.Timeouts.withDefaults()
	db := &DB{log: c.Log}
	if db.log == nil {
		db.log = slog.New(slog.DiscardHandler)
	}
	api := limits{acquire: t.Acquire, call: t.Call, statement: t.Statement, lock: t.Lock, idle: t.Idle}
	imp := limits{acquire: t.ImportAcquire, call: t.ImportCall, statement: t.ImportStatement, lock: t.ImportLock, idle: t.ImportIdle}
	health := api
	health.acquire, health.call = min(api.acquire, time.Second), min(api.call, 3*time.Second)
	for _, s := range []struct {
		to       **pool
		name     string
		role     string
		size     int32
		fallback int32
		limits   limits
	}{
		{&db.reader, "reader", roleReader, c.Readers, 10, api},
		{&db.writer, "writer", roleWriter, c.Writers, 16, api},
		{&db.importer, "import", roleWriter, c.Importers, 4, imp},
		{&db.registry, "registry", roleRegistry, c.Registrars, 3, api},
		{&db.health, "health", roleReader, 1, 1, health},
	} {
		if s.size == 0 {
			s.size = s.fallback
		}
		p, err := newPool(ctx, c.URL, s.name, s.role, s.size, s.limits)
		if err != nil {
			db.Close()
			return nil, err
		}
		*s.to = p
	}
	if err := db.check(ctx, c.AllowUnsafe); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
}

// limits are the timeouts of one pool.
type limits struct{ acquire, call, statement, lock, idle time.Duration }

func newPool(ctx context.Context, url, name, role string, size int32, l limits) (*pool, error) {
	pc, err := pgxpool.ParseConfig(url)
	if err != nil {
		// The driver's text repeats the URL, which may hold a password.
		return nil, &Error{Kind: ErrInvalid, Op: "database URL", Err: errors.New("cannot be parsed")}
	}
	pc.MaxConns = size
	pc.MinConns = 0
	pc.MaxConnIdleTime = 5 * time.Minute
	pc.MaxConnLifetime = time.Hour
	pc.MaxConnLifetimeJitter = 10 * time.Minute
	cc := pc.ConnConfig
	cc.ConnectTimeout = 5 * time.Second
	cc.DialFunc = (&net.Dialer{Timeout: 5 * time.Second, KeepAlive: 30 * time.Second}).DialContext
	for k, v := range map[string]string{
		"application_name":                    "byrelog " + name,
		"statement_timeout":                   millis(l.statement),
		"lock_timeout":                        millis(l.lock),
		"idle_in_transaction_session_timeout": millis(l.idle),
		"timezone":                            "UTC",
		"datestyle":                           "ISO",
	} {
		cc.RuntimeParams[k] = v
	}
	if role == roleWriter {
		// What is written is found by its keys, whatever the values: to plan it anew for
		// them costs more than half of what it does (measured, AppendTogether).
		cc.RuntimeParams["plan_cache_mode"] = "force_generic_plan"
	}
	pc.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		// role is one of the constants above. Server 17 can bound a whole transaction too.
		sql := "set role " + role
		if major(conn) >= 17 {
			sql += "; set transaction_timeout = " + millis(l.call+5*time.Second)
		}
		if _, err := conn.Exec(ctx, sql); err != nil {
			var pg *pgconn.PgError
			if errors.As(err, &pg) && (pg.Code == "22023" || pg.Code == "42501" || pg.Code == "42704") {
				return &Error{
					Kind: ErrSchema, Op: "take role " + role,
					Err: fmt.Errorf("%w (an administrator runs migrations/roles.sql once)", &pgFailure{pg}),
				}
			}
			return err
		}
		return nil
	}
	p, err := pgxpool.NewWithConfig(ctx, pc)
	if err != nil {
		return nil, &Error{Kind: ErrUnavailable, Op: "open " + name + " pool", Err: err}
	}
	return &pool{
		Pool: p, name: name, acquire: l.acquire, deadline: l.call,
		readOnly: role == roleReader,
	}, nil
}

func millis(d time.Duration) string { return strconv.FormatInt(max(1, d.Milliseconds()), 10) }

// major is the server's main version, from the greeting ("15.8 (Debian …)").
func major(conn *pgx.Conn) int {
	v := conn.PgConn().ParameterStatus("server_version")
	end := 0
	for end < len(v) && v[end] >= '0' && v[end] <= '9' {
		end++
	}
	n, _ := strconv.Atoi(v[:end])
	return n
}

// check refuses a server that may lose what it has acknowledged.
func (db *DB) check(ctx context.Context, allowUnsafe bool) error {
	// Asked as the writer: synchronous_commit can be set per role.
	return db.writer.tx(ctx, "check server settings", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		var version int
		var fsync, pages, sync, sums string
		err := tx.QueryRow(ctx, `select current_setting('server_version_num')::int, current_setting('fsync'),
			current_setting('full_page_writes'), current_setting('synchronous_commit'), current_setting('data_checksums')`).
			Scan(&version, &fsync, &pages, &sync, &sums)
		if err != nil {
			return err
		}
		if version < minServer {
			return fail(ErrSchema, "server version %d, at least %d is needed", version/10000, minServer/10000)
		}
		for _, s := range []struct{ name, value string }{
			{"fsync", fsync}, {"full_page_writes", pages}, {"synchronous_commit", sync},
		} {
			if s.value != "off" {
				continue
			}
			if !allowUnsafe {
				return fail(ErrUnsafe, "%s is off: acknowledged events would be lost in a crash; switch it on", s.name)
			}
			db.log.WarnContext(ctx, "server setting can lose acknowledged events", slog.String("setting", s.name))
		}
		if sums != "on" {
			db.log.WarnContext(ctx, "the database cluster has no data checksums: a damaged page would go unnoticed")
		}
		return nil
	})
}

// Close closes every connection and waits for those in use.
func (db *DB) Close() {
	for _, p := range db.pools() {
		p.Close()
	}
}

func (db *DB) pools() []*pool {
	var ps []*pool
	for _, p := range []*pool{db.reader, db.writer, db.importer, db.registry, db.health} {
		if p != nil {
			ps = append(ps, p)
		}
	}
	return ps
}

// Ready answers nil when an append could succeed: a connection within a second, a
// schema that this program knows, and a server that is not in recovery.
// Errors: ErrUnavailable, ErrSchema.
func (db *DB) Ready(ctx context.Context) error {
	return db.health.tx(ctx, "readiness", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		var recovering bool
		if err := tx.QueryRow(ctx, `select pg_is_in_recovery()`).Scan(&recovering); err != nil {
			return err
		}
		if recovering {
			return fail(ErrUnavailable, "the server is in recovery")
		}
		v, err := schemaVersion(ctx, tx)
		if err != nil {
			return err
		}
		// A newer schema is fine: every migration leaves the previous release working.
		if want := WantVersion(); v < want {
			return fail(ErrSchema, "schema version %d, this program needs %d: run byrelog migrate", v, want)
		}
		return nil
	})
}

// PoolStat is the state of one pool, for metrics. AcquireWait is the sum of all
// waits so far: a rate above 1 means that somebody is always queueing.
type PoolStat struct {
	Name                 string
	Max, InUse, Idle     int32
	Acquires, Empty      int64 // Empty: acquires that had to wait
	AcquireWait          time.Duration
	Canceled, Constructs int64
}

// Stats gives the state of every pool.
func (db *DB) Stats() []PoolStat {
	out := make([]PoolStat, 0, 5)
	for _, p := range db.pools() {
		s := p.Stat()
		out = append(out, PoolStat{
			Name: p.name, Max: s.MaxConns(), InUse: s.AcquiredConns(), Idle: s.IdleConns(),
			Acquires: s.AcquireCount(), Empty: s.EmptyAcquireCount(), AcquireWait: s.EmptyAcquireWaitTime(),
			Canceled: s.CanceledAcquireCount(), Constructs: s.NewConnsCount(),
		})
	}
	return out
}
