package book

import (
	"context"
	"encoding/binary"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// rehearsal is what a dry run would have appended so far: enough of each event to
// know it again, and the herd's fold as it would be. The events themselves are not
// kept, so that the size of a file says little about the memory that it takes.
type rehearsal struct {
	seen   map[uuid.UUID]seen
	salts  map[uuid.UUID]event.Salt // of the events with notes
	head   int64                    // of the log
	before map[string]bool          // what its records ask about already
	fold   *repro.Herd
	lines  []int32 // of the events, in order; 0: of none
}

// seen is an event of a dry run.
type seen struct {
	check uint64 // of its leaf
	at    int32  // its place behind the head, from 1
	kind  event.Kind
}

// checkOf is enough of a leaf to tell two contents of one id apart.
func checkOf(leaf event.Digest) uint64 { return binary.BigEndian.Uint64(leaf[:8]) }

// of finds an event; r may be nil.
func (r *rehearsal) of(id uuid.UUID) (seen, bool) {
	if r == nil {
		return seen{}, false
	}
	s, ok := r.seen[id]
	return s, ok
}

// remember takes in what a chunk of a dry run would append.
func (p *passage) remember(ctx context.Context, out *sorted) error {
	if len(out.fresh) == 0 {
		return nil
	}
	if p.rehearsal == nil {
		p.rehearsal = &rehearsal{seen: map[uuid.UUID]seen{}, salts: map[uuid.UUID]event.Salt{}}
		if err := p.rehearsal.begin(ctx, p); err != nil {
			return err
		}
	}
	r := p.rehearsal
	facts := make([]repro.Fact, len(out.fresh))
	for i, f := range out.fresh {
		r.lines = append(r.lines, int32(min(out.lines[i], 1<<31-1))) //nolint:gosec // bounded on this line
		at := len(r.lines)
		r.seen[f.event.ID] = seen{checkOf(f.leaf), int32(min(at, 1<<31-1)), f.event.Kind}
		if f.event.Note != "" {
			r.salts[f.event.ID] = f.event.NoteSalt
		}
		facts[i] = repro.Fact{Event: f.event, Seq: r.head + int64(at)}
	}
	if r.fold == nil {
		return nil
	}
	if err := p.book.resolveVoids(ctx, p.herd, facts); err != nil {
		return err
	}
	for i := range facts {
		if v, ok := facts[i].Event.Data.(*event.Void); ok && facts[i].Voids == 0 {
			facts[i].Voids = r.head + int64(r.seen[v.Event].at)
		}
	}
	r.fold.Apply(facts)
	return nil
}

// begin looks at the herd's records as they are, but not in a rehearsal for the
// number of voids alone.
func (r *rehearsal) begin(ctx context.Context, p *passage) error {
	if p.guards {
		return nil
	}
	return p.book.View(ctx, p.herd, AsOf{}, func(v *View) error {
		r.head, r.before = v.Fold.Seq(), map[string]bool{}
		v.Fold.EachFinding(p.plan.Today, repro.FindingFilter{}, func(f *repro.Finding) { r.before[findingKey(f)] = true })
		r.fold = v.Fold.Clone()
		return nil
	})
}

// raised is what the import would newly ask about: what the records with its
// events have that those without them have not.
func (p *passage) raised() *ImportFindings {
	out := &ImportFindings{}
	r := p.rehearsal
	if r == nil || r.fold == nil {
		return out
	}
	fresh := repro.FindingFilter{Keep: func(f *repro.Finding) bool { return !r.before[findingKey(f)] }}
	first, count := r.fold.FirstFindings(p.plan.Today, fresh, maxReported)
	out.Count = count
	for _, f := range first {
		out.Items = append(out.Items, r.withLines(f))
	}
	return out
}

func findingKey(f *repro.Finding) string {
	return f.Code + "\x00" + f.Animal + "\x00" + f.On.String() + "\x00" + f.Text
}

func (r *rehearsal) withLines(f repro.Finding) ImportFinding {
	x := ImportFinding{Finding: f}
	x.Seqs = nil
	for _, seq := range f.Seqs {
		if seq <= r.head {
			x.Seqs = append(x.Seqs, seq)
		} else if line := r.lines[seq-r.head-1]; line > 0 {
			x.Lines = append(x.Lines, int(line))
		}
	}
	return x
}
