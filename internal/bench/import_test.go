package bench

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/simherd"
)

// sheetOf writes a file of n rows in the project's own profile, as a program
// that moves in would: a herd of so many cows that five years of it give the rows.
func (w *world) sheetOf(n int) (path string, err error) {
	path = filepath.Join(w.dir, fmt.Sprintf("sheet-%d.csv", n))
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	f, err := os.Create(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = f.Close() }()
	buf := bufio.NewWriterSize(f, 1<<20)
	out := csv.NewWriter(buf)
	columns := event.Columns()
	cells := make([]string, len(columns))
	for i := range columns {
		cells[i] = columns[i].Name
	}
	if err := out.Write(cells); err != nil {
		return "", err
	}
	sim, err := simherd.New(params(max(20, n/80), 5, 7), importHerd)
	if err != nil {
		return "", err
	}
	count := 0
	for _, e := range sim.Events() {
		cells = e.Cells(cells)
		if err := out.Write(cells); err != nil {
			return "", err
		}
		if count++; count == n {
			break
		}
	}
	if count < n {
		return "", fmt.Errorf("the invented herd gives %d rows only, not %d", count, n)
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return "", err
	}
	return path, buf.Flush()
}

const importHerd = "moving-in"

// imported sends a sheet to a herd of its own and checks the report.
func imported(ctx context.Context, s *service, path string, n int) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	status, answer, _, err := s.call(ctx, http.MethodPost, "/v1/herds/"+importHerd+"/imports", f, "Content-Type", "text/csv")
	if err != nil {
		return err
	}
	var report struct {
		ID     string `json:"id"`
		State  string `json:"state"`
		Counts struct {
			Appended int `json:"appended"`
			Refused  int `json:"refused"`
		} `json:"counts"`
	}
	for {
		if err := json.Unmarshal(answer, &report); err != nil || status >= 300 {
			return fmt.Errorf("import: %d: %.500s: %w", status, answer, err)
		}
		if report.State != "running" && report.State != "ready" {
			break
		}
		// Longer than a request may take: it goes on, and is asked after.
		time.Sleep(20 * time.Millisecond)
		if status, answer, _, err = s.call(ctx, http.MethodGet, "/v1/herds/"+importHerd+"/imports/"+report.ID, nil); err != nil {
			return err
		}
	}
	if report.State != "done" || report.Counts.Appended != n || report.Counts.Refused != 0 {
		return fmt.Errorf("import: %+v, of %d rows: %.1500s", report, n, answer)
	}
	return nil
}

// importOnce times one import of the sheet into an empty database. then, if
// given, is called with the database before it goes.
func (w *world) importOnce(path string, n int, then func(s *service, database string) error) (time.Duration, error) {
	name, err := w.database()
	if err != nil {
		return 0, err
	}
	s, err := w.serve(name, book.Options{})
	if err != nil {
		return 0, err
	}
	defer func() { _ = w.drop(name) }()
	defer s.close()
	if _, err := s.book.CreateHerd(w.ctx, book.HerdSpec{Name: importHerd}); err != nil {
		return 0, err
	}
	if err := w.settle(name); err != nil {
		return 0, err
	}
	var took time.Duration
	err = w.profiled(func() error {
		began := time.Now()
		defer func() { took = time.Since(began) }()
		return imported(w.ctx, s, path, n)
	})
	if err == nil && then != nil {
		err = then(s, name)
	}
	return took, err
}

// dump writes the rows of the log as COPY wants them.
func (w *world) dump(database string) (string, error) {
	path := filepath.Join(w.dir, database+".copy")
	f, err := os.Create(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = f.Close() }()
	conn, err := pgx.Connect(w.ctx, w.pg.AdminURL(database))
	if err != nil {
		return "", err
	}
	defer func() { _ = conn.Close(w.ctx) }()
	_, err = conn.PgConn().CopyTo(w.ctx, f, "copy (select * from events order by herd_id, seq) to stdout")
	return path, err
}

