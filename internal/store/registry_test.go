package store_test

import (
	"bytes"
	"errors"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

func TestHerds(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	b := store.Herd{ID: uuid.New(), Name: "lower-barn", Title: "Lower barn", Zone: "Europe/Vienna", CreatedAt: start}
	a := store.Herd{ID: uuid.New(), Name: "alm", Zone: "UTC", CreatedAt: start}
	for _, h := range []store.Herd{b, a} {
		if err := db.CreateHerd(ctx, h); err != nil {
			t.Fatal(err)
		}
	}
	wantKind(t, db.CreateHerd(ctx, store.Herd{ID: uuid.New(), Name: "alm", Zone: "UTC", CreatedAt: start}), store.ErrConflict)
	wantKind(t, db.CreateHerd(ctx, store.Herd{ID: a.ID, Name: "alm-2", Zone: "UTC", CreatedAt: start}), store.ErrConflict)
	for _, name := range []string{"", "a", "Upper", "with space", "é-barn", strings.Repeat("a", 41)} {
		wantKind(t, db.CreateHerd(ctx, store.Herd{ID: uuid.New(), Name: name, Zone: "UTC", CreatedAt: start}), store.ErrInvalid)
	}
	list, err := db.Herds(ctx)
	if err != nil || !reflect.DeepEqual(list, []store.Herd{a, b}) {
		t.Fatalf("herds %+v, %v", list, err)
	}
	got, err := db.HerdByName(ctx, "lower-barn")
	if err != nil || got != b {
		t.Fatalf("herd %+v, %v", got, err)
	}
	_, err = db.HerdByName(ctx, "no-such")
	wantKind(t, err, store.ErrNotFound)
	title := "New title"
	got, err = db.UpdateHerd(ctx, b.ID, &title, nil)
	b.Title = title
	if err != nil || got != b {
		t.Fatalf("updated %+v, %v", got, err)
	}
	zone := "Europe/Zurich"
	got, err = db.UpdateHerd(ctx, b.ID, nil, &zone)
	b.Zone = zone
	if err != nil || got != b {
		t.Fatalf("updated %+v, %v", got, err)
	}
	_, err = db.UpdateHerd(ctx, uuid.New(), &title, nil)
	wantKind(t, err, store.ErrNotFound)
	long := strings.Repeat("t", 201)
	_, err = db.UpdateHerd(ctx, b.ID, &long, nil)
	wantKind(t, err, store.ErrInvalid)
}

func TestPolicies(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	id := herd(t, db, "policies")
	day := func(n int) time.Time { return start.AddDate(0, 0, n) }
	for _, p := range []store.Policy{
		{From: 20000, Doc: []byte(`{"vwp": 50}`), ChangedAt: day(1), By: "t1"},
		{From: -3000, Doc: []byte(`{"vwp": 40}`), ChangedAt: day(2), By: "t1"},
		{From: 20000, Doc: []byte(`{"vwp": 60}`), ChangedAt: day(3), By: "t2"},
		{From: -3000, Doc: nil, ChangedAt: day(4), By: "t2"},
	} {
		if err := db.PutPolicy(ctx, id, p); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		asOf time.Time
		want string
	}{
		{day(0), ""},
		{day(1), `20000 {"vwp": 50} t1`},
		{day(2), `-3000 {"vwp": 40} t1, 20000 {"vwp": 50} t1`},
		{day(3), `-3000 {"vwp": 40} t1, 20000 {"vwp": 60} t2`},
		{day(4), `20000 {"vwp": 60} t2`},
		{time.Time{}, `20000 {"vwp": 60} t2`},
	} {
		ps, err := db.Policies(ctx, id, c.asOf)
		if err != nil {
			t.Fatal(err)
		}
		var parts []string
		for _, p := range ps {
			parts = append(parts, strings.Join([]string{strconv.Itoa(int(p.From)), string(p.Doc), p.By}, " "))
		}
		if got := strings.Join(parts, ", "); got != c.want {
			t.Errorf("as of %v: %s, want %s", c.asOf, got, c.want)
		}
	}
	if rev, err := db.PolicyRev(ctx, id); err != nil || rev != 4 {
		t.Errorf("revision %d, %v", rev, err)
	}
	wantKind(t, db.PutPolicy(ctx, uuid.New(), store.Policy{From: 1, Doc: []byte(`{}`), ChangedAt: start}), store.ErrNotFound)
	wantKind(t, db.PutPolicy(ctx, id, store.Policy{From: 1, Doc: []byte(`[]`), ChangedAt: start}), store.ErrInvalid)
	wantKind(t, db.PutPolicy(ctx, id, store.Policy{From: 1, Doc: []byte(`{`), ChangedAt: start}), store.ErrInvalid)
	wantKind(t, db.PutPolicy(ctx, id, store.Policy{From: 1 << 30, Doc: []byte(`{}`), ChangedAt: start}), store.ErrInvalid)
	wantKind(t, db.PutPolicy(ctx, id, store.Policy{From: 20000, Doc: []byte(`{}`), ChangedAt: day(3)}), store.ErrConflict)
}

func TestActors(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	id, other := herd(t, db, "actors"), herd(t, db, "others")
	for _, p := range [][2]string{{"T1", "First name"}, {"T2", "Second"}, {"T1", "Changed"}} {
		if err := db.PutActor(ctx, id, p[0], p[1]); err != nil {
			t.Fatal(err)
		}
	}
	got, err := db.Actors(ctx, id)
	if err != nil || !reflect.DeepEqual(got, map[string]string{"T1": "Changed", "T2": "Second"}) {
		t.Fatalf("actors %v, %v", got, err)
	}
	if err := db.EraseActor(ctx, id, "T1", "token", start); err != nil {
		t.Fatal(err)
	}
	wantKind(t, db.EraseActor(ctx, other, "T2", "token", start), store.ErrNotFound)
	got, err = db.Actors(ctx, id)
	if err != nil || !reflect.DeepEqual(got, map[string]string{"T2": "Second"}) {
		t.Fatalf("actors %v, %v", got, err)
	}
	wantKind(t, db.PutActor(ctx, uuid.New(), "T1", "x"), store.ErrNotFound)
	wantKind(t, db.PutActor(ctx, id, "", "x"), store.ErrInvalid)
}

func TestTokens(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	id := herd(t, db, "tokens")
	expires := start.AddDate(1, 0, 0)
	full := store.Token{
		ID: uuid.New(), Name: "cooperative", CreatedAt: start, ExpiresAt: &expires,
		Grants: []store.Grant{{Scope: store.Read}, {Herd: &id, Scope: store.Manage}, {Herd: &id, Scope: store.Record}},
	}
	bare := store.Token{ID: uuid.New(), Name: "admin", Admin: true, CreatedAt: start.Add(time.Second)}
	for i, tok := range []store.Token{full, bare} {
		if err := db.CreateToken(ctx, tok, [32]byte{byte(i + 1)}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := db.TokenByHash(ctx, [32]byte{1})
	if err != nil || !reflect.DeepEqual(got, full) {
		t.Fatalf("token %+v, %v", got, err)
	}
	all, err := db.Tokens(ctx)
	if err != nil || !reflect.DeepEqual(all, []store.Token{full, bare}) {
		t.Fatalf("tokens %+v, %v", all, err)
	}
	_, err = db.TokenByHash(ctx, [32]byte{9})
	wantKind(t, err, store.ErrNotFound)

	wantKind(t, db.CreateToken(ctx, store.Token{ID: uuid.New(), Name: "same", CreatedAt: start}, [32]byte{1}), store.ErrConflict)
	absent := uuid.New()
	for _, c := range []struct {
		kind   store.Kind
		name   string
		grants []store.Grant
	}{
		{store.ErrNotFound, "x", []store.Grant{{Herd: &absent, Scope: store.Read}}},
		{store.ErrConflict, "x", []store.Grant{{Scope: store.Read}, {Scope: store.Read}}},
		{store.ErrConflict, "x", []store.Grant{{Herd: &id, Scope: store.Read}, {Herd: &id, Scope: store.Read}}},
		{store.ErrInvalid, "x", []store.Grant{{Scope: "own"}}},
		{store.ErrInvalid, "", nil},
	} {
		wantKind(t, db.CreateToken(ctx, store.Token{ID: uuid.New(), Name: c.name, CreatedAt: start, Grants: c.grants}, [32]byte{7}), c.kind)
	}
	if all, err := db.Tokens(ctx); err != nil || len(all) != 2 {
		t.Fatalf("a refused token was half written: %+v, %v", all, err)
	}

	used := func() time.Time {
		t.Helper()
		tok, err := db.TokenByHash(ctx, [32]byte{1})
		if err != nil || tok.LastUsedAt == nil {
			t.Fatalf("token %+v, %v", tok, err)
		}
		return *tok.LastUsedAt
	}
	for _, c := range []struct{ at, want time.Duration }{{0, 0}, {30 * time.Second, 0}, {61 * time.Second, 61 * time.Second}, {0, 61 * time.Second}} {
		if err := db.TouchToken(ctx, full.ID, start.Add(c.at)); err != nil {
			t.Fatal(err)
		}
		if got := used(); !got.Equal(start.Add(c.want)) {
			t.Errorf("touched at +%v: last used %v", c.at, got)
		}
	}
	for _, at := range []time.Duration{time.Hour, 2 * time.Hour} {
		if err := db.RevokeToken(ctx, full.ID, start.Add(at)); err != nil {
			t.Fatal(err)
		}
	}
	got, err = db.TokenByHash(ctx, [32]byte{1})
	if err != nil || got.RevokedAt == nil || !got.RevokedAt.Equal(start.Add(time.Hour)) {
		t.Fatalf("revoked %+v, %v", got, err)
	}
	wantKind(t, db.RevokeToken(ctx, uuid.New(), start), store.ErrNotFound)
}

func TestImport(t *testing.T) {
	t.Parallel()
	owner, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	ctx := t.Context()
	id, other := herd(t, db, "import"), herd(t, db, "import-other")
	job := store.Import{
		Herd: id, ID: uuid.New(), Owner: "t", Source: "office", FileName: "sheet.csv", Mapping: "m",
		Options: []byte(`{"dry_run": false}`), CreatedAt: start, UpdatedAt: start,
	}
	if err := db.CreateImport(ctx, job); err != nil {
		t.Fatal(err)
	}
	wantKind(t, db.CreateImport(ctx, job), store.ErrConflict)
	wantKind(t, db.CreateImport(ctx, store.Import{Herd: uuid.New(), ID: uuid.New(), CreatedAt: start, UpdatedAt: start}), store.ErrNotFound)
	chunks := [][]byte{[]byte("one"), {}, bytes.Repeat([]byte{0, 255}, 100_000)}
	for i, c := range chunks {
		if err := db.StageChunk(ctx, id, job.ID, int64(i), c); err != nil {
			t.Fatal(err)
		}
	}
	wantKind(t, db.StageChunk(ctx, id, job.ID, 1, []byte("again")), store.ErrConflict)
	wantKind(t, db.StageChunk(ctx, other, job.ID, 3, nil), store.ErrNotFound)
	wantKind(t, db.FinishStaging(ctx, id, job.ID, [32]byte{5}, 4, 10, start), store.ErrConflict)
	if err := db.FinishStaging(ctx, id, job.ID, [32]byte{5}, 3, 10, start.Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	wantKind(t, db.FinishStaging(ctx, id, job.ID, [32]byte{5}, 3, 10, start), store.ErrConflict)
	for i, c := range chunks {
		got, err := db.StagedChunk(ctx, id, job.ID, int64(i))
		if err != nil || !bytes.Equal(got, c) {
			t.Fatalf("chunk %d: %d bytes, %v", i, len(got), err)
		}
	}
	_, err := db.StagedChunk(ctx, other, job.ID, 0)
	wantKind(t, err, store.ErrNotFound)

	// The progress moves in the transaction of the chunk.
	step := func(was int64, n int, p store.ImportProgress) error {
		_, err := db.Append(ctx, id, store.Bulk, func(h store.Head) (store.Batch, error) {
			p.ID, p.Was, p.ChunksDone, p.RowsDone, p.At = job.ID, was, was+1, h.Seq+int64(n), start.Add(time.Duration(was+2)*time.Second)
			return store.Batch{Rows: follow(h, n), Import: &p}, nil
		})
		return err
	}
	if err := step(0, 4, store.ImportProgress{State: store.ImportRunning, Counts: []byte(`{"appended": 4}`), Rejects: []store.Reject{{Line: 3, Row: "bad;row", Errors: []byte(`[{"column": "on"}]`)}}}); err != nil {
		t.Fatal(err)
	}
	wantKind(t, step(0, 4, store.ImportProgress{State: store.ImportRunning}), store.ErrConflict) // the same chunk again
	if head, err := db.HeadOf(ctx, id); err != nil || head.Seq != 4 {
		t.Fatalf("head %+v, %v: a chunk was appended twice", head, err)
	}
	unfinished, err := db.UnfinishedImports(ctx)
	if err != nil || len(unfinished) != 1 || unfinished[0].ID != job.ID || unfinished[0].ChunksDone != 1 || unfinished[0].State != store.ImportRunning {
		t.Fatalf("unfinished %+v, %v", unfinished, err)
	}
	if err := db.SaveProgress(ctx, id, store.ImportProgress{ID: job.ID, Was: 1, ChunksDone: 2, RowsDone: 4, State: store.ImportRunning, At: start}); err != nil {
		t.Fatal(err)
	}
	if err := db.AddRejects(ctx, id, job.ID, []store.Reject{{Line: 9, Row: "x", Errors: []byte(`[]`)}, {Line: 7, Row: "y\t\"z\"", Errors: []byte(`[]`)}}); err != nil {
		t.Fatal(err)
	}
	wantKind(t, db.AddRejects(ctx, id, job.ID, []store.Reject{{Line: 9, Row: "x", Errors: []byte(`[]`)}}), store.ErrConflict)
	if err := step(2, 3, store.ImportProgress{State: store.ImportDone, Report: []byte(`{"findings": []}`)}); err != nil {
		t.Fatal(err)
	}
	wantKind(t, step(3, 1, store.ImportProgress{State: store.ImportRunning}), store.ErrConflict) // finished is finished
	finished := start.Add(4 * time.Second)
	want := job
	want.Digest = [32]byte{5}
	want.State, want.Chunks, want.ChunksDone, want.Rows, want.RowsDone = store.ImportDone, 3, 3, 10, 7
	want.Counts, want.Report, want.UpdatedAt, want.FinishedAt = []byte(`{"appended": 4}`), []byte(`{"findings": []}`), finished, &finished
	got, err := db.ImportByID(ctx, id, job.ID)
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Fatalf("import\n%+v, %v, want\n%+v", got, err, want)
	}
	_, err = db.ImportByID(ctx, other, job.ID)
	wantKind(t, err, store.ErrNotFound)
	rejects, err := db.Rejects(ctx, id, job.ID, 3, 10)
	if err != nil || len(rejects) != 2 || rejects[0].Line != 7 || rejects[0].Row != "y\t\"z\"" || rejects[1].Line != 9 {
		t.Fatalf("rejects %+v, %v", rejects, err)
	}
	// The copy of the file is gone with the job's end.
	if n := count(t, as(t, pgtest.AdminURL(t, owner), ""), `select count(*) from import_staging`); n != 0 {
		t.Errorf("%d staged chunks left", n)
	}
	if unfinished, err := db.UnfinishedImports(ctx); err != nil || len(unfinished) != 0 {
		t.Fatalf("unfinished %+v, %v", unfinished, err)
	}
	later := store.Import{Herd: id, ID: uuid.New(), CreatedAt: start.Add(time.Hour), UpdatedAt: start}
	if err := db.CreateImport(ctx, later); err != nil {
		t.Fatal(err)
	}
	list, err := db.Imports(ctx, id, 10, time.Time{})
	if err != nil || len(list) != 2 || list[0].ID != later.ID || list[1].ID != job.ID {
		t.Fatalf("imports %+v, %v", list, err)
	}
	list, err = db.Imports(ctx, id, 10, later.CreatedAt)
	if err != nil || len(list) != 1 || list[0].ID != job.ID {
		t.Fatalf("imports %+v, %v", list, err)
	}
}

// Two that resume one job at the same time: each chunk is appended once.
func TestImportTwice(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	id := herd(t, db, "resumed")
	job := store.Import{Herd: id, ID: uuid.New(), State: store.ImportReady, Chunks: 20, CreatedAt: start, UpdatedAt: start}
	if err := db.CreateImport(ctx, job); err != nil {
		t.Fatal(err)
	}
	var appended atomic.Int64
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for c := range int64(20) {
				_, err := db.Append(ctx, id, store.Bulk, func(h store.Head) (store.Batch, error) {
					return store.Batch{Rows: follow(h, 5), Import: &store.ImportProgress{ID: job.ID, Was: c, ChunksDone: c + 1, State: store.ImportRunning, At: start}}, nil
				})
				if err == nil {
					appended.Add(1)
				} else {
					wantKind(t, err, store.ErrConflict)
				}
			}
		})
	}
	wg.Wait()
	head, err := db.HeadOf(ctx, id)
	if err != nil || head.Seq != 100 || appended.Load() != 20 {
		t.Fatalf("head %d after %d chunks, %v", head.Seq, appended.Load(), err)
	}
}

