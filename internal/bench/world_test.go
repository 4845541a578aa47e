package bench

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"runtime/pprof"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/localpg"
	"byrelog.example/internal/simherd"
	"byrelog.example/internal/store"
)

// sizes are how much data the rows use.
type sizes struct {
	small    bool
	rounds   int
	rows     int // of the file of row a
	cows     int // of the herd of rows c to e, over five years
	herds    int // of the pool of row f
	herdCows int // each, over one year
	seconds  time.Duration
}

func full() sizes {
	return sizes{rounds: 5, rows: 1_000_000, cows: 3000, herds: 300, herdCows: 1000, seconds: 3 * time.Second}
}

func quick() sizes {
	return sizes{small: true, rounds: 3, rows: 30_000, cows: 300, herds: 30, herdCows: 100, seconds: time.Second}
}

// world is the machine under measurement: a private Postgres and what was put
// into it so far.
type world struct {
	ctx     context.Context //nolint:containedctx // of the whole run
	size    sizes
	pg      *localpg.Server
	version string
	dir     string // for files
	made    int    // databases
	row     string // that is being measured
	spent   int    // profiles written

	logs map[string]*filled
	duck *duck
}

func newWorld(ctx context.Context, s sizes) (*world, error) {
	dir, err := os.MkdirTemp("", "byrelog-bench-")
	if err != nil {
		return nil, err
	}
	data, err := os.MkdirTemp("", "byrelog-bench-pg-") // not inside dir, which the server's user could not enter
	if err != nil {
		return nil, err
	}
	pg, err := localpg.Start(ctx, localpg.Config{Dir: data, Ephemeral: true})
	if err != nil {
		_ = os.RemoveAll(data)
		_ = os.RemoveAll(dir)
		return nil, err
	}
	w := &world{ctx: ctx, size: s, pg: pg, dir: dir, logs: map[string]*filled{}}
	conn, err := pgx.Connect(ctx, pg.AdminURL("postgres"))
	if err == nil {
		w.version, _, _ = strings.Cut(conn.PgConn().ParameterStatus("server_version"), " ")
		err = conn.Close(ctx)
	}
	if err != nil {
		w.close()
		return nil, err
	}
	return w, nil
}

func (w *world) close() {
	if w.duck != nil {
		w.duck.close()
	}
	if err := w.pg.Stop(context.WithoutCancel(w.ctx)); err != nil {
		say("the database did not stop: %v", err)
	}
	_ = os.RemoveAll(w.dir)
}

// database makes an empty one with the schema in it.
func (w *world) database() (string, error) {
	w.made++
	name := fmt.Sprintf("bench%d", w.made)
	if err := store.Provision(w.ctx, w.pg.AdminURL("postgres"), name); err != nil {
		return "", err
	}
	return name, store.Migrate(w.ctx, w.pg.OwnerURL(name), nil)
}

func (w *world) drop(name string) error {
	return w.exec("postgres", "drop database "+name+" with (force)")
}

func (w *world) exec(database string, statements ...string) error {
	conn, err := pgx.Connect(w.ctx, w.pg.AdminURL(database))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(w.ctx) }()
	for _, s := range statements {
		if _, err := conn.Exec(w.ctx, s); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	return nil
}

// settle lets the server finish what it owes to the disk, so that one
// measurement does not pay for the one before.
func (w *world) settle(database string) error {
	runtime.GC()
	return w.exec(database, "checkpoint")
}

// service is the service over one database, behind a listener of its own.
type service struct {
	url, token string
	db         *store.DB
	book       *book.Book
	http       *http.Client
	server     *http.Server
}

// profiled does what is measured of ours, with a profile of it if the run wants one. It
// is of the whole process, which is the client as well.
func (w *world) profiled(deed func() error) error {
	if *profFlag == "" {
		return deed()
	}
	w.spent++
	f, err := os.Create(filepath.Join(*profFlag, fmt.Sprintf("%s-%02d.prof", w.row, w.spent)))
	if err != nil {
		return err
	}
	err = pprof.StartCPUProfile(f)
	if err == nil {
		err = deed()
		pprof.StopCPUProfile()
	}
	return errors.Join(err, f.Close())
}

// clients is the largest number of clients of any row.
const clients = 64

func (w *world) serve(database string, o book.Options) (*service, error) {
	db, err := store.Open(w.ctx, store.Config{URL: w.pg.AppURL(database)})
	if err != nil {
		return nil, err
	}
	s := &service{db: db, book: book.New(db, o)}
	api, err := httpapi.New(s.book, httpapi.Config{Ready: db.Ready})
	if err != nil {
		return nil, err
	}
	if s.token, _, err = s.book.CreateToken(w.ctx, book.TokenSpec{Name: "bench", Admin: true, Grants: []book.GrantSpec{
		{Herd: "*", Scopes: []book.Scope{"read", "record", "manage"}},
	}}); err != nil {
		return nil, err
	}
	if s.server, s.url, err = listen(api.Handler()); err != nil {
		return nil, err
	}
	s.http = client()
	return s, nil
}

func (s *service) close() {
	s.http.CloseIdleConnections()
	_ = s.server.Close()
	s.book.Close()
	s.db.Close()
}

func listen(h http.Handler) (*http.Server, string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, "", err
	}
	server := &http.Server{Handler: h, ReadHeaderTimeout: time.Minute}
	go func() { _ = server.Serve(l) }()
	return server, "http://" + l.Addr().String(), nil
}

func client() *http.Client {
	return &http.Client{Transport: &http.Transport{
		MaxIdleConns: 2 * clients, MaxIdleConnsPerHost: 2 * clients, DisableCompression: true,
	}, Timeout: 20 * time.Minute}
}

