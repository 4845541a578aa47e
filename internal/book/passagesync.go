package book

import (
	"context"
	"fmt"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// A file may void some events of its mapping without being asked, however few
// the mapping has: correcting a handful of rows is an everyday thing.
const freeVoids = 3

// lineSorted is one row held against the log.
type lineSorted struct {
	problems []sheet.Problem
	fresh    []*row
	counts   ImportCounts
	diffs    []Difference
	edited   []*event.Event // beside diffs
}

// take adds a sound row to its chunk.
func (s *sorted) take(line int, l *lineSorted) {
	c := &s.counts
	c.Appended += l.counts.Appended
	c.AlreadyThere += l.counts.AlreadyThere
	c.Amended += l.counts.Amended
	c.Changed += l.counts.Changed
	c.Events += l.counts.Appended + l.counts.AlreadyThere + l.counts.Amended + l.counts.Changed
	for i := range l.diffs {
		s.tell(&l.diffs[i])
		s.edited[l.diffs[i].Event] = l.edited[i]
	}
	for _, r := range l.fresh {
		s.fresh = append(s.fresh, r)
		s.lines = append(s.lines, line)
	}
}

// tell keeps a difference, as long as there is room.
func (s *sorted) tell(d *Difference) {
	if len(s.report.Differences) < maxDifferences {
		s.report.Differences = append(s.report.Differences, *d)
	}
}

// maxDifferences of an import are kept; all are counted.
const maxDifferences = 500

// readIndex brings the index up to the head of the log where that is needed.
func (p *passage) readIndex(ctx context.Context) error {
	if p.sync == nil || p.ready {
		return nil
	}
	if err := p.sync.refresh(ctx); err != nil {
		return err
	}
	p.ready = true
	return nil
}

// mark notes which rows the file has. Marking a row again changes nothing.
func (p *passage) mark(line *sheet.Line) {
	if p.sync == nil || line.End {
		return
	}
	m := p.reader.Mapping()
	switch refused := len(line.Problems) > 0; {
	case !m.Keyed() && refused, m.Keyed() && refused && line.Key == "":
		p.unread = true
	case refused:
		for _, ref := range m.Refs(line.Key) {
			p.stated[markOf(ref)] = struct{}{}
		}
	}
	if line.Key != "" {
		if _, twice := p.keys[markOf(line.Key)]; !twice {
			p.keys[markOf(line.Key)] = int32(min(line.Number, 1<<31-1)) //nolint:gosec // bounded on this line
		}
	}
	for _, e := range line.Events {
		p.stated[p.sync.markOf(e)] = struct{}{}
	}
}

// recall notes what an import that is resumed appended before.
func (p *passage) recall(line *sheet.Line) {
	if p.sync == nil || p.reader.Mapping().Keyed() {
		return
	}
	for _, e := range line.Events {
		o := p.sync.origins[p.sync.markOf(e)]
		if o != nil && len(o.current) > 0 && within(p.report.Seqs, o.current[0].seq) {
			p.arrive(line.Number, e)
		}
	}
}

func (p *passage) arrive(line int, e *event.Event) {
	k := e.Kind.String() + " " + e.Animal
	p.arrived[k] = append(p.arrived[k], arrival{line, e})
}

// decide holds the events of a row against what the sheet stated before; list
// has a place for each.
func (p *passage) decide(line *sheet.Line, list []change) {
	for i, e := range line.Events {
		if p.sync == nil {
			list[i] = change{kind: changeFresh, event: e}
			continue
		}
		shared := false
		for j, other := range line.Events {
			shared = shared || i != j && other.Ref == e.Ref
		}
		list[i] = p.sync.decide(line.Number, e, p.plan.Today, shared)
	}
}

// sortChange sorts what a row makes of one event.
func (p *passage) sortChange(ctx context.Context, c *classifier, line *sheet.Line, ch *change, l *lineSorted) error {
	switch ch.kind {
	case changeNone:
		l.counts.AlreadyThere++
		return nil
	case changeTell:
		l.counts.Changed++
		l.diffs, l.edited = append(l.diffs, *ch.diff), append(l.edited, ch.event)
		return nil
	case changeFresh, changeAmend, changeReturn:
	}
	if ch.void != nil {
		problem, v, err := p.sortEvent(ctx, c, line, ch.void)
		if err != nil {
			return err
		}
		if problem != nil {
			l.problems = append(l.problems, *problem)
			return nil
		}
		if v.outcome == Appended {
			l.fresh = append(l.fresh, v.row)
		}
	}
	problem, v, err := p.sortEvent(ctx, c, line, ch.event)
	switch {
	case err != nil:
		return err
	case problem != nil:
		l.problems = append(l.problems, *problem)
	case v.outcome != Appended:
		l.counts.AlreadyThere++
	default:
		l.fresh = append(l.fresh, v.row)
		if ch.kind == changeAmend {
			l.counts.Amended++
			return nil
		}
		l.counts.Appended++
		if ch.kind == changeFresh && p.sync != nil && !p.reader.Mapping().Keyed() {
			p.arrive(line.Number, ch.event)
		}
	}
	return nil
}

// gone finds what the log has of the sheet and the file does not state, and
// what becomes of it.
func (p *passage) gone() []change {
	if p.sync == nil || p.plan.Part || p.reader.IsPart() {
		return nil
	}
	m := p.reader.Mapping()
	unread := p.unread || p.reader.Unread()
	var list []change
	for _, g := range p.sync.gone(p.stated, p.keys) {
		d := &Difference{Code: DiffVanished, Line: g.line, Event: g.held.id, Seq: g.held.seq, Ref: g.origin.ref}
		reason := ""
		switch {
		case g.there && g.amend:
			reason = "the row of the sheet does not state it any more"
		case g.there:
			d.Code = DiffCleared
			d.Detail = "the row is there and does not state this event any more; the log keeps it"
			d.Suggestion = "if it was wrong, void it by hand, or let the mapping say on_change: amend"
		case m.OnVanish == sheet.OnVanishIgnore:
			continue
		case m.OnVanish == sheet.OnVanishVoid && !unread:
			reason = "the row is gone from the sheet"
		case m.OnVanish == sheet.OnVanishVoid:
			d.Detail = "the row is gone from the sheet; the event stands, because the file has rows that could not be read, and it may be one of them"
			d.Suggestion = "mend the refused rows and send the whole sheet again"
		default:
			d.Detail = "the row is gone from the sheet; the log keeps its event"
			d.Suggestion = "if it was deleted because it was wrong, void the event by hand; say on_vanish: ignore if the files hold only a part of the sheet, void if they are always the whole of it"
		}
		ch := change{kind: changeTell, diff: d}
		if reason != "" {
			ch.void = p.sync.void(&g.held, g.origin.ref, p.plan.Today, reason)
		}
		list = append(list, ch)
	}
	return list
}

// sortGone adds to the last chunk what the sheet does not state any more. What
// one transaction cannot take is left for the next, and what is only told is
// told with the last.
func (p *passage) sortGone(ctx context.Context, c *classifier, gone []change, out *sorted) error {
	for i := range gone {
		if gone[i].void == nil {
			continue
		}
		if len(out.fresh) >= chunkEvents && !p.dry {
			out.more = true
			break
		}
		v, err := c.sort(ctx, gone[i].void)
		if err != nil {
			return err
		}
		if v.outcome == Appended {
			out.fresh, out.lines = append(out.fresh, v.row), append(out.lines, gone[i].diff.Line)
			out.counts.Withdrawn++
		}
	}
	if out.more {
		return nil
	}
	for i := range gone {
		if gone[i].void == nil {
			out.counts.Vanished++
			out.tell(gone[i].diff)
		}
	}
	return nil
}

// describe completes the differences of a chunk by what the log has.
func (p *passage) describe(ctx context.Context, out *sorted) error {
	fresh := out.report.Differences[out.told:]
	if len(fresh) == 0 {
		return nil
	}
	if err := p.sync.describe(ctx, fresh, out.edited); err != nil {
		return err
	}
	for i := range fresh {
		d := &fresh[i]
		candidates := p.arrived[d.Kind+" "+d.Animal]
		if d.Code != DiffVanished || len(candidates) == 0 {
			continue
		}
		// R13: an edited row of a sheet without a key is one that is gone and one
		// that is new. Which belongs to which is proposed, never guessed.
		nearest := candidates[0]
		for _, a := range candidates {
			if apart(a.event.On, d.On) < apart(nearest.event.On, d.On) {
				nearest = a
			}
		}
		d.Code, d.Line = DiffMaybe, nearest.line
		d.Detail = fmt.Sprintf("the row is gone from the sheet, and line %d is a new one of the same animal and kind: perhaps it was edited; both are in the log now", nearest.line)
		d.Suggestion = "if it was edited, void the old event; give the mapping a key, and edits are recognised"
	}
	return nil
}

func apart(a, b event.Date) event.Date { return max(a-b, b-a) }

// tooManyVoids tells, after a rehearsal, that the file would void more than it
// may; "" if not.
func (p *passage) tooManyVoids() string {
	voids := p.counts.Amended + p.counts.Withdrawn
	if p.sync == nil || voids == 0 {
		return ""
	}
	held := p.sync.inForce()
	m := p.reader.Mapping()
	limit := max(int64(held*m.VoidLimitPercent()/100), freeVoids)
	if p.plan.MaxVoids != nil {
		limit = *p.plan.MaxVoids
	}
	if voids <= limit {
		return ""
	}
	return fmt.Sprintf("it would void %d of the %d events that came by this mapping (%d edited, %d gone), and %d are allowed: nothing was written. "+
		"If the sheet is right and whole, send it again and allow as many: max_voids=%d (byrelog import --max-voids %d)", voids, held, p.counts.Amended, p.counts.Withdrawn, limit, voids, voids)
}

// ImportFindings are what the herd's records say of the events of an import.
type ImportFindings struct {
	Count int
	Items []ImportFinding // the first of them
}

// ImportFinding is a finding and the lines of the file that it is about; a dry
// run has no seqs for its own events.
type ImportFinding struct {
	repro.Finding
	Lines []int
}

// findingsOf finds what the records say of the events that an import appended.
func (b *Book) findingsOf(ctx context.Context, h *Herd, seqs [][2]int64) (*ImportFindings, error) {
	out := &ImportFindings{}
	if len(seqs) == 0 {
		return out, nil
	}
	about := repro.FindingFilter{About: func(seq int64) bool { return within(seqs, seq) }}
	first, count, err := b.firstFindings(ctx, h, about, maxReported)
	out.Count = count
	for _, f := range first {
		out.Items = append(out.Items, ImportFinding{Finding: f})
	}
	return out, err
}
