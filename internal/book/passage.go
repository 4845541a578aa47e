package book

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// passage is a sheet on its way into a herd's log.
type passage struct {
	book   *Book
	herd   *Herd
	plan   importPlan
	reader *sheet.Reader
	dry    bool

	counts ImportCounts
	report report
	// voided are the targets of the voids so far, and rehearsal is what a dry run would
	// have appended so far, which a real one finds in the log.
	voided    map[uuid.UUID]bool
	rehearsal *rehearsal
	// alone says that the log was empty when the rows began to be appended, so
	// that their ids need not be looked up: the log's unique key tells if that
	// stops being true, by a row that comes twice or by another writer.
	alone bool
	spill *spill // what was sealed when the file was read through; nil: nothing
	place int64  // lines of the file that linesOf has passed
	done  int64  // lines that an import which is resumed has in the log

	sync    *syncIndex // nil: nothing to hold the sheet against
	ready   bool       // the index was read
	stated  map[mark]struct{}
	keys    map[mark]int32 // rows by their key: the line
	unread  bool           // a row's key could not be read: whether it is gone cannot be told
	arrived map[string][]arrival
	guards  bool // it is a rehearsal for the number of voids alone
}

// arrival is a new event of a sheet without a key.
type arrival struct {
	line  int
	event *event.Event
}

// report is what an import remembers beside its counts.
type report struct {
	Layout   sheet.Layout    `json:"layout"`
	Problems []sheet.Problem `json:"problems,omitempty"`
	Notices  []sheet.Problem `json:"notices,omitempty"`
	Seqs     [][2]int64      `json:"seqs,omitempty"` // appended, first and last of each run

	Differences []Difference `json:"differences,omitempty"`
}

// appended adds the seqs from first to last to those of the import.
func (r report) appended(first, last int64) report {
	if first > last {
		return r
	}
	r.Seqs = slices.Clone(r.Seqs)
	if n := len(r.Seqs); n > 0 && r.Seqs[n-1][1]+1 == first {
		r.Seqs[n-1][1] = last
	} else {
		r.Seqs = append(r.Seqs, [2]int64{first, last})
	}
	return r
}

func (b *Book) newPassage(h *Herd, plan importPlan, body io.Reader) (*passage, error) {
	m, err := parseMapping(plan.Doc)
	if err != nil {
		return nil, err
	}
	read := sheet.NewReader
	if plan.File != nil {
		read = sheet.NewPartReader
	}
	r, err := read(body, m, h.Name, plan.Today, append(plan.reading(), sheet.WithHerdID(h.ID.String()))...)
	if err != nil {
		return nil, fileFault(err)
	}
	p := &passage{
		book: b, herd: h, plan: plan, reader: r, report: report{Layout: r.Layout()}, voided: map[uuid.UUID]bool{},
		stated: map[mark]struct{}{}, keys: map[mark]int32{}, arrived: map[string][]arrival{},
	}
	if m.Resyncs() {
		p.sync, err = b.newSyncIndex(h, m, plan.Name)
	}
	return p, err
}

// readThrough reads a sheet to its end without looking at the log, and counts
// its rows. If there is a spill, the sealed rows go into it.
func (b *Book) readThrough(h *Herd, plan importPlan, body io.Reader, s *spill) (*sheet.Reader, error) {
	p, err := b.newPassage(h, plan, body)
	if err != nil {
		return nil, err
	}
	var problems []sheet.Problem
	var w *sealer
	if s != nil && p.sync == nil {
		w = newSealer(s)
		defer func() { w.finish(b.log) }()
	}
	for {
		line, err := p.reader.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		problems = keep(problems, line.Problems)
		if w != nil {
			w.add(&line)
		}
	}
	stats := p.reader.Stats()
	if plan.Strict && stats.Refused > 0 {
		return nil, strictFault(problems, stats.Refused)
	}
	return p.reader, nil
}

