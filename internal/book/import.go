package book

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"github.com/klauspost/compress/s2"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// ImportOptions say how a file is to be taken in.
type ImportOptions struct {
	Mapping  string // name of a saved mapping, or NativeMapping; empty is native
	FileName string // for people
	Owner    string // who sent it
	DryRun   bool   // say what would happen, write nothing
	Strict   bool   // one refused row refuses the file
	Workbook bool   // the file is a workbook (.xlsx)
	Part     bool   // the file holds a part of the sheet: what it lacks is not gone
	MaxVoids *int64 // how many events it may void; nil: what the mapping allows
	Digest   string // the file must have this SHA-256, in hex; "" = any
}

// ImportCounts tell what became of a file's rows and events.
type ImportCounts struct {
	Rows         int64 `json:"rows"`          // rows read, blank ones not counted
	Skipped      int64 `json:"skipped"`       // rows that are no records, by the mapping's rules
	Refused      int64 `json:"refused"`       // rows set aside, none of their events taken
	Events       int64 `json:"events"`        // events that the other rows gave
	Appended     int64 `json:"appended"`      // of them new; in a dry run: would be
	AlreadyThere int64 `json:"already_there"` // of them stored before
	Amended      int64 `json:"amended"`       // of them edited since: the stored event voided and restated
	Changed      int64 `json:"changed"`       // of them edited since: left alone and told
	Withdrawn    int64 `json:"withdrawn"`     // events that the sheet states no more, voided
	Vanished     int64 `json:"vanished"`      // events that the sheet states no more, left alone and told
}

// ImportReport tells how an import stands.
type ImportReport struct {
	ID                   uuid.UUID // zero for a dry run
	State                store.ImportState
	DryRun               bool
	Mapping, FileName    string
	Digest               [32]byte // SHA-256 of the file as it came
	Counts               ImportCounts
	Problems             []sheet.Problem // the first of them
	Notices              []sheet.Problem // what was taken but deserves a look; the first of them
	Differences          []Difference    // where the sheet and the log differ and the log was left alone; the first of them
	Findings             *ImportFindings // what the records say of the events that it brought; nil in lists and while it runs
	Error                string          // why the file was refused as a whole
	CreatedAt, UpdatedAt time.Time
	FinishedAt           *time.Time
}

const (
	stageBytes  = 2 << 20          // of a file, packed into one row of the staging table
	chunkEvents = 2_500            // events in one transaction of an import, and a row's more
	chunkRows   = 5_000            // rows in one transaction: skipped and refused ones count too
	maxReported = 100              // problems in a report; all refused rows are in the rejects
	resumeAfter = 10 * time.Minute // an upload that is older is not arriving any more
	retryImport = 2 * time.Second
)

// importPlan is what an import was started with, so that it can be resumed
// after a restart and still read the file the same way.
type importPlan struct {
	Doc    string     `json:"doc,omitempty"` // the mapping's text; empty is native
	Name   string     `json:"name,omitempty"`
	Today  event.Date `json:"today"`
	Strict bool       `json:"strict,omitempty"`
	// Workbook: the file is read as .xlsx.
	Workbook bool `json:"workbook,omitempty"`
	Part     bool `json:"part,omitempty"`
	// MaxVoids is nil for what the mapping allows.
	MaxVoids *int64     `json:"max_voids,omitempty"`
	File     *uuid.UUID `json:"file,omitempty"` // the file over many herds that it is a part of
}

// stageBytes is how much of a body goes into one row of the staging table: of
// the parts of a file over many herds all are in memory at once.
func (p *importPlan) stageBytes() int {
	if p.File != nil {
		return stageBytes / 64
	}
	return stageBytes
}

func (o *ImportOptions) plan(doc string, today event.Date) importPlan {
	return importPlan{Doc: doc, Name: o.Mapping, Today: today, Strict: o.Strict, Part: o.Part, MaxVoids: o.MaxVoids, Workbook: o.Workbook}
}

