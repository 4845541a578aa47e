package book

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// What the sheet states today is held against what it stated before. That is
// derived from the log, whose events carry source and ref, and not kept in a
// table beside it: the log is the truth, it cannot disagree with itself, a log
// that was moved by export and import brings the links along, and voids that a
// person made since are seen. Only whose import brought an event, which decides
// whether a vanished row may void it, comes from the import jobs: after a move
// nothing is voided for being gone, which errs on the safe side. It costs a
// scan of the herd's log for each import of a foreign sheet.

// mark identifies a row's event over the nights: a hash of its ref or, in a
// sheet without a key, of the id that its content had when it first came (R13).
type mark [16]byte

func markOf(s string) mark {
	h := sha256.Sum256([]byte(s))
	return mark(h[:16])
}

// held is an event of the sheet as the log holds it.
type held struct {
	id     uuid.UUID
	seq    int64
	bare   mark // of its content without id, replaces and note
	note   mark // of its note
	erased bool // the note cannot be compared any more
}

func (h *held) states(e *event.Event) bool {
	bare, note := contentOf(e)
	return h.bare == bare && (h.erased || h.note == note)
}

// contentOf hashes what an event states.
func contentOf(e *event.Event) (bare, note mark) {
	c := *e
	c.ID, c.Replaces, c.NoteHash = uuid.Nil, uuid.Nil, event.Digest{}
	h := sha256.Sum256(c.AppendCanonical(nil))
	return mark(h[:16]), markOf(e.Note)
}

// origin is all that the log has of one mark.
type origin struct {
	ref      string
	current  []held // in force; more than one where nobody can tell which the row means
	last     held   // the last that was voided
	ours     bool   // it was voided by an import of the sheet
	restated bool   // somebody else restated an event of it
	count    int    // events ever
}

// syncIndex is what the log holds of one sheet.
type syncIndex struct {
	book    *Book
	herd    *Herd
	mapping *sheet.Mapping
	name    string // of the mapping
	needle  []byte // what the bytes of an event of the source hold

	seq     int64 // how far the log was read
	trust   int64 // how far it is known to hold nothing else but what this import appended
	runs    map[string][][2]int64
	origins map[mark]*origin
	byID    map[uuid.UUID]mark
}

func (b *Book) newSyncIndex(h *Herd, m *sheet.Mapping, name string) (*syncIndex, error) {
	var quoted bytes.Buffer
	enc := json.NewEncoder(&quoted)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(m.Source); err != nil {
		return nil, fmt.Errorf("write source: %w", err)
	}
	return &syncIndex{
		book: b, herd: h, mapping: m, name: name, needle: append([]byte(`"source":`), bytes.TrimSpace(quoted.Bytes())...),
		origins: map[mark]*origin{}, byID: map[uuid.UUID]mark{},
	}, nil
}

// refresh reads on to the head of the log.
func (x *syncIndex) refresh(ctx context.Context) error {
	head, err := x.book.db.HeadOf(ctx, x.herd.ID)
	if err != nil {
		return wrap("read head", err)
	}
	if head.Seq == x.seq && x.runs != nil {
		x.trust = head.Seq
		return nil
	}
	rows, err := x.book.db.ImportRuns(ctx, x.herd.ID)
	if err != nil {
		return wrap("read imports", err)
	}
	x.runs = map[string][][2]int64{}
	for _, r := range rows {
		var seqs [][2]int64
		if err := json.Unmarshal(r.Seqs, &seqs); err != nil {
			return fmt.Errorf("read import: %w", err)
		}
		x.runs[r.Mapping] = append(x.runs[r.Mapping], seqs...)
	}
	for _, list := range x.runs {
		slices.SortFunc(list, func(a, b [2]int64) int { return int(min(max(a[0]-b[0], -1), 1)) })
	}
	err = x.book.db.ScanNotes(ctx, x.herd.ID, x.seq, head.Seq, x.take)
	if err != nil {
		return wrap("read the log", err)
	}
	x.seq, x.trust = head.Seq, head.Seq
	return nil
}

