package store

import (
	"context"
	"encoding/binary"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"byrelog.example/internal/guard"
)

// A scan is keyset pagination: it reads chunk by chunk, so that no statement runs into its timeout however
// long the log is, and reads each chunk into memory before it hands it out, so
// that no connection waits for a slow consumer.
const (
	scanRows  = 5000
	scanBytes = 4 << 20
)

// Scan calls fn for every event of the herd with after < seq <= upto in ascending
// order, without notes; upto 0 is the head when the scan starts. The row and its
// Bytes are valid only during the call of fn. An error of fn ends the scan and is
// returned as it is.
//
// Errors: ErrNotFound (no such herd), ErrUnavailable, ErrBroken (a gap).
func (db *DB) Scan(ctx context.Context, herd uuid.UUID, after, upto int64, fn func(*Row) error) error {
	return db.scan(ctx, herd, after, upto, wholeRows, fn)
}

// ScanBytes is Scan for who wants the canonical bytes and nothing else, and wants
// them as they come: fn is called while the connection is being read, and must not
// wait for anything. Before each run of at most RunOfBytes events, when there is no
// connection that could wait, next is called. The bytes are valid only during the
// call. An error of next or fn ends the scan and is returned as it is. What fn got of a
// run is right only if the scan goes on behind it: a gap in the log shows in the number
// of events, for the server is not asked for their seqs (measured: a cold summary takes
// 6 % less).
func (db *DB) ScanBytes(ctx context.Context, herd uuid.UUID, after, upto int64, next func() error, fn func(seq int64, raw []byte) error) error {
	upto, err := db.bound(ctx, herd, upto)
	if err != nil {
		return err
	}
	limit := int64(RunOfBytes)
	for at := max(after, 0); at < upto; {
		if err := next(); err != nil {
			return err
		}
		to, size := min(at+limit, upto), 0
		var failed error // of fn
		err := db.reader.stream(ctx, "scan", herd, bytesSQL, [][]byte{herd[:], int8Value(at), int8Value(to)}, func(row [][]byte) error {
			if len(row) != 1 {
				return fail(ErrSchema, "events: columns of unexpected type")
			}
			at++
			size += len(row[0])
			failed = fn(at, row[0])
			return failed
		})
		switch {
		case failed != nil:
			return failed
		case err != nil:
			return err
		case at < to:
			// A seq is there once at most, so that there is a gap where there are too few.
			return classify("scan", fail(ErrBroken, "scan: %d events are missing up to seq %d", to-at, to))
		case size > scanBytes: // heavy events: ask for fewer, so that a statement keeps within its time
			limit = max(limit/2, 50)
		}
	}
	return nil
}

// RunOfBytes is how many events ScanBytes reads at a time: few enough that what is
// made of them stays in the processor's cache until it is used.
const RunOfBytes = 2048

const bytesSQL = `select bytes from events where herd_id = $1 and seq > $2 and seq <= $3 order by seq`

func int8Value(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) } //nolint:gosec // as above

// bound is upto, or the head where that is 0 or beyond the head.
func (db *DB) bound(ctx context.Context, herd uuid.UUID, upto int64) (int64, error) {
	head, err := db.HeadOf(ctx, herd)
	if err != nil {
		return 0, err
	}
	if upto == 0 || upto > head.Seq {
		upto = head.Seq
	}
	return upto, nil
}

// HeadAt gives the log's head as it was when seq was the last event.
// Errors: ErrNotFound.
func (db *DB) HeadAt(ctx context.Context, herd uuid.UUID, seq int64) (Head, error) {
	h := Head{Seq: seq}
	err := db.reader.ask(ctx, "head at seq", herd, `select hash, recorded_at from events where herd_id = $1 and seq = $2`,
		[]any{herd, seq}, func(row pgx.Row) error {
			var hash []byte
			err := row.Scan(&hash, &h.RecordedAt)
			copy(h.Hash[:], hash)
			h.RecordedAt = h.RecordedAt.UTC()
			return err
		})
	return h, err
}

// ScanNotes is Scan with the notes of the events.
func (db *DB) ScanNotes(ctx context.Context, herd uuid.UUID, after, upto int64, fn func(*Row) error) error {
	return db.scan(ctx, herd, after, upto, withNotes, fn)
}

// columns is what a scan reads of each event.
type columns int

const (
	wholeRows columns = iota
	withNotes
)