// call makes one request and reads its answer to the end.
func (s *service) call(ctx context.Context, method, path string, body io.Reader, header ...string) (status int, answer []byte, h http.Header, err error) {
	r, err := http.NewRequestWithContext(ctx, method, s.url+path, body)
	if err != nil {
		return 0, nil, nil, err
	}
	r.Header.Set("Authorization", "Bearer "+s.token)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	rsp, err := s.http.Do(r)
	if err != nil {
		return 0, nil, nil, err
	}
	defer func() { _ = rsp.Body.Close() }()
	answer, err = io.ReadAll(rsp.Body)
	return rsp.StatusCode, answer, rsp.Header, err
}

// get is a call that must be answered with 200.
func (s *service) get(ctx context.Context, path string) ([]byte, http.Header, error) {
	status, answer, h, err := s.call(ctx, http.MethodGet, path, nil)
	if err == nil && status != http.StatusOK {
		err = fmt.Errorf("GET %s: %d: %s", path, status, answer)
	}
	return answer, h, err
}

// filled is a database with herds in it.
type filled struct {
	database string
	herds    []string
	ids      []uuid.UUID
	events   int
	first    event.Date
	last     event.Date
}

// lastDay is the last day of every invented herd, and the day figures are
// computed to.
var lastDay = event.NewDate(2026, 6, 30)

// params are a herd's: the default herd, but no pregnancy is lost, no cow is
// stopped or served while pregnant. The SQL beside rows e and f knows the plain
// case only, and its counts are to be the same.
func params(cows, years int, seed uint64) simherd.Params {
	p := simherd.Default(cows)
	p.Seed = seed
	p.Cycle.WhilePregnant, p.Reading.FalseSuspect, p.Reading.FalseObvious = 0, 0, 0
	p.Losses, p.Breeding.Held, p.Breeding.StopAfter = nil, 0, 2000
	p.Last = lastDay
	p.First = lastDay - event.Date(365*years) + 1
	return p
}

// fill fills a database with n herds. Their logs are written as the service
// writes them: same bytes, same chain.
func (w *world) fill(n, cows, years int) (*filled, error) {
	key := fmt.Sprint(n, " ", cows, " ", years)
	if f := w.logs[key]; f != nil {
		return f, nil
	}
	name, err := w.database()
	if err != nil {
		return nil, err
	}
	db, err := store.Open(w.ctx, store.Config{URL: w.pg.AppURL(name)})
	if err != nil {
		return nil, err
	}
	defer db.Close()
	f := &filled{database: name, herds: make([]string, n), ids: make([]uuid.UUID, n), first: lastDay - event.Date(365*years) + 1, last: lastDay}
	b := book.New(db, book.Options{})
	defer b.Close()
	var next, total atomic.Int64
	var wg sync.WaitGroup
	failed := make([]error, 2)
	for k := range failed {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && failed[k] == nil; i = int(next.Add(1)) - 1 {
				f.herds[i] = fmt.Sprintf("herd-%03d", i+1)
				h, err := b.CreateHerd(w.ctx, book.HerdSpec{Name: f.herds[i]})
				if err != nil {
					failed[k] = err
					return
				}
				f.ids[i] = h.ID
				count, err := w.write(db, h, params(cows, years, uint64(i+1)))
				failed[k] = err
				total.Add(int64(count))
			}
		})
	}
	wg.Wait()
	for _, err := range failed {
		if err != nil {
			return nil, err
		}
	}
	f.events = int(total.Load())
	say("  %d herds of %d cows: %s events", n, cows, thousands(float64(f.events)))
	w.logs[key] = f
	return f, w.exec(name, "vacuum analyze events")
}

// write invents a herd and appends its log.
func (w *world) write(db *store.DB, h *book.Herd, p simherd.Params) (int, error) {
	sim, err := simherd.New(p, h.Name)
	if err != nil {
		return 0, err
	}
	rows := make([]store.Row, 0, store.MaxBatch)
	count := 0
	at := time.Now().UTC().Truncate(time.Microsecond)
	flush := func() error {
		_, err := db.Append(w.ctx, h.ID, store.Bulk, func(head store.Head) (store.Batch, error) {
			prev := event.Digest(head.Hash)
			for i := range rows {
				r := &rows[i]
				r.Seq, r.RecordedAt = head.Seq+int64(i)+1, at
				if r.RecordedAt.Before(head.RecordedAt) {
					r.RecordedAt = head.RecordedAt
				}
				prev = event.Link(h.Name, r.Seq, r.RecordedAt, prev, r.Leaf)
				r.Hash = prev
			}
			return store.Batch{Rows: rows}, nil
		})
		count += len(rows)
		rows = rows[:0]
		return err
	}
	for _, e := range sim.Events() {
		b := e.Canonical()
		r := store.Row{ID: e.ID, Animal: e.Animal, Kind: e.Kind.String(), On: e.On.UnixDay(), Leaf: event.Leaf(b), Bytes: b}
		if e.Note != "" {
			r.Note = &store.Note{Salt: e.NoteSalt, Body: e.Note}
		}
		if rows = append(rows, r); len(rows) == cap(rows) {
			if err := flush(); err != nil {
				return count, err
			}
		}
	}
	return count, flush()
}

// herd is the large one of rows c to e.
func (w *world) herd() (*filled, error) { return w.fill(1, w.size.cows, 5) }

// herdPool is the pool of row f.
func (w *world) herdPool() (*filled, error) { return w.fill(w.size.herds, w.size.herdCows, 1) }