func TestIdempotency(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	id, other := herd(t, db, "keys"), herd(t, db, "keys-other")
	r := store.IdempotencyRecord{Owner: "t1", Operation: "append", Key: "k-1", Fingerprint: [32]byte{3}, Status: 201, Body: []byte(`{"ok":true}`), CreatedAt: start}
	put := func(herd uuid.UUID, n int, rs ...store.IdempotencyRecord) error {
		_, err := db.Append(ctx, herd, store.API, func(h store.Head) (store.Batch, error) {
			return store.Batch{Rows: follow(h, n), Idempotency: rs}, nil
		})
		return err
	}
	second := r
	second.Key, second.Body = "k-2", nil
	if err := put(id, 2, r, second); err != nil {
		t.Fatal(err)
	}
	got, err := db.Idempotency(ctx, id, "t1", "append", "k-1")
	if err != nil || !reflect.DeepEqual(got, r) {
		t.Fatalf("record %+v, %v", got, err)
	}
	wantKind(t, put(id, 2, r), store.ErrKeyTaken)
	if head, err := db.HeadOf(ctx, id); err != nil || head.Seq != 2 {
		t.Fatalf("head %+v, %v: events without their key", head, err)
	}
	// Nothing new to append, only an answer to keep.
	third := r
	third.Key, third.CreatedAt = "k-3", start.Add(time.Hour)
	if err := put(id, 0, third); err != nil {
		t.Fatal(err)
	}
	for _, k := range [][3]string{{"t2", "append", "k-1"}, {"t1", "import", "k-1"}, {"t1", "append", "k-9"}} {
		_, err := db.Idempotency(ctx, id, k[0], k[1], k[2])
		wantKind(t, err, store.ErrNotFound)
	}
	_, err = db.Idempotency(ctx, other, "t1", "append", "k-1")
	wantKind(t, err, store.ErrNotFound)
	if err := put(other, 1, r); err != nil { // the same key in another herd is another key
		t.Fatal(err)
	}
	bad := r
	bad.Key = ""
	wantKind(t, put(id, 1, bad), store.ErrInvalid)
	n, err := db.PurgeIdempotency(ctx, start.Add(time.Minute))
	if err != nil || n != 3 {
		t.Fatalf("purged %d, %v", n, err)
	}
	if _, err := db.Idempotency(ctx, id, "t1", "append", "k-3"); err != nil {
		t.Fatal(err)
	}
}

