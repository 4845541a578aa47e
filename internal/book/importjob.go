package book

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// ImportReport tells how an import stands.
func (b *Book) ImportReport(ctx context.Context, h *Herd, id uuid.UUID) (*ImportReport, error) {
	job, err := b.job(ctx, h, id)
	if err != nil {
		return nil, err
	}
	r, seqs, err := reportOf(job)
	if err == nil && r.State == store.ImportDone {
		r.Findings, err = b.findingsOf(ctx, h, seqs)
	}
	return r, err
}

func (b *Book) job(ctx context.Context, h *Herd, id uuid.UUID) (*store.Import, error) {
	job, err := b.db.ImportByID(ctx, h.ID, id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, fail(NotFound, "import-not-found", "this herd has no import of this id")
	}
	if err != nil {
		return nil, wrap("read import", err)
	}
	return &job, nil
}

// ImportSeqs tells which events an import appended so far, as a test of a seq.
// Those that were there before belong to whoever brought them first.
func (b *Book) ImportSeqs(ctx context.Context, h *Herd, id uuid.UUID) (func(seq int64) bool, error) {
	job, err := b.job(ctx, h, id)
	if err != nil {
		return nil, err
	}
	var rep report
	if err := json.Unmarshal(job.Report, &rep); err != nil {
		return nil, fmt.Errorf("read report of import: %w", err)
	}
	return func(seq int64) bool { return within(rep.Seqs, seq) }, nil
}

// reportOf gives the report of a job and which events it appended.
func reportOf(job *store.Import) (*ImportReport, [][2]int64, error) {
	r := &ImportReport{
		ID: job.ID, State: job.State, Mapping: job.Mapping, FileName: job.FileName, Digest: job.Digest, Error: job.Error,
		CreatedAt: job.CreatedAt, UpdatedAt: job.UpdatedAt, FinishedAt: job.FinishedAt,
	}
	var rep report
	if err := errors.Join(json.Unmarshal(job.Counts, &r.Counts), json.Unmarshal(job.Report, &rep)); err != nil {
		return nil, nil, fmt.Errorf("read report of import: %w", err)
	}
	r.Problems, r.Notices, r.Differences = rep.Problems, rep.Notices, rep.Differences
	return r, rep.Seqs, nil
}

// Imports lists the herd's imports, newest first; before (if not zero) goes on
// behind an earlier list.
func (b *Book) Imports(ctx context.Context, h *Herd, limit int, before time.Time) ([]*ImportReport, error) {
	jobs, err := b.db.Imports(ctx, h.ID, limit, before)
	if err != nil {
		return nil, wrap("list imports", err)
	}
	list := make([]*ImportReport, len(jobs))
	for i := range jobs {
		if list[i], _, err = reportOf(&jobs[i]); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// Rejects writes the rows that an import refused as a sheet of the same form
// with the reasons behind them: mended, it can be sent again with the same
// mapping.
func (b *Book) Rejects(ctx context.Context, h *Herd, id uuid.UUID, w io.Writer) error {
	job, err := b.job(ctx, h, id)
	if err != nil {
		return err
	}
	var rep report
	if err := json.Unmarshal(job.Report, &rep); err != nil {
		return fmt.Errorf("read report of import: %w", err)
	}
	out, err := sheet.NewRejectWriter(w, rep.Layout)
	if err != nil {
		return err
	}
	for after := int64(0); ; {
		rows, err := b.db.Rejects(ctx, h.ID, id, after, rejectPage)
		if err != nil {
			return wrap("read refused rows", err)
		}
		for _, r := range rows {
			if err := writeReject(out, &r); err != nil {
				return err
			}
			after = r.Line
		}
		if len(rows) < rejectPage {
			return out.Flush()
		}
	}
}

func writeReject(out *sheet.RejectWriter, r *store.Reject) error {
	var cells []string
	var problems []sheet.Problem
	if err := errors.Join(json.Unmarshal([]byte(r.Row), &cells), json.Unmarshal(r.Errors, &problems)); err != nil {
		return fmt.Errorf("read refused row: %w", err)
	}
	return out.Write(cells, problems)
}
