package book

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// Outcome says what became of one event of an append.
type Outcome string

// The outcomes.
const (
	Appended     Outcome = "appended"      // it is new, and stored
	AlreadyThere Outcome = "already_there" // the same id with the same content was stored before
	InConflict   Outcome = "conflict"      // the id is taken by another content; nothing was written
)

// Result is the outcome of one event, in the order of the request.
type Result struct {
	ID      uuid.UUID
	Seq     int64 // 0 if it is not stored
	Outcome Outcome
	Hash    event.Digest // the chain at Seq; zero if it is not stored
}

// Receipt answers an append.
type Receipt struct {
	Results []Result
	Head    Head // of the herd, after the append
}

// Appended counts the events that were new.
func (r *Receipt) Appended() int {
	n := 0
	for i := range r.Results {
		if r.Results[i].Outcome == Appended {
			n++
		}
	}
	return n
}

// AppendOptions are the conditions of an append.
type AppendOptions struct {
	ExpectHead *int64 // the head must be here, else Conflict
	Key        *Key   // remembers the answer under an idempotency key
	// History says that the events come from an existing record, as an import's
	// do: what the herd's records contradict is a finding then, and not refused.
	History bool
	// DryRun says what the answer would be, and writes nothing: events that would be
	// new have no Seq, and the head is that before.
	DryRun bool
	// Unknown says whether an event about a number that nobody ever bore begins a
	// history: repro.UnknownRefuse or UnknownBegin; "" = as the herd's policy says.
	Unknown string
}

// Key remembers the answer of a request, in the transaction that writes its
// events. Render makes the answer that is kept.
type Key struct {
	Owner, Operation, Key string
	Fingerprint           [32]byte
	Render                func(*Receipt) (status int, body []byte)
}

// Append adds events to the herd's log: all of them or none. Events without an
// id get one. An event that is there already with the same content is no
// failure, so any call can be repeated; the same id with another content is a
// Conflict and nothing is written.
//
// The events are changed: ids, the herd's name and the note's commitment are
// filled in.
func (b *Book) Append(ctx context.Context, h *Herd, events []*event.Event, o AppendOptions) (*Receipt, error) {
	if len(events) == 0 {
		return nil, fail(Invalid, "no-events", "there is no event in the request")
	}
	if len(events) > MaxAppend {
		return nil, fail(TooLarge, "too-many-events", "%d events; at most %d in one request", len(events), MaxAppend)
	}
	j := &job{events: events, options: o, done: make(chan struct{})}
	err := b.prepare(h, j)
	if err != nil {
		return nil, err
	}
	if err := b.classify(ctx, h, j); err != nil {
		return nil, err
	}
	if o.DryRun {
		if _, err := b.judge(ctx, h, []*job{j}); err != nil {
			return nil, err
		}
		if j.refusal != nil {
			return nil, j.refusal
		}
	}
	if o.DryRun || len(j.fresh) == 0 && o.Key == nil && o.ExpectHead == nil {
		// Nothing to write: the answer is known without the head's lock.
		head, err := b.db.HeadOf(ctx, h.ID)
		return &Receipt{Results: j.results, Head: headOf(head)}, wrap("read head", err)
	}
	j.appender = b.appenderOf(h)
	if j.appender.gathers(j) && b.gathererOf(h).submit(j) {
		if receipt, err := j.wait(ctx); !errors.Is(err, errAside) {
			return receipt, err
		}
		j.done = make(chan struct{})
	}
	if err := j.appender.submit(j); err != nil {
		return nil, err
	}
	return j.wait(ctx)
}

// wait returns when the job is done with.
func (j *job) wait(ctx context.Context) (*Receipt, error) {
	select {
	case <-j.done:
		return j.receipt, j.err
	case <-ctx.Done():
		// The leader may be committing it at this moment.
		return nil, &Error{
			Kind: OutcomeUnknown, Code: "outcome-unknown", RetryAfter: time.Second, Err: ctx.Err(),
			Detail: "the request ended before the commit was known; send it again with the same ids, which stores nothing twice",
		}
	}
}

// prepare fills in what the server decides and checks every event by itself.
func (b *Book) prepare(h *Herd, j *job) error {
	events := j.events
	today := b.today(h)
	var list []Fault
	for i, e := range events {
		prefix := ""
		if len(events) > 1 {
			prefix = "/" + strconv.Itoa(i)
		}
		if e.Herd == "" {
			e.Herd = h.Name
		} else if e.Herd != h.Name {
			list = append(list, Fault{Pointer: prefix + "/herd", Column: "herd", Code: event.CodeHerdMismatch, Detail: "the event names another herd than the one addressed"})
		}
		if e.ID == uuid.Nil {
			e.ID = newID()
			if j.made == nil {
				j.made = make([]bool, len(events))
			}
			j.made[i] = true
		}
		if err := e.Validate(today); err != nil {
			list = append(list, faults(prefix, err)...)
		}
	}
	return refused(list)
}

func refused(list []Fault) error {
	if len(list) == 0 {
		return nil
	}
	detail := fmt.Sprintf("%d faults were found; nothing was written", len(list))
	if len(list) == 1 {
		detail = "a fault was found; nothing was written"
	}
	code := "invalid-event"
	if !slices.ContainsFunc(list, func(f Fault) bool { return f.Code != repro.RefuseUnknownAnimal }) {
		code = "unknown-animal"
	}
	return &Error{Kind: Invalid, Code: code, Detail: detail, Faults: list}
}