// Import takes in a file. The file is first received and read through to its
// end: one with a fault of its own (cut off, wrong encoding, unknown columns)
// is refused whole. Then its rows are appended chunk by chunk, each chunk in
// one transaction together with the import's progress, so that an import that
// is interrupted at any point goes on after a restart and neither loses nor
// doubles an event. An import is atomic per chunk, not per file. Rows with
// faults are set aside whole and told.
//
// If ctx ends while the rows are being appended the import goes on, and the
// report says that it is running.
func (b *Book) Import(ctx context.Context, h *Herd, body io.Reader, o ImportOptions) (*ImportReport, error) {
	if o.Mapping == "" {
		o.Mapping = NativeMapping
	}
	doc, err := b.mappingDoc(ctx, o.Mapping)
	if err != nil {
		return nil, err
	}
	plan := o.plan(doc, b.today(h))
	if o.DryRun {
		return b.dryRun(ctx, h, body, plan, o)
	}
	sp, err := b.spillFor(ctx, h)
	if err != nil {
		return nil, err
	}
	id, err := b.receive(ctx, h, body, plan, o, sp)
	if err != nil {
		sp.close()
		return nil, err
	}
	done := b.start(h, id, sp)
	select {
	case <-done:
	case <-ctx.Done():
	}
	return b.ImportReport(context.WithoutCancel(ctx), h, id)
}

// dryRun reads the file as an import would and asks the log what is new.
func (b *Book) dryRun(ctx context.Context, h *Herd, body io.Reader, plan importPlan, o ImportOptions) (*ImportReport, error) {
	digest := sha256.New()
	p, err := b.newPassage(h, plan, io.TeeReader(body, digest))
	if err != nil {
		return nil, err
	}
	if err := p.rehearse(ctx); err != nil {
		return nil, err
	}
	sum := [32]byte(digest.Sum(nil))
	if err := o.wants(sum); err != nil {
		return nil, err
	}
	return p.rehearsed(sum, o), nil
}

// rehearse takes a sheet through to its end without writing anything.
func (p *passage) rehearse(ctx context.Context) error {
	p.dry = true
	for last := false; !last; {
		lines, err := p.chunk()
		last = errors.Is(err, io.EOF)
		if err != nil && !last {
			return fileFault(err)
		}
		if _, err := p.sort(ctx, lines, last); err != nil {
			return err
		}
	}
	return nil
}

// rehearsed reports on a dry run.
func (p *passage) rehearsed(digest [32]byte, o ImportOptions) *ImportReport {
	now := p.book.stamp()
	r := &ImportReport{
		State: store.ImportDone, DryRun: true, Mapping: o.Mapping, FileName: o.FileName, Digest: digest,
		Counts: p.counts, Problems: p.report.Problems, Notices: p.report.Notices, Differences: p.report.Differences,
		CreatedAt: now, UpdatedAt: now, FinishedAt: &now,
	}
	if text := p.tooManyVoids(); text != "" {
		r.State, r.Error = store.ImportFailed, text
	}
	r.Findings = p.raised()
	return r
}

// wants holds the file's digest against the one that was asked for.
func (o *ImportOptions) wants(digest [32]byte) error {
	if got := hex.EncodeToString(digest[:]); o.Digest != "" && o.Digest != got {
		return fail(Conflict, "file-differs", "the file has the SHA-256 %s and not the one that was asked for; nothing was written: run it dry again and look at what it would do", got)
	}
	return nil
}

// receive stages the file and reads it through on the way. What it refuses it
// refuses whole, and no event is written.
func (b *Book) receive(ctx context.Context, h *Herd, body io.Reader, plan importPlan, o ImportOptions, sp *spill) (uuid.UUID, error) {
	options, err := json.Marshal(plan)
	if err != nil {
		return uuid.Nil, wrap("start import", err)
	}
	id, at := newID(), b.stamp()
	if err := b.db.CreateImport(ctx, store.Import{
		Herd: h.ID, ID: id, Owner: o.Owner, FileName: cut(o.FileName), Mapping: o.Mapping,
		State: store.ImportStaging, Options: options, CreatedAt: at, UpdatedAt: at,
	}); err != nil {
		return uuid.Nil, wrap("start import", err)
	}
	err = b.stageAll(ctx, h, id, body, plan, o, sp)
	if err == nil {
		return id, nil
	}
	var told *Error
	text := "the upload broke off"
	if errors.As(err, &told) {
		text = told.Detail
	}
	ctx = context.WithoutCancel(ctx)
	if failed := b.db.SaveProgress(ctx, h.ID, store.ImportProgress{ID: id, State: store.ImportFailed, Error: text, At: b.stamp()}); failed != nil {
		b.log.ErrorContext(ctx, "an import that failed could not be marked so", slog.String("import_id", id.String()), slog.Any("error", failed))
	}
	return uuid.Nil, err
}

