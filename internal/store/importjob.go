package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ImportState is where an import job stands.
type ImportState string

// The states: staging -> ready -> running -> done, failed or cancelled.
const (
	ImportStaging   ImportState = "staging"   // its body is being received
	ImportReady     ImportState = "ready"     // its body is complete
	ImportRunning   ImportState = "running"   // chunks are being appended
	ImportDone      ImportState = "done"      // all chunks are appended
	ImportFailed    ImportState = "failed"    // it stopped; Error says why
	ImportCancelled ImportState = "cancelled" // it was stopped on request
)

// Finished tells whether the job will not go on.
func (s ImportState) Finished() bool {
	return s == ImportDone || s == ImportFailed || s == ImportCancelled
}

// Import is an import job. It is atomic per chunk, not per file.
type Import struct {
	Herd, ID             uuid.UUID
	Owner                string // the token that started it
	Source               string // the system the file comes from
	FileName, Mapping    string
	Digest               [32]byte // SHA-256 of the file
	State                ImportState
	Options              json.RawMessage // an object; nil is {}
	Counts, Report       json.RawMessage // as Options
	Chunks               int64           // of the staged body
	ChunksDone           int64           // appended; a chunk of events is not a chunk of the body
	Rows, RowsDone       int64
	Error                string
	CreatedAt, UpdatedAt time.Time
	FinishedAt           *time.Time
}

// Reject is a row of a file that was not taken, with the reasons.
type Reject struct {
	Line   int64           // 1 is the first line of the file
	Row    string          // as it stands in the file
	Errors json.RawMessage // an array
}

// ImportProgress moves a job on.
type ImportProgress struct {
	ID                   uuid.UUID
	Was                  int64 // ChunksDone before; another value in the table is ErrConflict
	ChunksDone, RowsDone int64
	State                ImportState
	Counts, Report       json.RawMessage // nil keeps what is there
	Error                string
	Rejects              []Reject
	At                   time.Time
}

// CreateImport starts a job, in the state of i (staging when empty). Errors:
// ErrNotFound (no such herd), ErrConflict (the id exists), ErrInvalid.
func (db *DB) CreateImport(ctx context.Context, i Import) error {
	if i.State == "" {
		i.State = ImportStaging
	}
	return db.importer.tx(ctx, "create import", i.Herd, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into imports (herd_id, import_id, owner, state, source, file_name, digest, mapping, options,
				chunks, chunks_done, rows, rows_done, counts, report, error, created_at, updated_at, finished_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19)`,
			i.Herd, i.ID, i.Owner, string(i.State), i.Source, i.FileName, i.Digest[:], i.Mapping, object(i.Options),
			i.Chunks, i.ChunksDone, i.Rows, i.RowsDone, object(i.Counts), object(i.Report), i.Error, i.CreatedAt, i.UpdatedAt, i.FinishedAt)
		return err
	})
}

func object(doc json.RawMessage) any {
	if doc == nil {
		return []byte("{}")
	}
	return []byte(doc)
}

// StageChunk keeps a part of a job's body; chunk counts from 0. Staging the same
// chunk again is ErrConflict.
func (db *DB) StageChunk(ctx context.Context, herd, id uuid.UUID, chunk int64, data []byte) error {
	return db.importer.tx(ctx, "stage chunk", herd, func(ctx context.Context, tx pgx.Tx) error {
		if data == nil {
			data = []byte{}
		}
		_, err := tx.Exec(ctx, `insert into import_staging (herd_id, import_id, chunk, bytes) values ($1, $2, $3, $4)`, herd, id, chunk, data)
		return err
	})
}

// FinishStaging says that the body is complete: chunks 0 to chunks-1 are staged,
// digest is its SHA-256 and rows how many it has.
// Errors: ErrConflict (not staging, or another number of chunks is there).
func (db *DB) FinishStaging(ctx context.Context, herd, id uuid.UUID, digest [32]byte, chunks, rows int64, at time.Time) error {
	return db.importer.tx(ctx, "finish staging", herd, func(ctx context.Context, tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `update imports set state = 'ready', chunks = $3, rows = $4, updated_at = $5, digest = $6
			where herd_id = $1 and import_id = $2 and state = 'staging'
			and $3 = (select count(*) from import_staging s where s.herd_id = $1 and s.import_id = $2)`, herd, id, chunks, rows, at, digest[:])
		if err == nil && tag.RowsAffected() == 0 {
			err = fail(ErrConflict, "the job is not staging %d chunks", chunks)
		}
		return err
	})
}

// StagedChunk gives a part of a job's body back. Errors: ErrNotFound.
func (db *DB) StagedChunk(ctx context.Context, herd, id uuid.UUID, chunk int64) ([]byte, error) {
	var data []byte
	err := db.reader.tx(ctx, "staged chunk", herd, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select bytes from import_staging where herd_id = $1 and import_id = $2 and chunk = $3`, herd, id, chunk).
			Scan(&data)
	})
	return data, err
}

// SaveProgress moves a job on without appending anything. Errors: as for
// Batch.Import of Append.
func (db *DB) SaveProgress(ctx context.Context, herd uuid.UUID, p ImportProgress) error {
	return db.importer.tx(ctx, "save progress", herd, func(ctx context.Context, tx pgx.Tx) error {
		return writeProgress(ctx, tx, herd, p)
	})
}