// judge holds what jobs bring against what the herd's records say, in the order in which
// they are written: what cannot be true is refused here, what is merely odd is a check
// later. It tells at which head it looked: only right behind it may they be written. at is
// -1 if there is nothing to judge. Only what is new is judged: a repeated event is in the
// records that it would be held against.
func (b *Book) judge(ctx context.Context, h *Herd, group []*job) (at int64, err error) {
	at = -1
	fresh := 0
	for _, j := range group {
		j.refusal = nil
		fresh += len(j.fresh)
	}
	if !slices.ContainsFunc(group, func(j *job) bool { return !j.options.History && len(j.fresh) > 0 }) {
		return at, nil
	}
	err = b.View(ctx, h, AsOf{}, func(v *View) error {
		at = v.Fold.Seq()
		trial := &trial{book: b, herd: h, base: v.Fold, fold: v.Fold, seq: at, placed: map[uuid.UUID]bool{}, lone: fresh == 1}
		for _, j := range group {
			if err := trial.take(ctx, j); err != nil {
				return err
			}
		}
		return nil
	})
	return at, err
}

// trial is a fold that takes in what jobs bring, as the log will.
type trial struct {
	book   *Book
	herd   *Herd
	base   *repro.Herd
	fold   *repro.Herd // base, or a clone with what was taken
	seq    int64
	placed map[uuid.UUID]bool
	taken  []repro.Fact
	lone   bool // there is one event in all: nothing is held against it
}

// take judges a job. What will not be written (appender.plan) is not taken in.
func (t *trial) take(ctx context.Context, j *job) error {
	if w := j.options.ExpectHead; w != nil && *w != t.seq || clash(t.placed, j.fresh) {
		return nil
	}
	var list []Fault
	seqs := make(map[uuid.UUID]int64, len(j.fresh))
	asked := repro.Asked{Unknown: j.options.Unknown}
	taken := len(t.taken)
	for i, r := range j.fresh {
		if d, ok := r.event.Data.(*event.Walk); ok {
			asked.Pen = d.Pen // what follows was mostly seen there
		}
		if !j.options.History {
			if refusal := t.fold.Refusal(r.event, asked); refusal != nil {
				list = append(list, j.faultOf(r, refusal))
			}
		}
		if t.lone {
			break
		}
		seq := t.seq + int64(i) + 1
		seqs[r.event.ID] = seq
		fact := []repro.Fact{{Event: r.event, Seq: seq}}
		if err := t.book.resolveVoids(ctx, t.herd, fact); err != nil {
			return err
		}
		if target, _ := named(r.event); fact[0].Voids == 0 && r.event.Kind == event.KindVoid {
			fact[0].Voids = seqs[target]
		}
		if t.fold == t.base {
			t.fold = t.base.Clone()
		}
		t.fold.Apply(fact)
		t.taken = append(t.taken, fact[0])
	}
	if j.refusal = refused(list); j.refusal != nil {
		if t.taken = t.taken[:taken]; t.fold != t.base {
			t.fold = t.base.Clone()
			t.fold.Apply(t.taken)
		}
		return nil
	}
	for _, r := range j.fresh {
		t.placed[r.event.ID] = true
	}
	t.seq += int64(len(j.fresh))
	return nil
}

func (j *job) faultOf(r *row, refusal *repro.Refusal) Fault {
	prefix := ""
	if len(j.events) > 1 {
		prefix = "/" + strconv.Itoa(r.results[0])
	}
	return Fault{Pointer: prefix, Column: "animal", Code: refusal.Code, Detail: refusal.Text}
}

// job is one append on its way through the gatherer or the herd's appender.
type job struct {
	appender *appender
	refusal  error // what the records say against it, when it was judged

	events  []*event.Event
	options AppendOptions
	made    []bool // by event: its id was given to it by this process; nil = none was

	results []Result
	fresh   []*row // what the log did not have when the job was classified, in order

	receipt *Receipt
	err     error
	done    chan struct{}
}

func (j *job) finish(err error) {
	j.err = err
	close(j.done)
}

// classify finds out which events of the job are new. It asks the log for the
// ids; what is new is sealed and hashed here, before any lock is held.
func (b *Book) classify(ctx context.Context, h *Herd, j *job) error {
	c, err := b.newClassifier(ctx, h, j.events, false, j.made)
	if err != nil {
		return err
	}
	c.lone = len(j.events) == 1
	j.results = make([]Result, len(j.events))
	j.fresh = nil
	conflict := false
	var list []Fault
	for i, e := range j.events {
		fault, err := c.reference(ctx, e)
		if err != nil {
			return err
		}
		if fault != nil {
			if len(j.events) > 1 {
				fault.Pointer = "/" + strconv.Itoa(i) + fault.Pointer
			}
			list = append(list, *fault)
			continue
		}
		v, err := c.sort(ctx, e)
		if err != nil {
			return err
		}
		j.results[i] = Result{ID: e.ID, Outcome: v.outcome}
		switch {
		case v.known != nil:
			j.results[i].Seq, j.results[i].Hash = v.known.Seq, v.known.Hash
		case v.outcome == Appended:
			j.fresh = append(j.fresh, v.row)
			fallthrough
		case v.row != nil:
			v.row.results = append(v.row.results, i)
		}
		conflict = conflict || v.outcome == InConflict
	}
	if conflict {
		return &Error{
			Kind: Conflict, Code: "event-id-conflict", Results: j.results,
			Detail: "an id is taken by an event of other content; nothing was written. To correct a stored event, void it and append the right one with `replaces`",
		}
	}
	return refused(list)
}
