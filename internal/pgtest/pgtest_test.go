package pgtest_test

import (
	"context"
	"database/sql"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// Each test has its own database: what one writes, another does not see.
func TestOwnDatabase(t *testing.T) {
	for _, name := range []string{"first", "second"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := pgtest.Open(t)
			if err := db.Ready(t.Context()); err != nil {
				t.Fatalf("ready: %v", err)
			}
			if err := db.CreateHerd(t.Context(), store.Herd{ID: uuid.New(), Name: "same-name", Zone: "UTC"}); err != nil {
				t.Fatalf("create herd: %v", err)
			}
		})
	}
}

// A database goes away with its test.
func TestDropped(t *testing.T) {
	var admin, name string
	t.Run("use", func(t *testing.T) {
		owner, _ := pgtest.DB(t)
		admin = pgtest.AdminURL(t, owner)
		name = current(t, admin)
	})
	other, _ := pgtest.DB(t)
	db, err := sql.Open("pgx", pgtest.AdminURL(t, other))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	var there bool
	if err := db.QueryRowContext(t.Context(), `select exists (select from pg_database where datname = $1)`, name).Scan(&there); err != nil {
		t.Fatal(err)
	}
	if there {
		t.Errorf("database %s is still there", name)
	}
}

func current(t *testing.T, url string) (name string) {
	t.Helper()
	db, err := sql.Open("pgx", url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	if err := db.QueryRowContext(context.Background(), `select current_database()`).Scan(&name); err != nil {
		t.Fatal(err)
	}
	return name
}