// chunk is a run of rows whose Bytes lie in one buffer.
type chunk struct {
	rows []Row
	ends []int // ends[i] is where the bytes of rows[i] end in buf
	buf  []byte
	err  error
}

func (db *DB) scan(ctx context.Context, herd uuid.UUID, after, upto int64, what columns, fn func(*Row) error) error {
	upto, err := db.bound(ctx, herd, upto)
	if err != nil || after >= upto {
		return err
	}
	if what == withNotes {
		// A note is written together with its event, so a herd without any has none
		// up to its head, and looking for them row by row can be spared.
		noted := false
		if err := db.reader.ask(ctx, "notes", herd, `select exists (select from notes where herd_id = $1)`, []any{herd},
			func(row pgx.Row) error { return row.Scan(&noted) }); err != nil {
			return err
		}
		if !noted {
			what = wholeRows
		}
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	// Two chunks go round: one is being read while the other is being used.
	full, free := make(chan *chunk), make(chan *chunk, 2)
	free <- &chunk{}
	free <- &chunk{}
	guard.Go("store.scan", func() error {
		var d decoder
		limit := int64(scanRows)
		for at := max(after, 0); at < upto; {
			var c *chunk
			select {
			case c = <-free:
			case <-ctx.Done():
				return nil
			}
			c.err = db.reader.tx(ctx, "scan", herd, func(ctx context.Context, tx pgx.Tx) error {
				return c.read(ctx, tx, &d, herd, at, min(at+limit, upto), what)
			})
			if c.err != nil {
				return c.err
			}
			at = c.rows[len(c.rows)-1].Seq
			if len(c.buf) > scanBytes { // heavy events: ask for fewer, what is not kept was read in vain
				limit = max(int64(len(c.rows)), 50)
			}
			select {
			case full <- c:
			case <-ctx.Done():
				return nil
			}
		}
		return nil
	}, func(err error) {
		defer close(full)
		if err != nil {
			select {
			case full <- &chunk{err: err}:
			case <-ctx.Done():
			}
		}
	})
	for c := range full {
		if c.err != nil {
			return c.err
		}
		start := 0
		for i := range c.rows {
			c.rows[i].Bytes = c.buf[start:c.ends[i]:c.ends[i]]
			start = c.ends[i]
			if err := fn(&c.rows[i]); err != nil {
				return err
			}
		}
		free <- c
	}
	if err := ctx.Err(); err != nil { // the reader gave up because the caller did
		return classify("scan", err)
	}
	return nil
}

// read fills the chunk with the rows after < seq <= upto, fewer when they are
// heavy, but at least one.
func (c *chunk) read(ctx context.Context, tx pgx.Tx, d *decoder, herd uuid.UUID, after, upto int64, what columns) error {
	c.rows, c.ends, c.buf = c.rows[:0], c.ends[:0], c.buf[:0]
	if n := int(upto - after); cap(c.rows) < n {
		c.rows, c.ends = make([]Row, 0, n), make([]int, 0, n)
	}
	sql, count := `select seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes
		from events where herd_id = $1 and seq > $2 and seq <= $3 order by seq`, 9
	const blob = 8 // place of the bytes
	if what == withNotes {
		sql, count = `select e.seq, e.event_id, e.animal, e.kind, e.on_date, e.recorded_at, e.leaf, e.hash, e.bytes,
				n.event_id is not null, n.salt, n.body
			from events e `+joinNotes+`
			where e.herd_id = $1 and e.seq > $2 and e.seq <= $3 order by e.seq`, 12
	}
	rows, err := tx.Query(ctx, sql, binaryResult(count), herd, after, upto)
	if err != nil {
		return err
	}
	defer rows.Close()
	prev := after
	for rows.Next() {
		raw := rows.RawValues()
		c.rows = append(c.rows, Row{})
		r := &c.rows[len(c.rows)-1]
		c.buf = append(c.buf, raw[blob]...)
		c.ends = append(c.ends, len(c.buf))
		raw[blob] = nil
		if err := d.row(raw, r, what == withNotes); err != nil {
			return err
		}
		if r.Seq != prev+1 {
			return fail(ErrBroken, "scan: seq %d after %d", r.Seq, prev)
		}
		prev = r.Seq
		if len(c.buf) > scanBytes {
			break
		}
	}
	rows.Close()
	if err := rows.Err(); err != nil {
		return err
	}
	if prev < upto && len(c.buf) <= scanBytes {
		return fail(ErrBroken, "scan: nothing after seq %d, expected up to %d", prev, upto)
	}
	return nil
}
