package book

import (
	"context"
	"errors"

	"byrelog.example/internal/store"
)

// carrier takes the chunks of an import into the log in order, each in a transaction of
// its own under the head's lock.
type carrier struct {
	p     *passage
	job   *store.Import
	head  store.Head // after the last chunk that went in sealed
	rough bool       // a chunk with rows did not
}

// take takes a chunk.
func (c *carrier) take(ctx context.Context, x *piece) error {
	if len(x.rows) > 0 && c.p.alone {
		taken, err := c.sealed(ctx, x)
		if taken || err != nil {
			return err
		}
	}
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

// sealed takes a chunk whose rows were sealed when the file was read through, into a log
// that was empty when they began to be appended. It is false where one of their ids is
// there by now: the file has it twice, or somebody else has brought it; then the rows are
// looked at one by one.
func (c *carrier) sealed(ctx context.Context, x *piece) (taken bool, err error) {
	out := &sorted{counts: c.p.counts, report: c.p.report}
	n := int64(len(x.rows))
	out.counts.Rows += x.spilled.rows
	out.counts.Skipped += x.spilled.skipped
	out.counts.Events += n
	out.counts.Appended += n
	progress, err := c.p.progress(c.job, out, x.lineCount(), x.last)
	if err != nil {
		return false, err
	}
	before := out.report
	head, err := c.p.book.db.Append(ctx, c.p.herd.ID, store.Bulk, func(head store.Head) (store.Batch, error) {
		n := newNumberer(c.p.herd, head, c.p.book.stamp())
		for i := range x.rows {
			n.place(&x.rows[i])
		}
		var err error
		out.report = before.appended(head.Seq+1, n.head.Seq)
		progress.Report, err = out.report.doc()
		return store.Batch{Import: progress, Rows: x.rows}, err
	})
	if errors.Is(err, store.ErrIDTaken) {
		c.p.alone = false
		return false, nil
	}
	if err != nil {
		return false, wrap("append rows of import", err)
	}
	c.p.book.wake(c.p.herd.ID)
	c.p.counts, c.p.report, c.head = out.counts, out.report, head
	c.job.ChunksDone, c.job.RowsDone = progress.ChunksDone, progress.RowsDone
	return true, nil
}

// smooth tells whether every row went in sealed.
func (c *carrier) smooth() bool { return !c.rough }
