package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"hash"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// Snapshot is a herd's packed fold up to a place in its log. It is derived from
// the log and never stands in for it: who reads one checks that Digest fits the
// rest and that the log has Hash at Seq.
type Snapshot struct {
	Format string // of Bytes; not empty
	Epoch  int64
	Seq    int64    // 1 or more
	Hash   [32]byte // the chain at Seq
	Digest [32]byte // see Sum
	Bytes  []byte

	Fits bool // of one that was read: Digest is its Sum
}

// MaxSnapshot is the largest packed fold that is kept: about ten million events.
const MaxSnapshot = 256 << 20

// Sum is the SHA-256 over everything else in the snapshot, and the herd.
func (s *Snapshot) Sum(herd uuid.UUID) [32]byte {
	h := s.begin(herd)
	h.Write(s.Bytes)
	return [32]byte(h.Sum(nil))
}

// begin sums up what goes before the bytes.
func (s *Snapshot) begin(herd uuid.UUID) hash.Hash {
	h := sha256.New()
	h.Write(herd[:])
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(s.Format))))
	h.Write([]byte(s.Format))
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(s.Epoch))) //nolint:gosec // two's complement
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(s.Seq)))   //nolint:gosec // two's complement
	h.Write(s.Hash[:])
	return h
}

// snapshotPiece is how much of a snapshot is read at a time: the server need not hold
// all of it several times over, and the next piece is on its way while one is summed up.
// A larger one costs the server more than twice the time: beyond 128 KiB it maps fresh
// memory for each of its copies.
const snapshotPiece = 64 << 10

// SnapshotOf gives the herd's snapshot of the format and epoch, and the chain of
// the log at its seq. Errors: ErrNotFound (there is none, or the log does not
// reach so far).
func (db *DB) SnapshotOf(ctx context.Context, herd uuid.UUID, format string, epoch int64) (s Snapshot, log [32]byte, err error) {
	const sql = `select s.seq, s.hash, s.digest, e.hash, octet_length(s.bytes), i, substr(s.bytes, i, $4)
		from snapshots s cross join lateral (select hash from events where herd_id = $1 and seq = s.seq limit 1) e
			cross join lateral generate_series(1, octet_length(s.bytes), $4) i
		where s.herd_id = $1 and s.format = $2 and s.epoch = $3`
	var sum hash.Hash
	size, at := 0, 0
	reset := func() { s, sum, size = Snapshot{Format: format, Epoch: epoch}, nil, 0 }
	err = db.reader.askRows(ctx, "snapshot", herd, sql, []any{herd, format, epoch, snapshotPiece}, reset, func(rows pgx.Rows) error {
		var own, digest, chain, piece pgtype.DriverBytes
		if err := rows.Scan(&s.Seq, &own, &digest, &chain, &size, &at, &piece); err != nil {
			return err
		}
		if sum == nil {
			copy(s.Hash[:], own)
			copy(s.Digest[:], digest)
			copy(log[:], chain)
			s.Bytes, sum = make([]byte, 0, size), s.begin(herd)
		}
		if at != len(s.Bytes)+1 { // they come as the series has them; to sort them would copy them all
			return fail(ErrBroken, "a snapshot came in another order")
		}
		s.Bytes = append(s.Bytes, piece...)
		sum.Write(piece)
		return nil
	})
	switch {
	case err != nil:
		return s, log, err
	case sum == nil:
		return s, log, classify("snapshot", pgx.ErrNoRows)
	}
	s.Fits = len(s.Bytes) == size && [32]byte(sum.Sum(nil)) == s.Digest
	return s, log, nil
}

// KeepSnapshot stores a herd's snapshot in place of the one before, unless that is
// of the same format and epoch and as far. Errors: ErrInvalid, ErrStorage, ….
func (db *DB) KeepSnapshot(ctx context.Context, herd uuid.UUID, s Snapshot) error {
	if len(s.Bytes) > MaxSnapshot {
		return &Error{Kind: ErrInvalid, Op: "keep snapshot", Err: fail(ErrInvalid, "%d bytes, at most %d", len(s.Bytes), MaxSnapshot)}
	}
	return db.importer.tx(ctx, "keep snapshot", herd, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into snapshots (herd_id, format, epoch, seq, hash, digest, bytes) values ($1, $2, $3, $4, $5, $6, $7)
			on conflict (herd_id) do update set format = $2, epoch = $3, seq = $4, hash = $5, digest = $6, bytes = $7
			where snapshots.format <> $2 or snapshots.epoch <> $3 or snapshots.seq < $4`,
			herd, s.Format, s.Epoch, s.Seq, s.Hash[:], s.Digest[:], s.Bytes)
		return err
	})
}

// DropSnapshot removes a herd's snapshot, if it has one.
func (db *DB) DropSnapshot(ctx context.Context, herd uuid.UUID) error {
	return db.writer.tx(ctx, "drop snapshot", herd, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `delete from snapshots where herd_id = $1`, herd)
		return err
	})
}
