package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// row is a row of the table: how to measure it.
type row struct {
	name, ours string
	measure    func(*world) ([]line, error)
}

var rows = []row{
	{"a", "import beside COPY", rowA},
	{"b", "export beside COPY", rowB},
	{"c", "cold summary beside a scan", rowC},
	{"d", "cold summary from the snapshot beside a scan", rowD},
	{"e", "warm summary beside DuckDB", rowE},
	{"f", "a pool of herds beside DuckDB", rowF},
	{"g", "single appends to one herd beside INSERT", rowG},
	{"h", "single appends to many herds beside INSERT", rowH},
	{"i", "eligibility beside a ready answer", rowI},
	{"j", "an unchanged herd beside a ready 304", rowJ},
	{"k", "memory", rowK},
	{"l", "ten times the data", rowL},
}

// pairs are times of two things measured in turn.
type pairs struct{ ours, beside []time.Duration }

// inTurn measures both, as often as the run wants; each goes first as often as
// the other.
func (w *world) inTurn(ours, beside func() (time.Duration, error)) (pairs, error) {
	var p pairs
	for i := range w.size.rounds {
		steps := []func() error{
			func() error { d, err := ours(); p.ours = append(p.ours, d); return err },
			func() error { d, err := beside(); p.beside = append(p.beside, d); return err },
		}
		if i%2 == 1 {
			slices.Reverse(steps)
		}
		for _, step := range steps {
			if err := step(); err != nil {
				return p, err
			}
		}
	}
	return p, nil
}

// faster tells pair by pair how many times as fast ours is.
func (p pairs) faster() []float64 { return ratios(p.beside, p.ours) }

// slower tells pair by pair how many times as long ours takes.
func (p pairs) slower() []float64 { return ratios(p.ours, p.beside) }

func ratios(a, b []time.Duration) []float64 {
	out := make([]float64, len(a))
	for i := range a {
		out[i] = float64(a[i]) / float64(b[i])
	}
	return out
}

// scan reads the herds' rows as a program would that does nothing else: one
// statement, binary values, every column fetched and none decoded.
func (w *world) scan(f *filled) (time.Duration, error) {
	conn, err := pgx.Connect(w.ctx, w.pg.AdminURL(f.database))
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close(w.ctx) }()
	began := time.Now()
	rows, err := conn.Query(w.ctx, `select seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes
		from events where herd_id = $1 order by seq`, f.ids[0])
	if err != nil {
		return 0, err
	}
	n, size := 0, 0
	for rows.Next() {
		n++
		for _, v := range rows.RawValues() {
			size += len(v)
		}
	}
	if err := rows.Err(); err != nil {
		return 0, err
	}
	if n != f.events || size == 0 {
		return 0, fmt.Errorf("the scan read %d of %d rows", n, f.events)
	}
	return time.Since(began), nil
}

// summaryPath asks for all main indices of the last year.
func summaryPath(herds string) string {
	q := fmt.Sprintf("/v1/summary?from=%s&to=%s&on=%s", lastDay-364, lastDay, lastDay)
	if herds != "" {
		q += "&herds=" + herds
	}
	return q
}

// cold asks a service that has just started, and has nothing in memory.
func (w *world) cold(f *filled, path string, o book.Options) (time.Duration, error) {
	s, err := w.serve(f.database, o)
	if err != nil {
		return 0, err
	}
	defer s.close()
	// The connection and the token are not what is measured.
	for range 3 {
		if _, _, err := s.get(w.ctx, "/v1/herds/"+f.herds[0]+"/head"); err != nil {
			return 0, err
		}
	}
	runtime.GC()
	var took time.Duration
	err = w.profiled(func() error {
		began := time.Now()
		defer func() { took = time.Since(began) }()
		_, _, err := s.get(w.ctx, path)
		return err
	})
	return took, err
}

func rowC(w *world) ([]line, error) {
	f, err := w.herd()
	if err != nil {
		return nil, err
	}
	p, err := w.inTurn(
		func() (time.Duration, error) { return w.cold(f, summaryPath(f.herds[0]), withoutSnapshots()) },
		func() (time.Duration, error) { return w.scan(f) })
	if err != nil {
		return nil, err
	}
	return []line{{
		name: "c", ours: fmt.Sprintf("cold summary, all indices: %s cows, five years, %s events", thousands(float64(w.size.cows)), thousands(float64(f.events))),
		beside: "a bare scan of the same rows", oursAt: span(medianTime(p.ours)), besideAt: span(medianTime(p.beside)),
		ratios: p.slower(), target: bound{value: 2, unit: "x its time"},
	}}, nil
}