// Many requests with the same key at once: one effect, and the others are told (T9).
func TestIdempotencyTogether(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app, Timeouts: patient})
	id := herd(t, db, "keys-at-once")
	const keys, requests = 10, 12
	var effects, taken atomic.Int64
	var wg sync.WaitGroup
	for r := range requests {
		wg.Go(func() {
			for k := range keys {
				key := "key-" + strconv.Itoa((k+r)%keys)
				_, err := db.Append(t.Context(), id, store.API, func(h store.Head) (store.Batch, error) {
					return store.Batch{Rows: follow(h, 2), Idempotency: []store.IdempotencyRecord{{Owner: "t", Operation: "append", Key: key, Status: 200, Body: []byte(strconv.Itoa(r)), CreatedAt: start}}}, nil
				})
				switch {
				case err == nil:
					effects.Add(1)
				case errors.Is(err, store.ErrKeyTaken):
					taken.Add(1)
				default:
					t.Errorf("append: %v", err)
				}
			}
		})
	}
	wg.Wait()
	head, err := db.HeadOf(t.Context(), id)
	if err != nil || effects.Load() != keys || taken.Load() != keys*(requests-1) || head.Seq != 2*keys {
		t.Errorf("%d effects, %d taken, head %d, %v", effects.Load(), taken.Load(), head.Seq, err)
	}
}

