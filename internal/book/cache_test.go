package book_test

import (
	"fmt"
	"sync"
	"testing"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// sister adds a herd of as many events to the database.
func (x *bundle) sister(name string) *bundle {
	x.t.Helper()
	h, err := x.book.CreateHerd(x.t.Context(), book.HerdSpec{Name: name})
	if err != nil {
		x.t.Fatal(err)
	}
	begin(x.t, x.book, h)
	y := *x
	y.herd = h
	y.long()
	return &y
}

func ask(v *book.View) error {
	_, err := v.Fold.Index("conception_risk", repro.Params{On: on})
	return err
}

// What a glance derives is gone when it is over, unless it was there before.
func TestGlance(t *testing.T) {
	t.Parallel()
	x := setup(t)
	x.long()
	look := func(b *book.Book, view func(*book.View) error, glance bool) (size, derived int64) {
		t.Helper()
		fn := b.View
		if glance {
			fn = b.Glance
		}
		if err := fn(t.Context(), x.herd, book.AsOf{}, view); err != nil {
			t.Fatal(err)
		}
		size, derived, ok := b.Cached(x.herd.ID)
		if !ok {
			t.Fatal("the herd is not in the cache")
		}
		return size, derived
	}
	b := x.fresh(book.Options{})
	size, derived := look(b, ask, true)
	if size == 0 || derived != 0 {
		t.Errorf("after a glance: %d bytes, of which %d are derived", size, derived)
	}
	if _, derived = look(b, ask, false); derived == 0 {
		t.Error("control: nothing is derived after a view")
	}
	if _, after := look(b, ask, true); after != derived {
		t.Errorf("a glance left %d bytes of %d that were there before", after, derived)
	}
}

// Where the cache is full, what the herds last used derived goes before any fold does,
// and every herd says the same as one that nothing was taken from.
func TestCacheShedsFirst(t *testing.T) {
	t.Parallel()
	x := setupWith(t, book.Options{Plain: true})
	x.long()
	herds := []*bundle{x}
	for i := range 3 {
		herds = append(herds, x.sister(fmt.Sprintf("hazel-%d", i)))
	}
	roomy := x.fresh(book.Options{Plain: true})
	var all, derived int64
	want := make([]string, len(herds))
	for i, h := range herds {
		want[i] = h.told(roomy)
		size, some, _ := roomy.Cached(h.herd.ID)
		all, derived = all+size, derived+some
	}
	if derived < all/2 {
		t.Fatalf("control: of %d bytes %d are derived", all, derived)
	}
	for _, c := range []struct {
		limit int64
		folds int // that are there in the end
		warm  int // of them, with what they derived
	}{
		{all, 4, 4},
		{all - 1, 4, 3},
		{all - derived + derived/2, 4, 2},
		{all - derived, 4, 0},
		{(all - derived) * 5 / 8, 2, 0},
		{1, 0, 0},
	} {
		b := x.fresh(book.Options{Plain: true, CacheSize: c.limit})
		for range 2 {
			for i, h := range herds {
				if got := h.told(b); got != want[i] {
					t.Fatalf("with %d bytes %s says\n%.1000s\nwant\n%.1000s", c.limit, h.herd.Name, got, want[i])
				}
			}
		}
		folds, warm := 0, 0
		var total int64
		for _, h := range herds {
			size, derived, ok := b.Cached(h.herd.ID)
			total += size
			if ok {
				folds++
			}
			if derived > 0 {
				warm++
			}
		}
		if folds != c.folds || warm != c.warm || total > c.limit {
			t.Errorf("of %d bytes, %d derived, with room for %d: %d folds, %d warm, %d bytes; want %d and %d", all, derived, c.limit, folds, warm, total, c.folds, c.warm)
		}
	}
}

// The fold that appends go through is settled now and then, and says the same as one
// that reads the log.
func TestManySmallAppends(t *testing.T) {
	t.Parallel()
	x := setup(t)
	x.long()
	x.told(x.book)
	first, _, _ := x.book.Cached(x.herd.ID)
	for i := range 60 {
		var events []*event.Event
		for k := range 60 {
			events = append(events, heat(fmt.Sprint(100+k), on-event.Date(i), event.NotInHeat))
		}
		if _, err := x.book.Append(t.Context(), x.herd, events, book.AppendOptions{History: true}); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := x.told(x.book), x.told(x.fresh(book.Options{Plain: true})); got != want {
		t.Errorf("the fold says\n%.1000s\nthe log\n%.1000s", got, want)
	}
	if size, derived, _ := x.book.Cached(x.herd.ID); size-derived > 4*first {
		t.Errorf("%d bytes beside what is derived, %d when it was a quarter as long", size-derived, first)
	}
}

// Readers of several herds, a writer and a cache that is far too small get in each
// other's way, and nobody notices.
func TestFullCacheUnderLoad(t *testing.T) {
	t.Parallel()
	x := setupWith(t, book.Options{CacheSize: 150_000})
	x.long()
	herds := []*bundle{x, x.sister("hazel-0"), x.sister("hazel-1")}
	var readers, writer sync.WaitGroup
	stop := make(chan struct{})
	for k := range 3 {
		readers.Go(func() {
			for i := range 40 {
				view := x.book.View
				if (i+k)%2 == 0 {
					view = x.book.Glance
				}
				if err := view(t.Context(), herds[(i+k)%3].herd, book.AsOf{}, ask); err != nil {
					t.Error(err)
				}
			}
		})
	}
	writer.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			e := heat(fmt.Sprint(100+i%60), on, event.NotInHeat)
			if _, err := x.book.Append(t.Context(), x.herd, []*event.Event{e}, book.AppendOptions{}); err != nil {
				t.Error(err)
			}
		}
	})
	readers.Wait()
	close(stop)
	writer.Wait()
	plain := x.fresh(book.Options{Plain: true})
	for _, h := range herds {
		if got, want := h.told(x.book), h.told(plain); got != want {
			t.Errorf("%s says\n%.1000s\nwant\n%.1000s", h.herd.Name, got, want)
		}
	}
}
