package book

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/guard"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// importScope is what an import of one herd needs by the contract, and so does
// each herd of a file over many.
const importScope = store.Record

// maxFileHerds is how many herds one file may have rows of.
const maxFileHerds = 500

// FileReport tells how an import over many herds stands.
type FileReport struct {
	ID                uuid.UUID // zero for a dry run
	State             store.ImportState
	DryRun            bool
	Mapping, FileName string
	Digest            [32]byte
	Counts            ImportCounts    // of all rows
	Problems          []sheet.Problem // of rows of no herd; the first of them
	Herds             []HerdReport    // by name
	Missing           []string        // herds that earlier files had rows of, and this one has not
	Error             string
	CreatedAt         time.Time
	FinishedAt        *time.Time
}

// HerdReport is the report of one herd's part.
type HerdReport struct {
	Herd *Herd
	*ImportReport
}

// fileReport is what is kept of the rows of no herd beside their rejects.
type fileReport struct {
	Layout   sheet.Layout    `json:"layout"`
	Problems []sheet.Problem `json:"problems,omitempty"`
	Missing  []string        `json:"missing,omitempty"`
}

// filePart is one herd's rows on their way.
type filePart struct {
	herd   *Herd
	id     uuid.UUID
	pipe   *io.PipeWriter
	out    *sheet.PartWriter
	done   chan struct{}
	err    error
	staged staged
	report *ImportReport // of a dry run
	reader *sheet.Reader // at its end
}

// fileImport is a file over many herds that is being received.
type fileImport struct {
	book    *Book
	id      uuid.UUID
	options ImportOptions
	doc     string
	may     map[string]*Herd // by name and by id
	split   *sheet.Splitter
	parts   map[uuid.UUID]*filePart
	counts  ImportCounts
	report  fileReport
	rejects []store.Reject
}

// ImportHerds takes in one file over many herds: the mapping names a column of
// herds. The file is received whole and split; the rows of each herd become an
// import of that herd, and all of them are made ready in one transaction. Rows
// of a herd that is not there, or that the principal may not import into, are
// set aside. Otherwise as [Book.Import].
func (b *Book) ImportHerds(ctx context.Context, p *Principal, body io.Reader, o ImportOptions) (*FileReport, error) {
	if o.Mapping == "" || o.Mapping == NativeMapping {
		return nil, fail(Invalid, "no-herd-column", "a file over many herds needs a mapping with a column of herds; an export is one herd's: import it into that herd")
	}
	doc, err := b.mappingDoc(ctx, o.Mapping)
	if err != nil {
		return nil, err
	}
	m, err := parseMapping(doc)
	if err != nil {
		return nil, err
	}
	if m.Herd == nil {
		return nil, fail(Invalid, "no-herd-column", "the mapping %s does not say which column names the herd: add herd to it, or import the file into one herd", o.Mapping)
	}
	f := &fileImport{book: b, id: newID(), options: o, doc: doc, parts: map[uuid.UUID]*filePart{}}
	if err := f.allowed(ctx, p); err != nil {
		return nil, err
	}
	digest := sha256.New()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	err = f.receive(ctx, io.TeeReader(body, digest), m)
	if err == nil {
		err = o.wants([32]byte(digest.Sum(nil)))
	}
	if err == nil && o.Strict && f.counts.Refused > 0 {
		err = strictFault(f.report.Problems, int(f.counts.Refused))
	}
	if err == nil {
		err = f.missing(ctx, m)
	}
	if err != nil {
		f.abandon(ctx, err)
		return nil, err
	}
	if o.DryRun {
		return f.dryReport([32]byte(digest.Sum(nil))), nil
	}
	return f.carryOut(ctx, p, [32]byte(digest.Sum(nil)))
}

// missing finds the herds that earlier files under the mapping had rows of and
// this one has none of. Nothing is voided in them, whatever the mapping says: a
// file that was cut off between two herds looks the same.
func (f *fileImport) missing(ctx context.Context, m *sheet.Mapping) error {
	if f.options.Part || f.split.IsPart() || m.OnVanish == sheet.OnVanishIgnore {
		return nil
	}
	for name, h := range f.may {
		if name != h.Name || f.parts[h.ID] != nil {
			continue
		}
		runs, err := f.book.db.ImportRuns(ctx, h.ID)
		if err != nil {
			return wrap("read imports", err)
		}
		if slices.ContainsFunc(runs, func(r store.ImportRun) bool { return r.Mapping == f.options.Mapping }) {
			f.report.Missing = append(f.report.Missing, name)
		}
	}
	slices.Sort(f.report.Missing)
	return nil
}

