package book

import (
	"errors"
	"fmt"
	"time"

	"byrelog.example/internal/event"
	"byrelog.example/internal/store"
)

// Kind says what sort of failure an [Error] is. The set is closed.
type Kind uint8

// The kinds of failure.
const (
	Invalid         Kind = iota + 1 // the request cannot be right
	Unauthenticated                 // no token, or one that is not (or no longer) valid
	Forbidden                       // the token may not do this anywhere
	NotFound                        // there is no such thing, or none that the token may see
	Conflict                        // it contradicts what is stored
	EpochChanged                    // the cursor belongs to a log that was replaced by a restore
	TooLarge                        // more than one request may carry
	Unsupported                     // a form that is not read
	Busy                            // the same thing is under way
	Unavailable                     // try again later; nothing was written
	OutcomeUnknown                  // the connection broke at the commit: it may or may not have been written
)

// Fault is one thing that is wrong with a request.
type Fault struct {
	Pointer    string // JSON Pointer into the body, or the name of a parameter
	Line       int    // line of a sheet, from 1; 0 if it is none
	Column     string // column of a sheet
	Value      string // the cell as it stands, cut to a sane length
	Code       string
	Detail     string
	Suggestion string
}

// Error is a failure that the caller can act on.
type Error struct {
	Kind       Kind
	Code       string // stable, for programs
	Detail     string // for people; never SQL, paths or another herd's data
	Faults     []Fault
	Results    []Result      // with a conflicting append: the outcome of each event
	RetryAfter time.Duration // with Busy, Unavailable, OutcomeUnknown
	Err        error
}

func (e *Error) Error() string {
	if e.Err != nil {
		return fmt.Sprintf("%s: %s: %v", e.Code, e.Detail, e.Err)
	}
	return e.Code + ": " + e.Detail
}

func (e *Error) Unwrap() error { return e.Err }

func fail(k Kind, code, format string, args ...any) *Error {
	return &Error{Kind: k, Code: code, Detail: fmt.Sprintf(format, args...)}
}

// noHerd is the one answer for a herd that is not there and for one that the
// caller may not see.
func noHerd() *Error {
	return fail(NotFound, "herd-not-found", "there is no herd of this name that the token may use")
}

// wrap turns the store's closed set of errors into the book's. op names the
// operation for the log.
func wrap(op string, err error) error {
	var known *Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &known):
		return err
	case errors.Is(err, store.ErrNotFound):
		return &Error{Kind: NotFound, Code: "not-found", Detail: "there is no such thing", Err: err}
	case errors.Is(err, store.ErrConflict), errors.Is(err, store.ErrKeyTaken):
		return &Error{Kind: Conflict, Code: "conflict", Detail: "it contradicts what is stored", Err: err}
	case errors.Is(err, store.ErrOutcomeUnknown):
		return &Error{
			Kind: OutcomeUnknown, Code: "outcome-unknown", RetryAfter: time.Second, Err: err,
			Detail: "the connection to the database broke while it committed: what was sent may or may not be stored; send it again with the same ids, which stores nothing twice",
		}
	case errors.Is(err, store.ErrUnavailable), errors.Is(err, store.ErrSchema):
		return &Error{Kind: Unavailable, Code: "unavailable", RetryAfter: 2 * time.Second, Err: err, Detail: "the database cannot be used just now; nothing was written"}
	case errors.Is(err, store.ErrStorage):
		return &Error{Kind: Unavailable, Code: "storage", RetryAfter: time.Minute, Err: err, Detail: "the database has no room left; nothing was written"}
	}
	return fmt.Errorf("%s: %w", op, err)
}

// faults turns the problems of one event into faults below a pointer prefix.
func faults(prefix string, err error) []Fault {
	var problems event.Problems
	if !errors.As(err, &problems) {
		return []Fault{{Pointer: prefix, Code: event.CodeSyntax, Detail: err.Error()}}
	}
	list := make([]Fault, len(problems))
	for i, p := range problems {
		list[i] = Fault{Pointer: prefix + p.Pointer, Column: p.Column, Code: p.Code, Detail: p.Detail}
	}
	return list
}

func isNotFound(err error) bool { return errors.Is(err, store.ErrNotFound) }
