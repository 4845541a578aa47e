// Package store keeps the log in Postgres. It is the only package that imports
// the driver and the migration library, and all SQL of the project stands here.
//
// # What it promises
//
// Appends to one herd are serialised by the lock on the herd's head row, which is
// the first thing that an append takes and the last that it releases. So the
// numbers of a herd have no gap, their order is the order of commit, and a reader
// that asks for what follows n can never miss a late commit. Herds do not wait for
// each other.
//
// Every call ends in one of three ways: it is done; it is rolled back, and the
// error says why; or the wire was lost while the commit was under way, and the
// error is ErrOutcomeUnknown. The store never replays a transaction of which it
// does not know the outcome: the caller asks Known and decides.
//
// # The wall between herds
//
// Reads run as byrelog_reader under row-level security; the herd of the call is
// set as app.herd in the first statement of the transaction and ends with it. What
// spans herds (herds, heads, tokens, mappings, epoch) is read as byrelog_registry,
// which can see no event, note or import. Appends run as byrelog_writer, which may
// not read events. Which herds a token may see is checked by the caller; the wall
// stops the bugs of that code, not an injection of SQL, so every value is a
// parameter.
//
// # Time
//
// The store reads no clock but for its own deadlines. Timestamps come from the
// caller, are UTC, and are kept to the microsecond. Dates are days since 1970-01-01.
//
// A DB is safe for concurrent use.
package store