func strictFault(problems []sheet.Problem, refused int) error {
	e := &Error{
		Kind: Invalid, Code: "rows-refused",
		Detail: fmt.Sprintf("%d rows have faults and the import is strict: nothing was written", refused),
	}
	for _, p := range problems {
		e.Faults = append(e.Faults, Fault{Line: p.Line, Column: p.Column, Value: p.Value, Code: p.Code, Detail: p.Detail, Suggestion: p.Suggestion})
	}
	return e
}

func keep(list, more []sheet.Problem) []sheet.Problem {
	return append(list, more[:min(len(more), maxReported-len(list))]...)
}

// resume takes up the counts of an import and passes over its rows that are
// done. The file and the mapping are the same as before, so the rows are too.
func (p *passage) resume(ctx context.Context, job *store.Import) error {
	if job.ChunksDone == 0 {
		return nil
	}
	if err := p.readIndex(ctx); err != nil {
		return err
	}
	if err := errors.Join(json.Unmarshal(job.Counts, &p.counts), json.Unmarshal(job.Report, &p.report)); err != nil {
		return fmt.Errorf("read progress of import: %w", err)
	}
	if p.spill != nil {
		p.done = job.RowsDone
		return nil
	}
	for range job.RowsDone {
		line, err := p.reader.Next()
		if err != nil {
			return fmt.Errorf("pass over rows that are done: %w", err)
		}
		p.mark(&line)
		p.recall(&line)
	}
	return nil
}

// chunk reads the rows of the next transaction. io.EOF comes with the last
// rows of the sheet.
func (p *passage) chunk() ([]sheet.Line, error) {
	var lines []sheet.Line
	events := 0
	for events < chunkEvents && len(lines) < chunkRows {
		line, err := p.nextLine()
		if err != nil {
			return lines, err
		}
		events += len(line.Events)
		lines = append(lines, line)
	}
	return lines, nil
}

func (p *passage) nextLine() (sheet.Line, error) {
	line, err := p.reader.Next()
	line.Cells = slices.Clone(line.Cells) // the reader uses them again
	return line, err
}

// piece is what chunks gives: the rows of a transaction, or why there are none.
type piece struct {
	lines []sheet.Line
	last  bool
	err   error

	spilled *spillChunk // the rows are in the spill
	rows    []store.Row // and were read from there; nil if they have to be read anew
	from    int64       // lines of the file before them
}

// lineCount is how many lines of the file the piece takes.
func (c *piece) lineCount() int64 {
	if c.spilled != nil {
		return c.spilled.lines
	}
	return int64(len(c.lines))
}

// linesOf gives the rows of a piece as lines of the sheet. Of pieces from a
// spill they are read from the file, which does not go back: earlier pieces must
// be in the log.
func (p *passage) linesOf(c *piece) ([]sheet.Line, error) {
	if c.spilled == nil || c.spilled.lines == 0 || c.lines != nil {
		return c.lines, nil
	}
	for ; p.place < c.from; p.place++ {
		if _, err := p.reader.Next(); err != nil {
			return nil, fmt.Errorf("pass over rows that are done: %w", err)
		}
	}
	for ; p.place < c.from+c.spilled.lines; p.place++ {
		line, err := p.nextLine()
		if err != nil {
			return nil, fmt.Errorf("read staged file: %w", err)
		}
		c.lines = append(c.lines, line)
	}
	return c.lines, nil
}

// chunks reads the rest of the sheet, one chunk ahead of whoever appends them.
// It ends after the last chunk, after an error, or with ctx.
func (p *passage) chunks(ctx context.Context) <-chan *piece {
	next := func() *piece {
		lines, err := p.chunk()
		c := &piece{lines: lines, last: errors.Is(err, io.EOF)}
		if !c.last {
			c.err = err
		}
		return c
	}
	if p.spill != nil {
		next = p.spill.pieces(p.done, p.book.log)
	}
	out := make(chan *piece, 1)
	hand := func(c *piece) bool {
		select {
		case out <- c:
			return !c.last && c.err == nil
		case <-ctx.Done():
			return false
		}
	}
	guard.Go("book.chunks", func() error {
		for hand(next()) {
		}
		return nil
	}, func(err error) {
		if err != nil {
			hand(&piece{err: err})
		}
		close(out)
	})
	return out
}

