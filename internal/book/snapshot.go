package book

import (
	"context"
	"encoding/binary"
	"errors"
	"log/slog"
	"maps"
	"slices"

	"byrelog.example/internal/guard"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// Snapshots: the fold of a herd, packed and kept beside the log, so that a service
// that has just started need not read the log again. A snapshot is never trusted
// over the log. It is used only if its format and epoch are today's, its digest
// fits, and the log has at its seq the very chain that it was made at; the log's
// later events are then folded on top. Whatever does not fit is dropped, told in
// the log of the service, and made again from the log.

// snapshotForm is raised whenever the layout around the packed fold changes.
const snapshotForm = "1"

func snapshotFormat() string { return snapshotForm + "/" + repro.PackFormat() }

const (
	snapshotLeast = 1_000 // events from which reading the log is worth sparing
	snapshotStep  = 4     // a new one when the log has grown by one in so many since the last
)

var errSnapshot = errors.New("the snapshot does not fit the log")

// restore puts the herd's snapshot into an empty entry. It is false where there is
// none that may be used.
func (e *entry) restore(ctx context.Context, b *Book, h *Herd, state store.State, policies repro.Policies) bool {
	if b.plain || state.Head.Seq < snapshotLeast {
		return false
	}
	s, log, err := b.db.SnapshotOf(ctx, h.ID, snapshotFormat(), state.Epoch)
	if isNotFound(err) {
		return false
	}
	if err == nil {
		err = guard.Do("book.restore", func() error { return e.unpack(h, &s, log, state, policies) })
	}
	if err == nil {
		e.kept = s.Seq
		return true
	}
	e.fold, e.head = nil, Head{}
	b.log.WarnContext(ctx, "a snapshot is not used; the log is read instead", slog.String("herd", h.Name), slog.Any("error", err))
	var broken *guard.Panic
	if errors.Is(err, errSnapshot) || errors.As(err, &broken) {
		if err := b.db.DropSnapshot(ctx, h.ID); err != nil {
			b.log.WarnContext(ctx, "a snapshot was not dropped", slog.String("herd", h.Name), slog.Any("error", err))
		}
	}
	return false
}

func (e *entry) unpack(h *Herd, s *store.Snapshot, log [32]byte, state store.State, policies repro.Policies) error {
	if s.Seq > state.Head.Seq {
		return errors.New("the log has moved on meanwhile") // read between two appends: no fault
	}
	if s.Hash != log {
		return errSnapshot
	}
	if !s.Fits {
		return errSnapshot
	}
	voided, rest, err := unpackVoided(s.Bytes)
	if err != nil {
		return errors.Join(errSnapshot, err)
	}
	fold, err := repro.Unpack(rest, h.Name, policies)
	if err != nil || fold.Seq() != s.Seq {
		return errors.Join(errSnapshot, err)
	}
	e.fold, e.voided = fold, voided
	e.head = Head{Seq: s.Seq, Hash: s.Hash}
	return nil
}

// The voided seqs stand in front of the fold: their number, and the steps from one
// to the next.
func packVoided(voided map[int64]bool) []byte {
	b := binary.AppendUvarint(nil, uint64(len(voided)))
	last := int64(0)
	for _, seq := range slices.Sorted(maps.Keys(voided)) {
		b = binary.AppendVarint(b, seq-last)
		last = seq
	}
	return b
}

func unpackVoided(b []byte) (voided map[int64]bool, rest []byte, err error) {
	n, size := binary.Uvarint(b)
	if size <= 0 || n > uint64(len(b)) {
		return nil, nil, errSnapshot
	}
	b = b[size:]
	voided = make(map[int64]bool, n)
	seq := int64(0)
	for range n {
		step, size := binary.Varint(b)
		if size <= 0 {
			return nil, nil, errSnapshot
		}
		b = b[size:]
		seq += step
		voided[seq] = true
	}
	return voided, b, nil
}

// snapshotDue tells whether the entry has come far enough since its last snapshot.
// The caller holds e.mu.
func (e *entry) snapshotDue(b *Book) bool {
	return !b.plain && e.fold != nil && e.head.Seq >= snapshotLeast && e.head.Seq >= e.kept+max(snapshotLeast, e.kept/snapshotStep)
}

// keep makes the herd's snapshot in the background, one herd at a time; the
// readers of the herd wait for nothing.
func (b *Book) keep(h *Herd, epoch int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.stopping || b.keeping[h.ID] {
		return
	}
	b.keeping[h.ID] = true
	b.jobs.Add(1)
	guard.Go("book.snapshot", func() error {
		select {
		case b.packing <- struct{}{}:
			defer func() { <-b.packing }()
			return b.keepNow(b.life, h, epoch)
		case <-b.life.Done():
			return nil
		}
	}, func(err error) {
		if err != nil && b.life.Err() == nil {
			b.log.Warn("a snapshot was not kept", slog.String("herd", h.Name), slog.Any("error", err))
		}
		b.mu.Lock()
		delete(b.keeping, h.ID)
		b.mu.Unlock()
		b.jobs.Done()
	})
}

func (b *Book) keepNow(ctx context.Context, h *Herd, epoch int64) error {
	e := b.cache.peek(h.ID)
	if e == nil {
		return nil // it has left the cache meanwhile
	}
	defer b.cache.give(e)
	return b.keepEntry(ctx, h, e, epoch)
}

func (b *Book) keepEntry(ctx context.Context, h *Herd, e *entry, epoch int64) error {
	s, ok := e.pack(epoch)
	if !ok || len(s.Bytes) > store.MaxSnapshot {
		return nil
	}
	s.Digest = s.Sum(h.ID)
	if err := b.db.KeepSnapshot(ctx, h.ID, s); err != nil {
		return err
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.kept = max(e.kept, s.Seq)
	return nil
}

func (e *entry) pack(epoch int64) (s store.Snapshot, ok bool) {
	e.mu.RLock()
	defer e.mu.RUnlock()
	if e.fold == nil || e.head.Seq == 0 || e.head.Seq != e.fold.Seq() || e.epoch != epoch {
		return s, false
	}
	return store.Snapshot{
		Format: snapshotFormat(), Epoch: epoch, Seq: e.head.Seq, Hash: e.head.Hash,
		Bytes: e.fold.AppendPacked(packVoided(e.voided)),
	}, true
}

// Snapshot makes the herd's snapshot now, whatever its size, and says where the log
// stood. It is what the service does by itself in the background.
func (b *Book) Snapshot(ctx context.Context, h *Herd) (seq int64, err error) {
	if b.plain {
		return 0, fail(Invalid, "no-snapshots", "this service keeps no snapshots")
	}
	state, err := b.states.of(ctx, h.ID)
	if err != nil {
		return 0, wrap("read head", err)
	}
	e := b.cache.take(h.ID)
	defer b.cache.give(e)
	if err := e.refresh(ctx, b, h, state, false); err != nil {
		return 0, err
	}
	if err := b.keepEntry(ctx, h, e, state.Epoch); err != nil {
		return 0, wrap("keep snapshot", err)
	}
	e.mu.RLock()
	defer e.mu.RUnlock()
	return e.kept, nil
}
