// Package localpg runs a private Postgres server from the server binaries of this
// machine: the database of the demo, of serve without a database URL, and of the
// tests.
//
// The server listens on no port. It has one socket, in a folder that only its user
// can enter, so there is no password to keep and no port to collide with. Run as
// root, the server and its files belong to an unprivileged user, as Postgres
// insists. The folder is locked while a process uses it. When that process ends,
// also by SIGKILL, a watchdog stops the server.
//
// The package speaks no SQL: the caller provisions and migrates through the store.
package localpg
