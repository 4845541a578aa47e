package store

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Herd is an entry of the list of herds.
type Herd struct {
	ID        uuid.UUID
	Name      string // [a-z0-9-]{2,40}, unique
	Title     string // at most 200 characters, may be empty
	Zone      string // name of the time zone, such as Europe/Vienna
	CreatedAt time.Time
}

// CreateHerd adds a herd with an empty log. Errors: ErrConflict (name taken),
// ErrInvalid.
func (db *DB) CreateHerd(ctx context.Context, h Herd) error {
	return db.registry.tx(ctx, "create herd", h.ID, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `insert into herds (herd_id, name, title, zone, created_at) values ($1, $2, $3, $4, $5)`,
			h.ID, h.Name, h.Title, h.Zone, h.CreatedAt); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `insert into heads (herd_id, seq, hash, recorded_at) values ($1, 0, $2, $3)`,
			h.ID, make([]byte, 32), h.CreatedAt)
		return err
	})
}

// Herds lists all herds by name.
func (db *DB) Herds(ctx context.Context) ([]Herd, error) {
	return db.herds(ctx, "herds", `select herd_id, name, title, zone, created_at from herds order by name`)
}

// HerdByName finds one herd. Errors: ErrNotFound.
func (db *DB) HerdByName(ctx context.Context, name string) (Herd, error) {
	hs, err := db.herds(ctx, "herd", `select herd_id, name, title, zone, created_at from herds where name = $1`, name)
	if err != nil {
		return Herd{}, err
	}
	if len(hs) == 0 {
		return Herd{}, &Error{Kind: ErrNotFound, Op: "herd"}
	}
	return hs[0], nil
}

// UpdateHerd changes title or zone; nil keeps what is there. Errors: ErrNotFound,
// ErrInvalid.
func (db *DB) UpdateHerd(ctx context.Context, id uuid.UUID, title, zone *string) (Herd, error) {
	hs, err := db.herds(ctx, "update herd", `update herds set title = coalesce($2, title), zone = coalesce($3, zone)
		where herd_id = $1 returning herd_id, name, title, zone, created_at`, id, title, zone)
	if err != nil {
		return Herd{}, err
	}
	if len(hs) == 0 {
		return Herd{}, &Error{Kind: ErrNotFound, Op: "update herd"}
	}
	return hs[0], nil
}

func (db *DB) herds(ctx context.Context, op, sql string, args ...any) ([]Herd, error) {
	var out []Herd
	err := db.registry.tx(ctx, op, uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Herd, error) {
			var h Herd
			err := row.Scan(&h.ID, &h.Name, &h.Title, &h.Zone, &h.CreatedAt)
			h.CreatedAt = h.CreatedAt.UTC()
			return h, err
		})
		return err
	})
	return out, err
}

// Policy is the policy of a herd that holds from a date on, until the next one.
type Policy struct {
	From      int32           // days since 1970-01-01
	Doc       json.RawMessage // a JSON object; nil withdraws the policy of this date
	ChangedAt time.Time
	By        string // the token that changed it
}

// PutPolicy records a policy; the one that stood for the same date is kept in the
// history. Errors: ErrNotFound (no such herd), ErrConflict (the same date was
// changed at the same microsecond), ErrInvalid (not an object).
func (db *DB) PutPolicy(ctx context.Context, herd uuid.UUID, p Policy) error {
	if p.From < minDay || p.From > maxDay {
		return &Error{Kind: ErrInvalid, Op: "put policy", Err: errors.New("date outside the years 1 to 9999")}
	}
	return db.writer.tx(ctx, "put policy", herd, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into policies (herd_id, from_date, changed_at, changed_by, doc) values ($1, $2, $3, $4, $5)`,
			herd, day(p.From), p.ChangedAt, p.By, jsonArg(p.Doc))
		return err
	})
}

// Policies gives the policies of a herd by From, as they stood at asOf; the zero
// time is now. Withdrawn ones are left out. A herd that does not exist has none.
func (db *DB) Policies(ctx context.Context, herd uuid.UUID, asOf time.Time) ([]Policy, error) {
	var at *time.Time
	if !asOf.IsZero() {
		at = &asOf
	}
	var out []Policy
	const sql = `select from_date, changed_at, changed_by, doc from (
				select p.*, row_number() over (partition by from_date order by changed_at desc) as nth
				from policies p where herd_id = $1 and ($2::timestamptz is null or changed_at <= $2)
			) p where nth = 1 and doc is not null order by from_date`
	err := db.reader.askRows(ctx, "policies", herd, sql, []any{herd, at}, func() { out = []Policy{} }, func(rows pgx.Rows) error {
		var p Policy
		var from time.Time
		err := rows.Scan(&from, &p.ChangedAt, &p.By, &p.Doc)
		p.From, p.ChangedAt = dayOf(from), p.ChangedAt.UTC()
		out = append(out, p)
		return err
	})
	return out, err
}

// PolicyRev is a number that grows with every change of the herd's policies: what
// depends on them is good as long as it stays the same.
func (db *DB) PolicyRev(ctx context.Context, herd uuid.UUID) (int64, error) {
	var n int64
	err := db.reader.tx(ctx, "policy revision", herd, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select count(*) from policies where herd_id = $1`, herd).Scan(&n)
	})
	return n, err
}

// PutActor names a code that stands in the log. The name can be changed and
// erased; the code stays. Errors: ErrNotFound (no such herd), ErrInvalid.
func (db *DB) PutActor(ctx context.Context, herd uuid.UUID, code, name string) error {
	return db.writer.tx(ctx, "put actor", herd, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into actors (herd_id, code, name) values ($1, $2, $3)
			on conflict (herd_id, code) do update set name = $3`, herd, code, name)
		return err
	})
}

// Actors gives the names by code; a code without a name, or whose name was erased,
// is absent.
func (db *DB) Actors(ctx context.Context, herd uuid.UUID) (map[string]string, error) {
	out := map[string]string{}
	err := db.reader.tx(ctx, "actors", herd, func(ctx context.Context, tx pgx.Tx) error {
		clear(out)
		rows, err := tx.Query(ctx, `select code, name from actors where herd_id = $1 and name is not null`, herd)
		if err != nil {
			return err
		}
		var code, name string
		_, err = pgx.ForEachRow(rows, []any{&code, &name}, func() error {
			out[code] = name
			return nil
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// EraseActor removes the name behind a code and records that it did. by is the
// token that asked. Errors: ErrNotFound (no such code).
func (db *DB) EraseActor(ctx context.Context, herd uuid.UUID, code, by string, at time.Time) error {
	return db.writer.tx(ctx, "erase actor", herd, func(ctx context.Context, tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `update actors set name = null where herd_id = $1 and code = $2`, herd, code)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return pgx.ErrNoRows
		}
		return recordErasure(ctx, tx, herd, "actor", code, by, at)
	})
}

// jsonArg passes JSON text through as it is; nil becomes null.
func jsonArg(doc json.RawMessage) any {
	if doc == nil {
		return nil
	}
	return []byte(doc)
}
