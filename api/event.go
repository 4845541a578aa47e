package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
)

// Event is an event as the log holds it: RecordedEvent of the contract, with
// the fields of every kind at hand and the kind's own in Data. Absent texts
// are empty.
type Event struct { //nolint:recvcheck // written as a value inside answers, read into a pointer
	Seq        int64              `json:"seq"`
	RecordedAt time.Time          `json:"recorded_at"`
	Hash       string             `json:"hash"`
	Voided     bool               `json:"voided"`
	ID         uuid.UUID          `json:"id"`
	Herd       string             `json:"herd"`
	Animal     string             `json:"animal"`
	Kind       Kind               `json:"kind"`
	On         openapi_types.Date `json:"on"`
	At         string             `json:"at"`
	Half       Half               `json:"half"`
	By         string             `json:"by"`
	Source     string             `json:"source"`
	Ref        string             `json:"ref"`
	Replaces   *uuid.UUID         `json:"replaces"`
	Note       string             `json:"note"`
	NoteSalt   string             `json:"note_salt"`
	NoteHash   string             `json:"note_hash"`
	Data       json.RawMessage    `json:"data"`

	raw []byte
}

// EventOf makes an Event that marshals to exactly the given JSON, which must
// be that of a recorded event. It does not read it: the fields stay zero.
func EventOf(raw []byte) Event { return Event{raw: raw} }

// UnmarshalJSON reads a recorded event and keeps its bytes.
func (e *Event) UnmarshalJSON(b []byte) error {
	type plain Event
	var p plain
	if err := json.Unmarshal(b, &p); err != nil {
		return err
	}
	*e = Event(p)
	e.raw = bytes.Clone(b)
	return nil
}

// MarshalJSON writes the event as it was received. An event that was made in
// another way than by receiving it cannot be written: its bytes are what the
// chain's hashes are taken of, and only the log makes them.
func (e Event) MarshalJSON() ([]byte, error) {
	if e.raw == nil {
		return nil, errors.New("api: only an event that came from the log can be written as one")
	}
	return e.raw, nil
}

// Raw is the event's JSON exactly as it was received; it must not be changed.
func (e *Event) Raw() []byte { return e.raw }

// logMembers are what the log puts in front of the canonical bytes' members.
var logMembers = map[string]bool{"seq": true, "recorded_at": true, "hash": true, "voided": true, "note": true, "note_salt": true}

// Canonical gives the bytes that the event's leaf hash is taken of: its JSON
// without the members that the log put in front.
func (e *Event) Canonical() ([]byte, error) {
	dec := json.NewDecoder(bytes.NewReader(e.raw))
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		return nil, errors.New("api: not the JSON of an event")
	}
	for dec.More() {
		at := int(dec.InputOffset())
		t, err := dec.Token()
		if err != nil {
			return nil, fmt.Errorf("api: not the JSON of an event: %w", err)
		}
		if name, _ := t.(string); !logMembers[name] {
			rest := bytes.TrimLeft(e.raw[at:], ", \t\r\n")
			return append([]byte{'{'}, rest...), nil
		}
		var skip json.RawMessage
		if err := dec.Decode(&skip); err != nil {
			return nil, fmt.Errorf("api: not the JSON of an event: %w", err)
		}
	}
	return nil, errors.New("api: the event has no members of its own")
}
