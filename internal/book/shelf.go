package book

import (
	"context"
	"log/slog"

	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// The fold of a large file that was imported stays in a temporary file until somebody
// reads the herd (repro.Shelved): the import tells its findings from there. So what it
// takes of memory does not grow with the file.

// adopt takes over the fold that was made of the rows of an import which are now the
// whole of the log, if nobody has read any of them yet.
func (b *Book) adopt(h *Herd, s *spill, head store.Head) {
	press := s.press
	if press == nil || head.Seq == 0 || press.Seq() != head.Seq {
		return
	}
	s.press = nil
	shelved, err := press.Finish()
	if err != nil {
		b.log.Warn("the log of an import is read again for its fold", slog.String("herd", h.Name), slog.Any("error", err))
		return
	}
	e := b.cache.take(h.ID)
	defer b.cache.give(e)
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.fold != nil && (e.head.Seq > 0 || e.epoch != s.epoch) {
		shelved.Close()
		return
	}
	e.unshelve()
	e.fold, e.shelved = nil, shelved
	e.voided, e.head, e.rev, e.epoch, e.kept = map[int64]bool{}, headOf(head), s.rev, s.epoch, 0
	if shelved.Away() {
		return
	}
	e.wake(b.life, b, h)
	if e.snapshotDue(b) {
		b.keep(h, e.epoch)
	}
}

// wake takes a fold off the shelf. If that fails, the entry is as one of a herd that was
// never read. The caller holds e.mu.
func (e *entry) wake(ctx context.Context, b *Book, h *Herd) {
	var err error
	e.fold, err = e.shelved.Wake()
	e.shelved = nil
	if err != nil {
		b.log.WarnContext(ctx, "a fold in a temporary file is not used; the log is read instead", slog.String("herd", h.Name), slog.Any("error", err))
		e.fold, e.head = nil, Head{}
	}
}

// unshelve gives up a fold on the shelf. The caller holds e.mu, or is the last who has
// the entry.
func (e *entry) unshelve() {
	if e.shelved != nil {
		e.shelved.Close()
		e.shelved, e.head = nil, Head{}
	}
}

// firstFindings lists what the records of the herd say today, as repro.FirstFindings.
// Where the fold is on the shelf it stays there.
func (b *Book) firstFindings(ctx context.Context, h *Herd, filter repro.FindingFilter, most int) (list []repro.Finding, count int, err error) {
	state, err := b.states.of(ctx, h.ID)
	if err != nil {
		return nil, 0, wrap("read head", err)
	}
	if e := b.cache.peek(h.ID); e != nil {
		list, count, ok := e.shelvedFindings(ctx, b, h, state, filter, most)
		b.cache.put(e)
		if ok {
			return list, count, nil
		}
	}
	err = b.View(ctx, h, AsOf{}, func(v *View) error {
		list, count = v.Fold.FirstFindings(v.Today, filter, most)
		return nil
	})
	return list, count, err
}

func (e *entry) shelvedFindings(ctx context.Context, b *Book, h *Herd, state store.State, filter repro.FindingFilter, most int) (list []repro.Finding, count int, ok bool) {
	e.mu.RLock()
	defer e.mu.RUnlock()
	if e.shelved == nil || e.head.Seq != state.Head.Seq || e.rev != state.PolicyRev || e.epoch != state.Epoch {
		return nil, 0, false
	}
	list, count, err := e.shelved.FirstFindings(b.today(h), filter, most)
	if err != nil {
		b.log.WarnContext(ctx, "findings could not be read from a temporary file", slog.String("herd", h.Name), slog.Any("error", err))
	}
	return list, count, err == nil
}

// close gives up what lies in files.
func (c *cache) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, e := range c.entries {
		e.mu.Lock()
		e.unshelve()
		e.mu.Unlock()
	}
}
