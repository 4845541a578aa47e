package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// MaxBatch is the most rows that one append may write: the head's lock is held
// for all of them.
const MaxBatch = 5000

// Pool names the connections that an append uses.
type Pool int

// The pools of Append. Bulk is for imports: longer limits and few connections, so
// that they cannot hold up single appends.
const (
	API Pool = iota
	Bulk
)

// Head is the end of a herd's log. Seq 0, a hash of zero bytes and the herd's time
// of creation stand for a log without events.
type Head struct {
	Seq        int64
	Hash       [32]byte // the chain after Seq
	RecordedAt time.Time
}

// Note is the free text of an event, with the salt of its commitment.
type Note struct {
	Salt [16]byte
	Body string // 1 to 500 characters
}

// Row is one event as it is stored.
type Row struct {
	Seq        int64
	ID         uuid.UUID
	Animal     string    // "" for kinds of the whole herd
	Kind       string    // 1 to 40 characters
	On         int32     // days since 1970-01-01
	RecordedAt time.Time // UTC, whole microseconds
	Leaf, Hash [32]byte
	Bytes      []byte // canonical bytes, at most 64 KiB
	Note       *Note  // nil: none, or erased, or not asked for
	NoteErased bool   // there was a note and it was erased
}

// Batch is what one append writes, all or nothing.
type Batch struct {
	// Rows in ascending Seq, starting right after the head. May be empty: then the
	// head stays and only the rest is written.
	Rows []Row
	// Idempotency holds the answers to keep for the requests of this batch.
	Idempotency []IdempotencyRecord
	// Import moves the progress of an import job in the same transaction.
	Import *ImportProgress
}

// Append writes to the log of one herd. It locks the herd's head row, calls plan
// with the head, writes what plan returns and moves the head to the last row, all
// in one transaction, and returns the new head after the commit.
//
// The caller numbers and chains the rows in plan: between the call of plan and the
// commit nobody else appends to this herd. plan must be quick, for it runs under
// the lock, and free of effects, for it is called again with a fresh head when the
// server rolls back for a conflict. An error of plan rolls back and is returned as
// it is.
//
// Errors: ErrNotFound (no such herd), ErrIDTaken, ErrKeyTaken, ErrConflict (the
// import moved on), ErrInvalid, ErrUnavailable, ErrStorage, ErrOutcomeUnknown,
// ErrBroken (rows that do not follow the head, too many, …). On every error but
// ErrOutcomeUnknown nothing was written.
func (db *DB) Append(ctx context.Context, herd uuid.UUID, p Pool, plan func(Head) (Batch, error)) (Head, error) {
	use := db.writer
	if p == Bulk {
		use = db.importer
	}
	var head Head
	err := use.tx(ctx, "append", herd, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		head, err = lockHead(ctx, tx, herd)
		if err != nil {
			return err
		}
		b, err := plan(head)
		if err != nil {
			return &callerError{err}
		}
		if err := follows(head, b.Rows); err != nil {
			return err
		}
		if len(b.Rows) > 0 {
			if head, err = writeRows(ctx, tx, herd, head, b.Rows); err != nil {
				return err
			}
		}
		return writeRest(ctx, tx, herd, &b)
	})
	if err != nil {
		return Head{}, err
	}
	return head, nil
}

// writeRest writes what a batch has beside its rows.
func writeRest(ctx context.Context, tx pgx.Tx, herd uuid.UUID, b *Batch) error {
	if err := writeKeys(ctx, tx, herd, b.Idempotency); err != nil || b.Import == nil {
		return err
	}
	return writeProgress(ctx, tx, herd, *b.Import)
}

// lockHead locks the head, after whoever has it.
func lockHead(ctx context.Context, tx pgx.Tx, herd uuid.UUID) (Head, error) {
	var h Head
	var hash []byte
	err := tx.QueryRow(ctx, `select seq, hash, recorded_at from heads where herd_id = $1 for update`, herd).
		Scan(&h.Seq, &hash, &h.RecordedAt)
	if err != nil {
		return Head{}, err
	}
	copy(h.Hash[:], hash)
	h.RecordedAt = h.RecordedAt.UTC()
	return h, nil
}

