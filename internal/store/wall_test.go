package store_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// herdTables are the tables that belong to a herd; reference are those that do not.
var (
	herdTables = []string{"actors", "erasures", "events", "heads", "idempotency_keys", "import_rejects", "import_staging", "imports", "notes", "policies", "snapshots"}
	reference  = []string{"file_imports", "file_rejects", "grants", "herds", "log_epoch", "mappings", "tokens"}
	library    = []string{"goose_db_version", "goose_lock"} // the migration library's own
)

// as opens a connection that has taken a role.
func as(t testing.TB, url, role string) *sql.Conn {
	t.Helper()
	conn, err := sqlDB(t, url).Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	if role != "" {
		if _, err := conn.ExecContext(t.Context(), "set role "+role); err != nil {
			t.Fatal(err)
		}
	}
	return conn
}

func count(t testing.TB, conn *sql.Conn, query string, args ...any) int {
	t.Helper()
	var n int
	if err := conn.QueryRowContext(t.Context(), query, args...).Scan(&n); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return n
}

func sqlState(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}

// The reader sees the herd that is set and no other, in every table of a herd.
func TestWall(t *testing.T) {
	t.Parallel()
	owner, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	var ids []uuid.UUID
	for _, name := range []string{"wall-a", "wall-b"} {
		id := herd(t, db, name)
		ids = append(ids, id)
		fill(t, db, id)
	}
	admin := as(t, pgtest.AdminURL(t, owner), "")
	reader := as(t, app, "byrelog_reader")
	set := func(v string) {
		t.Helper()
		if _, err := reader.ExecContext(t.Context(), `select set_config('app.herd', $1, false)`, v); err != nil {
			t.Fatal(err)
		}
	}
	for _, table := range herdTables {
		for _, id := range ids { // else an empty table would pass
			if n := count(t, admin, "select count(*) from "+table+" where herd_id = $1", id); n == 0 {
				t.Fatalf("%s has no row of herd %s", table, id)
			}
		}
		if n := count(t, reader, "select count(*) from "+table); n != 0 {
			t.Errorf("%s: %d rows without a herd", table, n)
		}
		set(ids[0].String())
		if n := count(t, reader, "select count(*) from "+table+" where herd_id <> $1", ids[0]); n != 0 {
			t.Errorf("%s: %d rows of another herd", table, n)
		}
		if n := count(t, reader, "select count(*) from "+table); n == 0 {
			t.Errorf("%s: no row of its own herd", table)
		}
		set("")
		if n := count(t, reader, "select count(*) from "+table); n != 0 {
			t.Errorf("%s: %d rows with an empty herd", table, n)
		}
		// Control: without the policy this test would see the other herd.
		for _, ddl := range []string{"disable", "enable"} {
			if _, err := admin.ExecContext(t.Context(), "alter table "+table+" "+ddl+" row level security"); err != nil {
				t.Fatal(err)
			}
			if n := count(t, reader, "select count(*) from "+table); (n > 0) != (ddl == "disable") {
				t.Errorf("control: %s: %d rows with row-level security %sd", table, n, ddl)
			}
		}
	}
}