// stageAll stages the body and makes the import ready to be worked on.
func (b *Book) stageAll(ctx context.Context, h *Herd, id uuid.UUID, body io.Reader, plan importPlan, o ImportOptions, sp *spill) error {
	got, err := b.stage(ctx, h, id, body, plan, sp)
	if err != nil {
		return err
	}
	if err := o.wants(got.digest); err != nil {
		return err
	}
	return wrap("finish upload", b.db.FinishStaging(ctx, h.ID, id, got.digest, got.chunks, got.rows, b.stamp()))
}

// staged is what was received of a body.
type staged struct {
	digest       [32]byte
	chunks, rows int64
	reader       *sheet.Reader // at its end
}

// stage copies the body into the staging table while a second goroutine reads
// it through as a sheet.
func (b *Book) stage(ctx context.Context, h *Herd, id uuid.UUID, body io.Reader, plan importPlan, sp *spill) (staged, error) {
	type outcome struct {
		reader *sheet.Reader
		err    error
	}
	pr, pw := io.Pipe()
	read := make(chan outcome, 1)
	var reader *sheet.Reader
	guard.Go("book.read_through", func() (err error) {
		reader, err = b.readThrough(h, plan, pr, sp)
		return err
	}, func(err error) {
		pr.CloseWithError(io.ErrClosedPipe) // unblocks the writer if reading ended early
		read <- outcome{reader, err}
	})
	digest := sha256.New()
	chunks, copyErr := b.stageChunks(ctx, h, id, plan, io.TeeReader(body, digest), pw)
	_ = pw.CloseWithError(copyErr) // nil is io.EOF for the reader; never fails
	through := <-read
	switch {
	case copyErr != nil && !errors.Is(copyErr, io.ErrClosedPipe):
		return staged{}, copyErr
	case through.err != nil:
		return staged{}, fileFault(through.err)
	}
	return staged{[32]byte(digest.Sum(nil)), chunks, int64(through.reader.Stats().Rows), through.reader}, nil
}

func (b *Book) stageChunks(ctx context.Context, h *Herd, id uuid.UUID, plan importPlan, body io.Reader, through io.Writer) (int64, error) {
	buf, packed := make([]byte, plan.stageBytes()), []byte(nil)
	for n := int64(0); ; n++ {
		size, err := fill(body, buf)
		last := errors.Is(err, io.EOF)
		if err != nil && !last {
			return n, err
		}
		if size == 0 {
			return n, nil
		}
		if _, err := through.Write(buf[:size]); err != nil {
			return n, err
		}
		// Packed here and not by Postgres, which takes longer for it than for
		// storing the file's events.
		packed = s2.Encode(packed, buf[:size])
		if err := b.db.StageChunk(ctx, h.ID, id, n, packed); err != nil {
			return n, wrap("receive file", err)
		}
		if last {
			return n + 1, nil
		}
	}
}

// fill reads until buf is full or the reader ends. Unlike io.ReadFull it hands
// the reader's own error on as it is: an upload that breaks off says
// io.ErrUnexpectedEOF, and must not be taken for one that ended.
func fill(r io.Reader, buf []byte) (int, error) {
	n := 0
	for n < len(buf) {
		m, err := r.Read(buf[n:])
		n += m
		if err != nil {
			return n, err
		}
	}
	return n, nil
}

// fileFault turns a fault of the whole file into an answer.
func fileFault(err error) error {
	var f *sheet.FileError
	if !errors.As(err, &f) {
		return err
	}
	kind := Invalid
	switch f.Code {
	case sheet.CodeFileTooLarge, sheet.CodeTooManyRows:
		kind = TooLarge
	case sheet.CodeNotCSV, sheet.CodeNotWorkbook, sheet.CodeEncrypted:
		kind = Unsupported
	}
	return &Error{
		Kind: kind, Code: "invalid-file", Detail: "the file is refused as a whole, nothing was written: " + f.Error(),
		Faults: []Fault{{Line: f.Line, Code: f.Code, Detail: f.Detail, Suggestion: f.Suggestion}},
	}
}

