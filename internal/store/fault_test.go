package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/localpg"
	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// The wire is cut at every message that an append sends, once before the server
// gets it and once after the server has dealt with it (T10, T11). Whatever the
// caller is told is true, nothing is ever half written, and a caller who asks
// Known before it tries again has its events exactly once.
func TestCutAtEveryMessage(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	direct := open(t, store.Config{URL: app})
	p, through := proxied(t, app)
	db := open(t, store.Config{URL: through, Writers: 1})
	id := herd(t, direct, "cut")
	job := store.Import{Herd: id, ID: uuid.New(), State: store.ImportReady, CreatedAt: start, UpdatedAt: start}
	if err := direct.CreateImport(t.Context(), job); err != nil {
		t.Fatal(err)
	}

	// entry is what a caller wants written: its ids stay the same at a retry.
	type entry struct {
		ids []uuid.UUID
		key string
	}
	write := func(db *store.DB, e entry, chunk int64) error {
		_, err := db.Append(t.Context(), id, store.API, func(h store.Head) (store.Batch, error) {
			rows := follow(h, len(e.ids))
			for i := range rows {
				rows[i].ID = e.ids[i]
			}
			return store.Batch{
				Rows:        rows,
				Idempotency: []store.IdempotencyRecord{{Owner: "t", Operation: "append", Key: e.key, Status: 200, CreatedAt: start}},
				Import: &store.ImportProgress{
					ID: job.ID, Was: chunk, ChunksDone: chunk + 1, State: store.ImportRunning, At: start,
					Rejects: []store.Reject{{Line: chunk + 1, Row: "r", Errors: []byte(`[]`)}},
				},
			}, nil
		})
		return err
	}
	// there tells whether the entry was written, and fails when it was written in part.
	there := func(e entry, chunk int64) bool {
		t.Helper()
		known, err := direct.Known(t.Context(), id, e.ids)
		if err != nil {
			t.Fatal(err)
		}
		_, keyErr := direct.Idempotency(t.Context(), id, "t", "append", e.key)
		i, err := direct.ImportByID(t.Context(), id, job.ID)
		if err != nil {
			t.Fatal(err)
		}
		rejects, err := direct.Rejects(t.Context(), id, job.ID, chunk, 1)
		if err != nil {
			t.Fatal(err)
		}
		parts := []bool{len(known) == len(e.ids), keyErr == nil, i.ChunksDone == chunk+1, len(rejects) == 1}
		for _, k := range parts {
			if k != parts[0] || (!parts[0] && len(known) > 0) {
				t.Fatalf("half written: %d of %d events, key %v, chunk %d after %d", len(known), len(e.ids), keyErr, i.ChunksDone, chunk)
			}
		}
		return parts[0]
	}

	var chunk, written int64
	outcomes := map[string]int{}
	for _, after := range []bool{false, true} {
		for k := int64(1); ; k++ {
			if k > 200 {
				t.Fatal("an append of three events sends more than 200 messages")
			}
			e := entry{ids: []uuid.UUID{uuid.New(), uuid.New(), uuid.New()}, key: fmt.Sprintf("key-%v-%d", after, k)}
			p.arm(k, after)
			err := write(db, e, chunk)
			cut := p.cuts.Load() > 0
			p.arm(0, false)
			is := there(e, chunk)
			outcome := fmt.Sprintf("error %v, written %v", err != nil, is)
			switch {
			case err == nil && !is:
				t.Fatalf("message %d: acknowledged and not written", k)
			case err == nil:
			case errors.Is(err, store.ErrOutcomeUnknown):
				outcome = fmt.Sprintf("unknown, written %v", is)
			case is:
				t.Fatalf("message %d: %v, and yet written", k, err)
			case !errors.Is(err, store.ErrUnavailable):
				t.Fatalf("message %d: %v, want unavailable or unknown", k, err)
			}
			outcomes[outcome]++
			if !is {
				// The server lets go of the head when it notices that the client is gone.
				if err := write(db, e, chunk); err != nil {
					t.Fatalf("message %d: the retry: %v", k, err)
				}
				if !there(e, chunk) {
					t.Fatalf("message %d: the retry wrote nothing", k)
				}
			}
			chunk++
			written += int64(len(e.ids))
			if !cut {
				break
			}
		}
	}
	// The control of the test: each way of failing has happened.
	for _, o := range []string{"error false, written true", "error true, written false", "unknown, written false", "unknown, written true"} {
		if outcomes[o] == 0 {
			t.Errorf("never seen: %s; seen %v", o, outcomes)
		}
	}
	prev := [32]byte{}
	rows := scan(t, direct, id, 0, 0, true)
	for _, r := range rows {
		if link(prev, &r) != r.Hash {
			// The ids were replaced after hashing the bytes; the chain is over the leaves and stands.
			t.Fatalf("the chain breaks at %d", r.Seq)
		}
		prev = r.Hash
	}
	if int64(len(rows)) != written {
		t.Errorf("%d events in the log, %d were written", len(rows), written)
	}
	t.Logf("outcomes: %v", outcomes)
}

