package book

import (
	"context"
	"errors"
	"io"
	"time"

	"byrelog.example/internal/event"
	"byrelog.example/internal/exchange"
	"byrelog.example/internal/store"
)

// DefaultSource is what the service is called in exchanges unless it is told
// another name.
const DefaultSource = "byrelog"

// Exchange is a herd's log as resources of the exchange standard, up to the
// head of the moment at which it was asked for.
type Exchange struct {
	Head Head

	book   *Book
	herd   *Herd
	writer *exchange.Writer
}

// Source is what the service is called in exchanges: the meta.source of what it
// writes.
func (b *Book) Source() string { return b.source }

// system is the herd as it speaks to others.
func (b *Book) system(h *Herd) *exchange.System {
	return &exchange.System{Source: b.source, Herd: h.Name, Zone: zone(h.Zone)}
}

// Exchange prepares to write the resources that changed after seq since; 0 is
// everything that stands. upTo is the head to stop at, as it was read before.
func (b *Book) Exchange(ctx context.Context, h *Herd, since int64, upTo Head) (*Exchange, error) {
	x := &Exchange{Head: upTo, book: b, herd: h}
	index := &exchange.Index{Since: since}
	x.writer = &exchange.Writer{System: b.system(h), Index: index}
	if upTo.Seq == 0 {
		index.Settle()
		return x, nil
	}
	err := b.db.Scan(ctx, h.ID, 0, upTo.Seq, func(r *store.Row) error {
		e, err := event.DecodeCanonical(r.Bytes)
		if err == nil {
			index.Add(e, r.Seq, r.RecordedAt)
		}
		return err
	})
	if err != nil {
		return nil, wrap("read the log for an exchange", err)
	}
	index.Settle()
	return x, nil
}

// Each calls fn for every resource. Use it once.
func (x *Exchange) Each(ctx context.Context, fn func(*exchange.Resource) error) error {
	if x.Head.Seq == 0 {
		return nil
	}
	err := x.book.db.ScanNotes(ctx, x.herd.ID, 0, x.Head.Seq, func(r *store.Row) error {
		e, err := event.DecodeCanonical(r.Bytes)
		if err != nil {
			return err
		}
		if r.Note != nil {
			e.Note = r.Note.Body
		}
		res, err := x.writer.Next(e, r.Seq, r.RecordedAt)
		if err != nil || res == nil {
			return err
		}
		return fn(res)
	})
	return wrap("write an exchange", err)
}

// Written says, after Each, how many resources there were, and of them deleted
// ones; Lost what the standard has no place for.
func (x *Exchange) Written() (resources, deleted int) { return x.writer.Resources, x.writer.Deleted }

// Lost lists, after Each, the kinds of events that have no place in the
// standard, and the fields of the others that have none.
func (x *Exchange) Lost() []exchange.Count { return x.writer.Lost() }

// ExchangeOptions of an import of resources.
type ExchangeOptions struct {
	DryRun   bool
	Location string // the id of a place, beside the herd's own, whose resources are this herd's
}

// ExchangeReport says what became of the resources of an import.
type ExchangeReport struct {
	DryRun   bool
	Items    int // resources read
	Events   int // events appended
	Appended int // resources that were new
	Amended  int // newer versions of what was there
	Deleted  int
	Known    int // already there: nothing to do
	Unplaced int // of a type that the log has no place for
	Refused  int // with faults; Problems has the first of them
	Problems []exchange.Problem
	Lost     []exchange.Count // types and members that the log has no place for
	Head     Head
}