// expect finds out whether the log has anything that the rows could be held
// against.
func (p *passage) expect(ctx context.Context) error {
	head, err := p.book.db.HeadOf(ctx, p.herd.ID)
	p.alone = head.Seq == 0
	return wrap("read head", err)
}

// sorted is a chunk held against the log.
type sorted struct {
	fresh   []*row
	lines   []int        // of the fresh rows
	counts  ImportCounts // with this chunk
	report  report       // with this chunk
	rejects []store.Reject
	edited  map[uuid.UUID]*event.Event // what the rows state instead of events of the log
	told    int                        // differences of the report that are not of this chunk
	more    bool                       // the sheet is read, and there is more to void than one chunk takes
}

// sort finds out what of a chunk is new and which rows the log contradicts. A
// row is taken whole or set aside whole. With the last rows comes what the
// sheet does not state any more.
func (p *passage) sort(ctx context.Context, lines []sheet.Line, last bool) (*sorted, error) {
	if err := p.readIndex(ctx); err != nil {
		return nil, err
	}
	out := &sorted{counts: p.counts, report: p.report, edited: map[uuid.UUID]*event.Event{}, told: len(p.report.Differences)}
	out.report.Differences = slices.Clip(out.report.Differences)
	changes := make([][]change, len(lines))
	n := 0
	for i := range lines {
		n += len(lines[i].Events)
	}
	events, room := make([]*event.Event, 0, n), make([]change, n)
	for i := range lines {
		p.mark(&lines[i])
		n = len(lines[i].Events)
		changes[i], room = room[:n:n], room[n:]
		p.decide(&lines[i], changes[i])
		for _, c := range changes[i] {
			if c.kind != changeNone && c.kind != changeTell {
				events = append(events, c.event)
			}
			if c.void != nil {
				events = append(events, c.void)
			}
		}
	}
	var gone []change
	if last {
		gone = p.gone()
		for _, g := range gone {
			if g.void != nil {
				events = append(events, g.void)
			}
		}
	}
	c, err := p.book.newClassifier(ctx, p.herd, events, p.alone, nil)
	if err != nil {
		return nil, err
	}
	c.seen, c.voided = p.rehearsal, p.voided
	for i := range lines {
		if err := p.sortLine(ctx, c, &lines[i], changes[i], out); err != nil {
			return nil, err
		}
	}
	if err := p.sortGone(ctx, c, gone, out); err != nil {
		return nil, err
	}
	if err := p.describe(ctx, out); err != nil {
		return nil, err
	}
	if p.dry {
		p.counts, p.report = out.counts, out.report
		return out, p.remember(ctx, out)
	}
	return out, nil
}

func (p *passage) sortLine(ctx context.Context, c *classifier, line *sheet.Line, changes []change, out *sorted) error {
	if line.End {
		return nil // it closes the file and is no record of the herd
	}
	out.counts.Rows++
	out.report.Notices = keep(out.report.Notices, line.Notices)
	taken := lineSorted{problems: line.Problems}
	for i := range changes {
		if err := p.sortChange(ctx, c, line, &changes[i], &taken); err != nil {
			return err
		}
	}
	switch {
	case len(taken.problems) > 0:
		c.forget(taken.fresh)
		out.counts.Refused++
		out.report.Problems = keep(out.report.Problems, taken.problems)
		reject, err := rejected(line, taken.problems)
		if err != nil {
			return err
		}
		out.rejects = append(out.rejects, reject)
	case line.Skipped != "":
		out.counts.Skipped++
	default:
		out.take(line.Number, &taken)
	}
	return nil
}

