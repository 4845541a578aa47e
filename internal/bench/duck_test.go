package bench

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/labstack/echo/v4"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// duck is DuckDB in a process of its own (internal/bench/duck).
type duck struct {
	cmd     *exec.Cmd
	in      io.WriteCloser
	out     *bufio.Reader
	version string
	loaded  *filled
}

type duckAnswer struct {
	Error   string   `json:"error"`
	Version string   `json:"version"`
	Nanos   int64    `json:"nanos"`
	Rows    int      `json:"rows"`
	Windows []window `json:"windows"`
}

// window is what was counted in 21 days.
type window struct {
	From     string `json:"from"`
	Eligible int    `json:"eligible"`
	Bred     int    `json:"bred"`
}

var errNoDuck = errors.New("DuckDB could not be built here (internal/bench/duck: it needs a C++ toolchain and the network once)")

func (w *world) duckVersion() string {
	if w.duck == nil {
		return "none"
	}
	return w.duck.version
}

// duckWith gives DuckDB with the events of f in its own table.
func (w *world) duckWith(f *filled) (*duck, error) {
	if *duckFlag == "" {
		return nil, errNoDuck
	}
	if w.duck == nil {
		d := &duck{cmd: run(w.ctx, *duckFlag)}
		in, err := d.cmd.StdinPipe()
		if err != nil {
			return nil, err
		}
		out, err := d.cmd.StdoutPipe()
		if err != nil {
			return nil, err
		}
		d.in, d.out = in, bufio.NewReaderSize(out, 1<<20)
		if err := d.cmd.Start(); err != nil {
			return nil, err
		}
		w.duck = d
	}
	if w.duck.loaded == f {
		return w.duck, nil
	}
	path, err := w.flat(f)
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.Remove(path) }()
	a, err := w.duck.ask("load " + path)
	if err == nil && a.Rows != f.events {
		err = fmt.Errorf("DuckDB loaded %d of %d events", a.Rows, f.events)
	}
	if err != nil {
		return nil, err
	}
	w.duck.version, w.duck.loaded = strings.TrimPrefix(a.Version, "v"), f
	return w.duck, nil
}

func (d *duck) ask(command string) (*duckAnswer, error) {
	if _, err := io.WriteString(d.in, command+"\n"); err != nil {
		return nil, err
	}
	text, err := d.out.ReadBytes('\n')
	if err != nil {
		return nil, fmt.Errorf("DuckDB: %w", err)
	}
	var a duckAnswer
	if err := json.Unmarshal(text, &a); err != nil {
		return nil, fmt.Errorf("DuckDB: %w", err)
	}
	if a.Error != "" {
		return nil, fmt.Errorf("DuckDB: %s", a.Error)
	}
	return &a, nil
}

func (d *duck) close() {
	_ = d.in.Close()
	_ = d.cmd.Wait()
}

// flat writes the events as the columns of DuckDB's table.
func (w *world) flat(f *filled) (string, error) {
	path := filepath.Join(w.dir, "flat.csv")
	out, err := os.Create(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = out.Close() }()
	conn, err := pgx.Connect(w.ctx, w.pg.AdminURL(f.database))
	if err != nil {
		return "", err
	}
	defer func() { _ = conn.Close(w.ctx) }()
	_, err = conn.PgConn().CopyTo(w.ctx, out, `copy (
		select dense_rank() over (order by e.herd_id), e.seq, e.animal, e.kind, e.on_date,
			d -> 'data' ->> 'result', d -> 'data' ->> 'parity', d -> 'data' ->> 'last_calved_on', d -> 'data' ->> 'conceived_on', d -> 'data' ->> 'last_bred_on'
		from events e cross join lateral (select case when e.kind in ('arrival', 'pregnancy_diagnosis') then convert_from(e.bytes, 'UTF8')::jsonb end as d) x
	) to stdout (format csv)`)
	return path, err
}

// period is the year of rows e and f, cut to whole windows of the default anchor.
func period() (from, to event.Date) {
	anchor := event.NewDate(2024, 1, 1)
	from = lastDay - 364
	if off := (from - anchor) % 21; off > 0 {
		from += 21 - off
	}
	return from, lastDay
}

// compare asks both for every window and refuses any difference.
func (w *world) compare(s *service, f *filled, d *duck) error {
	from, to := period()
	a, err := d.ask(fmt.Sprintf("windows %s %s", from, to))
	if err != nil {
		return err
	}
	var ours []window
	for _, herd := range f.herds {
		body, _, err := s.get(w.ctx, fmt.Sprintf("/v1/herds/%s/indices/insemination_risk_21d?from=%s&to=%s&on=%s", herd, from, to, lastDay))
		if err != nil {
			return err
		}
		var list struct {
			Indices []struct {
				Rows []struct {
					From   string         `json:"from"`
					Counts map[string]int `json:"counts"`
				} `json:"rows"`
			} `json:"indices"`
		}
		if err := json.Unmarshal(body, &list); err != nil || len(list.Indices) != 1 {
			return fmt.Errorf("windows of %s: %.300s: %w", herd, body, err)
		}
		rows := list.Indices[0].Rows
		if ours == nil {
			ours = make([]window, len(rows))
		}
		if len(rows) != len(ours) {
			return fmt.Errorf("%s has %d windows, the herds before it %d", herd, len(rows), len(ours))
		}
		for i, r := range rows {
			ours[i].From = r.From
			ours[i].Eligible += r.Counts["eligible"]
			ours[i].Bred += r.Counts["bred"]
		}
	}
	total := 0
	for _, o := range ours {
		total += o.Eligible
	}
	if !slices.Equal(ours, a.Windows) || len(ours) < 15 || total == 0 {
		return fmt.Errorf("DuckDB counts other windows:\nours   %v\nDuckDB %v", ours, a.Windows)
	}
	say("  DuckDB and the service count the same in all %d windows (%s eligible cow-windows)", len(ours), thousands(float64(total)))
	return nil
}

