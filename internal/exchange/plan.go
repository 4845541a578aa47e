package exchange

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// key is the pair by which a peer knows a resource, as events keep it in
// source and ref.
type key struct{ source, id string }

const (
	maxSource = 64
	maxRef    = 128
	maxStamp  = 31 // @ and an RFC 3339 timestamp with nanoseconds
)

// keyOf makes the pair fit. What is longer or odder than a source or ref may be
// is known by its hash.
func keyOf(source, sourceID string) key {
	return key{shorten(source, maxSource), shorten(sourceID, maxRef-maxStamp)}
}

func shorten(s string, most int) string {
	if fits(s, most) {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	return "sha256:" + hex.EncodeToString(sum[:24])
}

// ref names the version of a resource that an event came from: the peer's id
// and, behind the last @, when he changed it. A later import sees by it what is
// news.
func (k key) ref(modified time.Time) string {
	return k.id + "@" + modified.UTC().Format(time.RFC3339Nano)
}

// splitRef undoes key.ref; ok is false for any other ref.
func splitRef(ref string) (id string, modified time.Time, ok bool) {
	at := strings.LastIndexByte(ref, '@')
	if at <= 0 {
		return "", time.Time{}, false
	}
	modified, err := time.Parse(time.RFC3339Nano, ref[at+1:])
	if err != nil || modified.UTC().Format(time.RFC3339Nano) != ref[at+1:] {
		return "", time.Time{}, false
	}
	return ref[:at], modified, true
}

// space of the ids of imported events.
var space = uuid.NewSHA1(uuid.NameSpaceURL, []byte("urn:byrelog:exchange"))

// idOf is the id of the event that a version of a resource becomes (or of the
// void that makes room for it): the same version gives the same id for ever.
func (k key) idOf(modified time.Time, what string) uuid.UUID {
	return uuid.NewSHA1(space, []byte(strings.Join([]string{what, k.source, k.ref(modified)}, "\x00")))
}

// Reasons of the voids that an import makes.
const (
	deletedThere = "deleted at its source"
	amendedThere = "amended at its source"
)

// Import reads resources and works out what has to be appended to a herd's log.
// Read, then show it the whole log through Known, then Plan.
type Import struct {
	System *System
	Today  event.Date // in the herd's zone
	// Location is the id of a place whose resources are this herd's, beside its
	// own. "" is none.
	Location string

	Items    int       // resources read
	Refused  int       // of them, with faults
	Unplaced int       // of them, of a type that the log has no place for
	Problems []Problem // the first of them

	drafts []draft
	lost   counter

	late, lateProblems int // of Refused and Problems, what only the plan found

	index  Index
	want   map[key]bool
	ids    map[uuid.UUID]bool
	events map[uuid.UUID]*stored // of the chains that are wanted
	byKey  map[key]*state
	byID   map[uuid.UUID]*state
	seen   map[key]time.Time // newest version of each key in the log
}

// stored is an event of the log that a resource of the import may be about.
type stored struct {
	event  *event.Event
	seq    int64
	at     time.Time
	erased bool // its note was
	key    key  // zero if it did not come in so
}

// state is what the log knows of a resource, kept current while the import goes
// on.
type state struct {
	head     *event.Event
	erased   bool // the head's note was
	dead     bool
	modified time.Time
}

const (
	mostProblems = 100
	mostLost     = 1000 // different members that are counted each for itself
)

// Read takes in a body: an array of resources, as it is exported or without its
// frame, a collection, or a single resource. Faults of single resources are
// kept; the error is *SyntaxError, *TooManyError or one of r.
func (im *Import) Read(r io.Reader) error {
	im.lost = counter{}
	err := split(r, im.take)
	if errors.Is(err, errEnd) {
		return &SyntaxError{0, "it is empty"}
	}
	return err
}

// Lost lists the resource types and members that the log has no place for.
func (im *Import) Lost() []Count { return im.lost.list() }

func (im *Import) count(kind, field string) {
	if _, known := im.lost[[2]string{kind, field}]; !known && len(im.lost) >= mostLost {
		kind, field = "", "others"
	}
	im.lost.add(kind, field)
}

func (im *Import) unplaced(kind, field string) {
	im.Unplaced++
	im.count(kind, field)
}

func (im *Import) refuse(list []Problem) {
	im.Refused++
	im.Problems = append(im.Problems, list[:min(len(list), mostProblems-len(im.Problems))]...)
}

// keep files a resource that was read.
func (im *Import) keep(it *item) {
	switch {
	case it.failed:
		im.refuse(it.problems)
	case it.d.typ == "": // a type without a place; counted
	default:
		for _, member := range it.lost {
			im.count(it.d.typ, member)
		}
		im.drafts = append(im.drafts, it.d)
	}
}

// wanted lists what the log is to be searched for.
func (im *Import) wanted() {
	im.want, im.ids, im.events, im.seen = map[key]bool{}, map[uuid.UUID]bool{}, map[uuid.UUID]*stored{}, map[key]time.Time{}
	own := keyOf(im.System.Source, "").source
	for i := range im.drafts {
		d := &im.drafts[i]
		im.want[d.key] = true
		if id, err := uuid.Parse(d.key.id); err == nil && d.key.source == own {
			im.ids[id] = true
		}
		if d.origin != uuid.Nil {
			im.ids[d.origin] = true
		}
	}
}

// Known takes in the next event of the herd's log, all of it in the order of
// seq. The note is its text; erased says that it had one.
func (im *Import) Known(e *event.Event, seq int64, at time.Time, erased bool) {
	if im.want == nil {
		im.wanted()
	}
	im.index.Add(e, seq, at)
	var k key
	if id, modified, ok := splitRef(e.Ref); ok {
		if k = (key{e.Source, id}); im.want[k] {
			if modified.After(im.seen[k]) {
				im.seen[k] = modified
			}
		} else {
			k = key{}
		}
	}
	if e.Kind == event.KindVoid {
		return
	}
	_, follows := im.events[e.Replaces]
	if k != (key{}) || follows || im.ids[e.ID] {
		im.events[e.ID] = &stored{e, seq, at, erased, k}
	}
}

// settle works out the state of each resource that the log knows.
func (im *Import) settle() {
	if im.want == nil {
		im.wanted()
	}
	im.index.Settle()
	im.byKey, im.byID = map[key]*state{}, map[uuid.UUID]*state{}
	chains := map[*chain]*state{}
	for id, s := range im.events {
		c := im.index.chains[id]
		if c == nil {
			c = im.index.newChain(id, change{s.seq, s.at}, false)
		}
		st := chains[c]
		if st == nil {
			st = &state{dead: c.dead}
			chains[c] = st
		}
		if c.head == id {
			st.head, st.erased = s.event, s.erased
		}
		if s.key != (key{}) {
			im.byKey[s.key] = st
			if seen := im.seen[s.key]; seen.After(st.modified) {
				st.modified = seen
			}
		}
		im.byID[id] = st
	}
	// A resource that a peer began is as old as he said; one that began here, and
	// that nobody else has changed since, as the log says.
	for c, st := range chains {
		root, head := im.events[c.root], im.events[c.head]
		if head == nil || (root == nil || root.key == (key{})) && head.key == (key{}) {
			st.modified = c.modified.at
		}
	}
	im.arrivals()
}

// arrivals takes in what the import itself says of who is who, so that the
// order of its resources does not matter.
func (im *Import) arrivals() {
	seq := int64(1) << 62
	for i := range im.drafts {
		d := &im.drafts[i]
		st := im.find(d)
		if st != nil && !d.modified.After(st.modified) {
			continue
		}
		if st != nil && !st.dead {
			seq++
			im.index.voids[st.head.ID] = change{seq, d.modified}
		}
		a, ok := arrivalOf(d)
		if !ok {
			continue
		}
		// An arrival says what she is called from now on; only if it does not, she
		// is called as before.
		if d.event.Animal = im.plainName(d); d.event.Animal == d.animal.ID {
			d.event.Animal = im.name(d)
		}
		d.stated, d.named = d.event.Animal, true
		seq++
		named := *d.event
		named.ID, named.Data = d.key.idOf(d.modified, "event"), a
		im.index.names.add(&named, seq, d.modified)
	}
	im.index.names.settle(im.index.voids)
}

func arrivalOf(d *draft) (*event.Arrival, bool) {
	if d.event == nil {
		return nil, false
	}
	a, ok := d.event.Data.(*event.Arrival)
	return a, ok
}

// Step is what becomes of one resource: events to be appended together.
type Step struct {
	Events []*event.Event
	What   What
}

// What a step does.
type What uint8

// The kinds of steps. A resource that is known already makes none.
const (
	Appends What = iota + 1 // it is new
	Amends                  // a newer version of what is there: void and replacement
	Deletes                 // a void
)

// Again forgets the log, which has moved on: show it the log anew and plan once
// more.
func (im *Import) Again() {
	im.index, im.want = Index{}, nil
	im.Refused -= im.late
	im.Problems = im.Problems[:len(im.Problems)-im.lateProblems]
	im.late, im.lateProblems = 0, 0
	for i := range im.drafts {
		if e := im.drafts[i].event; e != nil {
			e.Replaces, e.NoteSalt, e.NoteHash = uuid.Nil, event.Salt{}, event.Digest{}
		}
	}
}

// Plan gives the steps in the order of the resources, and how many of them are
// known already. Faults that show only now are added to Problems.
func (im *Import) Plan() (steps []Step, known int) {
	im.settle()
	refused, problems := im.Refused, len(im.Problems)
	defer func() { im.late, im.lateProblems = im.Refused-refused, len(im.Problems)-problems }()
	for i := range im.drafts {
		d := &im.drafts[i]
		step, ok := im.step(d)
		switch {
		case !ok: // refused
		case step.Events == nil:
			known++
		default:
			steps = append(steps, step)
		}
	}
	return steps, known
}

func (im *Import) step(d *draft) (Step, bool) {
	st := im.find(d)
	if d.deleted {
		if st == nil || st.dead || !d.modified.After(st.modified) {
			return Step{}, true
		}
		void := im.void(d, st, deletedThere)
		st.dead, st.modified = true, d.modified
		return Step{[]*event.Event{void}, Deletes}, true
	}
	e := d.event
	e.Animal = im.called(d, st)
	if other := im.another(d); other != (Identifier{}) {
		it := &item{im: im, d: *d}
		it.problem(d.at+"/animal", event.CodeContradicts, "she has no number here that day: %s is %s %s then", quote(e.Animal), quote(other.Scheme), quote(other.ID))
		im.refuse(it.problems)
		return Step{}, false
	}
	e.ID = d.key.idOf(d.modified, "event")
	e.Source, e.Ref = d.key.source, d.key.ref(d.modified)
	if err := e.Validate(im.Today); err != nil {
		it := &item{im: im, d: *d}
		it.faults(d.at, err, memberOf(d))
		im.refuse(it.problems)
		return Step{}, false
	}
	if st == nil {
		im.byKey[d.key] = &state{head: e, modified: d.modified}
		return Step{[]*event.Event{e}, Appends}, true
	}
	if !d.modified.After(st.modified) || !st.dead && same(e, st.head, st.erased) {
		return Step{}, true
	}
	if st.erased {
		e.Note = "" // what was erased does not come back by a peer's copy
	}
	step := Step{What: Amends}
	if !st.dead {
		step.Events = append(step.Events, im.void(d, st, amendedThere))
	}
	e.Replaces = st.head.ID
	step.Events = append(step.Events, e)
	st.head, st.dead, st.modified = e, false, d.modified
	return step, true
}

// find finds what the log has of the resource: under the peer's key; under our
// own id, if it is one of ours that comes back; or as that of which it is a
// copy.
func (im *Import) find(d *draft) *state {
	if st := im.byKey[d.key]; st != nil {
		return st
	}
	if id, err := uuid.Parse(d.key.id); err == nil && d.key.source == keyOf(im.System.Source, "x").source {
		if st := im.byID[id]; st != nil {
			return st
		}
	}
	if d.origin == uuid.Nil {
		return nil
	}
	return im.byID[d.origin]
}

// void withdraws the head of a chain, on the day on which its source did.
func (im *Import) void(d *draft, st *state, why string) *event.Event {
	on := min(event.DateOf(d.modified.In(im.System.Zone)), im.Today)
	e := event.New(event.KindVoid, im.System.Herd, "", on)
	e.ID = d.key.idOf(d.modified, "void")
	e.Source, e.Ref = d.key.source, d.key.ref(d.modified)
	e.Data = &event.Void{Event: st.head.ID, Reason: why}
	return e
}

// same tells whether two events state the same fact. A note that was erased
// cannot be compared, and does not make a difference.
func same(a, b *event.Event, erased bool) bool {
	plain := func(e *event.Event) string {
		c := *e
		c.ID, c.Herd, c.Replaces, c.Source, c.Ref = uuid.Nil, "", uuid.Nil, "", ""
		c.NoteSalt, c.NoteHash = event.Salt{}, event.Digest{}
		if erased {
			c.Note = ""
		}
		return string(c.AppendStated(nil))
	}
	return plain(a) == plain(b)
}

// plainName is what an animal is called by the resource itself.
func (im *Import) plainName(d *draft) string {
	it := &item{im: im}
	switch {
	case d.own:
		return d.stated
	case it.herdsOwn(d.animal):
		return d.animal.ID
	case d.tag != "":
		return d.tag
	}
	return d.animal.ID
}

// name is what the herd calls the animal of a resource on its day: by her
// official identity, if an arrival (of the log or of the import) has it, so that
// her history stays together whatever number she bears elsewhere; else as the
// resource does.
func (im *Import) name(d *draft) string {
	it := &item{im: im}
	if !it.herdsOwn(d.animal) {
		if name := im.index.names.nameOf(d.animal, d.event.On); name != "" {
			return name
		}
	}
	return im.plainName(d)
}

// called is name for a resource of which the log may have a version: that one's
// number stands while it means the same animal.
func (im *Import) called(d *draft, st *state) string {
	if d.named {
		return d.stated
	}
	if st != nil {
		if who, _ := im.index.names.official(st.head.Animal, d.event.On, forever); who == d.animal {
			return st.head.Animal
		}
		if im.isOwn(d) {
			return d.stated
		}
	}
	return im.name(d)
}

// another tells whose number it is that an event would go under, if it is not
// that of the animal that the resource names officially.
func (im *Import) another(d *draft) Identifier {
	it := &item{im: im}
	if d.named || it.herdsOwn(d.animal) {
		return Identifier{}
	}
	who, _ := im.index.names.official(d.event.Animal, d.event.On, forever)
	if who == d.animal {
		return Identifier{}
	}
	return who
}

// forever is a seq after which nothing changes.
const forever = 1<<63 - 1

// isOwn tells whether the resource is one of this herd's own that comes back.
func (im *Import) isOwn(d *draft) bool {
	id, err := uuid.Parse(d.key.id)
	return err == nil && d.own && im.byID[id] != nil
}

// memberOf says which member of the resource a field of the event came from.
func memberOf(d *draft) func(string) string {
	return func(pointer string) string {
		if d.own {
			if pointer == "/note" {
				return "/remark"
			}
			return "/" + Extension + "/event" + pointer
		}
		switch {
		case pointer == "/on" || pointer == "/at":
			return "/eventDateTime"
		case strings.HasPrefix(pointer, "/animal"):
			return "/animal/id"
		case strings.HasPrefix(pointer, "/data/official_id"):
			return "/animal/id"
		}
		if member, ok := members[strings.TrimPrefix(pointer, "/data")]; ok {
			return member
		}
		return ""
	}
}

var members = map[string]string{
	"/ease": "/calvingEase", "/parity": "/damParity", "/calves": "/progenyDetails",
	"/days_pregnant": "/foetalAge", "/fetuses": "/foetusCount", "/until": "/eventEndDateTime",
	"/born_on": "/animalDetail/birthDate", "/last_calved_on": "/animalState/lastCalvingDate", "/last_bred_on": "/animalState/lastInseminationDate",
}
