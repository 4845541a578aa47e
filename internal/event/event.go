package event

import (
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
)

// Event is what a recorder states: the part of an event that its author
// decides. Absent texts are empty, an absent Replaces is the zero UUID.
type Event struct {
	ID       uuid.UUID
	Herd     string // the herd's short name
	Animal   string // the herd's own number or name, kept as text
	Kind     Kind
	On       Date   // civil date in the herd's zone
	At       string // local time HH:MM, where known
	Half     string // am or pm, where only that is known
	By       string // a code of the herd's own, not a person's name
	Source   string // the system it came from
	Ref      string // that system's own key or row
	Replaces uuid.UUID
	Note     string // free text; outside the canonical bytes
	NoteSalt Salt   // with a Note: what its commitment is salted with
	NoteHash Digest // commitment to the note; zero without one
	Data     Data   // never nil in a valid event; its type fits Kind
}

// Recorded is an event as the log holds it.
type Recorded struct {
	Event
	Seq        int64     // 1, 2, 3 … inside the herd
	RecordedAt time.Time // UTC, whole microseconds; never decreases with Seq
	Bytes      []byte    // the canonical bytes, exactly as hashed
	Leaf       Digest
	Hash       Digest // the herd's chain at this event
}

var (
	fieldAnimal   = text("animal", maxAnimal, "the herd's own number or name for the animal, kept as text; absent on herd-level kinds")
	fieldAt       = &Field{Name: "at", Type: Text, Min: 5, Max: 5, Doc: "local time HH:MM"}
	fieldBy       = text("by", 32, "who did or saw it: a short code of the herd's own, not a person's name")
	fieldHalf     = enum("half", "half of the day, where the time is not known", AM, PM)
	fieldHerd     = text("herd", 40, "the herd's short name").required()
	fieldID       = id("id", "UUID of the event; chosen by the client so that a retry is harmless, else made by the server").column("event_id")
	fieldKind     = enum("kind", "the kind of event", kindNames()...).required()
	fieldNote     = &Field{Name: "note", Type: Text, Min: 1, Max: maxNote, Doc: "free text; can be erased without breaking the chain"}
	fieldNoteHash = &Field{Name: "note_hash", Type: Text, Min: 64, Max: 64, Doc: "commitment to the note: SHA-256 of salt and text, in hex"}
	fieldNoteSalt = &Field{Name: "note_salt", Type: Text, Min: 32, Max: 32, Doc: "salt of the note's commitment, in hex; only with a note"}
	fieldOn       = dateOn("on", "civil date in the herd's zone on which it happened").required()
	fieldRef      = text("ref", 128, "the source's own key or row")
	fieldReplaces = id("replaces", "id of the voided event that this one restates")
	fieldSource   = text("source", 64, "the system that the record came from")
)

// Envelope lists the fields that every kind has, in the order of the CSV
// columns; data lies between them and the note.
func Envelope() []*Field {
	return []*Field{
		fieldID, fieldHerd, fieldAnimal, fieldKind, fieldOn, fieldAt, fieldHalf, fieldBy, fieldSource, fieldRef,
		fieldReplaces, fieldNote, fieldNoteSalt,
	}
}

func kindNames() []string {
	var names []string
	for _, s := range Specs() {
		names = append(names, s.Name)
	}
	return names
}

// Minute is the minute of the day at which the event is placed when events of
// one day are put in order: the time given, the middle of the half day, or
// noon. It is an ordering aid, never a fact to show.
func (e *Event) Minute() int {
	switch {
	case e.At != "":
		h, _ := strconv.Atoi(e.At[:2])
		m, _ := strconv.Atoi(e.At[3:])
		return h*60 + m
	case e.Half == AM:
		return 6 * 60
	case e.Half == PM:
		return 18 * 60
	}
	return 12 * 60
}

// validHerd tells whether s is a herd's short name: [a-z0-9-]{2,40}.
func validHerd(s string) bool {
	if len(s) < 2 || len(s) > 40 {
		return false
	}
	return strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-") == ""
}

// ValidHerdName tells whether s can name a herd: 2 to 40 of a-z, 0-9 and '-'.
func ValidHerdName(s string) bool { return validHerd(s) }

func validClock(s string) bool {
	if len(s) != 5 || s[2] != ':' {
		return false
	}
	h, ok1 := digits(s[:2])
	m, ok2 := digits(s[3:])
	return ok1 && ok2 && h < 24 && m < 60
}