func (p *passage) sortEvent(ctx context.Context, c *classifier, line *sheet.Line, e *event.Event) (*sheet.Problem, verdict, error) {
	fault, err := c.reference(ctx, e)
	if err != nil {
		return nil, verdict{}, err
	}
	if fault != nil {
		return &sheet.Problem{Line: line.Number, Column: fault.Column, Field: fault.Column, Value: fault.Value, Code: fault.Code, Detail: fault.Detail}, verdict{}, nil
	}
	v, err := c.sort(ctx, e)
	if err != nil || v.outcome != InConflict {
		return nil, v, err
	}
	return &sheet.Problem{
		Line: line.Number, Column: "event_id", Field: "event_id", Value: e.ID.String(), Code: "conflict",
		Detail:     "the log has an event of this id with other content",
		Suggestion: "to correct a stored event, add a row of kind void that names it and a row with the right content, a new id and replaces",
	}, v, nil
}

func rejected(line *sheet.Line, problems []sheet.Problem) (store.Reject, error) {
	cells, err := json.Marshal(line.Cells)
	if err != nil {
		return store.Reject{}, fmt.Errorf("keep refused row: %w", err)
	}
	doc, err := json.Marshal(problems)
	if err != nil {
		return store.Reject{}, fmt.Errorf("keep refused row: %w", err)
	}
	return store.Reject{Line: int64(line.Number), Row: string(cells), Errors: doc}, nil
}

// append writes a chunk and the import's progress in one transaction. more
// tells that the import is not at its end.
func (p *passage) append(ctx context.Context, job *store.Import, lines []sheet.Line, last bool) (more bool, err error) {
	const attempts = 50
	for i := 0; ; i++ {
		out, err := p.sort(ctx, lines, last)
		if err != nil {
			return false, err
		}
		more := !last || out.more
		progress, err := p.progress(job, out, int64(len(lines)), !more)
		if err != nil {
			return false, err
		}
		before := out.report
		head, err := p.book.db.Append(ctx, p.herd.ID, store.Bulk, func(head store.Head) (store.Batch, error) {
			if p.sync != nil && head.Seq != p.sync.trust {
				return store.Batch{}, errMoved
			}
			n := newNumberer(p.herd, head, p.book.stamp())
			batch := store.Batch{Import: progress, Rows: make([]store.Row, len(out.fresh))}
			for i, r := range out.fresh {
				batch.Rows[i] = n.number(r)
			}
			var err error
			out.report = before.appended(head.Seq+1, head.Seq+int64(len(out.fresh)))
			progress.Report, err = out.report.doc()
			return batch, err
		})
		if (errors.Is(err, store.ErrIDTaken) || errors.Is(err, errMoved)) && i < attempts {
			p.alone, p.ready = false, false
			continue // the file has it twice, or somebody else wrote to the log meanwhile: look again
		}
		if errors.Is(err, errMoved) {
			return false, &Error{Kind: Unavailable, Code: "herd-busy", RetryAfter: retryImport, Detail: "too much is being appended to this herd just now"}
		}
		if err != nil {
			return false, wrap("append rows of import", err)
		}
		p.book.wake(p.herd.ID)
		p.counts, p.report = out.counts, out.report
		if p.sync != nil {
			p.sync.trust = head.Seq
			p.ready = !out.more // what was voided must be seen before the rest is looked for
		}
		job.ChunksDone, job.RowsDone = progress.ChunksDone, progress.RowsDone
		return more, nil
	}
}

func (r report) doc() (json.RawMessage, error) {
	doc, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("keep progress: %w", err)
	}
	return doc, nil
}

func (p *passage) progress(job *store.Import, out *sorted, rows int64, last bool) (*store.ImportProgress, error) {
	counts, err := json.Marshal(out.counts)
	if err != nil {
		return nil, fmt.Errorf("keep progress: %w", err)
	}
	doc, err := out.report.doc()
	if err != nil {
		return nil, err
	}
	state := store.ImportRunning
	if last {
		state = store.ImportDone
	}
	return &store.ImportProgress{
		ID: job.ID, Was: job.ChunksDone, ChunksDone: job.ChunksDone + 1, RowsDone: job.RowsDone + rows,
		State: state, Counts: counts, Report: doc, Rejects: out.rejects, At: p.book.stamp(),
	}, nil
}
