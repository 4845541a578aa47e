package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// joinNotes looks the note of each row up by its key. The limit keeps the planner
// from joining all notes of the herd, which it does as long as it has no
// statistics of a table that has just been filled (measured: 20 ms instead of 2
// for a page). The limits of the other lateral joins are there for the same reason.
const joinNotes = `left join lateral (select event_id, salt, body from notes
	where herd_id = e.herd_id and event_id = e.event_id limit 1) n on true `

// KnownEvent is what the log knows of an event id.
type KnownEvent struct {
	Seq        int64
	Animal     string
	Kind       string
	On         int32
	RecordedAt time.Time
	Leaf, Hash [32]byte
	Note       *Note // nil: none or erased
	NoteErased bool
}

// Known looks up event ids of a herd; those that it does not have are absent from
// the answer. At most MaxBatch ids.
func (db *DB) Known(ctx context.Context, herd uuid.UUID, ids []uuid.UUID) (map[uuid.UUID]KnownEvent, error) {
	const op = "known events"
	if len(ids) > MaxBatch {
		return nil, &Error{Kind: ErrInvalid, Op: op, Err: fmt.Errorf("%d ids, at most %d", len(ids), MaxBatch)}
	}
	out := make(map[uuid.UUID]KnownEvent, min(len(ids), 64))
	if len(ids) == 0 {
		return out, nil
	}
	err := db.reader.tx(ctx, op, herd, func(ctx context.Context, tx pgx.Tx) error {
		clear(out)
		rows, err := tx.Query(ctx, `select e.seq, e.event_id, e.animal, e.kind, e.on_date, e.recorded_at, e.leaf, e.hash, null::bytea,
				n.event_id is not null, n.salt, n.body
			from unnest($2::uuid[]) as k (id)
			cross join lateral (select * from events where herd_id = $1 and event_id = k.id limit 1) e
			`+joinNotes,
			binaryResult(12), herd, rawIDs(ids))
		if err != nil {
			return err
		}
		var d decoder
		for rows.Next() {
			var r Row
			if err := d.row(rows.RawValues(), &r, true); err != nil {
				rows.Close()
				return err
			}
			out[r.ID] = KnownEvent{
				Seq: r.Seq, Animal: r.Animal, Kind: r.Kind, On: r.On, RecordedAt: r.RecordedAt,
				Leaf: r.Leaf, Hash: r.Hash, Note: r.Note, NoteErased: r.NoteErased,
			}
		}
		return rows.Err()
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// Limits of a page.
const (
	DefaultLimit = 200
	MaxLimit     = 1000
	MaxPageBytes = 4 << 20
)

// Filter chooses the events of a page. The zero Filter is the start of the log.
type Filter struct {
	After    int64 // only events with a greater seq
	UpTo     int64 // and none with a greater seq than this; 0 = up to the head
	Animal   string
	Kind     string
	From, To *int32      // civil dates, both included
	IDs      []uuid.UUID // only these
	Limit    int         // 1 to MaxLimit; 0 = DefaultLimit
	MaxBytes int         // of canonical bytes and notes together; 0 = MaxPageBytes. At least one row is given.
}

// unfiltered tells whether the page must be contiguous.
func (f *Filter) unfiltered() bool {
	return f.Animal == "" && f.Kind == "" && f.From == nil && f.To == nil && f.IDs == nil
}

// Page is a part of a herd's log, with the head that it was read under.
type Page struct {
	Rows []Row // ascending Seq, with their notes
	Head Head
	More bool // Limit or MaxBytes cut the page short: ask again after the last row
}

// Page reads a part of the log, and the head, from one statement, so that they
// agree on any server, a lagging replica too. It reads all into memory and gives
// the connection back before it returns.
//
// Errors: ErrNotFound (no such herd), ErrUnavailable, ErrBroken (a gap).
func (db *DB) Page(ctx context.Context, herd uuid.UUID, f Filter) (Page, error) {
	if f.Limit == 0 {
		f.Limit = DefaultLimit
	}
	if f.MaxBytes == 0 {
		f.MaxBytes = MaxPageBytes
	}
	if f.Limit < 1 || f.Limit > MaxLimit || f.MaxBytes < 0 || f.After < 0 || f.UpTo < 0 || len(f.IDs) > MaxBatch {
		return Page{}, &Error{Kind: ErrInvalid, Op: "page", Err: errors.New("filter out of bounds")}
	}
	var page Page
	err := db.reader.tx(ctx, "page", herd, func(ctx context.Context, tx pgx.Tx) error {
		page = Page{}
		return page.read(ctx, tx, herd, f)
	})
	if err != nil {
		return Page{}, err
	}
	return page, nil
}

func (p *Page) read(ctx context.Context, tx pgx.Tx, herd uuid.UUID, f Filter) error {
	sql, args := pageSQL(herd, &f)
	rows, err := tx.Query(ctx, sql, append([]any{binaryResult(15)}, args...)...)
	if err != nil {
		return err
	}
	defer rows.Close()
	var d decoder
	var bytes int
	found := false
	prev := f.After
	for rows.Next() {
		raw := rows.RawValues()
		if !found {
			if err := d.head(raw[12:15], &p.Head); err != nil {
				return err
			}
			found = true
			// One row more than asked for tells whether there is more.
			p.Rows = make([]Row, 0, min(f.Limit, 64))
		}
		if raw[0] == nil { // the head alone
			break
		}
		if len(p.Rows) == f.Limit {
			p.More = true
			break
		}
		bytes += len(raw[8]) + len(raw[11])
		if len(p.Rows) > 0 && bytes > f.MaxBytes {
			p.More = true
			break
		}
		p.Rows = append(p.Rows, Row{})
		r := &p.Rows[len(p.Rows)-1]
		if err := d.row(raw, r, true); err != nil {
			return err
		}
		if r.Seq <= prev || (f.unfiltered() && r.Seq != prev+1) || r.Seq > p.Head.Seq {
			return fail(ErrBroken, "page: seq %d after %d, head %d", r.Seq, prev, p.Head.Seq)
		}
		prev = r.Seq
	}
	rows.Close()
	if err := rows.Err(); err != nil {
		return err
	}
	if !found {
		return pgx.ErrNoRows
	}
	return nil
}

// pageSQL puts together the filters that are set. Every value is a parameter.
func pageSQL(herd uuid.UUID, f *Filter) (string, []any) {
	args := []any{herd, f.After, f.Limit + 1}
	where := ""
	add := func(cond string, v any) {
		args = append(args, v)
		where += fmt.Sprintf(" and "+cond, len(args))
	}
	upTo := f.UpTo
	if f.unfiltered() {
		// Numbers have no gap, so the range can say what the limit says. With both
		// bounds the planner takes the index also without statistics.
		if end := f.After + int64(f.Limit) + 1; upTo == 0 || end < upTo {
			upTo = end
		}
	}
	if upTo > 0 {
		add("e.seq <= $%d", upTo)
	}
	if f.Animal != "" {
		add("e.animal = $%d", f.Animal)
	}
	if f.Kind != "" {
		add("e.kind = $%d", f.Kind)
	}
	if f.From != nil {
		add("e.on_date >= $%d::date", day(*f.From))
	}
	if f.To != nil {
		add("e.on_date <= $%d::date", day(*f.To))
	}
	if f.IDs != nil {
		add("e.event_id = any ($%d::uuid[])", rawIDs(f.IDs))
	}
	return `select e.seq, e.event_id, e.animal, e.kind, e.on_date, e.recorded_at, e.leaf, e.hash, e.bytes,
			n.event_id is not null, n.salt, n.body, h.seq, h.hash, h.recorded_at
		from heads h
		left join lateral (
			select e.* from events e where e.herd_id = h.herd_id and e.seq > $2` + where + `
			order by e.seq limit $3
		) e on true
		` + joinNotes + `
		where h.herd_id = $1
		order by e.seq`, args
}

// HeadOf gives the head of one herd. Errors: ErrNotFound.
func (db *DB) HeadOf(ctx context.Context, herd uuid.UUID) (Head, error) {
	var h Head
	err := db.reader.tx(ctx, "head", herd, func(ctx context.Context, tx pgx.Tx) error {
		var hash []byte
		if err := tx.QueryRow(ctx, `select seq, hash, recorded_at from heads where herd_id = $1`, herd).
			Scan(&h.Seq, &hash, &h.RecordedAt); err != nil {
			return err
		}
		copy(h.Hash[:], hash)
		h.RecordedAt = h.RecordedAt.UTC()
		return nil
	})
	return h, err
}

// State is what decides whether an answer about a herd is still the same.
type State struct {
	Head      Head
	PolicyRev int64 // see PolicyRev
	Epoch     int64 // see Epoch
}

// StateOf gives the state of one herd as of one moment. Errors: ErrNotFound.
func (db *DB) StateOf(ctx context.Context, herd uuid.UUID) (State, error) {
	var s State
	found := false
	// As it comes: the driver's general way took twice as long, and every read asks this.
	err := db.reader.stream(ctx, "state", herd, stateSQL, [][]byte{herd[:]}, func(row [][]byte) error {
		found = true
		return s.read(row)
	})
	if err == nil && !found {
		err = &Error{Kind: ErrNotFound, Op: "state"}
	}
	return s, err
}

// StatesOf gives the states of many herds, in their order. Errors: ErrNotFound if
// one of them is not there.
func (db *DB) StatesOf(ctx context.Context, herds []uuid.UUID) ([]State, error) {
	out := make([]State, len(herds))
	const most = 1000 // questions in one round trip
	for from := 0; from < len(herds); from += most {
		part := herds[from:min(from+most, len(herds))]
		err := db.reader.askEach(ctx, "states", part, stateSQL, func(i int, row pgx.Row) error { return out[from+i].scan(row) })
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

const stateSQL = `select h.seq, h.hash, h.recorded_at,
		(select count(*) from policies where herd_id = $1), (select epoch from log_epoch)
	from heads h where h.herd_id = $1`

func (s *State) read(row [][]byte) error {
	if len(row) != 5 || len(row[3]) != 8 || len(row[4]) != 8 {
		return fail(ErrSchema, "states: columns of unexpected type")
	}
	s.PolicyRev, s.Epoch = int64(binary.BigEndian.Uint64(row[3])), int64(binary.BigEndian.Uint64(row[4])) //nolint:gosec // two's complement is the wire format
	var d decoder
	return d.head(row[:3], &s.Head)
}

func (s *State) scan(row pgx.Row) error {
	var hash []byte
	if err := row.Scan(&s.Head.Seq, &hash, &s.Head.RecordedAt, &s.PolicyRev, &s.Epoch); err != nil {
		return err
	}
	copy(s.Head.Hash[:], hash)
	s.Head.RecordedAt = s.Head.RecordedAt.UTC()
	return nil
}

// Heads gives the heads of the herds, which the caller has checked against the
// token; unknown ones are absent. The heads of different herds need not be of one
// moment.
func (db *DB) Heads(ctx context.Context, herds []uuid.UUID) (map[uuid.UUID]Head, error) {
	out := make(map[uuid.UUID]Head, len(herds))
	if len(herds) == 0 {
		return out, nil
	}
	err := db.registry.tx(ctx, "heads", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		clear(out)
		rows, err := tx.Query(ctx, `select h.herd_id, h.seq, h.hash, h.recorded_at
			from heads h where h.herd_id = any ($1::uuid[])`, rawIDs(herds))
		if err != nil {
			return err
		}
		var id [16]byte
		var h Head
		var hash []byte
		_, err = pgx.ForEachRow(rows, []any{&id, &h.Seq, &hash, &h.RecordedAt}, func() error {
			copy(h.Hash[:], hash)
			h.RecordedAt = h.RecordedAt.UTC()
			out[id] = h
			return nil
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// SeqAt gives the number of the last event that had been recorded at time t; 0
// when there was none. As recorded_at never decreases in a herd, what was known at
// t is exactly the log up to that number. Errors: ErrNotFound.
func (db *DB) SeqAt(ctx context.Context, herd uuid.UUID, t time.Time) (int64, error) {
	var seq int64
	err := db.reader.tx(ctx, "seq at a time", herd, func(ctx context.Context, tx pgx.Tx) error {
		// A binary search over seq in one round trip: no index on recorded_at is needed.
		return tx.QueryRow(ctx, `with recursive search (lo, hi) as (
				select 0::bigint, h.seq from heads h where h.herd_id = $1
				union all
				select case when e.recorded_at <= $2 then m.mid else s.lo end,
					case when e.recorded_at <= $2 then s.hi else m.mid - 1 end
				from search s
				cross join lateral (select (s.lo + s.hi + 1) >> 1 as mid) m
				cross join lateral (select recorded_at from events where herd_id = $1 and seq = m.mid limit 1) e
				where s.lo < s.hi
			) select lo from search where lo >= hi limit 1`, herd, t.UTC().Truncate(time.Microsecond)).Scan(&seq)
	})
	return seq, err
}

// EraseNote removes the text and the salt of an event's note and records that it
// did. The chain still verifies, for it holds only the commitment. Erasing again
// changes nothing. by is the token that asked.
//
// The old row version stays in the table's files until the next vacuum, and in the
// write-ahead log and backups until those are recycled.
// Errors: ErrNotFound (no such note).
func (db *DB) EraseNote(ctx context.Context, herd, event uuid.UUID, by string, at time.Time) error {
	return db.writer.tx(ctx, "erase note", herd, func(ctx context.Context, tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `update notes set salt = null, body = null, erased_at = $3
			where herd_id = $1 and event_id = $2 and erased_at is null`, herd, event, at)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			var one bool
			return tx.QueryRow(ctx, `select true from notes where herd_id = $1 and event_id = $2`, herd, event).Scan(&one)
		}
		return recordErasure(ctx, tx, herd, "note", event.String(), by, at)
	})
}

func recordErasure(ctx context.Context, tx pgx.Tx, herd uuid.UUID, what, subject, by string, at time.Time) error {
	_, err := tx.Exec(ctx, `insert into erasures (herd_id, what, subject, erased_at, erased_by) values ($1, $2, $3, $4, $5)`,
		herd, what, subject, at, by)
	return err
}

// decoder reads the binary values of event rows. It keeps one string per kind and
// animal, so that a long scan does not make one for every row.
type decoder struct {
	words map[string]string
}

// maxWords bounds the memory of a decoder over a herd with endless animal names.
const maxWords = 50_000

func (d *decoder) word(b []byte) string {
	if s, ok := d.words[string(b)]; ok {
		return s
	}
	if d.words == nil || len(d.words) >= maxWords {
		d.words = make(map[string]string)
	}
	s := string(b)
	d.words[s] = s
	return s
}

// row decodes seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes
// and, with notes, "has note", salt, body. Bytes are appended to r.Bytes, which
// the caller sets to nil or to a slice with room.
func (d *decoder) row(raw [][]byte, r *Row, notes bool) error {
	if len(raw[0]) != 8 || len(raw[1]) != 16 || len(raw[4]) != 4 || len(raw[5]) != 8 || len(raw[6]) != 32 || len(raw[7]) != 32 {
		return fail(ErrSchema, "events: columns of unexpected type")
	}
	be := binary.BigEndian
	r.Seq = int64(be.Uint64(raw[0])) //nolint:gosec // two's complement is the wire format
	r.ID = uuid.UUID(raw[1])
	r.Animal = ""
	if raw[2] != nil {
		r.Animal = d.word(raw[2])
	}
	r.Kind = d.word(raw[3])
	r.On = int32(be.Uint32(raw[4])) + pgEpochDays                                 //nolint:gosec // as above
	r.RecordedAt = time.UnixMicro(int64(be.Uint64(raw[5])) + pgEpochMicros).UTC() //nolint:gosec // as above
	r.Leaf, r.Hash = [32]byte(raw[6]), [32]byte(raw[7])
	if raw[8] != nil {
		r.Bytes = append(r.Bytes, raw[8]...)
	}
	r.Note, r.NoteErased = nil, false
	if !notes || len(raw[9]) != 1 || raw[9][0] == 0 {
		return nil
	}
	if raw[10] == nil || raw[11] == nil {
		r.NoteErased = true
		return nil
	}
	if len(raw[10]) != 16 {
		return fail(ErrSchema, "notes: salt of unexpected length")
	}
	r.Note = &Note{Salt: [16]byte(raw[10]), Body: string(raw[11])}
	return nil
}

func (d *decoder) head(raw [][]byte, h *Head) error {
	if len(raw[0]) != 8 || len(raw[1]) != 32 || len(raw[2]) != 8 {
		return fail(ErrSchema, "heads: columns of unexpected type")
	}
	h.Seq = int64(binary.BigEndian.Uint64(raw[0])) //nolint:gosec // two's complement is the wire format
	h.Hash = [32]byte(raw[1])
	h.RecordedAt = time.UnixMicro(int64(binary.BigEndian.Uint64(raw[2])) + pgEpochMicros).UTC() //nolint:gosec // as above
	return nil
}

// binaryResult asks for n columns in the binary format.
func binaryResult(n int) pgx.QueryResultFormats {
	f := make(pgx.QueryResultFormats, n)
	for i := range f {
		f[i] = pgx.BinaryFormatCode
	}
	return f
}

// rawIDs gives ids the shape that the driver encodes without reflection on text.
func rawIDs(ids []uuid.UUID) [][16]byte {
	out := make([][16]byte, len(ids))
	for i, id := range ids {
		out[i] = id
	}
	return out
}

// day turns days since 1970-01-01 into a date parameter.
func day(n int32) time.Time {
	return time.Unix(int64(n)*86400, 0).UTC()
}

// dayOf is the inverse of day.
func dayOf(t time.Time) int32 {
	return int32(t.Unix() / 86400) //nolint:gosec // years 1 to 9999; whole days only
}