// start works on a received import in the background; the channel closes when
// it is finished or handed over.
func (b *Book) start(h *Herd, id uuid.UUID, sp *spill) <-chan struct{} {
	done := make(chan struct{})
	b.mu.Lock()
	taken := b.running[id] || b.stopping
	if !taken {
		b.running[id] = true
		b.jobs.Add(1)
	}
	b.mu.Unlock()
	if taken {
		sp.close()
		close(done)
		return done
	}
	guard.Go("book.imports", func() error {
		select {
		case b.slots <- struct{}{}:
			defer func() { <-b.slots }()
			b.work(h, id, sp)
		case <-b.life.Done(): // the next start resumes it
		}
		return nil
	}, func(err error) {
		if err != nil {
			b.log.Error("an import stopped", slog.String("import_id", id.String()), slog.Any("error", err))
			b.failImport(h, id)
		}
		b.mu.Lock()
		delete(b.running, id)
		b.mu.Unlock()
		sp.close()
		b.jobs.Done()
		close(done)
	})
	return done
}

// work appends the rows of an import until it is finished. A database that is
// away is waited for; when the service stops first, the import is resumed by
// the next start.
func (b *Book) work(h *Herd, id uuid.UUID, sp *spill) {
	for {
		err := guard.Do("book.import", func() error { return b.runImport(b.life, h, id, sp) })
		var told *Error
		switch {
		case err == nil || b.life.Err() != nil:
			return
		case errors.As(err, &told) && (told.Kind == Unavailable || told.Kind == OutcomeUnknown):
			b.log.Warn("an import waits for the database", slog.String("import_id", id.String()), slog.Any("error", err))
			select {
			case <-time.After(retryImport):
			case <-b.life.Done():
				return
			}
		case errors.As(err, &told) && told.Kind == Conflict:
			// Another process works on it.
			b.log.Info("an import is worked on elsewhere", slog.String("import_id", id.String()))
			return
		default:
			b.log.Error("an import stopped", slog.String("import_id", id.String()), slog.Any("error", err))
			b.failImport(h, id)
			return
		}
	}
}

func (b *Book) failImport(h *Herd, id uuid.UUID) {
	job, err := b.db.ImportByID(b.life, h.ID, id)
	if err == nil {
		err = b.db.SaveProgress(b.life, h.ID, store.ImportProgress{
			ID: id, Was: job.ChunksDone, ChunksDone: job.ChunksDone, RowsDone: job.RowsDone,
			State: store.ImportFailed, Error: "a fault of the service stopped it; what was appended before stands, and sending the file again appends the rest", At: b.stamp(),
		})
	}
	if err != nil {
		b.log.Error("an import that stopped could not be marked so", slog.String("import_id", id.String()), slog.Any("error", err))
	}
}

// runImport reads the staged file from its start, passes over the rows that
// are done, and appends the rest.
func (b *Book) runImport(ctx context.Context, h *Herd, id uuid.UUID, sp *spill) error {
	job, err := b.db.ImportByID(ctx, h.ID, id)
	if err != nil || job.State.Finished() {
		return wrap("read import", err)
	}
	var plan importPlan
	if err := json.Unmarshal(job.Options, &plan); err != nil {
		return wrap("read import", err)
	}
	p, err := b.newPassage(h, plan, &stagedReader{ctx: ctx, book: b, herd: h, id: id, chunks: job.Chunks})
	if err != nil {
		return err
	}
	if sp != nil && sp.begins(job.RowsDone) {
		p.spill = sp
	}
	if job.ChunksDone == 0 && p.reader.Mapping().Voids() {
		if refused, err := b.guard(ctx, h, &job, plan); err != nil || refused {
			return err
		}
	}
	if err := p.resume(ctx, &job); err != nil {
		return err
	}
	if err := p.expect(ctx); err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	w := &carrier{p: p, job: &job}
	for c := range p.chunks(ctx) {
		if c.err != nil {
			return fmt.Errorf("read staged file: %w", c.err)
		}
		if err := w.take(ctx, c); err != nil {
			return err
		}
	}
	if p.spill != nil && p.done == 0 && w.smooth() {
		b.adopt(h, p.spill, w.head)
	}
	return context.Cause(ctx)
}