// allowed finds the herds that the principal may import into.
func (f *fileImport) allowed(ctx context.Context, p *Principal) error {
	herds, err := f.book.Herds(ctx, p, importScope)
	if err != nil {
		return err
	}
	if len(herds) == 0 {
		return fail(Forbidden, "insufficient-scope", "the token may not import into any herd: it needs the scope %s there", importScope)
	}
	f.may = make(map[string]*Herd, 2*len(herds))
	for i := range herds {
		f.may[herds[i].Name], f.may[herds[i].ID.String()] = &herds[i], &herds[i]
	}
	return nil
}

// receive splits the file. When it returns without an error, every part was
// received to its end.
func (f *fileImport) receive(ctx context.Context, body io.Reader, m *sheet.Mapping) error {
	err := f.readRows(ctx, body, m)
	for _, part := range f.parts {
		if err == nil && f.counts.Refused > 0 {
			err = part.out.EndUnread()
		}
	}
	for _, part := range f.parts {
		_ = part.pipe.CloseWithError(err) // nil is io.EOF for the reader; never fails
	}
	for _, part := range f.parts {
		<-part.done
	}
	// A part that broke off tells more than the pipe that it closed.
	for _, part := range f.sorted() {
		if part.err != nil && (err == nil || errors.Is(err, io.ErrClosedPipe)) {
			err = inHerd(part.herd, part.err)
		}
	}
	if err != nil {
		return err
	}
	for _, part := range f.parts {
		f.split.Learn(part.reader)
	}
	if err := f.split.Check(); err != nil {
		return fileFault(err)
	}
	return nil
}

// inHerd says which herd's rows a fault of the whole file was found in.
func inHerd(h *Herd, err error) error {
	var told *Error
	if !errors.As(err, &told) {
		return err
	}
	named := *told
	named.Detail = "the rows of herd " + h.Name + ": " + named.Detail
	return &named
}

func (f *fileImport) readRows(ctx context.Context, body io.Reader, m *sheet.Mapping) error {
	var err error
	if f.split, err = sheet.NewSplitter(body, m); err != nil {
		return fileFault(err)
	}
	f.report.Layout = f.split.Layout()
	for {
		line, name, err := f.split.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fileFault(err)
		}
		h := f.may[strings.ToLower(name)]
		switch {
		case line.Skipped != "":
			f.counts.Rows++
			f.counts.Skipped++
		case len(line.Problems) > 0 || h == nil:
			if err := f.refuse(&line, name); err != nil {
				return err
			}
		default:
			part, err := f.part(ctx, h)
			if err != nil {
				return err
			}
			if err := part.out.Write(&line); err != nil {
				return err
			}
		}
	}
}

// refuse sets a row of no herd aside.
func (f *fileImport) refuse(line *sheet.Line, name string) error {
	if len(line.Problems) == 0 {
		line.Problems = []sheet.Problem{{
			Line: line.Number, Column: f.split.HerdColumn(), Field: "herd", Value: cut(name), Code: "unknown_herd",
			// One answer, whether the herd exists or not.
			Detail:     fmt.Sprintf("there is no herd %q that the token may import into", cut(name)),
			Suggestion: "mend the cell, add a word for the herd to the mapping, or use a token with the scope record there",
		}}
	}
	f.counts.Rows++
	f.counts.Refused++
	f.report.Problems = keep(f.report.Problems, line.Problems)
	reject, err := rejected(line, line.Problems)
	if err != nil {
		return err
	}
	f.rejects = append(f.rejects, reject)
	return nil
}

// part finds or begins the part of a herd.
func (f *fileImport) part(ctx context.Context, h *Herd) (*filePart, error) {
	if part := f.parts[h.ID]; part != nil {
		return part, nil
	}
	if len(f.parts) == maxFileHerds {
		return nil, fail(TooLarge, "too-many-herds", "the file has rows of more than %d herds: send it in parts; nothing was written", maxFileHerds)
	}
	b := f.book
	plan := f.options.plan(f.doc, b.today(h))
	plan.File = &f.id
	part := &filePart{herd: h, id: newID(), done: make(chan struct{})}
	if !f.options.DryRun {
		options, err := json.Marshal(plan)
		if err != nil {
			return nil, wrap("start import", err)
		}
		at := b.stamp()
		if err := b.db.CreateImport(ctx, store.Import{
			Herd: h.ID, ID: part.id, Owner: f.options.Owner, FileName: cut(f.options.FileName), Mapping: f.options.Mapping,
			State: store.ImportStaging, Options: options, CreatedAt: at, UpdatedAt: at,
		}); err != nil {
			return nil, wrap("start import", err)
		}
	}
	r, w := io.Pipe()
	part.pipe = w
	f.parts[h.ID] = part
	guard.Go("book.part", func() (err error) {
		if f.options.DryRun {
			part.report, part.reader, err = b.rehearsePart(ctx, h, r, plan, f.options)
			return err
		}
		part.staged, err = b.stage(ctx, h, part.id, r, plan, nil)
		part.reader = part.staged.reader
		return err
	}, func(err error) {
		part.err = err
		_ = r.Close() // unblocks the splitter if this ended early
		close(part.done)
	})
	var err error
	part.out, err = f.split.NewPartWriter(w)
	return part, err
}