func within(runs [][2]int64, seq int64) bool {
	i, found := slices.BinarySearchFunc(runs, seq, func(run [2]int64, seq int64) int { return int(min(max(run[0]-seq, -1), 1)) })
	return found || i > 0 && seq <= runs[i-1][1]
}

// mine tells whether an event was appended by an import with this mapping.
func (x *syncIndex) mine(seq int64) bool { return within(x.runs[x.name], seq) }

// foreign tells whether it was appended by an import with another one, whose
// keys may be the same and mean something else.
func (x *syncIndex) foreign(seq int64) bool {
	for name, runs := range x.runs {
		if name != x.name && name != NativeMapping && within(runs, seq) {
			return true
		}
	}
	return false
}

var (
	needleVoid     = []byte(`"kind":"void"`)
	needleReplaces = []byte(`"replaces":"`)
)

func (x *syncIndex) take(r *store.Row) error {
	ours := bytes.Contains(r.Bytes, x.needle)
	if !ours && !bytes.Contains(r.Bytes, needleVoid) && !bytes.Contains(r.Bytes, needleReplaces) {
		return nil
	}
	e, err := event.DecodeCanonical(r.Bytes)
	if err != nil {
		return err
	}
	ours = e.Source == x.mapping.Source
	if v, ok := e.Data.(*event.Void); ok {
		x.withdraw(v.Event, ours)
		return nil
	}
	root, restates := x.byID[e.Replaces]
	if !ours {
		if restates {
			x.origins[root].restated = true
		}
		return nil
	}
	if x.foreign(r.Seq) {
		return nil
	}
	m := root
	switch {
	case x.mapping.Keyed() && e.Ref == "":
		return nil
	case x.mapping.Keyed():
		m = markOf(e.Ref)
	case !restates:
		m = markOf(e.ID.String())
	}
	if r.Note != nil {
		e.Note = r.Note.Body
	}
	at := held{id: e.ID, seq: r.Seq, erased: r.NoteErased}
	at.bare, at.note = contentOf(e)
	o := x.origins[m]
	if o == nil {
		o = &origin{ref: e.Ref}
		x.origins[m] = o
	}
	o.current = append(o.current, at)
	o.count++
	x.byID[e.ID] = m
	return nil
}

func (x *syncIndex) withdraw(target uuid.UUID, ours bool) {
	m, ok := x.byID[target]
	if !ok {
		return
	}
	o := x.origins[m]
	for i := range o.current {
		if o.current[i].id == target {
			o.last, o.ours = o.current[i], ours
			o.current = slices.Delete(o.current, i, i+1)
			return
		}
	}
}

// inForce counts the events that came by the mapping and stand.
func (x *syncIndex) inForce() int {
	n := 0
	for _, o := range x.origins {
		for i := range o.current {
			if x.mine(o.current[i].seq) {
				n++
			}
		}
	}
	return n
}

// Difference is something that the sheet and the log state differently and
// that the import left alone.
type Difference struct {
	Code       string        `json:"code"`
	Line       int           `json:"line"` // of the row; 0 if it is gone
	Animal     string        `json:"animal"`
	Kind       string        `json:"kind"`
	On         event.Date    `json:"on"` // of the event in the log
	Ref        string        `json:"ref"`
	Event      uuid.UUID     `json:"event"` // in the log
	Seq        int64         `json:"seq"`
	Fields     []FieldChange `json:"fields,omitempty"` // what the row states differently
	Detail     string        `json:"detail"`
	Suggestion string        `json:"suggestion"`
}

// FieldChange is a field that the sheet states differently than the log. Empty
// stands for nothing.
type FieldChange struct {
	Name  string `json:"name"`
	Log   string `json:"log"`
	Sheet string `json:"sheet"`
}

