package store_test

import (
	"bytes"
	"database/sql"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
	"byrelog.example/migrations"
)

func migrationFiles(t testing.TB) []string {
	t.Helper()
	files, err := fs.Glob(migrations.FS, "*")
	if err != nil || len(files) == 0 {
		t.Fatalf("no migrations: %v", err)
	}
	return files
}

// Numbers run from 1 without a gap or a double, and no file goes back.
func TestMigrationFiles(t *testing.T) {
	t.Parallel()
	name := regexp.MustCompile(`^(\d{5})_[a-z_]+\.sql$`)
	for i, f := range migrationFiles(t) {
		m := name.FindStringSubmatch(f)
		if m == nil {
			t.Errorf("%s: want 00001_some_words.sql", f)
			continue
		}
		if n, _ := strconv.Atoi(m[1]); n != i+1 {
			t.Errorf("%s: want number %d", f, i+1)
		}
		text, err := fs.ReadFile(migrations.FS, f)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(text, []byte("-- +goose Up\n")) || bytes.Contains(text, []byte("+goose Down")) || bytes.Contains(text, []byte("NO TRANSACTION")) {
			t.Errorf("%s: one part, Up, in a transaction", f)
		}
	}
	if want := int64(len(migrationFiles(t))); store.WantVersion() != want {
		t.Errorf("WantVersion %d, want %d", store.WantVersion(), want)
	}
}

// blank makes a database with the roles and nothing in it.
func blank(t testing.TB) (url string) {
	t.Helper()
	owner, _ := pgtest.DB(t)
	db := sqlDB(t, pgtest.AdminURL(t, owner))
	if _, err := db.ExecContext(t.Context(), `drop schema public cascade; create schema public authorization pg_database_owner; grant usage on schema public to public`); err != nil {
		t.Fatal(err)
	}
	return owner
}

// shape describes everything that the migrations make.
func shape(t testing.TB, url string) string {
	t.Helper()
	var out sql.NullString
	err := sqlDB(t, url).QueryRowContext(t.Context(), `select string_agg(line, E'\n' order by line) from (
		select 'column ' || c.relname || '.' || a.attname || ' ' || format_type(a.atttypid, a.atttypmod) || ' ' || a.attnotnull || ' ' || coalesce(a.attacl::text, '')
			from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 where c.relnamespace = 'public'::regnamespace and c.relkind = 'r'
		union all select 'table ' || relname || ' ' || relrowsecurity || relforcerowsecurity || coalesce(relacl::text, '') || relowner::regrole
			from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r'
		union all select 'constraint ' || conrelid::regclass || ' ' || conname || ' ' || pg_get_constraintdef(oid) from pg_constraint where connamespace = 'public'::regnamespace
		union all select 'index ' || pg_get_indexdef(indexrelid) from pg_index i join pg_class c on c.oid = i.indrelid where c.relnamespace = 'public'::regnamespace
		union all select 'policy ' || polrelid::regclass || ' ' || polname || ' ' || coalesce(pg_get_expr(polqual, polrelid), '') from pg_policy
		union all select 'version ' || version_id || ' ' || is_applied from goose_db_version
		union all select 'epoch ' || epoch from log_epoch
		) l (line)`).Scan(&out)
	if err != nil {
		t.Fatal(err)
	}
	return out.String
}

// Four starters at once: one migrates, the others wait and find it done (T35).
func TestMigrateTogether(t *testing.T) {
	t.Parallel()
	clean, _ := pgtest.DB(t)
	want := shape(t, clean)
	race := func(t *testing.T, locked bool) (failed int, got string) {
		t.Helper()
		url := blank(t)
		errs := make(chan error, 4)
		for range cap(errs) {
			go func() { errs <- store.MigrateWith(t.Context(), url, migrations.FS, locked) }()
		}
		for range cap(errs) {
			if err := <-errs; err != nil {
				failed++
				if locked {
					t.Errorf("migrate: %v", err)
				}
			}
		}
		if locked {
			got = shape(t, url)
		}
		return failed, got
	}
	for range 2 {
		if _, got := race(t, true); strings.ReplaceAll(got, "goose_lock", "") != strings.ReplaceAll(want, "goose_lock", "") {
			t.Errorf("the schema differs from a clean install:\n%s", diff(want, got))
		}
	}
	t.Run("control", func(t *testing.T) {
		// Without the lock some starter fails; goose's maintainers saw it every time.
		for range 5 {
			if failed, _ := race(t, false); failed > 0 {
				return
			}
		}
		t.Error("without the lock nothing failed: the test proves nothing")
	})
}