// A read over a connection that is cut is an error or the whole answer.
func TestCutRead(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	direct := open(t, store.Config{URL: app})
	p, through := proxied(t, app)
	db := open(t, store.Config{URL: through, Readers: 1})
	id := herd(t, direct, "cut-read")
	rows := add(t, direct, id, 50)
	failed := 0
	for k := int64(1); ; k++ {
		p.arm(k, k%2 == 0)
		page, err := db.Page(t.Context(), id, store.Filter{})
		cut := p.cuts.Load() > 0
		p.arm(0, false)
		if err == nil {
			same(t, page.Rows, rows, true)
		} else {
			wantKind(t, err, store.ErrUnavailable)
			failed++
		}
		if !cut {
			break
		}
	}
	if failed == 0 {
		t.Error("no cut was felt: the test proves nothing")
	}
}

// So is a scan of the bytes alone, of which a part may have been handed on.
func TestCutScanBytes(t *testing.T) {
	t.Parallel()
	_, app := pgtest.DB(t)
	direct := open(t, store.Config{URL: app})
	p, through := proxied(t, app)
	db := open(t, store.Config{URL: through, Readers: 1})
	id := herd(t, direct, "cut-scan")
	rows := add(t, direct, id, 50)
	failed := 0
	for k := int64(1); ; k++ {
		p.arm(k, k%2 == 0)
		n := 0
		err := db.ScanBytes(t.Context(), id, 0, 0, func() error { return nil }, func(seq int64, raw []byte) error {
			if seq != int64(n)+1 || !bytes.Equal(raw, rows[n].Bytes) {
				t.Errorf("cut at message %d: seq %d after %d events", k, seq, n)
			}
			n++
			return nil
		})
		cut := p.cuts.Load() > 0
		p.arm(0, false)
		switch {
		case err != nil:
			wantKind(t, err, store.ErrUnavailable)
			failed++
		case n != len(rows):
			t.Errorf("cut at message %d: %d events and no error", k, n)
		}
		if !cut {
			break
		}
	}
	if failed == 0 {
		t.Error("no cut was felt: the test proves nothing")
	}
}

