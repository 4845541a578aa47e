package store

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// IdempotencyRecord is the answer that was given to a request with an
// Idempotency-Key. Only committed outcomes are kept.
type IdempotencyRecord struct {
	Owner       string   // the token
	Operation   string   // what was asked, such as "append"
	Key         string   // 1 to 255 characters
	Fingerprint [32]byte // of the request: another one under the same key is an error of the client
	Status      int
	Body        []byte
	CreatedAt   time.Time
}

// Idempotency finds the answer under a key. Errors: ErrNotFound.
func (db *DB) Idempotency(ctx context.Context, herd uuid.UUID, owner, operation, key string) (IdempotencyRecord, error) {
	r := IdempotencyRecord{Owner: owner, Operation: operation, Key: key}
	err := db.reader.tx(ctx, "idempotency key", herd, func(ctx context.Context, tx pgx.Tx) error {
		var print []byte
		if err := tx.QueryRow(ctx, `select fingerprint, status, body, created_at from idempotency_keys
			where herd_id = $1 and owner = $2 and operation = $3 and key = $4`, herd, owner, operation, key).
			Scan(&print, &r.Status, &r.Body, &r.CreatedAt); err != nil {
			return err
		}
		copy(r.Fingerprint[:], print)
		r.CreatedAt = r.CreatedAt.UTC()
		return nil
	})
	if err != nil {
		return IdempotencyRecord{}, err
	}
	return r, nil
}

func writeKeys(ctx context.Context, tx pgx.Tx, herd uuid.UUID, rs []IdempotencyRecord) error {
	if len(rs) == 0 {
		return nil
	}
	var batch pgx.Batch
	for _, r := range rs {
		body := r.Body
		if body == nil {
			body = []byte{}
		}
		batch.Queue(`insert into idempotency_keys (herd_id, owner, operation, key, fingerprint, status, body, created_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8)`, herd, r.Owner, r.Operation, r.Key, r.Fingerprint[:], r.Status, body, r.CreatedAt)
	}
	return tx.SendBatch(ctx, &batch).Close()
}

// PurgeIdempotency removes the answers of all herds that were kept before a time,
// and tells how many they were.
func (db *DB) PurgeIdempotency(ctx context.Context, before time.Time) (int64, error) {
	var n int64
	err := db.importer.tx(ctx, "purge idempotency keys", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `delete from idempotency_keys where created_at < $1`, before)
		n = tag.RowsAffected()
		return err
	})
	return n, err
}

// Mapping tells how the columns and values of a foreign file are read. The store
// keeps the document as it is.
type Mapping struct {
	Name      string // 1 to 64 characters
	Version   int64  // 1, 2, …
	Doc       string // at most 1 MiB
	CreatedAt time.Time
}

// PutMapping stores a new version of a mapping. Errors: ErrInvalid, ErrConflict
// (somebody else stored a version at the same moment).
func (db *DB) PutMapping(ctx context.Context, name, doc string, at time.Time) (Mapping, error) {
	m := Mapping{Name: name, Doc: doc, CreatedAt: at.UTC()}
	err := db.registry.tx(ctx, "put mapping", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `insert into mappings (name, version, doc, created_at)
			select $1, coalesce(max(version), 0) + 1, $2, $3 from mappings where name = $1 returning version`, name, doc, at).Scan(&m.Version)
	})
	if err != nil {
		return Mapping{}, err
	}
	return m, nil
}

// MappingByName gives the newest version of a mapping. Errors: ErrNotFound.
func (db *DB) MappingByName(ctx context.Context, name string) (Mapping, error) {
	ms, err := db.mappings(ctx, `where m.name = $1`, name)
	if err != nil {
		return Mapping{}, err
	}
	if len(ms) == 0 {
		return Mapping{}, &Error{Kind: ErrNotFound, Op: "mapping"}
	}
	return ms[0], nil
}

// Mappings lists the newest version of each mapping by name.
func (db *DB) Mappings(ctx context.Context) ([]Mapping, error) { return db.mappings(ctx, "") }

func (db *DB) mappings(ctx context.Context, where string, args ...any) ([]Mapping, error) {
	var out []Mapping
	err := db.registry.tx(ctx, "mappings", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select m.name, m.version, m.doc, m.created_at from mappings m
			join (select name, max(version) as version from mappings group by name) n on n.name = m.name and n.version = m.version `+
			where+` order by m.name`, args...)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Mapping, error) {
			var m Mapping
			err := row.Scan(&m.Name, &m.Version, &m.Doc, &m.CreatedAt)
			m.CreatedAt = m.CreatedAt.UTC()
			return m, err
		})
		return err
	})
	return out, err
}

// Epoch is the number of the log's epoch. A cursor or a client state of another
// epoch is worthless: the log was restored from a backup since.
func (db *DB) Epoch(ctx context.Context) (int64, error) {
	var n int64
	err := db.registry.tx(ctx, "epoch", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select epoch from log_epoch`).Scan(&n)
	})
	if errors.Is(err, ErrNotFound) {
		return 0, &Error{Kind: ErrSchema, Op: "epoch", Err: errors.New("the epoch row is missing")}
	}
	return n, err
}

// BumpEpoch starts a new epoch; it is called once after each restore. The number
// follows the clock, because the restored database has forgotten the epochs that
// were started after the backup, and none of them may come again.
func (db *DB) BumpEpoch(ctx context.Context, at time.Time) (int64, error) {
	var n int64
	err := db.registry.tx(ctx, "bump epoch", uuid.Nil, func(ctx context.Context, tx pgx.Tx) (err error) {
		n, err = bumpEpoch(ctx, tx, at)
		return err
	})
	return n, err
}

func bumpEpoch(ctx context.Context, tx pgx.Tx, at time.Time) (int64, error) {
	var n int64
	err := tx.QueryRow(ctx, `update log_epoch set epoch = greatest(epoch + 1, $1), changed_at = $2 returning epoch`,
		at.Unix(), at).Scan(&n)
	return n, err
}

// Requests lists what an owner's requests to a herd were answered under idempotency
// keys with a status, the latest first; at most limit.
func (db *DB) Requests(ctx context.Context, herd uuid.UUID, owner string, status, limit int) (list []IdempotencyRecord, err error) {
	err = db.reader.tx(ctx, "latest requests", herd, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select operation, key, body, created_at from idempotency_keys
			where herd_id = $1 and owner = $2 and status = $3 order by created_at desc, key limit $4`, herd, owner, status, limit)
		if err != nil {
			return err
		}
		list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (IdempotencyRecord, error) {
			r := IdempotencyRecord{Owner: owner, Status: status}
			err := row.Scan(&r.Operation, &r.Key, &r.Body, &r.CreatedAt)
			r.CreatedAt = r.CreatedAt.UTC()
			return r, err
		})
		return err
	})
	return list, err
}
