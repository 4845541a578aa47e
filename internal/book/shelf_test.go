package book_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// onShelf is a book that has room for a few records only while a file is read, with
// a herd that was imported.
func onShelf(t *testing.T, file []byte) (*bundle, *book.ImportReport) {
	t.Helper()
	x := setupOnTheDay(t)
	x.book.SetLot(500)
	return x, x.load(file, book.ImportOptions{})
}

// plainly is another book on the same database, that reads the log into memory.
func (x *bundle) plainly() *bundle {
	b := book.New(x.db, book.Options{Plain: true, Now: func() time.Time { return theDay }})
	x.t.Cleanup(b.Close)
	return &bundle{t: x.t, db: x.db, book: b, herd: x.herd}
}

// report is the import's, asked for again.
func (x *bundle) report(r *book.ImportReport) *book.ImportReport {
	x.t.Helper()
	again, err := x.book.ImportReport(x.t.Context(), x.herd, r.ID)
	if err != nil {
		x.t.Fatal(err)
	}
	return again
}

// The findings of a large file are told from the shelf, byte for byte those of the log,
// however its rows reached it, and the herd is on the shelf until it is read.
func TestImportOntoShelf(t *testing.T) {
	t.Parallel()
	events := moving(t, "hazel-end", 6000)
	on := column(t, "on")
	odd := func(i int, cells []string) [][]string {
		if i == 3000 {
			cells[on] = "2026-02-30"
		}
		return nil
	}
	source := setupOnTheDay(t)
	source.load(asSheet(t, events, nil), book.ImportOptions{})
	last := events[len(events)-1]
	void := event.New(event.KindVoid, "hazel-end", "", last.On)
	void.Data = &event.Void{Event: last.ID, Reason: "another cow"}
	source.append(void)
	for name, file := range map[string][]byte{
		"plain":               asSheet(t, events, nil),
		"with a refused row":  asSheet(t, events, odd),
		"an export with void": []byte(source.export()),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			x, r := onShelf(t, file)
			if !x.book.Shelved(x.herd.ID) {
				t.Fatal("the fold is not on the shelf")
			}
			if want := x.plainly().report(r); r.Findings.Count == 0 || !reflect.DeepEqual(r, want) {
				t.Errorf("the report\n%+v\nnot\n%+v", r, want)
			}
			if again := x.report(r); !reflect.DeepEqual(again, r) || !x.book.Shelved(x.herd.ID) {
				t.Errorf("asked again: %+v", again)
			}
			if size, derived, _ := x.book.Cached(x.herd.ID); size < 1000 || derived != 0 {
				t.Errorf("%d bytes are accounted for, %d derived", size, derived)
			}
			if warm, cold := x.findings(), x.plainly().findings(); !slices.Equal(warm, cold) {
				t.Errorf("%d findings, and %d when the log is read again", len(warm), len(cold))
			}
			if x.book.Shelved(x.herd.ID) {
				t.Error("it is on the shelf after it was read")
			}
			x.append(heat("W1", last.On, event.InHeat))
			if warm, cold := x.findings(), x.plainly().findings(); !slices.Equal(warm, cold) {
				t.Errorf("after an append: %d findings, and %d when the log is read again", len(warm), len(cold))
			}
		})
	}
}

// What was appended since is in the findings too.
func TestShelfLeftBehind(t *testing.T) {
	t.Parallel()
	x, r := onShelf(t, asSheet(t, moving(t, "hazel-end", 3000), nil))
	x.append(heat("W1", event.NewDate(2026, 7, 1), event.InHeat))
	got := x.report(r)
	if x.book.Shelved(x.herd.ID) {
		t.Error("a fold that is behind is on the shelf")
	}
	if want := x.plainly().report(r); !reflect.DeepEqual(got.Findings, want.Findings) {
		t.Errorf("%+v\nnot\n%+v", got.Findings, want.Findings)
	}
}

// A file that cannot be read any more costs a look into the log and nothing else, and
// so does having no room for one.
func TestShelfFails(t *testing.T) {
	file := asSheet(t, moving(t, "hazel-end", 3000), nil)
	check := func(t *testing.T, x *bundle, r *book.ImportReport) {
		t.Helper()
		got := x.report(r)
		if x.book.Shelved(x.herd.ID) {
			t.Error("it is on a shelf")
		}
		if want := x.plainly().report(r); !reflect.DeepEqual(got, want) {
			t.Errorf("%+v\nnot\n%+v", got, want)
		}
		if warm, cold := x.findings(), x.plainly().findings(); !slices.Equal(warm, cold) {
			t.Errorf("%d findings, and %d when the log is read again", len(warm), len(cold))
		}
	}
	t.Run("while findings are read", func(t *testing.T) {
		x, r := onShelf(t, file)
		x.book.SpoilShelf(x.herd.ID)
		check(t, x, r)
	})
	t.Run("while it is woken", func(t *testing.T) {
		x, r := onShelf(t, file)
		x.book.SpoilShelf(x.herd.ID)
		x.findings()
		check(t, x, r)
	})
	t.Run("no temporary folder", func(t *testing.T) {
		t.Setenv("TMPDIR", t.TempDir()+"/not-there")
		x, r := onShelf(t, file)
		check(t, x, r)
	})
}

// A shelf that the cache has no room for is made again.
func TestShelfDropped(t *testing.T) {
	t.Parallel()
	x := setupWith(t, book.Options{CacheSize: -1})
	x.book.SetLot(500)
	r := x.load(asSheet(t, moving(t, "hazel-end", 3000), nil), book.ImportOptions{})
	if _, _, ok := x.book.Cached(x.herd.ID); ok {
		t.Error("a cache of nothing holds a herd")
	}
	if again := x.report(r); !reflect.DeepEqual(again.Findings, r.Findings) {
		t.Errorf("%+v\nnot\n%+v", again.Findings, r.Findings)
	}
}