// fill puts a row of the herd into every table of a herd.
func fill(t testing.TB, db *store.DB, id uuid.UUID) {
	t.Helper()
	ctx := t.Context()
	rows := add(t, db, id, 7)
	job := store.Import{Herd: id, ID: uuid.New(), Owner: "t", CreatedAt: start, UpdatedAt: start}
	_, err := db.Append(ctx, id, store.API, func(h store.Head) (store.Batch, error) {
		return store.Batch{Rows: follow(h, 1), Idempotency: []store.IdempotencyRecord{{Owner: "t", Operation: "append", Key: "k", Status: 200, CreatedAt: start}}}, nil
	})
	for _, err := range []error{
		err,
		db.PutActor(ctx, id, "T1", "Somebody"),
		db.EraseNote(ctx, id, rows[0].ID, "t", start),
		db.PutPolicy(ctx, id, store.Policy{From: 20000, Doc: []byte(`{"vwp":50}`), ChangedAt: start, By: "t"}),
		db.CreateImport(ctx, job),
		db.StageChunk(ctx, id, job.ID, 0, []byte("a;b")),
		db.KeepSnapshot(ctx, id, store.Snapshot{Format: "1", Epoch: 1, Seq: 7, Bytes: []byte{1}}),
		db.AddRejects(ctx, id, job.ID, []store.Reject{{Line: 2, Row: "x", Errors: []byte(`[]`)}}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// What each role may do to each table, whole or in some columns. All that is not
// listed is refused; nobody may change or remove an event.
func TestPrivileges(t *testing.T) {
	t.Parallel()
	owner, _ := pgtest.DB(t)
	admin := as(t, pgtest.AdminURL(t, owner), "")
	want := map[string]string{
		"byrelog_reader actors":           "SELECT",
		"byrelog_reader erasures":         "SELECT",
		"byrelog_reader events":           "SELECT",
		"byrelog_reader goose_db_version": "SELECT",
		"byrelog_reader heads":            "SELECT",
		"byrelog_reader idempotency_keys": "SELECT",
		"byrelog_reader import_rejects":   "SELECT",
		"byrelog_reader import_staging":   "SELECT",
		"byrelog_reader imports":          "SELECT",
		"byrelog_reader notes":            "SELECT",
		"byrelog_reader policies":         "SELECT",
		"byrelog_reader snapshots":        "SELECT",
		"byrelog_reader log_epoch":        "SELECT",

		"byrelog_writer actors":           "INSERT SELECT(herd_id,code) UPDATE(name)",
		"byrelog_writer erasures":         "INSERT",
		"byrelog_writer events":           "INSERT",
		"byrelog_writer file_imports":     "INSERT SELECT",
		"byrelog_writer file_rejects":     "INSERT SELECT",
		"byrelog_writer goose_db_version": "SELECT",
		"byrelog_writer heads":            "SELECT UPDATE(seq,hash,recorded_at)",
		"byrelog_writer idempotency_keys": "DELETE INSERT SELECT(herd_id,owner,operation,key,created_at)",
		"byrelog_writer import_rejects":   "INSERT SELECT(herd_id,import_id,line)",
		"byrelog_writer import_staging":   "DELETE INSERT SELECT(herd_id,import_id,chunk)",
		"byrelog_writer imports":          "INSERT SELECT UPDATE",
		"byrelog_writer notes":            "INSERT SELECT(herd_id,event_id,erased_at) UPDATE(salt,body,erased_at)",
		"byrelog_writer policies":         "INSERT",
		"byrelog_writer snapshots":        "DELETE INSERT SELECT(herd_id,format,epoch,seq) UPDATE",

		"byrelog_registry goose_db_version": "SELECT",
		"byrelog_registry grants":           "INSERT SELECT",
		"byrelog_registry heads":            "INSERT SELECT",
		"byrelog_registry herds":            "INSERT SELECT UPDATE(title,zone)",
		"byrelog_registry log_epoch":        "SELECT UPDATE(epoch,changed_at)",
		"byrelog_registry mappings":         "INSERT SELECT",
		"byrelog_registry tokens":           "INSERT SELECT UPDATE(revoked_at,last_used_at)",
	}
	for _, table := range slices.Concat(herdTables, reference, []string{"goose_db_version"}) {
		want["byrelog_backup "+table] = "SELECT"
	}
	want["byrelog_backup goose_db_version_id_seq"] = "SELECT"
	rows, err := admin.QueryContext(t.Context(), `
		select r.rolname || ' ' || c.relname, string_agg(p.what, ' ' order by p.what)
		from pg_class c
		join pg_namespace n on n.oid = c.relnamespace and n.nspname = 'public'
		cross join (select rolname, oid from pg_roles where rolname in ('byrelog_reader', 'byrelog_writer', 'byrelog_registry', 'byrelog_backup', 'byrelog_app')
			union all select 'public', 0) r
		cross join lateral (
			select x.privilege_type as what from aclexplode(c.relacl) x where x.grantee = r.oid
			union all
			select x.privilege_type || '(' || string_agg(a.attname, ',' order by a.attnum) || ')'
			from pg_attribute a cross join lateral aclexplode(a.attacl) x
			where a.attrelid = c.oid and x.grantee = r.oid group by x.privilege_type
		) p
		group by 1 order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = rows.Close() }()
	got := map[string]string{}
	for rows.Next() {
		var k, v string
		if err := rows.Scan(&k, &v); err != nil {
			t.Fatal(err)
		}
		got[k] = v
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	for k, v := range want {
		if got[k] != v {
			t.Errorf("%s: %q, want %q", k, got[k], v)
		}
	}
	for k, v := range got {
		if want[k] == "" {
			t.Errorf("%s: %q, want nothing", k, v)
		}
	}
	var attributes string
	if err := admin.QueryRowContext(t.Context(), `select string_agg(concat_ws(' ', rolname, case when rolcanlogin then 'login' end, case when rolbypassrls then 'bypass' end,
			case when rolinherit then 'inherit' end, case when rolsuper or rolcreatedb or rolcreaterole or rolreplication then 'MIGHTY' end), ', ' order by rolname)
		from pg_roles where rolname like 'byrelog\_%'`).Scan(&attributes); err != nil {
		t.Fatal(err)
	}
	if w := "byrelog_app login, byrelog_backup bypass inherit, byrelog_owner login inherit, byrelog_reader inherit, byrelog_registry inherit, byrelog_writer bypass inherit"; attributes != w {
		t.Errorf("roles: %s\nwant:  %s", attributes, w)
	}
}

// The same, tried out: what must be refused is refused.
func TestRefusedByRole(t *testing.T) {
	t.Parallel()
	owner, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	id := herd(t, db, "roles")
	fill(t, db, id)
	for role, statements := range map[string][]string{
		"byrelog_reader": {
			"insert into notes select * from notes", "update heads set seq = 0", "delete from events", "truncate events",
			"select * from herds", "select * from tokens", "create table public.x (a text)",
		},
		"byrelog_writer": {
			"select * from events", "select bytes from events limit 1", "select count(*) from events", "update events set kind = 'x'",
			"delete from events", "truncate events", "select body from notes", "delete from notes", "update heads set herd_id = null",
			"delete from heads", "select doc from policies", "select bytes from import_staging", "select body from idempotency_keys",
			"select * from tokens", "update policies set doc = null", "insert into events select * from events", "create table public.x (a text)",
			"alter table events disable row level security", "drop policy events_herd on events",
		},
		"byrelog_registry": {
			"select * from events", "select * from notes", "select * from imports", "update heads set seq = 0", "delete from tokens",
			"update tokens set hash = hash", "update tokens set expires_at = null", "delete from herds", "update herds set name = 'x'",
			"insert into heads select herd_id, 5, hash, recorded_at from heads",
		},
		"byrelog_backup": {"insert into notes select * from notes", "delete from events", "update heads set seq = 0"},
	} {
		conn := as(t, pgtest.AdminURL(t, owner), role)
		for _, s := range statements {
			if _, err := conn.ExecContext(t.Context(), s); sqlState(err) != "42501" {
				t.Errorf("%s: %s: %v, want insufficient privilege", role, s, err)
			}
		}
	}
	// The login role has nothing of its own.
	if conn := as(t, app, ""); loginIs(t, conn, "byrelog_app") {
		for _, table := range slices.Concat(herdTables, reference) {
			if _, err := conn.ExecContext(t.Context(), "select * from "+table); sqlState(err) != "42501" {
				t.Errorf("byrelog_app: select from %s: %v", table, err)
			}
		}
		if _, err := conn.ExecContext(t.Context(), "set role byrelog_owner"); sqlState(err) != "42501" {
			t.Errorf("byrelog_app may become the owner: %v", err)
		}
	}
}

func loginIs(t testing.TB, conn *sql.Conn, role string) bool {
	t.Helper()
	return count(t, conn, "select count(*) where session_user = $1", role) == 1
}

// Many herds over few connections, with panics, cancels and rollbacks between:
// the herd of one transaction never shows in the next (T46).
func TestHerdDoesNotLeak(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app, Readers: 4, Timeouts: patient})
	var ids []uuid.UUID
	for i := range 20 {
		id := herd(t, db, fmt.Sprintf("leak-%d", i))
		add(t, db, id, 2)
		ids = append(ids, id)
	}
	var wg sync.WaitGroup
	for w := range 8 {
		wg.Go(func() {
			rnd := rand.New(rand.NewPCG(7, uint64(w)))
			for range 150 {
				id := ids[rnd.IntN(len(ids))]
				if rnd.IntN(10) == 0 {
					id = uuid.Nil
				}
				ctx, cancel := context.WithCancel(t.Context())
				func() {
					defer func() { _ = recover() }()
					_ = db.ReadTx(ctx, id, func(ctx context.Context, tx pgx.Tx) error {
						// No filter by herd: only the wall stands here.
						rows, err := tx.Query(ctx, `select distinct herd_id from events`)
						if err != nil {
							return err
						}
						seen, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
						if err != nil {
							return err
						}
						if id == uuid.Nil && len(seen) > 0 || id != uuid.Nil && (len(seen) != 1 || seen[0] != id) {
							t.Errorf("herd %s sees %v", id, seen)
						}
						switch rnd.IntN(8) {
						case 0:
							panic("in the transaction")
						case 1:
							cancel()
						case 2:
							return errors.New("roll back")
						case 3:
							_, err := tx.Exec(ctx, "select 1/0")
							return err
						}
						return nil
					})
				}()
				cancel()
			}
		})
	}
	wg.Wait()
	// Control: a setting that outlives its transaction would be seen.
	err := db.ReadTx(t.Context(), uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `select set_config('app.herd', $1, false)`, ids[0].String())
		if err != nil {
			return err
		}
		var n int
		if err := tx.QueryRow(ctx, `select count(*) from events`).Scan(&n); err != nil {
			return err
		}
		if n != 2 {
			t.Errorf("control: %d rows", n)
		}
		return errors.New("roll back")
	})
	if err == nil {
		t.Error("control: no error")
	}
}

// The rules of reliability.md 8.1 that keep the schema fit to be distributed by
// herd (T56), each with a table that breaks it.
func TestSchemaRules(t *testing.T) {
	t.Parallel()
	owner, _ := pgtest.DB(t)
	admin := as(t, pgtest.AdminURL(t, owner), "")
	if got := lint(t, admin); len(got) > 0 {
		t.Errorf("the schema breaks its rules:\n%s", strings.Join(got, "\n"))
	}
	const rls = `alter table bad enable row level security; alter table bad force row level security;
		create policy p on bad for select to byrelog_reader using (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);`
	for rule, ddl := range map[string]string{
		"no row-level security":             `create table bad (herd_id uuid primary key)`,
		"row-level security is not forced":  `create table bad (herd_id uuid primary key); alter table bad enable row level security; create policy p on bad for select to byrelog_reader using (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid)`,
		"policy of the reader":              `create table bad (herd_id uuid primary key); alter table bad enable row level security; alter table bad force row level security; create policy p on bad for select to byrelog_reader using (true)`,
		"no primary key":                    `create table bad (herd_id uuid not null);` + rls,
		"herd_id is not first in key":       `create table bad (a uuid, herd_id uuid, primary key (a, herd_id));` + rls,
		"herd_id is not first in foreign":   `create table bad (herd_id uuid primary key, token_id uuid references tokens);` + rls,
		"herd_id may be null":               `create table bad (herd_id uuid, a uuid primary key)`,
		"sequence":                          `create table bad (herd_id uuid, n bigserial, primary key (herd_id, n));` + rls,
		"identity":                          `create table bad (herd_id uuid, n bigint generated always as identity, primary key (herd_id, n));` + rls,
		"type":                              `create table bad (herd_id uuid primary key, r tsrange);` + rls,
		"deferrable":                        `create table bad (herd_id uuid, a text, primary key (herd_id, a) deferrable);` + rls,
		"exclusion":                         `create table bad (herd_id uuid primary key, exclude (herd_id with =));` + rls,
		"trigger":                           `create table bad (herd_id uuid primary key); create trigger bad before update on bad for each row execute function suppress_redundant_updates_trigger();` + rls,
		"function":                          `create function bad() returns bigint language sql security definer as 'select 1::bigint'`,
		"view":                              `create view bad as select 1 as one`,
		"neither of a herd nor a known ref": `create table bad (a uuid primary key)`,
		"index on events besides its two":   `create index bad on events (herd_id, animal)`,
	} {
		t.Run(rule, func(t *testing.T) {
			if _, err := admin.ExecContext(t.Context(), "begin; "+ddl); err != nil {
				t.Fatal(err)
			}
			got := lint(t, admin)
			if _, err := admin.ExecContext(t.Context(), "rollback"); err != nil {
				t.Fatal(err)
			}
			if !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, rule) }) {
				t.Errorf("control: not found; the complaints are %q", got)
			}
		})
	}
}

// lint reads the catalogue and lists what breaks the rules.
func lint(t testing.TB, conn *sql.Conn) []string {
	t.Helper()
	var out []string
	for _, check := range []struct{ query, complaint string }{
		{`select relname from mine where of_herd and not relrowsecurity`, "no row-level security"},
		{`select relname from mine where of_herd and not relforcerowsecurity`, "row-level security is not forced"},
		{`select relname from mine m where of_herd and (select count(*) from pg_policy p where p.polrelid = m.oid
				and 'byrelog_reader'::regrole = any (p.polroles) and p.polcmd = 'r'
				and pg_get_expr(p.polqual, p.polrelid) = '(herd_id = (NULLIF(current_setting(''app.herd''::text, true), ''''::text))::uuid)') <> 1
			or exists (select from pg_policy p where p.polrelid = m.oid and of_herd
				and ('byrelog_reader'::regrole = any (p.polroles) or 0 = any (p.polroles)) and p.polcmd <> 'r')`, "policy of the reader"},
		{`select relname from mine m where not exists (select from pg_constraint c where c.conrelid = m.oid and c.contype = 'p')`, "no primary key"},
		{`select relname || ' ' || i.indexrelid::regclass from mine m join pg_index i on i.indrelid = m.oid and i.indisunique
			where of_herd and (select attname from pg_attribute a where a.attrelid = m.oid and a.attnum = i.indkey[0]) <> 'herd_id'`, "herd_id is not first in key"},
		{`select relname || ' ' || c.conname from mine m join pg_constraint c on c.conrelid = m.oid and c.contype = 'f'
			where of_herd and (
				(select attname from pg_attribute a where a.attrelid = m.oid and a.attnum = c.conkey[1]) <> 'herd_id'
				or (select attname from pg_attribute a where a.attrelid = c.confrelid and a.attnum = c.confkey[1]) <> 'herd_id')`, "herd_id is not first in foreign"},
		{`select relname from mine m join pg_attribute a on a.attrelid = m.oid and a.attname = 'herd_id' where not a.attnotnull and relname <> 'grants'`, "herd_id may be null"},
		{`select c.relname from pg_class c join pg_namespace n on n.oid = c.relnamespace and n.nspname = 'public'
			where c.relkind = 'S' and c.relname not like 'goose\_%'`, "sequence"},
		{`select relname || '.' || attname from mine m join pg_attribute a on a.attrelid = m.oid and a.attidentity <> ''`, "identity"},
		{`select relname || '.' || attname || ' ' || format_type(atttypid, atttypmod) from mine m join pg_attribute a on a.attrelid = m.oid and a.attnum > 0 and not attisdropped
			where format_type(atttypid, atttypmod) not in ('uuid', 'bigint', 'text', 'bytea', 'timestamp with time zone', 'jsonb', 'boolean', 'date')`, "type"},
		{`select relname || ' ' || conname from mine m join pg_constraint c on c.conrelid = m.oid where c.condeferrable`, "deferrable"},
		{`select relname || ' ' || conname from mine m join pg_constraint c on c.conrelid = m.oid where c.contype = 'x'`, "exclusion"},
		{`select relname || ' ' || tgname from mine m join pg_trigger g on g.tgrelid = m.oid where not g.tgisinternal`, "trigger"},
		{`select proname from pg_proc p join pg_namespace n on n.oid = p.pronamespace where n.nspname = 'public'`, "function"},
		{`select c.relname from pg_class c join pg_namespace n on n.oid = c.relnamespace where n.nspname = 'public' and c.relkind in ('v', 'm')`, "view"},
		{`select relname from mine where not of_herd and relname <> all ($2)`, "neither of a herd nor a known reference table"},
		{`select i.indexrelid::regclass::text from mine m join pg_index i on i.indrelid = m.oid
			where relname = 'events' and i.indexrelid::regclass::text not in ('events_pkey', 'events_id_key')`, "index on events besides its two"},
	} {
		args := []any{library}
		if strings.Contains(check.query, "$2") {
			args = append(args, reference)
		}
		rows, err := conn.QueryContext(t.Context(), `with mine as (
				select c.oid, c.relname, c.relrowsecurity, c.relforcerowsecurity,
					exists (select from pg_attribute a where a.attrelid = c.oid and a.attname = 'herd_id' and a.attnotnull) and c.relname <> 'herds' as of_herd
				from pg_class c join pg_namespace n on n.oid = c.relnamespace
				where n.nspname = 'public' and c.relkind in ('r', 'p') and c.relname <> all ($1)
			) `+check.query, args...)
		if err != nil {
			t.Fatalf("%s: %v", check.complaint, err)
		}
		for _, what := range texts(t, rows) {
			out = append(out, what+": "+check.complaint)
		}
	}
	return out
}

// texts reads rows of one column and closes them.
func texts(t testing.TB, rows *sql.Rows) []string {
	t.Helper()
	defer func() { _ = rows.Close() }()
	var out []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}
