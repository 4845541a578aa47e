package store

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"syscall"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// maxTries bounds how often a transaction is started again.
const maxTries = 3

// pool is a set of connections in one role with its own limits, so that neither
// imports nor a flood of reads can starve appends (reliability.md R23).
type pool struct {
	*pgxpool.Pool
	name     string
	acquire  time.Duration // longest wait for a connection
	deadline time.Duration // longest call, retries included
	readOnly bool
}

// setHerdSQL sets the herd until the transaction ends.
const setHerdSQL = `select set_config('app.herd', $1, true)`

// tx runs fn in one transaction of the herd and commits it. It is the only way to
// a connection (a test holds that): the herd is set in the first statement and
// ends with the transaction. uuid.Nil is no herd. fn may be called again when the
// server rolled back for a conflict, at most maxTries times in all; an error of fn
// rolls back.
func (p *pool) tx(ctx context.Context, op string, herd uuid.UUID, fn func(context.Context, pgx.Tx) error) error {
	ctx, cancel := context.WithTimeout(ctx, p.deadline)
	defer cancel()
	for try := 1; ; try++ {
		again, err := p.once(ctx, herd, fn)
		if err == nil {
			return nil
		}
		if !again || try == maxTries {
			return classify(op, err)
		}
		// Full jitter, so that two that deadlocked do not meet again.
		wait := time.Duration(rand.Int64N(int64(try) * int64(20*time.Millisecond))) //nolint:gosec // jitter, not a secret
		select {
		case <-ctx.Done():
			return classify(op, err)
		case <-time.After(wait):
		}
	}
}

