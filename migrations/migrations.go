// Package migrations holds the database schema: numbered goose files that only
// ever go forward, and the roles that they grant to.
//
// Numbers are contiguous from 00001. A released file never changes: what must
// change is a new file, and every step must leave the previous release of the
// service working (expand, then migrate, then contract), because a rolling
// restart runs both for a while. A test holds the numbering.
//
// Tables of a herd have row-level security FORCEd, so that not even the owner
// sees their rows. A migration that has to touch rows switches that off for its
// own transaction: ALTER TABLE t NO FORCE ROW LEVEL SECURITY, the work, and
// FORCE again.
package migrations

import "embed"

// FS holds the goose files at its root.
//
//go:embed 0*.sql
var FS embed.FS

// Roles is the idempotent script that creates the database roles. An
// administrator of the server runs it once (psql -f migrations/roles.sql) before
// the first migration; the private server of the demo and the tests runs the
// same text.
//
//go:embed roles.sql
var Roles string