// load runs clients against a deed for a while and gives the rate and the
// time within which 99 of a hundred were done.
func (w *world) load(n int, deed func(ctx context.Context, client, i int) error) (perSecond float64, p99 time.Duration, err error) {
	if err := deed(w.ctx, 0, 0); err != nil { // warm
		return 0, 0, err
	}
	var stop atomic.Bool
	times := make([][]time.Duration, n)
	failed := make([]error, n)
	var wg sync.WaitGroup
	began := time.Now()
	for k := range n {
		wg.Go(func() {
			for i := 1; !stop.Load() && failed[k] == nil; i++ {
				at := time.Now()
				failed[k] = deed(w.ctx, k, i)
				times[k] = append(times[k], time.Since(at))
			}
		})
	}
	time.Sleep(w.size.seconds)
	stop.Store(true)
	wg.Wait()
	took := time.Since(began)
	var all []time.Duration
	for k := range n {
		if failed[k] != nil {
			return 0, 0, failed[k]
		}
		all = append(all, times[k]...)
	}
	slices.Sort(all)
	return float64(len(all)) / took.Seconds(), all[len(all)*99/100], nil
}

// loadOurs is load with a profile, if the run wants one.
func (w *world) loadOurs(n int, deed func(context.Context, int, int) error) (perSecond float64, p99 time.Duration, err error) {
	err = w.profiled(func() error {
		perSecond, p99, err = w.load(n, deed)
		return err
	})
	return perSecond, p99, err
}

// loads are the rates and the 99th percentiles of two things under load.
type loads struct {
	rates, tails         []float64 // ratios
	ours, beside         []float64
	oursTail, besideTail []time.Duration
}

func (w *world) loadInTurn(ours, beside func() (float64, time.Duration, error)) (*loads, error) {
	l := &loads{}
	for i := range w.size.rounds {
		steps := []func() error{
			func() error {
				r, t, err := ours()
				l.ours, l.oursTail = append(l.ours, r), append(l.oursTail, t)
				return err
			},
			func() error {
				r, t, err := beside()
				l.beside, l.besideTail = append(l.beside, r), append(l.besideTail, t)
				return err
			},
		}
		if i%2 == 1 {
			slices.Reverse(steps)
		}
		for _, step := range steps {
			if err := step(); err != nil {
				return nil, err
			}
		}
		l.rates = append(l.rates, l.ours[i]/l.beside[i])
	}
	l.tails = ratios(l.oursTail, l.besideTail)
	return l, nil
}

// Appends are heat readings of so many cows. Each is read once a day: when the clients
// are through with all of them, the next day begins.
const cowsAppended = 3000

var firstRead = lastDay - 730

// readings are the clients' appends, each of which makes its own.
type readings struct {
	herds []string
	made  [clients]int
}

// next is the path and the body of a client's next append.
func (r *readings) next(client int) (path, body string) {
	i := r.made[client]
	r.made[client]++
	n := client + clients*i
	return "/v1/herds/" + r.herds[(client*7919+i)%len(r.herds)] + "/events?unknown_animals=begin",
		fmt.Sprintf(`{"kind":"heat","animal":"%d","on":"%s","half":"am","by":"t1","data":{"verdict":"in_heat","chalk":"rubbed","found_by":"chalk"}}`,
			10_000+n%cowsAppended, min(firstRead+event.Date(n/cowsAppended), lastDay))
}

// appendTo makes the deed of one append over HTTP, each client with a connection of
// its own as those of insertInto have.
func appendTo(ctx context.Context, s *service, r *readings) (deed func(context.Context, int, int) error, done func(), err error) {
	wires := make([]*wire, clients)
	for i := range wires {
		if wires[i], err = s.dial(ctx); err != nil {
			return nil, nil, err
		}
	}
	deed = func(_ context.Context, client, _ int) error {
		status, answer, err := wires[client].post(r.next(client))
		if err == nil && status != http.StatusCreated {
			err = fmt.Errorf("append: %d: %s", status, answer)
		}
		return err
	}
	return deed, func() {
		for _, c := range wires {
			c.close()
		}
	}, nil
}

