package store

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgtype"
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
// processes can wait for each other's heads.
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
	args, _ := arrayBuffers.Get().(*arrays)
	defer args.free()
	args.together(parts, total)
	sql := togetherSQL
	if notes > 0 {
		sql = togetherNotesSQL
		args.notes(parts, notes)
	}
	err = db.writer.single(ctx, "append together", sql, args, func(row [][]byte) error {
		if len(row) != 1 || len(row[0]) != 16 {
			return fail(ErrSchema, "heads: columns of unexpected type")
		}
		i, ok := at[uuid.UUID(row[0])]
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

// together gives the arguments of togetherSQL.
func (a *arrays) together(parts []Part, total int) {
	each := func(oid uint32, put func(*Part)) {
		a.begin(oid, len(parts))
		for i := range parts {
			put(&parts[i])
		}
		a.end()
	}
	each(pgtype.UUIDOID, func(p *Part) { a.bytes(p.Herd[:]) })
	each(pgtype.Int8OID, func(p *Part) { a.long(p.Head.Seq) })
	each(pgtype.ByteaOID, func(p *Part) { a.bytes(p.Head.Hash[:]) })
	each(pgtype.Int8OID, func(p *Part) { a.long(p.last().Seq) })
	each(pgtype.ByteaOID, func(p *Part) { a.bytes(p.last().Hash[:]) })
	each(pgtype.TimestamptzOID, func(p *Part) { a.time(p.last().RecordedAt) })
	every := func(oid uint32, put func(*Part, *Row)) {
		a.begin(oid, total)
		for i := range parts {
			for k := range parts[i].Rows {
				put(&parts[i], &parts[i].Rows[k])
			}
		}
		a.end()
	}
	every(pgtype.UUIDOID, func(p *Part, _ *Row) { a.bytes(p.Herd[:]) })
	every(pgtype.Int8OID, func(_ *Part, r *Row) { a.long(r.Seq) })
	every(pgtype.UUIDOID, func(_ *Part, r *Row) { a.bytes(r.ID[:]) })
	every(pgtype.TextOID, func(_ *Part, r *Row) { a.text(r.Animal) })
	every(pgtype.TextOID, func(_ *Part, r *Row) { a.text(r.Kind) })
	every(pgtype.Int4OID, func(_ *Part, r *Row) { a.int(r.On) })
	every(pgtype.TimestamptzOID, func(_ *Part, r *Row) { a.time(r.RecordedAt) })
	every(pgtype.ByteaOID, func(_ *Part, r *Row) { a.bytes(r.Leaf[:]) })
	every(pgtype.ByteaOID, func(_ *Part, r *Row) { a.bytes(r.Hash[:]) })
	every(pgtype.ByteaOID, func(_ *Part, r *Row) { a.bytes(r.Bytes) })
}

// notes gives what togetherNotesSQL needs beyond those of togetherSQL.
func (a *arrays) notes(parts []Part, total int) {
	every := func(oid uint32, put func(*Part, *Row)) {
		a.begin(oid, total)
		for i := range parts {
			for k := range parts[i].Rows {
				if r := &parts[i].Rows[k]; r.Note != nil {
					put(&parts[i], r)
				}
			}
		}
		a.end()
	}
	every(pgtype.UUIDOID, func(p *Part, _ *Row) { a.bytes(p.Herd[:]) })
	every(pgtype.UUIDOID, func(_ *Part, r *Row) { a.bytes(r.ID[:]) })
	every(pgtype.ByteaOID, func(_ *Part, r *Row) { a.bytes(r.Note.Salt[:]) })
	every(pgtype.TextOID, func(_ *Part, r *Row) { a.text(r.Note.Body) })
}

func (p *Part) last() *Row { return &p.Rows[len(p.Rows)-1] }