func TestMappings(t *testing.T) {
	t.Parallel()
	db := pgtest.Open(t)
	ctx := t.Context()
	const doc = `{"b": 1, "a": {"x":  2}}`
	for i, c := range []struct{ name, doc string }{{"sheet", "old"}, {"sheet", doc}, {"another", "{}"}} {
		m, err := db.PutMapping(ctx, c.name, c.doc, start)
		if err != nil || m.Version != []int64{1, 2, 1}[i] {
			t.Fatalf("mapping %+v, %v", m, err)
		}
	}
	m, err := db.MappingByName(ctx, "sheet")
	if err != nil || m.Doc != doc || m.Version != 2 || !m.CreatedAt.Equal(start) {
		t.Fatalf("mapping %+v, %v", m, err)
	}
	_, err = db.MappingByName(ctx, "none")
	wantKind(t, err, store.ErrNotFound)
	all, err := db.Mappings(ctx)
	if err != nil || len(all) != 2 || all[0].Name != "another" || all[1].Version != 2 {
		t.Fatalf("mappings %+v, %v", all, err)
	}
	_, err = db.PutMapping(ctx, "", doc, start)
	wantKind(t, err, store.ErrInvalid)
	_, err = db.PutMapping(ctx, "big", strings.Repeat("x", 1<<20+1), start)
	wantKind(t, err, store.ErrInvalid)
}