// appendBy is appendTo through http.Client.
func appendBy(s *service, r *readings) func(context.Context, int, int) error {
	return func(ctx context.Context, client, _ int) error {
		path, body := r.next(client)
		status, answer, _, err := s.call(ctx, http.MethodPost, path, stringsReader(body), "Content-Type", "application/json")
		if err == nil && status != http.StatusCreated {
			err = fmt.Errorf("append: %d: %s", status, answer)
		}
		return err
	}
}

// insertInto makes the deed of one durable INSERT of the same row: one
// connection for each client, no counter, no chain.
func (w *world) insertInto(database string, herds int) (deed func(context.Context, int, int) error, done func(), err error) {
	if err := w.exec(database, "create table if not exists bare (like events including all)"); err != nil {
		return nil, nil, err
	}
	conns := make([]*pgx.Conn, clients)
	for i := range conns {
		if conns[i], err = pgx.Connect(w.ctx, w.pg.AdminURL(database)); err != nil {
			return nil, nil, err
		}
	}
	e := event.New(event.KindHeat, "herd-001", "10001", lastDay)
	e.By, e.Half = "t1", "am"
	if d, ok := e.Data.(*event.Heat); ok {
		d.Verdict, d.Chalk, d.FoundBy = event.InHeat, event.Rubbed, "chalk"
	}
	bytes := e.Canonical()
	leaf := event.Leaf(bytes)
	var seq atomic.Int64
	seq.Store(time.Now().UnixNano())
	deed = func(ctx context.Context, client, i int) error {
		_, err := conns[client].Exec(ctx, `insert into bare (herd_id, seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, bytes)
			values ($1, $2, gen_random_uuid(), '10001', 'heat', '2026-06-30', now(), $3, $3, $4)`,
			fmt.Sprintf("00000000-0000-0000-0000-%012d", (client*7919+i)%herds), seq.Add(1), leaf[:], bytes)
		return err
	}
	return deed, func() {
		for _, c := range conns {
			_ = c.Close(context.WithoutCancel(w.ctx))
		}
	}, nil
}

// appends measures single appends over n herds beside bare INSERTs.
func (w *world) appends(name string, n int) ([]line, error) {
	database, err := w.database()
	if err != nil {
		return nil, err
	}
	defer func() { _ = w.drop(database) }()
	s, err := w.serve(database, book.Options{})
	if err != nil {
		return nil, err
	}
	defer s.close()
	herds := make([]string, n)
	for i := range herds {
		herds[i] = fmt.Sprintf("herd-%03d", i+1)
		if _, err := s.book.CreateHerd(w.ctx, book.HerdSpec{Name: herds[i]}); err != nil {
			return nil, err
		}
	}
	insert, done, err := w.insertInto(database, n)
	if err != nil {
		return nil, err
	}
	defer done()
	r := &readings{herds: herds}
	post, hangUp, err := appendTo(w.ctx, s, r)
	if err != nil {
		return nil, err
	}
	defer hangUp()
	settled := func(load func(int, func(context.Context, int, int) error) (float64, time.Duration, error), deed func(context.Context, int, int) error) (float64, time.Duration, error) {
		if err := w.settle(database); err != nil {
			return 0, 0, err
		}
		return load(clients, deed)
	}
	var general []float64
	l, err := w.loadInTurn(
		func() (float64, time.Duration, error) {
			rate, _, err := settled(w.load, appendBy(s, r))
			if err != nil {
				return 0, 0, err
			}
			general = append(general, rate)
			return settled(w.loadOurs, post)
		},
		func() (float64, time.Duration, error) { return settled(w.load, insert) })
	if err != nil {
		return nil, err
	}
	var generally []float64
	for i, rate := range general {
		generally = append(generally, rate/l.beside[i])
	}
	where, least, slowest := "one herd", 0.9, 1.1
	if n > 1 {
		where, least, slowest = fmt.Sprintf("%d herds", n), 0.6, 0
	}
	beside := fmt.Sprintf("a durable INSERT of the row, %d clients, no counter, no chain", clients)
	return []line{
		{
			name: name, ours: fmt.Sprintf("single appends over HTTP, %d clients, %s", clients, where), beside: beside,
			oursAt: perSecond(median(l.ours), "events"), besideAt: perSecond(median(l.beside), "rows"),
			ratios: l.rates, target: bound{atLeast: true, value: least, unit: "x its rate"},
		},
		{
			name: name, ours: "the slowest of a hundred (p99)", beside: "the same", oursAt: span(medianTime(l.oursTail)), besideAt: span(medianTime(l.besideTail)),
			ratios: l.tails, target: bound{value: slowest, unit: "x its p99"},
		},
		{
			name: name, ours: "the same appends through Go's http.Client", beside: "the same INSERT", oursAt: perSecond(median(general), "events"), besideAt: perSecond(median(l.beside), "rows"),
			ratios: generally, target: bound{unit: "x its rate"},
		},
	}, nil
}