// copyOnce times one COPY of the rows into an empty table with the same
// columns, checks and indexes, in one transaction, as psql's \copy sends it.
func (w *world) copyOnce(path string, n int) (time.Duration, error) {
	name, err := w.database()
	if err != nil {
		return 0, err
	}
	defer func() { _ = w.drop(name) }()
	if err := w.exec(name, "create table bare (like events including all)"); err != nil {
		return 0, err
	}
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer func() { _ = f.Close() }()
	conn, err := pgx.Connect(w.ctx, w.pg.AdminURL(name))
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close(w.ctx) }()
	if err := w.settle(name); err != nil {
		return 0, err
	}
	began := time.Now()
	tag, err := conn.PgConn().CopyFrom(w.ctx, f, "copy bare from stdin")
	took := time.Since(began)
	if err == nil && tag.RowsAffected() != int64(n) {
		err = fmt.Errorf("%d of %d rows were copied", tag.RowsAffected(), n)
	}
	return took, err
}

// rowA is the import beside the COPY.
func rowA(w *world) ([]line, error) {
	n := w.size.rows
	path, err := w.sheetOf(n)
	if err != nil {
		return nil, err
	}
	var dump string
	if _, err := w.importOnce(path, n, func(_ *service, database string) error {
		dump, err = w.dump(database)
		return err
	}); err != nil {
		return nil, err
	}
	defer func() { _ = os.Remove(dump) }()
	p, err := w.inTurn(
		func() (time.Duration, error) { return w.importOnce(path, n, nil) },
		func() (time.Duration, error) { return w.copyOnce(dump, n) })
	if err != nil {
		return nil, err
	}
	return []line{{
		name: "a", ours: fmt.Sprintf("import of %s rows over HTTP", thousands(float64(n))), beside: "`\\copy` into the same indexed table",
		oursAt: perSecond(float64(n)/medianTime(p.ours).Seconds(), "rows"), besideAt: perSecond(float64(n)/medianTime(p.beside).Seconds(), "rows"),
		ratios: p.faster(), target: bound{atLeast: true, value: 0.6, unit: "x its rate"},
	}}, nil
}

// discard counts what it is given.
type discard struct{ n int64 }

func (d *discard) Write(p []byte) (int, error) {
	d.n += int64(len(p))
	return len(p), nil
}

// exportOnce times one export.
func (s *service) exportOnce(ctx context.Context, herd string) (time.Duration, error) {
	began := time.Now()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, s.url+"/v1/herds/"+herd+"/export.csv", nil)
	if err != nil {
		return 0, err
	}
	r.Header.Set("Authorization", "Bearer "+s.token)
	rsp, err := s.http.Do(r)
	if err != nil {
		return 0, err
	}
	defer func() { _ = rsp.Body.Close() }()
	var d discard
	_, err = io.Copy(&d, rsp.Body)
	if err == nil && (rsp.StatusCode != http.StatusOK || d.n < 1000) {
		err = fmt.Errorf("export: %s, %d bytes", rsp.Status, d.n)
	}
	return time.Since(began), err
}

// copyOut times the bare export: the same rows, in order, quoted as CSV.
func (w *world) copyOut(database string) (time.Duration, error) {
	conn, err := pgx.Connect(w.ctx, w.pg.AdminURL(database))
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close(w.ctx) }()
	var d discard
	began := time.Now()
	_, err = conn.PgConn().CopyTo(w.ctx, &d, `copy (select seq, event_id, animal, kind, on_date, recorded_at, leaf, hash, convert_from(bytes, 'UTF8')
		from events order by herd_id, seq) to stdout (format csv, header)`)
	return time.Since(began), err
}

// rowB is the export beside the COPY. It takes the file of row a.
func rowB(w *world) ([]line, error) {
	n := w.size.rows
	path, err := w.sheetOf(n)
	if err != nil {
		return nil, err
	}
	var p pairs
	if _, err := w.importOnce(path, n, func(s *service, database string) error {
		if err := w.exec(database, "vacuum analyze events"); err != nil {
			return err
		}
		p, err = w.inTurn(
			func() (time.Duration, error) { return s.exportOnce(w.ctx, importHerd) },
			func() (time.Duration, error) { return w.copyOut(database) })
		return err
	}); err != nil {
		return nil, err
	}
	return []line{{
		name: "b", ours: fmt.Sprintf("export of %s rows over HTTP", thousands(float64(n))), beside: "`\\copy (select … order by herd_id, seq) to`, as CSV",
		oursAt: perSecond(float64(n)/medianTime(p.ours).Seconds(), "rows"), besideAt: perSecond(float64(n)/medianTime(p.beside).Seconds(), "rows"),
		ratios: p.faster(), target: bound{atLeast: true, value: 1, unit: "x its rate"},
	}}, nil
}