// A migration that breaks off leaves nothing of itself, and the next run gets to
// the schema of a clean install (T34).
func TestMigrateBroken(t *testing.T) {
	t.Parallel()
	clean, _ := pgtest.DB(t)
	want := shape(t, clean)
	for i, broken := range migrationFiles(t) {
		t.Run(broken, func(t *testing.T) {
			t.Parallel()
			url := blank(t)
			files := fstest.MapFS{}
			for _, f := range migrationFiles(t) {
				text, err := fs.ReadFile(migrations.FS, f)
				if err != nil {
					t.Fatal(err)
				}
				if f == broken {
					text = append(slices.Clone(text), "\nselect 1 / 0;\n"...)
				}
				files[f] = &fstest.MapFile{Data: text}
			}
			if err := store.MigrateWith(t.Context(), url, files, true); err == nil {
				t.Fatal("no error")
			}
			var version int
			if err := sqlDB(t, url).QueryRowContext(t.Context(), `select coalesce(max(version_id), 0) from goose_db_version where is_applied`).Scan(&version); err != nil || version != i {
				t.Fatalf("version %d after a failure in %d, %v", version, i+1, err)
			}
			if err := store.Migrate(t.Context(), url, nil); err != nil {
				t.Fatal(err)
			}
			if got := shape(t, url); got != want {
				t.Errorf("the schema differs from a clean install:\n%s", diff(want, got))
			}
			if err := store.Migrate(t.Context(), url, nil); err != nil { // nothing to do
				t.Fatal(err)
			}
		})
	}
}

func diff(want, got string) string {
	var b strings.Builder
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for _, l := range w {
		if !slices.Contains(g, l) {
			fmt.Fprintf(&b, "- %s\n", l)
		}
	}
	for _, l := range g {
		if !slices.Contains(w, l) {
			fmt.Fprintf(&b, "+ %s\n", l)
		}
	}
	return b.String()
}

func TestReady(t *testing.T) {
	t.Parallel()
	owner, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	if err := db.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	if v, err := db.SchemaVersion(t.Context()); err != nil || v != store.WantVersion() {
		t.Fatalf("version %d, %v", v, err)
	}
	admin := sqlDB(t, pgtest.AdminURL(t, owner))
	set := func(query string) {
		t.Helper()
		if _, err := admin.ExecContext(t.Context(), query); err != nil {
			t.Fatal(err)
		}
	}
	// A newer schema is fine, an older one is not, and none at all is not.
	set(`insert into goose_db_version (version_id, is_applied) values (99, true)`)
	if err := db.Ready(t.Context()); err != nil {
		t.Errorf("newer schema: %v", err)
	}
	set(`delete from goose_db_version where version_id in (99, (select max(version_id) from goose_db_version where version_id < 99))`)
	wantKind(t, db.Ready(t.Context()), store.ErrSchema)
	set(`drop table goose_db_version`)
	wantKind(t, db.Ready(t.Context()), store.ErrSchema)
	if v, err := db.SchemaVersion(t.Context()); err != nil || v != 0 {
		t.Errorf("version %d, %v", v, err)
	}
	set(`drop table notes; drop table events`)
	_, err := db.Page(t.Context(), herd(t, db, "no-events"), store.Filter{})
	wantKind(t, err, store.ErrSchema)
}

func TestProvision(t *testing.T) {
	t.Parallel()
	owner, _ := pgtest.DB(t)
	admin := pgtest.AdminURL(t, owner)
	for _, name := range []string{"", "Upper", "a-b", `a"b`, "a;b"} {
		wantKind(t, store.Provision(t.Context(), admin, name), store.ErrInvalid)
	}
}
