package store

import (
	"context"
	"encoding/json"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ImportRun tells which events the import jobs of one mapping appended.
type ImportRun struct {
	Mapping string
	Seqs    json.RawMessage // as the job's report has them: an array of first and last
}

// ImportRuns gives the runs of all jobs of a herd that appended anything.
func (db *DB) ImportRuns(ctx context.Context, herd uuid.UUID) ([]ImportRun, error) {
	var out []ImportRun
	err := db.reader.tx(ctx, "import runs", herd, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select mapping, report->'seqs' from imports where herd_id = $1 and report ? 'seqs'`, herd)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (ImportRun, error) {
			var r ImportRun
			err := row.Scan(&r.Mapping, &r.Seqs)
			return r, err
		})
		return err
	})
	return out, err
}