func (b *Book) rehearsePart(ctx context.Context, h *Herd, body io.Reader, plan importPlan, o ImportOptions) (*ImportReport, *sheet.Reader, error) {
	p, err := b.newPassage(h, plan, body)
	if err != nil {
		return nil, nil, err
	}
	if err := p.rehearse(ctx); err != nil {
		return nil, nil, err
	}
	if plan.Strict && p.counts.Refused > 0 {
		return nil, nil, strictFault(p.report.Problems, int(p.counts.Refused))
	}
	return p.rehearsed([32]byte{}, o), p.reader, nil
}

// abandon marks the parts of a file that was refused or broke off.
func (f *fileImport) abandon(ctx context.Context, cause error) {
	if f.options.DryRun {
		return
	}
	ctx = context.WithoutCancel(ctx)
	text := "the upload broke off"
	var told *Error
	if errors.As(cause, &told) {
		text = told.Detail
	}
	for _, part := range f.sorted() {
		err := f.book.db.SaveProgress(ctx, part.herd.ID, store.ImportProgress{ID: part.id, State: store.ImportFailed, Error: text, At: f.book.stamp()})
		if err != nil {
			f.book.log.ErrorContext(ctx, "an import that failed could not be marked so", slog.String("import_id", part.id.String()), slog.Any("error", err))
		}
	}
}

func (f *fileImport) sorted() []*filePart {
	list := make([]*filePart, 0, len(f.parts))
	for _, part := range f.parts {
		list = append(list, part)
	}
	slices.SortFunc(list, func(a, b *filePart) int { return strings.Compare(a.herd.Name, b.herd.Name) })
	return list
}

// carryOut makes the parts ready and works on them.
func (f *fileImport) carryOut(ctx context.Context, p *Principal, digest [32]byte) (*FileReport, error) {
	b := f.book
	counts, err := json.Marshal(f.counts)
	if err != nil {
		return nil, wrap("finish upload", err)
	}
	doc, err := json.Marshal(f.report)
	if err != nil {
		return nil, wrap("finish upload", err)
	}
	record := store.FileImport{
		ID: f.id, Owner: f.options.Owner, Mapping: f.options.Mapping, FileName: cut(f.options.FileName), Digest: digest,
		Counts: counts, Report: doc, CreatedAt: b.stamp(),
	}
	for _, part := range f.sorted() {
		record.Parts = append(record.Parts, store.FilePart{Herd: part.herd.ID, Import: part.id, Chunks: part.staged.chunks, Rows: part.staged.rows})
	}
	if err := b.db.FinishFile(ctx, record, f.rejects); err != nil {
		err = wrap("finish upload", err)
		f.abandon(ctx, err)
		return nil, err
	}
	waits := make([]<-chan struct{}, 0, len(f.parts))
	for _, part := range f.sorted() {
		waits = append(waits, b.start(part.herd, part.id, nil))
	}
	for _, done := range waits {
		select {
		case <-done:
		case <-ctx.Done():
		}
	}
	return b.FileReport(context.WithoutCancel(ctx), p, f.id)
}

func (f *fileImport) dryReport(digest [32]byte) *FileReport {
	now := f.book.stamp()
	r := &FileReport{
		State: store.ImportDone, DryRun: true, Mapping: f.options.Mapping, FileName: f.options.FileName, Digest: digest,
		Counts: f.counts, Problems: f.report.Problems, Missing: f.report.Missing, CreatedAt: now, FinishedAt: &now,
	}
	for _, part := range f.sorted() {
		part.report.Digest = digest
		r.add(part.herd, part.report)
	}
	return r
}

func (r *FileReport) add(h *Herd, part *ImportReport) {
	r.Herds = append(r.Herds, HerdReport{h, part})
	c, p := &r.Counts, &part.Counts
	c.Rows += p.Rows
	c.Skipped += p.Skipped
	c.Refused += p.Refused
	c.Events += p.Events
	c.Appended += p.Appended
	c.AlreadyThere += p.AlreadyThere
	c.Amended += p.Amended
	c.Changed += p.Changed
	c.Withdrawn += p.Withdrawn
	c.Vanished += p.Vanished
	switch {
	case part.State == store.ImportFailed || part.State == store.ImportCancelled:
		r.State = store.ImportFailed
	case !part.State.Finished() && r.State == store.ImportDone:
		r.State = store.ImportRunning
	}
}