// duckTime is one answer of DuckDB, by its own clock.
func duckTime(d *duck) (time.Duration, error) {
	from, to := period()
	a, err := d.ask(fmt.Sprintf("windows %s %s", from, to))
	if err != nil {
		return 0, err
	}
	return time.Duration(a.Nanos), nil
}

// timed is one GET.
func (w *world) timed(s *service, path string) (time.Duration, error) {
	began := time.Now()
	_, _, err := s.get(w.ctx, path)
	return time.Since(began), err
}

// beside DuckDB, or a line that says why not.
func (w *world) besideDuck(f *filled, lines []line, measure func(s *service, d *duck) error) ([]line, error) {
	d, err := w.duckWith(f)
	if errors.Is(err, errNoDuck) {
		say("  LEFT OUT: %v", err)
		for i := range lines {
			lines[i].skipped = errNoDuck.Error()
		}
		return lines, nil
	}
	if err != nil {
		return nil, err
	}
	s, err := w.serve(f.database, book.Options{})
	if err != nil {
		return nil, err
	}
	defer s.close()
	if err := w.compare(s, f, d); err != nil {
		return nil, err
	}
	return lines, measure(s, d)
}

const duckWindows = "DuckDB: the 21-day windows of one index over the same events, in its own table"

func rowE(w *world) ([]line, error) {
	f, err := w.herd()
	if err != nil {
		return nil, err
	}
	lines := []line{{
		name: "e", ours: "the same, warm, over HTTP", beside: duckWindows, target: bound{atLeast: true, value: 50, unit: "x faster"},
	}}
	return w.besideDuck(f, lines, func(s *service, d *duck) error {
		path := summaryPath(f.herds[0])
		if _, err := w.timed(s, path); err != nil {
			return err
		}
		p, err := w.inTurn(func() (time.Duration, error) { return w.timed(s, path) }, func() (time.Duration, error) { return duckTime(d) })
		lines[0].oursAt, lines[0].besideAt, lines[0].ratios = span(medianTime(p.ours)), span(medianTime(p.beside)), p.faster()
		return err
	})
}

func rowF(w *world) ([]line, error) {
	f, err := w.herdPool()
	if err != nil {
		return nil, err
	}
	where := fmt.Sprintf("pool of %d herds x %s cows, one year, %s events, all indices", len(f.herds), thousands(float64(w.size.herdCows)), thousands(float64(f.events)))
	lines := []line{
		{name: "f", ours: where + ", cold", beside: duckWindows, target: bound{value: 0.6, unit: "x its time"}},
		{name: "f", ours: "the same, warm", beside: "the same", target: bound{atLeast: true, value: 100, unit: "x faster"}},
	}
	return w.besideDuck(f, lines, func(s *service, d *duck) error {
		path := summaryPath("")
		if err := w.snapshots(f); err != nil {
			return err
		}
		p, err := w.inTurn(func() (time.Duration, error) { return w.cold(f, path, book.Options{}) }, func() (time.Duration, error) { return duckTime(d) })
		if err != nil {
			return err
		}
		lines[0].oursAt, lines[0].besideAt, lines[0].ratios = span(medianTime(p.ours)), span(medianTime(p.beside)), p.slower()
		if _, err := w.timed(s, path); err != nil {
			return err
		}
		p, err = w.inTurn(func() (time.Duration, error) { return w.timed(s, path) }, func() (time.Duration, error) { return duckTime(d) })
		lines[1].oursAt, lines[1].besideAt, lines[1].ratios = span(medianTime(p.ours)), span(medianTime(p.beside)), p.faster()
		return err
	})
}

// ready is the bare handler: the framework, one route, a body that is there.
func ready(status int, body []byte, head http.Header) http.Handler {
	e := echo.New()
	media, tag := head.Get("Content-Type"), head.Get("ETag")
	e.GET("/*", func(c echo.Context) error {
		if status == http.StatusNotModified && c.Request().Header.Get("If-None-Match") == tag {
			c.Response().Header().Set("ETag", tag)
			return c.NoContent(status)
		}
		return c.Blob(http.StatusOK, media, body)
	})
	return e
}

func stringsReader(s string) io.Reader { return strings.NewReader(s) }