// writeProgress moves the job on from p.Was. Two that resume the same job at the
// same time cannot both append a chunk: the second finds another chunks_done.
func writeProgress(ctx context.Context, tx pgx.Tx, herd uuid.UUID, p ImportProgress) error {
	finished := p.State.Finished()
	var at *time.Time
	if finished {
		at = &p.At
	}
	tag, err := tx.Exec(ctx, `update imports set state = $4, chunks_done = $5, rows_done = $6,
			counts = coalesce($7, counts), report = coalesce($8, report), error = $9, updated_at = $10, finished_at = $11
		where herd_id = $1 and import_id = $2 and chunks_done = $3 and finished_at is null`,
		herd, p.ID, p.Was, string(p.State), p.ChunksDone, p.RowsDone, jsonArg(p.Counts), jsonArg(p.Report), p.Error, p.At, at)
	if err != nil {
		return err
	}
	if tag.RowsAffected() == 0 {
		return fail(ErrConflict, "the import is finished or has moved on")
	}
	if err := writeRejects(ctx, tx, herd, p.ID, p.Rejects); err != nil {
		return err
	}
	if finished {
		_, err = tx.Exec(ctx, `delete from import_staging where herd_id = $1 and import_id = $2`, herd, p.ID)
	}
	return err
}

// AddRejects keeps rows that were not taken. Errors: ErrConflict (a line is there
// already), ErrNotFound (no such job).
func (db *DB) AddRejects(ctx context.Context, herd, id uuid.UUID, rs []Reject) error {
	return db.importer.tx(ctx, "add rejects", herd, func(ctx context.Context, tx pgx.Tx) error {
		return writeRejects(ctx, tx, herd, id, rs)
	})
}

func writeRejects(ctx context.Context, tx pgx.Tx, herd, id uuid.UUID, rs []Reject) error {
	if len(rs) == 0 {
		return nil
	}
	lines, rows, errs := make([]int64, len(rs)), make([]string, len(rs)), make([]string, len(rs))
	for i, r := range rs {
		lines[i], rows[i], errs[i] = r.Line, r.Row, string(r.Errors)
	}
	_, err := tx.Exec(ctx, `insert into import_rejects (herd_id, import_id, line, row, errors)
		select $1, $2, r.line, r.row, r.errors::jsonb from unnest($3::bigint[], $4::text[], $5::text[]) as r (line, row, errors)`,
		herd, id, lines, rows, errs)
	return err
}

// Rejects gives the rejected rows after a line, in order of line; limit 1 to
// MaxLimit.
func (db *DB) Rejects(ctx context.Context, herd, id uuid.UUID, afterLine int64, limit int) ([]Reject, error) {
	var out []Reject
	err := db.reader.tx(ctx, "rejects", herd, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select line, row, errors from import_rejects
			where herd_id = $1 and import_id = $2 and line > $3 order by line limit $4`, herd, id, afterLine, min(max(limit, 1), MaxLimit))
		if err == nil {
			out, err = pgx.CollectRows(rows, scanReject)
		}
		return err
	})
	return out, err
}

func scanReject(row pgx.CollectableRow) (Reject, error) {
	var r Reject
	err := row.Scan(&r.Line, &r.Row, &r.Errors)
	return r, err
}

const importColumns = `select herd_id, import_id, owner, state, source, file_name, digest, mapping, options, chunks, chunks_done,
	rows, rows_done, counts, report, error, created_at, updated_at, finished_at from imports `

// ImportByID gives one job. Errors: ErrNotFound.
func (db *DB) ImportByID(ctx context.Context, herd, id uuid.UUID) (Import, error) {
	is, err := imports(ctx, db.reader, "import", herd, importColumns+`where herd_id = $1 and import_id = $2`, herd, id)
	if err != nil {
		return Import{}, err
	}
	if len(is) == 0 {
		return Import{}, &Error{Kind: ErrNotFound, Op: "import"}
	}
	return is[0], nil
}

// Imports lists the jobs of a herd that were created before a time (the zero time
// is now), newest first; limit 1 to MaxLimit.
func (db *DB) Imports(ctx context.Context, herd uuid.UUID, limit int, before time.Time) ([]Import, error) {
	var at *time.Time
	if !before.IsZero() {
		at = &before
	}
	return imports(ctx, db.reader, "imports", herd, importColumns+`where herd_id = $1 and ($2::timestamptz is null or created_at < $2)
		order by created_at desc, import_id limit $3`, herd, at, min(max(limit, 1), MaxLimit))
}

// UnfinishedImports lists the jobs of all herds that are not finished, oldest
// first. It is for resuming at start, not for answering a request: it sees past
// the wall between herds.
func (db *DB) UnfinishedImports(ctx context.Context) ([]Import, error) {
	return imports(ctx, db.importer, "unfinished imports", uuid.Nil, importColumns+`where finished_at is null order by created_at, import_id`)
}

func imports(ctx context.Context, p *pool, op string, herd uuid.UUID, sql string, args ...any) ([]Import, error) {
	var out []Import
	err := p.tx(ctx, op, herd, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Import, error) {
			var i Import
			var digest []byte
			err := row.Scan(&i.Herd, &i.ID, &i.Owner, &i.State, &i.Source, &i.FileName, &digest, &i.Mapping, &i.Options,
				&i.Chunks, &i.ChunksDone, &i.Rows, &i.RowsDone, &i.Counts, &i.Report, &i.Error, &i.CreatedAt, &i.UpdatedAt, &i.FinishedAt)
			copy(i.Digest[:], digest)
			i.CreatedAt, i.UpdatedAt = i.CreatedAt.UTC(), i.UpdatedAt.UTC()
			utc(i.FinishedAt)
			return i, err
		})
		return err
	})
	return out, err
}