// file finds an import over many herds for the one who sent it.
func (b *Book) file(ctx context.Context, p *Principal, id uuid.UUID) (*store.FileImport, *fileReport, error) {
	f, err := b.db.FileImportByID(ctx, id)
	if errors.Is(err, store.ErrNotFound) || err == nil && f.Owner != p.Owner() && !p.Admin {
		return nil, nil, fail(NotFound, "import-not-found", "there is no import over many herds of this id that the token may see")
	}
	if err != nil {
		return nil, nil, wrap("read import", err)
	}
	rep := &fileReport{}
	if err := json.Unmarshal(f.Report, rep); err != nil {
		return nil, nil, fmt.Errorf("read report of import: %w", err)
	}
	return &f, rep, nil
}

// FileReport tells how an import over many herds stands.
func (b *Book) FileReport(ctx context.Context, p *Principal, id uuid.UUID) (*FileReport, error) {
	f, rep, err := b.file(ctx, p, id)
	if err != nil {
		return nil, err
	}
	r := &FileReport{
		ID: id, State: store.ImportDone, Mapping: f.Mapping, FileName: f.FileName, Digest: f.Digest, Problems: rep.Problems, Missing: rep.Missing, CreatedAt: f.CreatedAt,
	}
	if err := json.Unmarshal(f.Counts, &r.Counts); err != nil {
		return nil, fmt.Errorf("read report of import: %w", err)
	}
	herds, err := b.herdsByID(ctx)
	if err != nil {
		return nil, err
	}
	last, all := f.CreatedAt, true
	for _, part := range f.Parts {
		h := herds[part.Herd]
		if h == nil {
			continue // herds are never removed
		}
		report, err := b.ImportReport(ctx, h, part.Import)
		if err != nil {
			return nil, err
		}
		r.add(h, report)
		switch {
		case report.FinishedAt == nil:
			all = false
		case report.FinishedAt.After(last):
			last = *report.FinishedAt
		}
		if report.Error != "" {
			r.Error = "herd " + h.Name + ": " + report.Error
		}
	}
	if all {
		r.FinishedAt = &last
	} else if r.State == store.ImportFailed {
		r.State = store.ImportRunning
	}
	return r, nil
}

func (b *Book) herdsByID(ctx context.Context) (map[uuid.UUID]*Herd, error) {
	herds, err := b.db.Herds(ctx)
	if err != nil {
		return nil, wrap("list herds", err)
	}
	byID := make(map[uuid.UUID]*Herd, len(herds))
	for i := range herds {
		byID[herds[i].ID] = &herds[i]
	}
	return byID, nil
}

// FileRejects writes the rows that an import over many herds refused, of all
// herds and of none, in the order and form of the file, with the reasons.
func (b *Book) FileRejects(ctx context.Context, p *Principal, id uuid.UUID, w io.Writer) error {
	f, rep, err := b.file(ctx, p, id)
	if err != nil {
		return err
	}
	out, err := sheet.NewRejectWriter(w, rep.Layout)
	if err != nil {
		return err
	}
	sources := []*rejectSource{{read: func(after int64) ([]store.Reject, error) { return b.db.FileRejects(ctx, id, after, rejectPage) }}}
	for _, part := range f.Parts {
		sources = append(sources, &rejectSource{read: func(after int64) ([]store.Reject, error) {
			return b.db.Rejects(ctx, part.Herd, part.Import, after, rejectPage)
		}})
	}
	for {
		var first *rejectSource
		for _, s := range sources {
			if err := s.fill(); err != nil {
				return wrap("read refused rows", err)
			}
			if len(s.rows) > 0 && (first == nil || s.rows[0].Line < first.rows[0].Line) {
				first = s
			}
		}
		if first == nil {
			return out.Flush()
		}
		if err := writeReject(out, &first.rows[0]); err != nil {
			return err
		}
		first.rows = first.rows[1:]
	}
}

const rejectPage = 500

// rejectSource is one list of refused rows, read a page at a time.
type rejectSource struct {
	read func(after int64) ([]store.Reject, error)
	rows []store.Reject
	last int64
	done bool
}

func (s *rejectSource) fill() error {
	if len(s.rows) > 0 || s.done {
		return nil
	}
	rows, err := s.read(s.last)
	if err != nil {
		return err
	}
	if s.done = len(rows) < rejectPage; len(rows) > 0 {
		s.last = rows[len(rows)-1].Line
	}
	s.rows = rows
	return nil
}
