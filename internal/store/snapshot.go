package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
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
}

// MaxSnapshot is the largest packed fold that is kept: about ten million events.
const MaxSnapshot = 256 << 20

// Sum is the SHA-256 over everything else in the snapshot, and the herd.
func (s *Snapshot) Sum(herd uuid.UUID) [32]byte {
	h := sha256.New()
	h.Write(herd[:])
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(s.Format))))
	h.Write([]byte(s.Format))
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(s.Epoch))) //nolint:gosec // two's complement
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(s.Seq)))   //nolint:gosec // two's complement
	h.Write(s.Hash[:])
	h.Write(s.Bytes)
	return [32]byte(h.Sum(nil))
}

// SnapshotOf gives the herd's snapshot of the format and epoch, and the chain of
// the log at its seq. Errors: ErrNotFound (there is none, or the log does not
// reach so far).
func (db *DB) SnapshotOf(ctx context.Context, herd uuid.UUID, format string, epoch int64) (s Snapshot, log [32]byte, err error) {
	err = db.reader.ask(ctx, "snapshot", herd, `select s.seq, s.hash, s.digest, s.bytes, e.hash
		from snapshots s cross join lateral (select hash from events where herd_id = $1 and seq = s.seq limit 1) e
		where s.herd_id = $1 and s.format = $2 and s.epoch = $3`, []any{herd, format, epoch}, func(row pgx.Row) error {
		var hash, digest, chain []byte
		if err := row.Scan(&s.Seq, &hash, &digest, &s.Bytes, &chain); err != nil {
			return err
		}
		copy(s.Hash[:], hash)
		copy(s.Digest[:], digest)
		copy(log[:], chain)
		s.Format, s.Epoch = format, epoch
		return nil
	})
	return s, log, err
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
