package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// AppendAhead writes to the log of one herd like Append, but before the head has
// come to where the rows begin: it stores the rows of b, which follow after, waits
// for turn to be closed, and only then locks the head, finds it at after, moves it
// and commits. So an import can have its next rows on their way while the ones
// before them are being committed, and the server works on both; what readers see
// and what a crash leaves is as with Append.
//
// began is called once the transaction has a connection: a caller who starts the
// next one only then has no two of them wait for each other's connections.
// Whoever calls must close turn only when after has been committed, and must end
// ctx when it will not be. Rows that are stored and not committed hold up
// another writer of the herd who wants their numbers; so the head's lock is only
// taken if it is free at that moment, and where it is not, or the head is not at
// after, everything is rolled back, and the caller falls back to Append. Two that
// wait for each other's ids in several transactions are no deadlock that the
// server could see: the lock timeout of the pool ends them.
//
// Errors: those of Append; any but ErrOutcomeUnknown means that nothing was
// written. There are no retries.
func (db *DB) AppendAhead(ctx context.Context, herd uuid.UUID, after Head, b Batch, began func(), turn <-chan struct{}) (Head, error) {
	const op = "append ahead"
	ctx, cancel := context.WithTimeout(ctx, db.importer.deadline)
	defer cancel()
	if err := follows(after, b.Rows); err != nil {
		return Head{}, classify(op, err)
	}
	if len(b.Rows) == 0 {
		return Head{}, classify(op, fail(ErrBroken, "there is nothing to write ahead"))
	}
	var next Head
	_, err := db.importer.once(ctx, herd, func(ctx context.Context, tx pgx.Tx) error {
		began()
		if err := copyRows(ctx, tx, herd, b.Rows); err != nil {
			return err
		}
		select {
		case <-turn:
		case <-ctx.Done():
			return ctx.Err()
		}
		head, err := lockHead(ctx, tx, herd, lockFree)
		if err != nil {
			return err
		}
		if head.Seq != after.Seq || head.Hash != after.Hash {
			return fail(ErrUnavailable, "the head is at %d and not at %d", head.Seq, after.Seq)
		}
		var batch pgx.Batch
		insertNotes(&batch, herd, b.Rows)
		next = moveHead(&batch, herd, head, b.Rows)
		if err := tx.SendBatch(ctx, &batch).Close(); err != nil {
			return err
		}
		return writeRest(ctx, tx, herd, &b)
	})
	if err != nil {
		// The driver breaks the connection off when the context ends, and may meet that
		// before it looks at the context.
		if ended := ctx.Err(); ended != nil && !errors.Is(err, ended) {
			err = fmt.Errorf("%w: %w", ended, err)
		}
		return Head{}, classify(op, err)
	}
	return next, nil
}
