package store

import (
	"context"
	"errors"
	"fmt"
	"net"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Kind is one of the closed set of ways in which a call can fail. A Kind is an
// error itself, so that errors.Is(err, store.ErrNotFound) is the way to ask.
type Kind string

// Error gives the kind in words.
func (k Kind) Error() string { return string(k) }

// The kinds. An error of the store that is none of them is a fault in the program.
const (
	// ErrNotFound: the herd, event, token, import … does not exist, or row-level
	// security hides it.
	ErrNotFound Kind = "not found"
	// ErrConflict: a unique name is taken, or what was to be changed has moved on.
	ErrConflict Kind = "conflict"
	// ErrIDTaken: an event id of the batch exists in the herd already. Nothing was
	// written; ask Known which.
	ErrIDTaken Kind = "event id taken"
	// ErrKeyTaken: the idempotency key was stored by another request meanwhile.
	// Nothing was written; ask Idempotency for its answer.
	ErrKeyTaken Kind = "idempotency key taken"
	// ErrInvalid: a constraint of the schema refused a value.
	ErrInvalid Kind = "value refused"
	// ErrUnavailable: no connection in time, database down, a lock or statement
	// timeout, or a serialisation failure that outlived its retries. Nothing was
	// written; the same call may be made again later.
	ErrUnavailable Kind = "database unavailable"
	// ErrStorage: the disk of the database is full. Nothing was written.
	ErrStorage Kind = "database storage full"
	// ErrOutcomeUnknown: the commit was sent and its answer was lost. It may or may
	// not have been done; ask Known before anything else.
	ErrOutcomeUnknown Kind = "outcome unknown"
	// ErrSchema: the schema or the roles do not fit this program.
	ErrSchema Kind = "schema does not fit"
	// ErrUnsafe: the server runs with settings that can lose acknowledged events.
	ErrUnsafe Kind = "unsafe server settings"
	// ErrBroken: an assertion about the log failed. The herd must not be written
	// to until somebody has looked; nothing was written by this call.
	ErrBroken Kind = "log assertion failed"
)

// Error is what every method returns on failure: the kind, the operation, and the
// cause. Its text may hold names of the schema but never a value of a row.
type Error struct {
	Kind Kind   // never empty
	Op   string // the operation, in words
	Err  error  // the cause; may be nil
}

// Error gives "operation: kind: cause".
func (e *Error) Error() string {
	if e.Err == nil {
		return e.Op + ": " + string(e.Kind)
	}
	return e.Op + ": " + string(e.Kind) + ": " + e.Err.Error()
}

// Unwrap gives the cause, so that context.Canceled stays visible.
func (e *Error) Unwrap() error { return e.Err }

// Is makes errors.Is(err, ErrNotFound) and the like work.
func (e *Error) Is(target error) bool {
	k, ok := target.(Kind)
	return ok && k == e.Kind
}

// fail makes an *Error; its format arguments must hold no value of a row.
func fail(kind Kind, format string, args ...any) error {
	return &Error{Kind: kind, Op: "store", Err: fmt.Errorf(format, args...)}
}

// callerError carries an error of a caller's closure through the transaction
// helper, so that it comes out as it went in and is never retried.
type callerError struct{ err error }

func (e *callerError) Error() string { return e.err.Error() }
func (e *callerError) Unwrap() error { return e.err }

// pgFailure is what the text of an error may show of the server's answer: the
// server's own message can quote values (the key of a unique violation), which
// must not reach a log or a client.
type pgFailure struct{ pg *pgconn.PgError }

func (e *pgFailure) Error() string {
	s := "SQLSTATE " + e.pg.Code
	if e.pg.ConstraintName != "" {
		s += " constraint " + e.pg.ConstraintName
	}
	// Messages of these classes name objects of the schema or states of the server, no rows.
	switch e.pg.Code[:min(2, len(e.pg.Code))] {
	case "28", "3D", "40", "42", "53", "55", "57", "58":
		s += ": " + e.pg.Message
	}
	return s
}

func (e *pgFailure) Unwrap() error { return e.pg }

// classify turns an error of the driver into an *Error, by SQLSTATE and constraint
// name and never by text.
func classify(op string, err error) error {
	if err == nil {
		return nil
	}
	var own *callerError
	if errors.As(err, &own) {
		return own.err
	}
	var e *Error
	if errors.As(err, &e) {
		if e.Op == "store" {
			return &Error{Kind: e.Kind, Op: op, Err: e.Err}
		}
		return e
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return &Error{Kind: ErrNotFound, Op: op}
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		if kind := kindOf(pg); kind != "" {
			return &Error{Kind: kind, Op: op, Err: &pgFailure{pg}}
		}
		return fmt.Errorf("%s: %w", op, &pgFailure{pg})
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || lost(err) {
		return &Error{Kind: ErrUnavailable, Op: op, Err: err}
	}
	return fmt.Errorf("%s: %w", op, err)
}

// lost tells whether err is the end of a connection rather than an answer.
func lost(err error) bool {
	var ce *pgconn.ConnectError
	var ne net.Error
	return errors.As(err, &ce) || errors.As(err, &ne) || pgconn.Timeout(err) || pgconn.SafeToRetry(err) ||
		errors.Is(err, pgx.ErrTxCommitRollback) || isEOF(err)
}

// kindOf maps a server error to its kind; "" when the set has none for it.
func kindOf(pg *pgconn.PgError) Kind {
	switch pg.Code {
	case "23505": // unique_violation
		switch pg.ConstraintName {
		case "events_id_key", "notes_pkey": // a note is written with its event, in either order
			return ErrIDTaken
		case "idempotency_keys_pkey":
			return ErrKeyTaken
		case "events_pkey":
			return ErrBroken
		}
		return ErrConflict
	case "23503": // foreign_key_violation: every foreign key points at a herd or a part of one
		return ErrNotFound
	case "23502", "23514", "22001", "22003", "22007", "22008", "22021", "22P02", "22P05": // not null, check, unstorable value
		return ErrInvalid
	case "40001", "40P01": // serialization_failure, deadlock_detected
		return ErrUnavailable
	case "55P03", "57014", "25P03", "25P04", "25006": // lock, statement, idle, transaction timeout; read only
		return ErrUnavailable
	case "53100": // disk_full
		return ErrStorage
	case "42P01", "42703", "42883", "3F000", "42704": // undefined table, column, function, schema, object
		return ErrSchema
	case "3D000", "57P04": // no such database
		return ErrUnavailable
	}
	switch pg.Code[:min(2, len(pg.Code))] {
	case "08", "53", "57", "58": // connection, resources, operator intervention, system
		return ErrUnavailable
	}
	return ""
}

// retryable tells whether the server itself rolled the transaction back for a
// reason that a second try can cure.
func retryable(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (pg.Code == "40001" || pg.Code == "40P01")
}