// An epoch never comes again, also when the database has forgotten the last one.
func TestEpoch(t *testing.T) {
	t.Parallel()
	owner, app := pgtest.DB(t)
	db := open(t, store.Config{URL: app})
	ctx := t.Context()
	seen := map[int64]bool{}
	note := func(n int64, err error) {
		t.Helper()
		if err != nil || seen[n] {
			t.Fatalf("epoch %d again, %v", n, err)
		}
		seen[n] = true
	}
	note(db.Epoch(ctx))
	for i := range 3 {
		note(db.BumpEpoch(ctx, start.Add(time.Duration(i)*time.Minute)))
		// A restore brings the old row back.
		if _, err := sqlDB(t, pgtest.AdminURL(t, owner)).ExecContext(ctx, `update log_epoch set epoch = 1`); err != nil {
			t.Fatal(err)
		}
	}
	note(db.BumpEpoch(ctx, start.Add(time.Hour)))
	note(db.BumpEpoch(ctx, start)) // twice, with a clock that went back
	note(store.NewEpoch(ctx, owner, start.Add(2*time.Hour)))
	if v, err := store.VersionAt(ctx, owner); err != nil || v != store.WantVersion() {
		t.Errorf("version %d, %v", v, err)
	}
	if n, err := db.Epoch(ctx); err != nil || !seen[n] {
		t.Fatalf("epoch %d, %v", n, err)
	}
}
