package store

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// A scan reads chunk by chunk, so that no statement runs into its timeout however
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
	return db.scan(ctx, herd, after, upto, false, fn)
}

// ScanNotes is Scan with the notes of the events.
func (db *DB) ScanNotes(ctx context.Context, herd uuid.UUID, after, upto int64, fn func(*Row) error) error {
	return db.scan(ctx, herd, after, upto, true, fn)
}

// chunk is a run of rows whose Bytes lie in one buffer.
type chunk struct {
	rows []Row
	ends []int // ends[i] is where the bytes of rows[i] end in buf
	buf  []byte
	err  error
}

func (db *DB) scan(ctx context.Context, herd uuid.UUID, after, upto int64, notes bool, fn func(*Row) error) error {
	head, err := db.HeadOf(ctx, herd)
	if err != nil {
		return err
	}
	if upto == 0 || upto > head.Seq {
		upto = head.Seq
	}
	if after >= upto {
		return nil
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	// Two chunks go round: one is being read while the other is being used.
	full, free := make(chan *chunk), make(chan *chunk, 2)
	free <- &chunk{}
	free <- &chunk{}
	go func() {
		defer close(full)
		var d decoder
		limit := int64(scanRows)
		for at := max(after, 0); at < upto; {
			var c *chunk
			select {
			case c = <-free:
			case <-ctx.Done():
				return
			}
			c.err = db.reader.tx(ctx, "scan", herd, func(ctx context.Context, tx pgx.Tx) error {
				return c.read(ctx, tx, &d, herd, at, min(at+limit, upto), notes)
			})
			if c.err == nil {
				at = c.rows[len(c.rows)-1].Seq
				if len(c.buf) > scanBytes { // heavy events: ask for fewer, what is not kept was read in vain
					limit = max(int64(len(c.rows)), 50)
				}
			}
			select {
			case full <- c:
			case <-ctx.Done():
				return
			}
			if c.err != nil {
				return
			}
		}
	}()
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
func (c *chunk) read(ctx context.Context, tx pgx.Tx, d *decoder, herd uuid.UUID, after, upto int64, notes bool) error {
	c.rows, c.ends, c.buf = c.rows[:0], c.ends[:0], c.buf[:0]
	if n := int(upto - after); cap(c.rows) < n {
		c.rows, c.ends = make([]Row, 0, n), make([]int, 0, n)
	}
	sql, columns := `select seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes
		from events where herd_id = $1 and seq > $2 and seq <= $3 order by seq`, 9
	if notes {
		sql, columns = `select e.seq, e.event_id, e.animal, e.kind, e.on_date, e.recorded_at, e.leaf, e.hash, e.bytes,
				n.event_id is not null, n.salt, n.body
			from events e `+joinNotes+`
			where e.herd_id = $1 and e.seq > $2 and e.seq <= $3 order by e.seq`, 12
	}
	rows, err := tx.Query(ctx, sql, binaryResult(columns), herd, after, upto)
	if err != nil {
		return err
	}
	defer rows.Close()
	prev := after
	for rows.Next() {
		raw := rows.RawValues()
		c.rows = append(c.rows, Row{})
		r := &c.rows[len(c.rows)-1]
		c.buf = append(c.buf, raw[8]...)
		c.ends = append(c.ends, len(c.buf))
		raw[8] = nil
		if err := d.row(raw, r, notes); err != nil {
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