// cluster starts a server of the test's own, as it runs in earnest unless told
// otherwise, in a folder that the server's user can reach.
func cluster(t testing.TB, settings map[string]string) (*localpg.Server, *store.DB) {
	t.Helper()
	dir, err := os.MkdirTemp("", "byrelog-pgtest-") //nolint:usetesting // as root, t.TempDir is out of the server's reach
	if err != nil {
		t.Fatal(err)
	}
	pg, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Ephemeral: true, Settings: settings})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := pg.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	if err := store.Provision(t.Context(), pg.AdminURL("postgres"), "byrelog"); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(t.Context(), pg.OwnerURL("byrelog"), nil); err != nil {
		t.Fatal(err)
	}
	db, err := store.Open(t.Context(), store.Config{URL: pg.AppURL("byrelog"), AllowUnsafe: settings["synchronous_commit"] == "off"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return pg, db
}

// batch is how many events an append of the crash test has.
const batch = 7

// crash appends from several goroutines, kills the server under them, starts it
// again and gives what was acknowledged, by herd.
func crash(t *testing.T, pg *localpg.Server, db *store.DB, herds []uuid.UUID, warm time.Duration) map[uuid.UUID][]uuid.UUID {
	t.Helper()
	acked := map[uuid.UUID][]uuid.UUID{}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for i := range 6 {
		wg.Go(func() {
			h := herds[i%len(herds)]
			for {
				var rows []store.Row
				_, err := db.Append(t.Context(), h, store.API, func(head store.Head) (store.Batch, error) {
					rows = follow(head, batch)
					return store.Batch{Rows: rows}, nil
				})
				if err != nil {
					if !errors.Is(err, store.ErrUnavailable) && !errors.Is(err, store.ErrOutcomeUnknown) {
						t.Errorf("append under a crash: %v", err)
					}
					return
				}
				mu.Lock()
				for _, r := range rows {
					acked[h] = append(acked[h], r.ID)
				}
				mu.Unlock()
			}
		})
	}
	time.Sleep(warm)
	if err := pg.Kill(); err != nil {
		t.Fatal(err)
	}
	wg.Wait()
	if err := pg.Restart(t.Context()); err != nil {
		t.Fatal(err)
	}
	// The pools find the server again by themselves.
	up := time.Now()
	for db.Ready(t.Context()) != nil {
		if time.Since(up) > 30*time.Second {
			t.Fatal("not ready 30 s after the server")
		}
		time.Sleep(20 * time.Millisecond)
	}
	return acked
}

// lostOf counts the acknowledged events that are gone, and checks that the rest is a log.
func lostOf(t *testing.T, db *store.DB, acked map[uuid.UUID][]uuid.UUID) (lost, total int) {
	t.Helper()
	for h, ids := range acked {
		there := map[uuid.UUID]bool{}
		prev := [32]byte{}
		for _, r := range scan(t, db, h, 0, 0, false) { // refuses gaps
			there[r.ID] = true
			if link(prev, &r) != r.Hash {
				t.Fatalf("the chain breaks at %d", r.Seq)
			}
			prev = r.Hash
		}
		if n := len(there); n%batch != 0 {
			t.Errorf("%d events: a batch of %d was torn", n, batch)
		}
		for _, id := range ids {
			total++
			if !there[id] {
				lost++
			}
		}
	}
	return lost, total
}

// SIGKILL of the server under load: every acknowledged event is there (T25). The
// control switches synchronous_commit off and loses some.
func TestServerKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("starts servers of its own")
	}
	t.Parallel()
	run := func(t *testing.T, settings map[string]string, trials int) (lost, total int) {
		t.Helper()
		pg, db := cluster(t, settings)
		herds := []uuid.UUID{herd(t, db, "kill-a"), herd(t, db, "kill-b"), herd(t, db, "kill-c")}
		all := map[uuid.UUID][]uuid.UUID{}
		for range trials {
			for h, ids := range crash(t, pg, db, herds, 300*time.Millisecond) {
				all[h] = append(all[h], ids...)
			}
		}
		return lostOf(t, db, all)
	}
	t.Run("safe", func(t *testing.T) {
		lost, total := run(t, nil, 3)
		if lost != 0 || total == 0 {
			t.Errorf("%d of %d acknowledged events lost", lost, total)
		}
		t.Logf("%d acknowledged events over 3 crashes", total)
	})
	t.Run("control", func(t *testing.T) {
		lost, total := run(t, map[string]string{"synchronous_commit": "off", "wal_writer_delay": "10s", "wal_writer_flush_after": "1GB", "wal_buffers": "64MB"}, 1)
		if lost == 0 {
			t.Errorf("nothing of %d events was lost with synchronous_commit off: the test proves nothing", total)
		}
		t.Logf("%d of %d lost", lost, total)
	})
}
