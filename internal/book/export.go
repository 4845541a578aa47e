package book

import (
	"context"
	"io"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// Export writes the herd's whole log, voided events and voids included, as CSV
// in the interchange profile, up to the head of the moment at which it begins.
// The last record carries that head, so that a cut-off file is told from a whole
// one. Equal logs give equal bytes.
func (b *Book) Export(ctx context.Context, h *Herd, w io.Writer) error {
	return b.ExportAs(ctx, h, sheet.Form{}, w)
}

// ExportAs is Export in either profile.
func (b *Book) ExportAs(ctx context.Context, h *Herd, f sheet.Form, w io.Writer) error {
	head, err := b.db.HeadOf(ctx, h.ID)
	if err != nil {
		return wrap("read head", err)
	}
	out, err := sheet.NewFormWriter(w, h.Name, f)
	if err != nil {
		return err
	}
	if head.Seq == 0 {
		return out.Close()
	}
	if err := b.recorded(ctx, h, head.Seq, out.Write); err != nil {
		return wrap("export", err)
	}
	return out.Close()
}

// recorded reads the whole log up to seq with its notes and hands on event by
// event. While some are used the next ones are being decoded.
func (b *Book) recorded(ctx context.Context, h *Herd, seq int64, use func(*event.Recorded) error) error {
	const batch = 1024
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	lots, free := make(chan []event.Recorded, 1), make(chan []event.Recorded, 3)
	for range 3 {
		free <- make([]event.Recorded, 0, batch)
	}
	read := make(chan error, 1)
	guard.Go("book.export", func() error {
		events := <-free
		hand := func() error {
			select {
			case lots <- events:
			case <-ctx.Done():
				return ctx.Err()
			}
			select {
			case events = <-free:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		err := b.db.ScanNotes(ctx, h.ID, 0, seq, func(r *store.Row) error {
			e, err := event.DecodeCanonical(r.Bytes)
			if err != nil {
				return err
			}
			if r.Note != nil {
				e.Note, e.NoteSalt = r.Note.Body, r.Note.Salt
			}
			events = append(events, event.Recorded{Event: *e, Seq: r.Seq, RecordedAt: r.RecordedAt, Leaf: r.Leaf, Hash: r.Hash})
			if len(events) == batch {
				return hand()
			}
			return nil
		})
		if err == nil && len(events) > 0 {
			err = hand()
		}
		return err
	}, func(err error) {
		read <- err
		close(lots)
	})
	for events := range lots {
		for i := range events {
			if err := use(&events[i]); err != nil {
				cancel()
				for range lots { // the reader ends before its caller does
				}
				return err
			}
		}
		free <- events[:0]
	}
	return <-read
}

// DataPackage describes the herd's export, or the tables if there are any, as a
// Data Package 2.0 with every file in both profiles: the meaning, type and bounds
// of every column. path names the file of the export.
func (b *Book) DataPackage(ctx context.Context, h *Herd, path string, tables []*sheet.Table) ([]byte, error) {
	head, err := b.db.HeadOf(ctx, h.ID)
	if err != nil {
		return nil, wrap("read head", err)
	}
	x := sheet.Export{Herd: h.Name, Title: h.Title, Path: path, Created: b.stamp(), Both: true, Tables: tables}
	if head.Seq > 0 {
		x.Head = sheet.Stamp{Seq: head.Seq, RecordedAt: head.RecordedAt, Hash: head.Hash}
	}
	return sheet.DataPackage(x)
}