// once tries the transaction once and tells whether another try is safe and useful.
func (p *pool) once(ctx context.Context, herd uuid.UUID, fn func(context.Context, pgx.Tx) error) (again bool, err error) {
	conn, err := p.conn(ctx)
	if err != nil {
		return false, err
	}
	defer conn.Release()
	tx, err := conn.BeginTx(ctx, pgx.TxOptions{BeginQuery: p.begin(herd)})
	if err != nil {
		// A connection that died in the pool: nothing has been asked of the
		// database yet, so another connection may be tried.
		var pg *pgconn.PgError
		return ctx.Err() == nil && !errors.As(err, &pg), err
	}
	defer func() {
		// The caller's context may be the reason for the rollback. After a commit this does nothing.
		rctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		_ = tx.Rollback(rctx)
	}()
	if err := fn(ctx, tx); err != nil {
		return retryable(err), err
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	// A commit that has begun is seen through: breaking it off because a client
	// went away would only make its outcome unknown.
	if tx.Conn().IsClosed() {
		return false, fail(ErrUnavailable, "the connection was lost before the commit")
	}
	cctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := tx.Commit(cctx); err != nil {
		if p.readOnly {
			return false, nil // what was read has been read; nothing hangs on this commit
		}
		err = commitError(err)
		return retryable(err), err
	}
	return false, nil
}

// ask reads one row of the herd in one round trip: the herd is set and the
// question asked in one implicit transaction, which ends with the answer. For the
// questions that every read begins with; measured, a third of the time of tx.
func (p *pool) ask(ctx context.Context, op string, herd uuid.UUID, sql string, args []any, scan func(pgx.Row) error) error {
	return p.askAgain(ctx, op, func(ctx context.Context) (bool, error) {
		return false, p.askOnce(ctx, herd, sql, args, func(q *pgx.QueuedQuery) { q.QueryRow(scan) })
	})
}

// askRows is ask for an answer of any number of rows. each is called for every row, and
// may keep nothing of it; reset is called before the first one, and again if the
// question is put again.
func (p *pool) askRows(ctx context.Context, op string, herd uuid.UUID, sql string, args []any, reset func(), each func(pgx.Rows) error) error {
	return p.askAgain(ctx, op, func(ctx context.Context) (bool, error) {
		reset()
		return false, p.askOnce(ctx, herd, sql, args, func(q *pgx.QueuedQuery) {
			q.Query(func(rows pgx.Rows) error {
				for rows.Next() {
					if err := each(rows); err != nil {
						return err
					}
				}
				return rows.Err()
			})
		})
	})
}

// askAgain puts a question again if it was put to a connection that had died in the
// pool: reading again does no harm, unless something was handed on already (began).
func (p *pool) askAgain(ctx context.Context, op string, put func(context.Context) (began bool, err error)) error {
	ctx, cancel := context.WithTimeout(ctx, p.deadline)
	defer cancel()
	for try := 1; ; try++ {
		began, err := put(ctx)
		if err == nil {
			return nil
		}
		var pg *pgconn.PgError
		if began || try == maxTries || ctx.Err() != nil || errors.As(err, &pg) || errors.Is(err, pgx.ErrNoRows) {
			return classify(op, err)
		}
	}
}

func (p *pool) askOnce(ctx context.Context, herd uuid.UUID, sql string, args []any, answer func(*pgx.QueuedQuery)) error {
	if !p.readOnly {
		return fail(ErrBroken, "ask is for readers")
	}
	conn, err := p.conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	var batch pgx.Batch
	batch.Queue(setHerdSQL, herd.String())
	answer(batch.Queue(sql, args...))
	return conn.SendBatch(ctx, &batch).Close()
}

// askEach is ask for many herds, still in one round trip: the herd is set anew
// before the question about it, so that each question sees its own herd only.
func (p *pool) askEach(ctx context.Context, op string, herds []uuid.UUID, sql string, scan func(i int, row pgx.Row) error) error {
	ctx, cancel := context.WithTimeout(ctx, p.deadline)
	defer cancel()
	if !p.readOnly {
		return classify(op, fail(ErrBroken, "askEach is for readers"))
	}
	conn, err := p.conn(ctx)
	if err != nil {
		return classify(op, err)
	}
	defer conn.Release()
	var batch pgx.Batch
	for i, herd := range herds {
		batch.Queue(setHerdSQL, herd.String())
		batch.Queue(sql, herd).QueryRow(func(row pgx.Row) error { return scan(i, row) })
	}
	if err := conn.SendBatch(ctx, &batch).Close(); err != nil {
		return classify(op, err)
	}
	return nil
}

// stream asks one question about the herd in one round trip, as ask does, and hands
// on each row as it comes: in binary form, and valid only during the call of fn. An
// error of fn breaks the answer off.
func (p *pool) stream(ctx context.Context, op string, herd uuid.UUID, sql string, args [][]byte, fn func(row [][]byte) error) error {
	return p.askAgain(ctx, op, func(ctx context.Context) (bool, error) { return p.streamOnce(ctx, herd, sql, args, fn) })
}

func (p *pool) streamOnce(ctx context.Context, herd uuid.UUID, sql string, args [][]byte, fn func(row [][]byte) error) (began bool, err error) {
	if !p.readOnly {
		return false, fail(ErrBroken, "stream is for readers")
	}
	conn, err := p.conn(ctx)
	if err != nil {
		return false, err
	}
	defer conn.Release()
	// Once for each connection.
	set, err := conn.Conn().Prepare(ctx, setHerdSQL, setHerdSQL)
	if err != nil {
		return false, err
	}
	statement, err := conn.Conn().Prepare(ctx, sql, sql)
	if err != nil {
		return false, err
	}
	var batch pgconn.Batch
	batch.ExecPrepared(set.Name, [][]byte{[]byte(herd.String())}, nil, nil)
	batch.ExecPrepared(statement.Name, args, binaryForm, binaryForm)
	results := conn.Conn().PgConn().ExecBatch(ctx, &batch)
	for first := true; results.NextResult(); first = false {
		rows := results.ResultReader()
		for !first && err == nil && rows.NextRow() {
			began = true
			err = fn(rows.Values())
		}
		_, _ = rows.Close() // its error is the one of results
	}
	return began, errors.Join(err, results.Close())
}

// single runs one statement that writes as a transaction of its own: one round trip
// for all of it. Results come in binary form. There is no herd, so a role under
// row-level security would see nothing. Between the sending and the answer nobody
// knows the outcome, and a broken connection there is ErrOutcomeUnknown; only an
// answer that says ERROR is a rollback.
func (p *pool) single(ctx context.Context, op string, sql string, args *arrays, scan func(row [][]byte) error) error {
	ctx, cancel := context.WithTimeout(ctx, p.deadline)
	defer cancel()
	conn, err := p.conn(ctx)
	if err != nil {
		return classify(op, err)
	}
	defer conn.Release()
	// Once for each connection: what fails here has not been sent.
	statement, err := conn.Conn().Prepare(ctx, sql, sql)
	if err != nil {
		return classify(op, err)
	}
	rows := conn.Conn().PgConn().ExecPrepared(ctx, statement.Name, args.values(), binaryForm, binaryForm)
	for rows.NextRow() && err == nil {
		err = scan(rows.Values())
	}
	_, closed := rows.Close()
	if err := errors.Join(err, closed); err != nil {
		return classify(op, commitError(err))
	}
	return nil
}

// binaryForm asks for the binary form of all arguments, or of all results.
var binaryForm = []int16{pgx.BinaryFormatCode}

// begin gives the statements that open a transaction. A UUID prints as hex digits
// and hyphens only, so it needs no parameter, and one round trip does for both.
func (p *pool) begin(herd uuid.UUID) string {
	id := ""
	if herd != uuid.Nil {
		id = herd.String()
	}
	mode := "read write"
	if p.readOnly {
		mode = "read only"
	}
	return "begin isolation level read committed " + mode + "; select set_config('app.herd', '" + id + "', true)"
}

// conn takes a connection out of the pool. A full pool is an answer, not
// something to wait out or to retry.
func (p *pool) conn(ctx context.Context) (*pgxpool.Conn, error) {
	actx, cancel := context.WithTimeout(ctx, p.acquire)
	defer cancel()
	conn, err := p.Acquire(actx)
	if err == nil {
		return conn, nil
	}
	var e *Error
	if errors.As(err, &e) { // of AfterConnect: the roles do not fit
		return nil, err
	}
	if ctx.Err() == nil && actx.Err() != nil {
		return nil, fail(ErrUnavailable, "no connection of the %s pool within %s", p.name, p.acquire)
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return nil, &Error{Kind: ErrUnavailable, Op: "connect", Err: &pgFailure{pg}}
	}
	return nil, &Error{Kind: ErrUnavailable, Op: "connect", Err: unparsed(err)}
}

// unparsed strips the driver's wrapping of a failed connection, which repeats
// host, user and database, down to the cause.
func unparsed(err error) error {
	var ce *pgconn.ConnectError
	if errors.As(err, &ce) {
		if in := ce.Unwrap(); in != nil {
			return in
		}
	}
	return err
}

// commitError sorts a failed commit: rolled back, or unknown. The driver's own
// SafeToRetry is of no use here: when the connection breaks while the answer is
// read, the driver (pgx 5.12, MultiResultReader) reports "conn closed", safe to
// retry, of a commit that was sent. TestCutAtEveryMessage found that.
func commitError(err error) error {
	var pg *pgconn.PgError
	switch {
	case errors.Is(err, pgx.ErrTxCommitRollback):
		return err
	case errors.As(err, &pg):
		// Only an ERROR is a rollback. FATAL is a connection that ends, and the
		// commit may have been done before (administrator's shutdown, wait for a standby).
		if severity(pg) == "ERROR" {
			return err
		}
		return fail(ErrOutcomeUnknown, "commit: %w", &pgFailure{pg})
	}
	return fail(ErrOutcomeUnknown, "commit: %w", err)
}

func severity(pg *pgconn.PgError) string {
	if pg.SeverityUnlocalized != "" {
		return pg.SeverityUnlocalized
	}
	return pg.Severity
}

func isEOF(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.ErrClosedPipe) ||
		errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}
