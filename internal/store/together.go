package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Part is what AppendTogether writes to one herd.
type Part struct {
	Herd uuid.UUID
	// Head is where the caller takes the herd's log to end.
	Head Head
	// Rows follow Head, as those of a Batch do; at least one.
	Rows []Row
}

// AppendTogether writes to the logs of several herds in one statement, which is one
// transaction, one round trip and one wait for the disk for all of them. It tells
// for each part whether it stands.
//
// A part stands only if the herd's head was where the caller took it to be, number
// and hash, and nobody else was appending to it; then it is written whole, and the
// head is moved. Any other part is left out and takes nothing away from the rest:
// the caller appends it by Append, which waits for the head and shows it. No head is
// waited for here, so that one herd's import does not hold up the others and no two
// processes can wait for each other's heads. Only rows that somebody has stored ahead
// of a head (AppendAhead) are waited for, until they give way: the caller leaves out
// the herds that it knows to be imported so.
//
// No two parts may be of the same herd. Errors are those of Append, for all parts:
// on any but ErrOutcomeUnknown nothing of any part was written. An id that is taken
// in one herd (ErrIDTaken) is such an error too: it does not say whose part it is.
func (db *DB) AppendTogether(ctx context.Context, parts []Part) (stood []bool, err error) {
	total, notes := 0, 0
	for i := range parts {
		p := &parts[i]
		if len(p.Rows) == 0 {
			return nil, &Error{Kind: ErrBroken, Op: "append together", Err: fail(ErrBroken, "a part without events")}
		}
		if err := follows(p.Head, p.Rows); err != nil {
			return nil, classify("append together", err)
		}
		for k := range p.Rows {
			if p.Rows[k].Note != nil {
				notes++
			}
		}
		total += len(p.Rows)
	}
	if total > MaxBatch {
		return nil, classify("append together", fail(ErrBroken, "%d events, at most %d", total, MaxBatch))
	}
	at := make(map[uuid.UUID]int, len(parts))
	stood = make([]bool, len(parts))
	for i := range parts {
		if _, twice := at[parts[i].Herd]; twice {
			return nil, classify("append together", fail(ErrBroken, "two parts of one herd"))
		}
		at[parts[i].Herd] = i
	}
	sql, args := togetherSQL, togetherArgs(parts, total)
	if notes > 0 {
		sql, args = togetherNotesSQL, append(args, noteArgs(parts, notes)...)
	}
	err = db.writer.single(ctx, "append together", sql, args, func(row pgx.CollectableRow) error {
		var id [16]byte
		if err := row.Scan(&id); err != nil {
			return err
		}
		i, ok := at[id]
		if !ok || stood[i] {
			return fail(ErrBroken, "a head was moved that nobody asked for")
		}
		stood[i] = true
		return nil
	})
	if err != nil {
		return nil, err
	}
	return stood, nil
}

// The heads are locked first, each by its key and only if it is where it is taken to
// be and free; only they are moved, and only their events are written. skip locked
// looks at a head that somebody moved meanwhile once more as it then is.
const (
	togetherHeads = `with part as (
			select * from unnest($1::uuid[], $2::bigint[], $3::bytea[], $4::bigint[], $5::bytea[], $6::timestamptz[])
				as p (herd_id, seq, hash, next_seq, next_hash, next_at)
		), mine as (
			select p.* from part p cross join lateral (
				select 1 from heads h where h.herd_id = p.herd_id and h.seq = p.seq and h.hash = p.hash
				for update skip locked
			) l
		), moved as (
			update heads h set seq = m.next_seq, hash = m.next_hash, recorded_at = m.next_at
			from mine m where h.herd_id = m.herd_id and h.seq = m.seq
			returning h.herd_id
		), put as (
			insert into events (herd_id, seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes)
			select e.herd_id, e.seq, e.id, nullif(e.animal, ''), e.kind, date '1970-01-01' + e.day, e.at, e.leaf, e.hash, e.bytes
			from unnest($7::uuid[], $8::bigint[], $9::uuid[], $10::text[], $11::text[], $12::int[], $13::timestamptz[], $14::bytea[], $15::bytea[], $16::bytea[])
				as e (herd_id, seq, id, animal, kind, day, at, leaf, hash, bytes)
			join moved v on v.herd_id = e.herd_id
		)`
	togetherSQL      = togetherHeads + ` select herd_id from moved`
	togetherNotesSQL = togetherHeads + `, noted as (
			insert into notes (herd_id, event_id, salt, body)
			select n.herd_id, n.event_id, n.salt, n.body
			from unnest($17::uuid[], $18::uuid[], $19::bytea[], $20::text[]) as n (herd_id, event_id, salt, body)
			join moved v on v.herd_id = n.herd_id
		) select herd_id from moved`
)

func togetherArgs(parts []Part, total int) []any {
	n := len(parts)
	herds, seqs, hashes := make([][16]byte, n), make([]int64, n), make([][]byte, n)
	nextSeqs, nextHashes, nextTimes := make([]int64, n), make([][]byte, n), make([]time.Time, n)
	of, numbers, ids := make([][16]byte, 0, total), make([]int64, 0, total), make([][16]byte, 0, total)
	animals, kinds, days := make([]string, 0, total), make([]string, 0, total), make([]int32, 0, total)
	times, leaves, chain, bytes := make([]time.Time, 0, total), make([][]byte, 0, total), make([][]byte, 0, total), make([][]byte, 0, total)
	for i := range parts {
		p := &parts[i]
		last := &p.Rows[len(p.Rows)-1]
		herds[i], seqs[i], hashes[i] = p.Herd, p.Head.Seq, p.Head.Hash[:]
		nextSeqs[i], nextHashes[i], nextTimes[i] = last.Seq, last.Hash[:], last.RecordedAt
		for k := range p.Rows {
			r := &p.Rows[k]
			of, numbers, ids = append(of, p.Herd), append(numbers, r.Seq), append(ids, r.ID)
			animals, kinds, days = append(animals, r.Animal), append(kinds, r.Kind), append(days, r.On)
			times, leaves = append(times, r.RecordedAt), append(leaves, r.Leaf[:])
			chain, bytes = append(chain, r.Hash[:]), append(bytes, r.Bytes)
		}
	}
	return []any{herds, seqs, hashes, nextSeqs, nextHashes, nextTimes, of, numbers, ids, animals, kinds, days, times, leaves, chain, bytes}
}

func noteArgs(parts []Part, total int) []any {
	of, ids := make([][16]byte, 0, total), make([][16]byte, 0, total)
	salts, bodies := make([][]byte, 0, total), make([]string, 0, total)
	for i := range parts {
		for k := range parts[i].Rows {
			if r := &parts[i].Rows[k]; r.Note != nil {
				of, ids = append(of, parts[i].Herd), append(ids, r.ID)
				salts, bodies = append(salts, r.Note.Salt[:]), append(bodies, r.Note.Body)
			}
		}
	}
	return []any{of, ids, salts, bodies}
}