// Codes of differences.
const (
	DiffChanged   = "changed"             // the row was edited
	DiffCleared   = "cleared"             // the row is there and does not state the event any more
	DiffVanished  = "vanished"            // the row is gone
	DiffCorrected = "corrected_elsewhere" // the row was edited, and its event corrected by somebody else before
	DiffMaybe     = "maybe_corrected"     // a row without a key is gone and a like one is new
)

// change is what the sheet makes of one event of a row.
type change struct {
	kind  changeKind
	void  *event.Event // with changeAmend, changeWithdraw
	event *event.Event // what is appended
	diff  *Difference
}

type changeKind uint8

const (
	changeNone   changeKind = iota + 1 // it is in the log
	changeFresh                        // it is new
	changeAmend                        // void and restate
	changeReturn                       // the row was gone, its event voided, and is back
	changeTell                         // leave alone and tell
)

// decide holds an event of a row against the log. shared tells that another
// event of the row has the same ref.
func (x *syncIndex) decide(line int, e *event.Event, today event.Date, shared bool) change {
	m, policy := x.markOf(e), sheet.OnChangeAppend
	if x.mapping.Keyed() {
		_, policy, _ = x.mapping.RuleOf(e.Ref)
		if shared {
			policy = sheet.OnChangeAppend
		}
	}
	o := x.origins[m]
	if o == nil {
		return change{kind: changeFresh, event: e}
	}
	for i := range o.current {
		if o.current[i].states(e) {
			return change{kind: changeNone, event: e}
		}
	}
	switch {
	case policy == sheet.OnChangeAppend && x.mapping.Keyed():
		return change{kind: changeFresh, event: e} // its id tells whether it is in the log, voided or not
	case len(o.current) == 0 && o.ours:
		return change{kind: changeReturn, event: x.restate(e, o, o.last.id)}
	case len(o.current) == 0 && o.last.states(e):
		return change{kind: changeNone, event: e} // somebody withdrew it, and the row still states it
	case o.restated:
		return change{kind: changeTell, event: e, diff: x.differs(DiffCorrected, line, e, o)}
	case len(o.current) == 0:
		return change{kind: changeReturn, event: x.restate(e, o, o.last.id)}
	case policy == sheet.OnChangeAmend && len(o.current) == 1:
		return change{kind: changeAmend, void: x.void(&o.current[0], o.ref, today, "the row was edited in the sheet"), event: x.restate(e, o, o.current[0].id)}
	}
	return change{kind: changeTell, event: e, diff: x.differs(DiffChanged, line, e, o)}
}

func (x *syncIndex) markOf(e *event.Event) mark {
	if x.mapping.Keyed() {
		return markOf(e.Ref)
	}
	return markOf(e.ID.String())
}

// restate makes e the one that stands for an event that is voided. An edited
// row has the id of its content like any other; only one that returns to what
// it stated before needs another: the id is made from how many there were, so
// that every run of the same sheet over the same log gives the same.
func (x *syncIndex) restate(e *event.Event, o *origin, voided uuid.UUID) *event.Event {
	c := *e
	c.Replaces = voided
	if _, taken := x.byID[e.ID]; taken {
		c.ID = uuid.NewSHA1(e.ID, []byte("again "+strconv.Itoa(o.count)))
	}
	return &c
}

// void withdraws an event of the sheet. Its id follows from the event's: two
// imports that withdraw it at the same time write one void.
func (x *syncIndex) void(h *held, ref string, today event.Date, reason string) *event.Event {
	return &event.Event{
		ID: uuid.NewSHA1(h.id, []byte("void")), Herd: x.herd.Name, Kind: event.KindVoid, On: today, Source: x.mapping.Source, Ref: ref,
		Data: &event.Void{Event: h.id, Reason: reason},
	}
}

