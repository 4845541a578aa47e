package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// FileImport is a file over many herds: each herd's rows are a job of that herd.
type FileImport struct {
	ID                uuid.UUID
	Owner             string // the token that sent it
	Mapping, FileName string
	Digest            [32]byte // SHA-256 of the file
	Parts             []FilePart
	Counts, Report    json.RawMessage // of the rows of no herd; an object
	CreatedAt         time.Time
}

// FilePart is the job of one herd.
type FilePart struct {
	Herd   uuid.UUID `json:"herd"`
	Import uuid.UUID `json:"import"`
	Chunks int64     `json:"chunks"` // staged
	Rows   int64     `json:"rows"`
}

// FinishFile says that all parts of a file are staged: their jobs become ready
// and the file is recorded in one transaction, so that either all of its herds
// are worked on or none. Errors: ErrConflict (a job is not staging so many chunks).
func (db *DB) FinishFile(ctx context.Context, f FileImport, rejects []Reject) error {
	parts, err := json.Marshal(f.Parts)
	if err != nil {
		return &Error{Kind: ErrInvalid, Op: "finish file", Err: err}
	}
	return db.importer.tx(ctx, "finish file", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		for _, p := range f.Parts {
			tag, err := tx.Exec(ctx, `update imports set state = 'ready', chunks = $3, rows = $4, updated_at = $5, digest = $6
				where herd_id = $1 and import_id = $2 and state = 'staging'
				and $3 = (select count(*) from import_staging s where s.herd_id = $1 and s.import_id = $2)`,
				p.Herd, p.Import, p.Chunks, p.Rows, f.CreatedAt, f.Digest[:])
			if err == nil && tag.RowsAffected() == 0 {
				err = fail(ErrConflict, "a job of the file is not staging %d chunks", p.Chunks)
			}
			if err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `insert into file_imports (file_id, owner, mapping, file_name, digest, parts, counts, report, created_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			f.ID, f.Owner, f.Mapping, f.FileName, f.Digest[:], parts, object(f.Counts), object(f.Report), f.CreatedAt)
		if err != nil || len(rejects) == 0 {
			return err
		}
		lines, rows, errs := make([]int64, len(rejects)), make([]string, len(rejects)), make([]string, len(rejects))
		for i, r := range rejects {
			lines[i], rows[i], errs[i] = r.Line, r.Row, string(r.Errors)
		}
		_, err = tx.Exec(ctx, `insert into file_rejects (file_id, line, row, errors)
			select $1, r.line, r.row, r.errors::jsonb from unnest($2::bigint[], $3::text[], $4::text[]) as r (line, row, errors)`,
			f.ID, lines, rows, errs)
		return err
	})
}

// FileImportByID gives one file. Errors: ErrNotFound.
func (db *DB) FileImportByID(ctx context.Context, id uuid.UUID) (FileImport, error) {
	f := FileImport{ID: id}
	var digest, parts []byte
	err := db.importer.tx(ctx, "file import", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select owner, mapping, file_name, digest, parts, counts, report, created_at from file_imports where file_id = $1`, id).
			Scan(&f.Owner, &f.Mapping, &f.FileName, &digest, &parts, &f.Counts, &f.Report, &f.CreatedAt)
	})
	if err != nil {
		return FileImport{}, err
	}
	copy(f.Digest[:], digest)
	f.CreatedAt = f.CreatedAt.UTC()
	if err := json.Unmarshal(parts, &f.Parts); err != nil {
		return FileImport{}, &Error{Kind: ErrBroken, Op: "file import", Err: err}
	}
	return f, nil
}

// FileRejects gives the rows of no herd after a line, in order of line; limit 1
// to MaxLimit.
func (db *DB) FileRejects(ctx context.Context, id uuid.UUID, afterLine int64, limit int) ([]Reject, error) {
	var out []Reject
	err := db.importer.tx(ctx, "file rejects", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select line, row, errors from file_rejects
			where file_id = $1 and line > $2 order by line limit $3`, id, afterLine, min(max(limit, 1), MaxLimit))
		if err == nil {
			out, err = pgx.CollectRows(rows, scanReject)
		}
		return err
	})
	return out, err
}
