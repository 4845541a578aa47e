package book_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
	"byrelog.example/internal/store"
)

// moving gives the events of a herd that moves in: enough for several chunks of an
// import, each with an id of its own.
func moving(t *testing.T, herd string, n int) []*event.Event {
	t.Helper()
	p := simherd.Default(max(20, n/40))
	p.Last = event.NewDate(2026, 6, 30)
	p.First = p.Last - 3*365
	events, _, err := simherd.Generate(p, herd)
	if err != nil {
		t.Fatal(err)
	}
	if len(events) < n {
		t.Fatalf("the invented herd has %d events only", len(events))
	}
	return events[:n]
}

// asSheet writes events in the project's own profile; spoil may change the cells of
// a row, or give more rows to write behind it.
func asSheet(t *testing.T, events []*event.Event, spoil func(i int, cells []string) [][]string) []byte {
	t.Helper()
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	names := make([]string, 0, len(event.Columns()))
	for _, c := range event.Columns() {
		names = append(names, c.Name)
	}
	rows := [][]string{names}
	for i, e := range events {
		cells := e.Cells(nil)
		var more [][]string
		if spoil != nil {
			more = spoil(i, cells)
		}
		rows = append(append(rows, cells), more...)
	}
	if err := w.WriteAll(rows); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func column(t *testing.T, name string) int {
	t.Helper()
	i, ok := event.ColumnIndex(name)
	if !ok {
		t.Fatalf("no column %s", name)
	}
	return i
}

// standing is the log as a list of events, in order, without what differs from one
// import to the next: times, hashes and salts.
func (x *bundle) standing() []string {
	x.t.Helper()
	var list []string
	err := x.db.ScanNotes(x.t.Context(), x.herd.ID, 0, 0, func(r *store.Row) error {
		e, err := event.DecodeCanonical(r.Bytes)
		if err != nil {
			return err
		}
		note := ""
		if r.Note != nil {
			note = r.Note.Body
			if event.Commit(r.Note.Salt, note) != e.NoteHash {
				x.t.Errorf("seq %d: the note does not fit its commitment", r.Seq)
			}
		}
		e.Note, e.NoteHash, e.NoteSalt = note, event.Digest{}, event.Salt{}
		if r.Animal != e.Animal || r.Kind != e.Kind.String() || r.On != e.On.UnixDay() || r.ID != e.ID {
			x.t.Errorf("seq %d: the columns are not those of the bytes", r.Seq)
		}
		list = append(list, strings.Join(e.Cells(nil), "|"))
		return nil
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return list
}

// However the rows reach the log (sealed while the file was read through, or read a second
// time) it is the same log with the same report.
func TestImportIsTheSameByAnyWay(t *testing.T) {
	const n = 6500
	events := moving(t, "hazel-end", n)
	id, note, on, kind := column(t, "event_id"), column(t, "note"), column(t, "on"), column(t, "kind")
	void, reason := column(t, "void_event"), column(t, "reason")
	for name, spoil := range map[string]func(i int, cells []string) [][]string{
		"plain": nil,
		"notes": func(i int, cells []string) [][]string {
			if i%7 == 0 {
				cells[note] = fmt.Sprintf("note %d, \"quoted\"\nin two lines", i)
			}
			return nil
		},
		"a refused row in the second chunk": func(i int, cells []string) [][]string {
			if i == 3000 {
				cells[on] = "2026-02-30"
			}
			return nil
		},
		"a void in the third chunk": func(i int, cells []string) [][]string {
			if i != 6000 {
				return nil
			}
			row := make([]string, len(cells))
			row[id], row[kind], row[on], row[void], row[reason] = uuid.NewString(), "void", cells[on], cells[id], "another cow"
			return [][]string{row}
		},
		"a row twice in a chunk": func(i int, cells []string) [][]string {
			if i == 4000 {
				return [][]string{slices.Clone(cells)}
			}
			return nil
		},
		"a row again in the last chunk": func() func(i int, cells []string) [][]string {
			var first []string
			return func(i int, cells []string) [][]string {
				if i == 100 {
					first = slices.Clone(cells)
				}
				if i == 6490 {
					return [][]string{first}
				}
				return nil
			}
		}(),
		"a row again in the next chunk": func() func(i int, cells []string) [][]string {
			var first []string
			return func(i int, cells []string) [][]string {
				if i == 2400 {
					first = slices.Clone(cells)
				}
				if i == 2600 {
					return [][]string{first}
				}
				return nil
			}
		}(),
		"rows without ids": func(_ int, cells []string) [][]string {
			cells[id] = ""
			return nil
		},
		"an id again with other content": func() func(i int, cells []string) [][]string {
			var first string
			return func(i int, cells []string) [][]string {
				if i == 2600 {
					first = cells[id]
				}
				if i == 2700 {
					cells[id] = first
				}
				return nil
			}
		}(),
	} {
		t.Run(name, func(t *testing.T) {
			x := setup(t)
			file := asSheet(t, events, spoil)
			dry, err := x.book.Import(t.Context(), x.herd, bytes.NewReader(file), book.ImportOptions{DryRun: true})
			if err != nil {
				t.Fatal(err)
			}
			quick := x.load(file, book.ImportOptions{})
			x.export() // verifies
			if dry.Counts != quick.Counts || dry.Findings.Count != quick.Findings.Count {
				t.Errorf("dry: %+v, %d findings; in earnest: %+v, %d", dry.Counts, dry.Findings.Count, quick.Counts, quick.Findings.Count)
			}
			t.Setenv("TMPDIR", t.TempDir()+"/not-there")
			y := setup(t)
			slow := y.load(file, book.ImportOptions{})
			y.export()
			if quick.Counts != slow.Counts || len(quick.Problems) != len(slow.Problems) || len(quick.Notices) != len(slow.Notices) {
				t.Errorf("sealed: %+v, %d problems; read twice: %+v, %d", quick.Counts, len(quick.Problems), slow.Counts, len(slow.Problems))
			}
			if quick.Counts.Appended < n-2 {
				t.Errorf("%+v", quick.Counts)
			}
			if quick.Findings.Count != slow.Findings.Count {
				t.Errorf("%d findings, and %d without the temporary file", quick.Findings.Count, slow.Findings.Count)
			}
			a, b := x.standing(), y.standing()
			if !slices.Equal(a, b) {
				t.Errorf("two logs, of %d and %d events", len(a), len(b))
			}
			// A fold that was made on the way is that of the log.
			if warm, cold := x.findings(), x.reopened().findings(); !slices.Equal(warm, cold) {
				t.Errorf("%d findings, and %d when the log is read again", len(warm), len(cold))
			}
			again := x.load(file, book.ImportOptions{})
			if again.Counts.Appended != 0 || again.Counts.Refused != quick.Counts.Refused {
				t.Errorf("the same file again: %+v", again.Counts)
			}
		})
	}
}

func (x *bundle) findings() []string {
	x.t.Helper()
	var list []string
	if err := x.book.View(x.t.Context(), x.herd, book.AsOf{}, func(v *book.View) error {
		if v.Fold.Seq() != v.Head.Seq {
			x.t.Errorf("the fold is at %d, the head at %d", v.Fold.Seq(), v.Head.Seq)
		}
		for _, f := range v.Fold.FindingsOf(v.Today, repro.FindingFilter{}) {
			b, err := json.Marshal(f) // with what its pair says
			if err != nil {
				return err
			}
			list = append(list, string(b))
		}
		return nil
	}); err != nil {
		x.t.Fatal(err)
	}
	return list
}

// reopened is another book on the same database, with nothing in memory.
func (x *bundle) reopened() *bundle {
	b := book.New(x.db, book.Options{Plain: true})
	x.t.Cleanup(b.Close)
	return &bundle{t: x.t, db: x.db, book: b, herd: x.herd}
}

// Technicians go on writing to the herd while its history moves in: nothing is
// lost or doubled on either side, and nobody is turned away.
func TestImportAmongAppends(t *testing.T) {
	t.Parallel()
	x := setup(t)
	const n = 20_000
	events := moving(t, x.herd.Name, n)
	file := asSheet(t, events, nil)
	stop := make(chan struct{})
	var writers sync.WaitGroup
	var mu sync.Mutex
	var mine []uuid.UUID
	for w := range 3 {
		writers.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				e := heat(fmt.Sprintf("W%d-%d", w, i), on, event.InHeat)
				r, err := x.book.Append(t.Context(), x.herd, []*event.Event{e}, book.AppendOptions{})
				if err != nil {
					t.Errorf("append: %v", err)
					return
				}
				mu.Lock()
				mine = append(mine, r.Results[0].ID)
				mu.Unlock()
			}
		})
	}
	r := x.load(file, book.ImportOptions{})
	close(stop)
	writers.Wait()
	if r.Counts.Appended != n || r.Counts.Refused != 0 {
		t.Errorf("%+v", r.Counts)
	}
	x.export() // verifies numbers and chain
	got := map[uuid.UUID]int{}
	if err := x.db.Scan(t.Context(), x.herd.ID, 0, 0, func(r *store.Row) error { got[r.ID]++; return nil }); err != nil {
		t.Fatal(err)
	}
	if len(got) != n+len(mine) {
		t.Errorf("the log has %d events, not %d", len(got), n+len(mine))
	}
	for _, id := range mine {
		if got[id] != 1 {
			t.Errorf("%s stands %d times", id, got[id])
		}
	}
	for _, e := range events {
		if got[e.ID] != 1 {
			t.Errorf("%s of the file stands %d times", e.ID, got[e.ID])
		}
	}
	if warm, cold := x.findings(), x.reopened().findings(); !slices.Equal(warm, cold) {
		t.Errorf("%d findings, and %d when the log is read again", len(warm), len(cold))
	}
}

// Two imports of the same file into one herd at the same time leave each event once.
func TestImportTwiceAtOnce(t *testing.T) {
	t.Parallel()
	x := setup(t)
	const n = 12_000
	file := asSheet(t, moving(t, x.herd.Name, n), nil)
	var both sync.WaitGroup
	var appended [2]int64
	for i := range appended {
		both.Go(func() {
			r, err := x.book.Import(t.Context(), x.herd, bytes.NewReader(file), book.ImportOptions{})
			if err != nil || r.State != store.ImportDone {
				t.Errorf("%+v %v", r, err)
				return
			}
			appended[i] = r.Counts.Appended
		})
	}
	both.Wait()
	if appended[0]+appended[1] != n {
		t.Errorf("%d and %d events were appended, want %d together", appended[0], appended[1], n)
	}
	x.export()
}