// follows holds what must never be false of the log, whatever the caller did.
func follows(head Head, rows []Row) error {
	if len(rows) > MaxBatch {
		return fail(ErrBroken, "batch of %d events, at most %d", len(rows), MaxBatch)
	}
	seq, at := head.Seq, head.RecordedAt.UnixMicro()
	for i := range rows {
		r := &rows[i]
		switch us := r.RecordedAt.UnixMicro(); {
		case r.Seq != seq+1:
			return fail(ErrBroken, "seq %d after %d", r.Seq, seq)
		case us < at:
			return fail(ErrBroken, "seq %d was recorded before its predecessor", r.Seq)
		case r.RecordedAt.Nanosecond()%1000 != 0:
			return fail(ErrBroken, "seq %d was recorded at a fraction of a microsecond", r.Seq)
		case r.Hash == [32]byte{}:
			return fail(ErrBroken, "seq %d has no hash", r.Seq)
		case r.Leaf == [32]byte{}:
			return fail(ErrBroken, "seq %d has no leaf", r.Seq)
		case r.ID == uuid.Nil:
			return fail(ErrBroken, "seq %d has no id", r.Seq)
		case r.On < minDay || r.On > maxDay:
			return fail(ErrInvalid, "seq %d: date outside the years 1 to 9999", r.Seq)
		default:
			seq, at = r.Seq, us
		}
	}
	return nil
}

// The years 1 to 9999 in days since 1970-01-01.
const (
	minDay = -719162
	maxDay = 2932896
)

// fewRows is up to how many rows are inserted by a statement. A COPY is quicker for
// more, but takes two round trips of its own, and the statement goes along with
// those that follow.
const fewRows = 32

// writeRows stores the rows and their notes and moves the head.
func writeRows(ctx context.Context, tx pgx.Tx, herd uuid.UUID, head Head, rows []Row) (Head, error) {
	var batch pgx.Batch
	if len(rows) <= fewRows {
		insertRows(&batch, herd, rows)
	} else if err := copyRows(ctx, tx, herd, rows); err != nil {
		return head, err
	}
	insertNotes(&batch, herd, rows)
	next := moveHead(&batch, herd, head, rows)
	if err := tx.SendBatch(ctx, &batch).Close(); err != nil {
		return head, err
	}
	return next, nil
}

func copyRows(ctx context.Context, tx pgx.Tx, herd uuid.UUID, rows []Row) error {
	tag, err := tx.Conn().PgConn().CopyFrom(ctx, newEncoder(herd, rows), copySQL)
	if err == nil && tag.RowsAffected() != int64(len(rows)) {
		err = fail(ErrBroken, "%d of %d events were stored", tag.RowsAffected(), len(rows))
	}
	return err
}

// moveHead queues the head's step to the last of the rows.
func moveHead(batch *pgx.Batch, herd uuid.UUID, head Head, rows []Row) Head {
	last := &rows[len(rows)-1]
	next := Head{Seq: last.Seq, Hash: last.Hash, RecordedAt: last.RecordedAt.UTC()}
	batch.Queue(`update heads set seq = $2, hash = $3, recorded_at = $4 where herd_id = $1 and seq = $5`,
		herd, next.Seq, next.Hash[:], next.RecordedAt, head.Seq).Exec(affects("heads", 1))
	return next
}

func insertNotes(batch *pgx.Batch, herd uuid.UUID, rows []Row) {
	var ids [][16]byte
	var salts [][]byte
	var bodies []string
	for i := range rows {
		if n := rows[i].Note; n != nil {
			ids = append(ids, rows[i].ID)
			salts = append(salts, n.Salt[:])
			bodies = append(bodies, n.Body)
		}
	}
	if len(ids) > 0 {
		batch.Queue(`insert into notes (herd_id, event_id, salt, body)
			select $1, n.event_id, n.salt, n.body from unnest($2::uuid[], $3::bytea[], $4::text[]) as n (event_id, salt, body)`,
			herd, ids, salts, bodies).Exec(affects("notes", int64(len(ids))))
	}
}

func insertRows(batch *pgx.Batch, herd uuid.UUID, rows []Row) {
	n := len(rows)
	seqs, ids, animals, kinds, days := make([]int64, n), make([][16]byte, n), make([]string, n), make([]string, n), make([]int32, n)
	times, leaves, hashes, bytes := make([]time.Time, n), make([][]byte, n), make([][]byte, n), make([][]byte, n)
	for i := range rows {
		r := &rows[i]
		seqs[i], ids[i], animals[i], kinds[i], days[i] = r.Seq, r.ID, r.Animal, r.Kind, r.On
		times[i], leaves[i], hashes[i], bytes[i] = r.RecordedAt, r.Leaf[:], r.Hash[:], r.Bytes
	}
	batch.Queue(`insert into events (herd_id, seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes)
		select $1, e.seq, e.id, nullif(e.animal, ''), e.kind, date '1970-01-01' + e.day, e.at, e.leaf, e.hash, e.bytes
		from unnest($2::bigint[], $3::uuid[], $4::text[], $5::text[], $6::int[], $7::timestamptz[], $8::bytea[], $9::bytea[], $10::bytea[])
			as e (seq, id, animal, kind, day, at, leaf, hash, bytes)`,
		herd, seqs, ids, animals, kinds, days, times, leaves, hashes, bytes).Exec(affects("events", int64(n)))
}
