package book

import (
	"context"
	"errors"

	"github.com/google/uuid"

	"byrelog.example/internal/guard"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

const (
	// flightsAhead is how many chunks of an import are on their way at once: while
	// one is being committed the server stores the rows of the next.
	flightsAhead = 2
	// restAfter is for how many chunks an import takes one at a time after another
	// writer of the herd came between: it is probably not the last of it.
	restAfter = 8
)

// carrier is a pipeline under optimistic concurrency control: it takes the chunks of an
// import into the log in order, the next ones while
// the first is still being committed. What is sent off ahead has its numbers and
// its chain from where the head will be if all goes well. If it does not (another
// writer came between, the file has an id twice), nothing of it is in the log, and
// it is taken again, one chunk after the other under the head's lock.
type carrier struct {
	p       *passage
	job     *store.Import // as it will be when everything sent off is in the log
	head    store.Head    // likewise; only valid if known
	known   bool
	rest    int
	rough   bool // a chunk with rows was not sent off, or came back
	flights []*flight
}

// flight is a chunk on its way.
type flight struct {
	piece  *piece
	ids    map[uuid.UUID]struct{}
	before standing
	began  chan struct{}
	turn   chan struct{}
	stop   context.CancelFunc
	done   chan struct{}
	err    error // valid when done
}

// standing is where an import stood before a chunk.
type standing struct {
	counts                ImportCounts
	report                report
	chunksDone, doneCount int64
}

func (c *carrier) standing() standing {
	return standing{c.p.counts, c.p.report, c.job.ChunksDone, c.job.RowsDone}
}

func (c *carrier) restore(s standing) {
	c.p.counts, c.p.report, c.job.ChunksDone, c.job.RowsDone = s.counts, s.report, s.chunksDone, s.doneCount
}

// take takes a chunk. Its error may be that of an earlier one.
func (c *carrier) take(ctx context.Context, x *piece) error {
	if c.rest == 0 && c.p.sync == nil {
		sent, err := c.send(ctx, x)
		if sent || err != nil {
			return err
		}
	}
	if err := c.land(ctx); err != nil {
		return err
	}
	c.rest = max(c.rest-1, 0)
	return c.one(ctx, x)
}

// smooth tells whether every row was sent off and has arrived as it was numbered.
func (c *carrier) smooth() bool { return !c.rough && len(c.flights) == 0 }

// one takes a chunk under the head's lock, when nothing is on its way.
func (c *carrier) one(ctx context.Context, x *piece) error {
	c.known = false
	c.rough = c.rough || x.lineCount() > 0
	lines, err := c.p.linesOf(x)
	if err != nil {
		return err
	}
	more, err := c.p.append(ctx, c.job, lines, x.last)
	for x.last && more && err == nil {
		more, err = c.p.append(ctx, c.job, nil, true)
	}
	return err
}

// plain tells whether the rows say nothing about other events of the log.
func plain(lines []sheet.Line) bool {
	for i := range lines {
		for _, e := range lines[i].Events {
			if target, _ := named(e); target != uuid.Nil {
				return false
			}
		}
	}
	return true
}

// send sends a chunk off if that can be done.
func (c *carrier) send(ctx context.Context, x *piece) (sent bool, err error) {
	for len(c.flights) >= flightsAhead {
		if err := c.await(ctx); err != nil || c.rest > 0 {
			return false, err
		}
	}
	out, rows, err := c.ready(ctx, x)
	if err != nil || len(rows) == 0 {
		return false, err
	}
	f := &flight{
		piece: x, ids: make(map[uuid.UUID]struct{}, len(rows)), before: c.standing(),
		began: make(chan struct{}), turn: make(chan struct{}), done: make(chan struct{}),
	}
	for i := range rows {
		f.ids[rows[i].ID] = struct{}{}
	}
	if len(f.ids) < len(rows) || c.flying(rows) {
		return false, nil
	}
	if !c.known {
		if c.head, err = c.p.book.db.HeadOf(ctx, c.p.herd.ID); err != nil {
			return false, wrap("read head", err)
		}
		c.known = true
	}
	if n := len(c.flights); n > 0 {
		select {
		case <-c.flights[n-1].began:
		case <-c.flights[n-1].done:
		}
	}
	n := newNumberer(c.p.herd, c.head, c.p.book.stamp())
	for i := range rows {
		n.place(&rows[i])
	}
	out.report = out.report.appended(c.head.Seq+1, n.head.Seq)
	b := store.Batch{Rows: rows}
	if b.Import, err = c.p.progress(c.job, out, x.lineCount(), x.last); err != nil {
		return false, err
	}
	if len(c.flights) == 0 {
		close(f.turn)
	}
	fctx, stop := context.WithCancel(ctx)
	f.stop = stop
	after := c.head
	landed := c.p.book.appenderOf(c.p.herd).ahead()
	guard.Go("book.ahead", func() error {
		_, err := c.p.book.db.AppendAhead(fctx, c.p.herd.ID, after, b, func() { close(f.began) }, f.turn)
		return err
	}, func(err error) {
		f.err = err
		landed()
		close(f.done)
	})
	c.flights = append(c.flights, f)
	c.head = n.head
	c.p.counts, c.p.report = out.counts, out.report
	c.job.ChunksDone, c.job.RowsDone = b.Import.ChunksDone, b.Import.RowsDone
	return true, nil
}

// ready gives the rows of a chunk that are new, not yet numbered; none if it must
// be taken under the head's lock.
func (c *carrier) ready(ctx context.Context, x *piece) (*sorted, []store.Row, error) {
	if x.rows != nil && c.p.alone {
		out := &sorted{counts: c.p.counts, report: c.p.report}
		n := int64(len(x.rows))
		out.counts.Rows += x.spilled.rows
		out.counts.Skipped += x.spilled.skipped
		out.counts.Events += n
		out.counts.Appended += n
		return out, x.rows, nil
	}
	if x.spilled != nil && len(c.flights) > 0 {
		if err := c.land(ctx); err != nil || c.rest > 0 {
			return nil, nil, err
		}
	}
	lines, err := c.p.linesOf(x)
	if err != nil || !plain(lines) {
		return nil, nil, err
	}
	out, err := c.p.sort(ctx, lines, x.last)
	if err != nil {
		return nil, nil, err
	}
	rows := make([]store.Row, len(out.fresh))
	for i, r := range out.fresh {
		rows[i] = r.stored()
	}
	return out, rows, nil
}

// flying tells whether any of the ids is on its way already.
func (c *carrier) flying(rows []store.Row) bool {
	for i := range rows {
		for _, f := range c.flights {
			if _, ok := f.ids[rows[i].ID]; ok {
				return true
			}
		}
	}
	return false
}

// await waits for the first of the flights. If it came back, it and all behind it
// are taken one by one.
func (c *carrier) await(ctx context.Context) error {
	f := c.flights[0]
	<-f.done
	f.stop()
	if f.err == nil {
		c.flights = c.flights[1:]
		if len(c.flights) > 0 {
			close(c.flights[0].turn)
		}
		c.p.book.wake(c.p.herd.ID)
		return nil
	}
	back := c.flights
	c.flights, c.known, c.rest = nil, false, restAfter
	c.p.alone = false
	for _, g := range back[1:] {
		g.stop()
		<-g.done
	}
	if ctx.Err() != nil || errors.Is(f.err, store.ErrOutcomeUnknown) {
		return wrap("append rows of import", f.err)
	}
	c.restore(f.before)
	for _, g := range back {
		if err := c.one(ctx, g.piece); err != nil {
			return err
		}
	}
	return nil
}

// land waits for everything that is on its way.
func (c *carrier) land(ctx context.Context) error {
	for len(c.flights) > 0 {
		if err := c.await(ctx); err != nil {
			return err
		}
	}
	return nil
}

// abandon ends what is on its way, after an error.
func (c *carrier) abandon() {
	for _, f := range c.flights {
		f.stop()
		<-f.done
	}
	c.flights = nil
}
