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
	shelved := s.shelved
	if shelved == nil || head.Seq == 0 || shelved.Seq() != head.Seq {
		return
	}
	s.shelved = nil
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

// press folds the log up to seq into a fold on the shelf. Where that cannot be done it is
// false, and the entry as before. The caller holds e.mu.
func (e *entry) press(ctx context.Context, b *Book, h *Herd, seq int64, policies repro.Policies) bool {
	file, err := newTempFile()
	if err != nil {
		b.log.DebugContext(ctx, "a herd is folded in memory: there is no temporary folder", slog.Any("error", err))
		return false
	}
	press, voided := repro.NewPress(h.Name, policies, file, b.lot), map[int64]bool{}
	head, err := b.load(ctx, h, Head{}, voided, seq, press.Apply)
	if err != nil {
		press.Close()
		return false // who reads the log next tells why
	}
	shelved, err := press.Finish()
	if err != nil {
		b.log.WarnContext(ctx, "a herd is folded in memory", slog.String("herd", h.Name), slog.Any("error", err))
		return false
	}
	e.shelved, e.voided, e.head = shelved, voided, head
	return true
}

// firstFindings lists what the records of the herd say today, as repro.FirstFindings.
// Unless its fold is at hand, or a snapshot of it, that of a large herd is made on the
// shelf and stays there.
func (b *Book) firstFindings(ctx context.Context, h *Herd, filter repro.FindingFilter, most int) (list []repro.Finding, count int, err error) {
	state, err := b.states.of(ctx, h.ID)
	if err != nil {
		return nil, 0, wrap("read head", err)
	}
	e := b.cache.take(h.ID)
	defer b.cache.give(e)
	if err := e.refresh(ctx, b, h, state, true); err != nil {
		return nil, 0, err
	}
	if list, count, ok := e.onShelf(ctx, b, h, filter, most); ok {
		return list, count, nil
	}
	err = b.View(ctx, h, AsOf{}, func(v *View) error {
		list, count = v.Fold.FirstFindings(v.Today, filter, most)
		return nil
	})
	return list, count, err
}

// onShelf is false where the fold is not on the shelf, or its file cannot be read: then
// it cannot be woken either, and the log is read instead.
func (e *entry) onShelf(ctx context.Context, b *Book, h *Herd, filter repro.FindingFilter, most int) (list []repro.Finding, count int, ok bool) {
	e.mu.RLock()
	defer e.mu.RUnlock()
	if e.shelved == nil {
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
