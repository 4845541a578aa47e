package sheet

import (
	"encoding/binary"
	"strconv"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// namespace of the ids made here: the UUIDv5 of "urn:byrelog:sheet" in the URL
// namespace of RFC 9562 section 6.6. It can never change: the same sheet sent
// again after an upgrade must find its events.
var namespace = uuid.MustParse("8a7ff433-6a46-520e-ad7c-5302f2b9ea90")

// EndID is the id of the end record of an export whose head has the hash: the
// UUIDv5 of the 32 bytes of the hash in the namespace of this package.
func EndID(head event.Digest) uuid.UUID { return uuid.NewSHA1(namespace, head[:]) }

// identity gives ids to the events of rows that bring none (R13).
type identity struct {
	keyed bool // the mapping has a key: a second row with it is the same record
	most  int
	buf   []byte
	count map[uuid.UUID]uint32
	keys  map[uuid.UUID]keyUse
}

// keyUse remembers what a key was first used for.
type keyUse struct {
	content uint64
	line    uint32
}

func (d *identity) size() int { return len(d.count) + len(d.keys) }

// name is what an id is made of but for the ordinal: the canonical bytes
// (which hold herd, source and ref), a zero byte, the note, a zero byte. The
// note goes in as text because its commitment is salted at random.
func (d *identity) name(e *event.Event) []byte {
	id, hash := e.ID, e.NoteHash
	e.ID = uuid.Nil
	if e.Note != "" {
		e.NoteHash = event.Digest{}
	}
	b := append(e.AppendCanonical(d.buf[:0]), 0)
	b = append(append(b, e.Note...), 0)
	e.ID, e.NoteHash = id, hash
	d.buf = b
	return b
}

// give sets the id of e by its content and the count of its like so far.
func (d *identity) give(e *event.Event) {
	b := d.name(e)
	first := uuid.NewSHA1(namespace, append(b, '1'))
	e.ID = first
	if d.count == nil {
		d.count = make(map[uuid.UUID]uint32)
	}
	n := d.count[first] + 1
	d.count[first] = n
	if n > 1 {
		e.ID = uuid.NewSHA1(namespace, strconv.AppendUint(b, uint64(n), 10))
	}
}

// known looks up an event under its key. repeats tells that the file had the
// same record before, differs that it had another one; line is where.
func (d *identity) known(e *event.Event) (line int, repeats, differs bool) {
	use, ok := d.keys[d.key(e)]
	if !ok {
		return 0, false, false
	}
	same := use.content == d.content(e)
	return int(use.line), same, !same
}

func (d *identity) remember(e *event.Event, line int) {
	if d.keys == nil {
		d.keys = make(map[uuid.UUID]keyUse)
	}
	d.keys[d.key(e)] = keyUse{content: d.content(e), line: uint32(min(line, 1<<31))} //nolint:gosec // bounded on this line
	if e.ID == uuid.Nil {
		e.ID = uuid.NewSHA1(namespace, append(d.name(e), '1'))
	}
}

func (d *identity) key(e *event.Event) uuid.UUID {
	b := append(append(d.buf[:0], e.Herd...), 0)
	b = append(append(b, e.Source...), 0)
	b = append(b, e.Ref...)
	d.buf = b
	return uuid.NewSHA1(namespace, b)
}

func (d *identity) content(e *event.Event) uint64 {
	id := uuid.NewSHA1(namespace, d.name(e))
	return binary.BigEndian.Uint64(id[8:]) ^ binary.BigEndian.Uint64(id[:8])
}
