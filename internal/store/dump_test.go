package store_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// A dump as byrelog_backup is complete: restored into an empty database it gives
// the same log (T38). The control: as a role under row-level security it fails
// loudly instead of leaving herds out.
func TestDump(t *testing.T) {
	t.Parallel()
	owner, app := pgtest.DB(t)
	admin := pgtest.AdminURL(t, owner)
	dump, restore := client(t, admin, "pg_dump"), client(t, admin, "psql")
	db := open(t, store.Config{URL: app})
	for _, name := range []string{"dump-a", "dump-b"} {
		fill(t, db, herd(t, db, name))
	}
	take := func(role string) ([]byte, error) {
		cmd := exec.CommandContext(t.Context(), dump, "--role="+role, "--no-owner", "--exclude-table=goose_lock", "--dbname="+admin)
		var out, errs bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &errs
		err := cmd.Run()
		t.Logf("as %s: %v, %d bytes %s", role, err, out.Len(), errs.String())
		return out.Bytes(), err
	}
	for _, role := range []string{"byrelog_app", "byrelog_reader", "byrelog_writer", "byrelog_registry", "byrelog_owner"} {
		if _, err := take(role); err == nil {
			t.Errorf("control: a dump as %s looks complete", role)
		}
	}
	text, err := take("byrelog_backup")
	if err != nil {
		t.Fatal(err)
	}
	copyOwner, copyApp := pgtest.DB(t)
	target := sqlDB(t, pgtest.AdminURL(t, copyOwner))
	if _, err := target.ExecContext(t.Context(), `drop schema public cascade; create schema public authorization pg_database_owner`); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), restore, "-X", "-q", "-v", "ON_ERROR_STOP=1", "-c", "set role byrelog_owner", "-f", "-", pgtest.AdminURL(t, copyOwner))
	// The dump creates the schema when it differs from the built-in one; ours is there.
	cmd.Stdin = bytes.NewReader(bytes.ReplaceAll(text, []byte("CREATE SCHEMA public;"), nil))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("restore: %v\n%s", err, out)
	}
	again := open(t, store.Config{URL: copyApp})
	if err := again.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	herds, err := again.Herds(t.Context())
	if err != nil || len(herds) != 2 {
		t.Fatalf("herds %+v, %v", herds, err)
	}
	for _, h := range herds {
		head, err := db.HeadOf(t.Context(), h.ID)
		if err != nil {
			t.Fatal(err)
		}
		restored, err := again.HeadOf(t.Context(), h.ID)
		if err != nil || restored != head {
			t.Errorf("head %+v, %v, want %+v", restored, err, head)
		}
		same(t, strip(scan(t, again, h.ID, 0, 0, true)), strip(scan(t, db, h.ID, 0, 0, true)), true)
		add(t, again, h.ID, 2) // and the log goes on
	}
}

// strip takes the marks of erased notes away, which same does not expect.
func strip(rows []store.Row) []store.Row {
	for i := range rows {
		rows[i].NoteErased = false
	}
	return rows
}

// client finds a client program that can talk to the server. Where there is none
// the test is skipped, but never in CI.
func client(t *testing.T, admin, name string) string {
	t.Helper()
	skip := t.Skipf
	if os.Getenv("CI") != "" {
		skip = t.Fatalf
	}
	var server int
	if err := sqlDB(t, admin).QueryRowContext(t.Context(), `select current_setting('server_version_num')::int / 10000`).Scan(&server); err != nil {
		t.Fatal(err)
	}
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	if path, err := exec.LookPath(name); err == nil {
		found = append(found, path)
	}
	for _, path := range found {
		out, err := exec.CommandContext(t.Context(), path, "--version").Output()
		var words string
		var major int
		if _, scanErr := fmt.Sscanf(string(out), name+" (PostgreSQL) %d%s", &major, &words); err == nil && scanErr == nil && major >= server {
			return path
		}
	}
	skip("no %s of version %d or later on this machine", name, server)
	return ""
}
