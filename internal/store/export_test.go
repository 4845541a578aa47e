package store

import (
	"context"
	"io"
	"io/fs"
	"log/slog"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ReadTx runs any SQL in the transaction helper as the reader.
func (db *DB) ReadTx(ctx context.Context, herd uuid.UUID, fn func(context.Context, pgx.Tx) error) error {
	return db.reader.tx(ctx, "test", herd, fn)
}

// WriteTx runs any SQL in the transaction helper as the writer.
func (db *DB) WriteTx(ctx context.Context, herd uuid.UUID, fn func(context.Context, pgx.Tx) error) error {
	return db.writer.tx(ctx, "test", herd, fn)
}

// Encoder gives the COPY stream of rows.
func Encoder(herd uuid.UUID, rows []Row) io.Reader { return newEncoder(herd, rows) }

// CopySQL is the statement that takes the stream.
const CopySQL = copySQL

// MigrateWith is Migrate with other files or without its lock.
func MigrateWith(ctx context.Context, ownerURL string, files fs.FS, locked bool) error {
	return migrateWith(ctx, ownerURL, slog.New(slog.DiscardHandler), files, locked)
}