// ImportExchange takes in resources of the exchange standard: an array, a
// collection or one resource. What is new is appended, a newer version of a
// resource voids and replaces the event that it became, a deletion voids it.
// The same body again does nothing. Resources with faults are left out and
// told; a body that cannot be read, or has too many, is refused whole.
//
// The events are appended in chunks, each all or nothing; a void and its
// replacement are in the same one.
func (b *Book) ImportExchange(ctx context.Context, h *Herd, r io.Reader, o ExchangeOptions) (*ExchangeReport, error) {
	im := &exchange.Import{System: b.system(h), Today: b.today(h), Location: o.Location}
	if err := im.Read(r); err != nil {
		return nil, unreadable(err)
	}
	report := &ExchangeReport{DryRun: o.DryRun}
	const attempts = 20
	for i := 1; ; i++ {
		err := b.takeExchange(ctx, h, im, report)
		switch {
		case err == nil:
			return report, nil
		case !isConflict(err):
			return nil, report.interrupted(err)
		case i == attempts:
			return nil, report.interrupted(&Error{
				Kind: Unavailable, Code: "unavailable", RetryAfter: time.Second, Err: err,
				Detail: "others wrote to the herd's log again and again while this was compared with it",
			})
		}
		im.Again()
	}
}

// takeExchange compares the import with the log and appends what is new, as
// long as nobody else writes: what is known of a resource must not change
// between the look and the append, or two versions of it would stand. It is
// then a Conflict, and what was appended before is known the next time.
func (b *Book) takeExchange(ctx context.Context, h *Herd, im *exchange.Import, report *ExchangeReport) error {
	head, err := b.Head(ctx, h)
	if err != nil {
		return err
	}
	if err := b.compare(ctx, h, im, head.Seq); err != nil {
		return err
	}
	steps, known := im.Plan()
	report.Head, report.Items, report.Unplaced = head, im.Items, im.Unplaced
	report.Refused, report.Problems, report.Lost = im.Refused, im.Problems, im.Lost()
	report.Known = known - report.Appended - report.Amended - report.Deleted
	for len(steps) > 0 {
		n, events := chunk(steps)
		if !report.DryRun {
			at := report.Head.Seq
			receipt, err := b.Append(ctx, h, events, AppendOptions{History: true, ExpectHead: &at})
			if err != nil {
				return err
			}
			report.Head = receipt.Head
		}
		report.count(steps[:n], len(events))
		steps = steps[n:]
	}
	return nil
}

func isConflict(err error) bool {
	var be *Error
	return errors.As(err, &be) && be.Kind == Conflict
}

// compare shows the import the herd's log.
func (b *Book) compare(ctx context.Context, h *Herd, im *exchange.Import, upTo int64) error {
	if upTo == 0 {
		return nil
	}
	err := b.db.ScanNotes(ctx, h.ID, 0, upTo, func(r *store.Row) error {
		e, err := event.DecodeCanonical(r.Bytes)
		if err != nil {
			return err
		}
		if r.Note != nil {
			e.Note = r.Note.Body
		}
		im.Known(e, r.Seq, r.RecordedAt, r.NoteErased)
		return nil
	})
	return wrap("compare with the log", err)
}

// chunk is as many steps as fit into one append.
func chunk(steps []exchange.Step) (n int, events []*event.Event) {
	for n < len(steps) && len(events)+len(steps[n].Events) <= MaxAppend {
		events = append(events, steps[n].Events...)
		n++
	}
	return n, events
}

func (r *ExchangeReport) count(steps []exchange.Step, events int) {
	r.Events += events
	for _, s := range steps {
		switch s.What {
		case exchange.Appends:
			r.Appended++
		case exchange.Amends:
			r.Amended++
		case exchange.Deletes:
			r.Deleted++
		}
	}
}

// interrupted says what stands when a later chunk fails. The same body again
// goes on from there.
func (r *ExchangeReport) interrupted(err error) error {
	var be *Error
	if r.Events == 0 || !errors.As(err, &be) {
		return err
	}
	again := *be
	again.Detail += "; the resources before it were taken: send the same again, which stores nothing twice"
	return &again
}

func unreadable(err error) error {
	var syntax *exchange.SyntaxError
	var many *exchange.TooManyError
	switch {
	case errors.As(err, &syntax):
		return fail(Invalid, "invalid-exchange", "%s; nothing was taken", syntax.Error())
	case errors.As(err, &many):
		return fail(TooLarge, "too-many-resources", "%s", many.Error())
	}
	return err
}