func rowG(w *world) ([]line, error) { return w.appends("g", 1) }

func rowH(w *world) ([]line, error) { return w.appends("h", min(w.size.herds, 300)) }

// readers is how many clients rows i and j have.
const readers = 32

// reads measures a read of the large herd, warm, beside a handler that writes
// what was answered without asking anybody.
func (w *world) reads(l line, path func(*filled, *service) (string, error), tagged bool) ([]line, error) {
	f, err := w.herd()
	if err != nil {
		return nil, err
	}
	s, err := w.serve(f.database, book.Options{})
	if err != nil {
		return nil, err
	}
	defer s.close()
	at, err := path(f, s)
	if err != nil {
		return nil, err
	}
	answer, head, err := s.get(w.ctx, at)
	if err != nil {
		return nil, err
	}
	status, tag := http.StatusOK, head.Get("ETag")
	var header []string
	if tagged {
		status, header = http.StatusNotModified, []string{"If-None-Match", tag}
	}
	bare, url, err := listen(ready(status, answer, head))
	if err != nil {
		return nil, err
	}
	defer func() { _ = bare.Close() }()
	ask, askBare := asking(s, at, status, header...), asking(&service{url: url, token: s.token, http: client()}, at, status, header...)
	m, err := w.loadInTurn(
		func() (float64, time.Duration, error) { return w.loadOurs(readers, ask) },
		func() (float64, time.Duration, error) { return w.load(readers, askBare) })
	if err != nil {
		return nil, err
	}
	l.oursAt, l.besideAt, l.ratios = perSecond(median(m.ours), "answers"), perSecond(median(m.beside), "answers"), m.rates
	return []line{l}, nil
}

func rowI(w *world) ([]line, error) {
	return w.reads(line{
		name: "i", ours: fmt.Sprintf("eligibility of one cow, warm, %d clients", readers), beside: "a bare echo handler that writes a ready body of that size",
		target: bound{atLeast: true, value: 0.45, unit: "x its rate"},
	}, func(f *filled, s *service) (string, error) { return openCow(w.ctx, f, s) }, false)
}

// openCow asks after an open cow of the herd and gives the path of the question
// whether she may be bred.
func openCow(ctx context.Context, f *filled, s *service) (string, error) {
	answer, _, err := s.get(ctx, "/v1/herds/"+f.herds[0]+"/animals?status=open&limit=1")
	if err != nil {
		return "", err
	}
	var list struct {
		Items []struct {
			Animal string `json:"animal"`
		} `json:"items"`
	}
	if err := json.Unmarshal(answer, &list); err != nil || len(list.Items) == 0 {
		return "", fmt.Errorf("no open cow in %.200s: %w", answer, err)
	}
	return fmt.Sprintf("/v1/herds/%s/animals/%s/eligibility?on=%s", f.herds[0], list.Items[0].Animal, lastDay), nil
}

// asking makes the deed of one GET with a status that it must have.
func asking(s *service, path string, status int, header ...string) func(context.Context, int, int) error {
	return func(ctx context.Context, _, _ int) error {
		got, body, _, err := s.call(ctx, http.MethodGet, path, nil, header...)
		if err == nil && (got != status || status == http.StatusOK && len(body) == 0) {
			err = fmt.Errorf("GET %s: %d: %.300s", path, got, body)
		}
		return err
	}
}

func rowJ(w *world) ([]line, error) {
	return w.reads(line{
		name: "j", ours: fmt.Sprintf("indices of an unchanged herd with `If-None-Match`, %d clients", readers), beside: "a bare echo handler that answers 304",
		target: bound{atLeast: true, value: 0.45, unit: "x its rate"},
	}, func(f *filled, _ *service) (string, error) {
		return fmt.Sprintf("/v1/herds/%s/indices?on=%s", f.herds[0], lastDay), nil
	}, true)
}
