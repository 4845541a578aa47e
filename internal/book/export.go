package book

import (
	"context"
	"io"

	"byrelog.example/internal/event"
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
	err = b.db.ScanNotes(ctx, h.ID, 0, head.Seq, func(r *store.Row) error {
		e, err := event.DecodeCanonical(r.Bytes)
		if err != nil {
			return err
		}
		if r.Note != nil {
			e.Note, e.NoteSalt = r.Note.Body, r.Note.Salt
		}
		return out.Write(&event.Recorded{Event: *e, Seq: r.Seq, RecordedAt: r.RecordedAt, Leaf: r.Leaf, Hash: r.Hash})
	})
	if err != nil {
		return wrap("export", err)
	}
	return out.Close()
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