func (x *syncIndex) differs(code string, line int, e *event.Event, o *origin) *Difference {
	d := &Difference{Code: code, Line: line, Animal: e.Animal, Kind: e.Kind.String(), On: e.On, Ref: e.Ref}
	at := o.last
	if n := len(o.current); n > 0 {
		at = o.current[n-1]
	}
	d.Event, d.Seq = at.id, at.seq
	if code == DiffCorrected {
		d.Detail = "the row was edited; its event was corrected by somebody else before: the correction stands"
		d.Suggestion = "compare the two; if the sheet is right, correct the event by hand"
		return d
	}
	d.Detail = "the row was edited since it was imported; the log keeps what it stated before"
	d.Suggestion = "correct the event by hand, or let the mapping say on_change: amend"
	if len(o.current) > 1 {
		d.Suggestion = "the log has several events of this key: void those that are wrong by hand"
	}
	return d
}

// gone lists what the log holds of the mapping's rows and the file did not
// state, in order of the log.
func (x *syncIndex) gone(seen map[mark]struct{}, keys map[mark]int32) []missing {
	var list []missing
	for m, o := range x.origins {
		if _, there := seen[m]; there {
			continue
		}
		g := missing{origin: o}
		if x.mapping.Keyed() {
			key, policy, known := x.mapping.RuleOf(o.ref)
			if !known || policy == sheet.OnChangeAppend {
				continue // it shows the latest only: an earlier one is not gone
			}
			line, there := keys[markOf(key)]
			g.line, g.there, g.amend = int(line), there, policy == sheet.OnChangeAmend
		}
		for _, h := range o.current {
			if x.mine(h.seq) {
				g.held = h
				list = append(list, g)
			}
		}
	}
	slices.SortFunc(list, func(a, b missing) int { return int(min(max(a.held.seq-b.held.seq, -1), 1)) })
	return list
}

// missing is an event in force that the file does not state.
type missing struct {
	held   held
	origin *origin
	line   int
	there  bool // its row is in the file and states it no more
	amend  bool // what an edit does to it
}

// describe fills in what differences say of the log's events.
func (x *syncIndex) describe(ctx context.Context, list []Difference, rows map[uuid.UUID]*event.Event) error {
	ids := make([]uuid.UUID, 0, len(list))
	for i := range list {
		ids = append(ids, list[i].Event)
	}
	stored := map[uuid.UUID]*event.Event{}
	for part := range slices.Chunk(ids, store.MaxLimit) {
		page, err := x.book.db.Page(ctx, x.herd.ID, store.Filter{IDs: part, Limit: store.MaxLimit})
		if err != nil {
			return wrap("read events", err)
		}
		for i := range page.Rows {
			e, err := event.DecodeCanonical(page.Rows[i].Bytes)
			if err != nil {
				return wrap("read events", err)
			}
			if n := page.Rows[i].Note; n != nil {
				e.Note = n.Body
			}
			stored[e.ID] = e
		}
	}
	for i := range list {
		d, e := &list[i], stored[list[i].Event]
		if e == nil {
			continue
		}
		d.Animal, d.Kind, d.On, d.Ref = e.Animal, e.Kind.String(), e.On, e.Ref
		if now := rows[d.Event]; now != nil {
			d.Fields = fieldChanges(e, now)
		}
	}
	return nil
}

// fieldChanges compares two events column by column.
func fieldChanges(before, now *event.Event) []FieldChange {
	a, b := before.Cells(nil), now.Cells(nil)
	var list []FieldChange
	for i, c := range event.Columns() {
		switch c.Name {
		case "event_id", "replaces", "note_salt", "ref", "source", "herd":
			continue
		}
		if a[i] != b[i] {
			list = append(list, FieldChange{Name: c.Name, Log: cut(a[i]), Sheet: cut(b[i])})
		}
	}
	return list
}

// errMoved says that the log went on while a chunk was held against it.
var errMoved = errors.New("the log moved on")