// guard rehearses an import that could void events before its first chunk, so
// that one that would void too many is refused before anything is written.
func (b *Book) guard(ctx context.Context, h *Herd, job *store.Import, plan importPlan) (refused bool, err error) {
	p, err := b.newPassage(h, plan, &stagedReader{ctx: ctx, book: b, herd: h, id: job.ID, chunks: job.Chunks})
	if err != nil {
		return false, err
	}
	if err := p.readIndex(ctx); err != nil || len(p.sync.origins) == 0 {
		return false, err // there is nothing that it could void
	}
	p.guards = true
	if err := p.rehearse(ctx); err != nil {
		return false, err
	}
	text := p.tooManyVoids()
	if text == "" {
		return false, nil
	}
	return true, wrap("refuse import", b.db.SaveProgress(ctx, h.ID, store.ImportProgress{ID: job.ID, State: store.ImportFailed, Error: text, At: b.stamp()}))
}

// stagedReader reads a staged file back, one chunk at a time.
type stagedReader struct {
	ctx    context.Context //nolint:containedctx // io.Reader has no room for it
	book   *Book
	herd   *Herd
	id     uuid.UUID
	chunks int64
	next   int64
	plain  []byte
	buf    bytes.Reader
}

func (r *stagedReader) Read(p []byte) (int, error) {
	for r.buf.Len() == 0 {
		if r.next == r.chunks {
			return 0, io.EOF
		}
		packed, err := r.book.db.StagedChunk(r.ctx, r.herd.ID, r.id, r.next)
		if err != nil {
			return 0, wrap("read staged file", err)
		}
		if r.plain, err = s2.Decode(r.plain[:cap(r.plain)], packed); err != nil {
			return 0, fmt.Errorf("read staged file: chunk %d: %w", r.next, err)
		}
		r.next++
		r.buf.Reset(r.plain)
	}
	return r.buf.Read(p)
}

// keepKeys is how long the answers under idempotency keys are kept; the contract
// promises seven days.
const keepKeys = 8 * 24 * time.Hour

// Tidy removes what was kept for a while only: answers under idempotency keys.
// It returns when ctx ends; what fails is tried again a day later.
func (b *Book) Tidy(ctx context.Context) {
	daily := time.NewTicker(24 * time.Hour)
	defer daily.Stop()
	for {
		if err := guard.Do("book.tidy", func() error {
			_, err := b.db.PurgeIdempotency(ctx, b.stamp().Add(-keepKeys))
			return err
		}); err != nil && ctx.Err() == nil {
			b.log.WarnContext(ctx, "old idempotency keys were not removed", slog.Any("error", err))
		}
		select {
		case <-daily.C:
		case <-ctx.Done():
			return
		}
	}
}

// Resume takes up the imports that a stopped service left unfinished. Uploads
// that broke off are marked as failed; nothing of them was appended.
func (b *Book) Resume(ctx context.Context) error {
	jobs, err := b.db.UnfinishedImports(ctx)
	if err != nil {
		return wrap("list unfinished imports", err)
	}
	byID, err := b.herdsByID(ctx)
	if err != nil {
		return err
	}
	for _, job := range jobs {
		h := byID[job.Herd]
		switch {
		case h == nil:
		case job.State != store.ImportStaging:
			b.log.InfoContext(ctx, "an import goes on", slog.String("herd", h.Name), slog.String("import_id", job.ID.String()), slog.Int64("rows_done", job.RowsDone))
			b.start(h, job.ID, nil)
		case b.alone || b.now().Sub(job.UpdatedAt) > resumeAfter:
			// A younger one may still be arriving, if there are other processes.
			err := b.db.SaveProgress(ctx, h.ID, store.ImportProgress{ID: job.ID, State: store.ImportFailed, Error: "the upload broke off; send the file again", At: b.stamp()})
			if err != nil {
				return wrap("close broken upload", err)
			}
		}
	}
	return nil
}
