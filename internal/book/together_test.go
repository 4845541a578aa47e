package book_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/store"
)

// twoBooks are two processes over one database, with the same herds.
func twoBooks(t *testing.T, herds int) (books [2]*book.Book, list []*book.Herd) {
	t.Helper()
	_, url := pgtest.DB(t)
	for i := range books {
		db, err := store.Open(t.Context(), store.Config{URL: url, AllowUnsafe: true})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(db.Close)
		books[i] = book.New(db, book.Options{})
		t.Cleanup(books[i].Close)
	}
	for i := range herds {
		h, err := books[0].CreateHerd(t.Context(), book.HerdSpec{Name: fmt.Sprintf("herd-%d", i)})
		if err != nil {
			t.Fatal(err)
		}
		begin(t, books[0], h)
		list = append(list, h)
	}
	return books, list
}

// Many clients of two processes append single events to the same herds at once: some
// are repeated, some bring an id that another content has. Each gets the answer that it
// would get alone, one herd's conflict leaves the others' appends standing, no two
// processes wait for each other, and every log verifies and has each event once.
func TestSharedTransactions(t *testing.T) {
	t.Parallel()
	books, herds := twoBooks(t, 5)
	const clients, each = 24, 25
	taken := make([]uuid.UUID, len(herds)) // an id in each herd that is used for something else
	for i, h := range herds {
		first := heat("1", on, event.InHeat)
		first.ID = uuid.New()
		taken[i] = first.ID
		for _, b := range books { // both processes know where the log stands
			if _, err := b.Append(t.Context(), h, []*event.Event{again(first)}, book.AppendOptions{}); err != nil {
				t.Fatal(err)
			}
			if _, err := b.Append(t.Context(), h, []*event.Event{heat("2", on, event.InHeat)}, book.AppendOptions{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	var mu sync.Mutex // guards the rest
	acked := make([]map[uuid.UUID]int64, len(herds))
	for i := range acked {
		acked[i] = map[uuid.UUID]int64{}
	}
	conflicts := 0
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			b := books[c%2]
			rnd := rand.New(rand.NewPCG(9, uint64(c)))
			for i := range each {
				k := rnd.IntN(len(herds))
				e := heat(fmt.Sprintf("%d-%d", c, i), on, event.InHeat)
				if rnd.IntN(4) == 0 {
					e.Note = "seen from the gate"
				}
				wrong := rnd.IntN(6) == 0
				if wrong {
					e.ID = taken[k]
				} else if rnd.IntN(2) == 0 {
					e.ID = uuid.New()
				}
				r, err := b.Append(t.Context(), herds[k], []*event.Event{e}, book.AppendOptions{})
				if wrong {
					var be *book.Error
					if !errors.As(err, &be) || be.Code != "event-id-conflict" {
						t.Errorf("an id that is taken: %v", err)
					}
					mu.Lock()
					conflicts++
					mu.Unlock()
					continue
				}
				if err != nil || r.Results[0].Outcome != book.Appended || r.Head.Seq < r.Results[0].Seq {
					t.Errorf("client %d: %+v, %v", c, r, err)
					return
				}
				mu.Lock()
				acked[k][r.Results[0].ID] = r.Results[0].Seq
				mu.Unlock()
				if rnd.IntN(3) > 0 {
					continue
				}
				same, err := books[(c+1)%2].Append(t.Context(), herds[k], []*event.Event{again(e)}, book.AppendOptions{})
				if err != nil || same.Results[0].Outcome != book.AlreadyThere || same.Results[0].Seq != r.Results[0].Seq {
					t.Errorf("once more: %+v, %v", same, err)
				}
			}
		})
	}
	wg.Wait()
	if conflicts == 0 {
		t.Error("nothing was in conflict: the test proves little")
	}
	for i, h := range herds {
		x := &bundle{t: t, book: books[i%2], herd: h}
		x.export()
		head, err := x.book.Head(t.Context(), h)
		if err != nil || head.Seq != int64(len(acked[i])+3) {
			t.Errorf("%s: head %d, %v; %d were acknowledged and 3 were there", h.Name, head.Seq, err, len(acked[i]))
		}
		bySeq := map[int64]bool{}
		for _, seq := range acked[i] {
			if bySeq[seq] || seq < 1 || seq > head.Seq {
				t.Errorf("%s: seq %d was given twice, or is none", h.Name, seq)
			}
			bySeq[seq] = true
		}
	}
}

// Of the same new id that comes twice in the same moment one is appended, and the
// other is told that it is there, or in conflict if it says something else.
func TestSameIDInTheSameMoment(t *testing.T) {
	t.Parallel()
	books, herds := twoBooks(t, 3)
	for _, h := range herds {
		for _, b := range books {
			if _, err := b.Append(t.Context(), h, []*event.Event{heat("1", on, event.InHeat)}, book.AppendOptions{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	for round := range 20 {
		var wg sync.WaitGroup
		var mu sync.Mutex
		outcomes := map[string]int{}
		for i, h := range herds {
			id := uuid.New()
			for c := range 6 {
				wg.Go(func() {
					e := heat(fmt.Sprintf("r%d", round), on, event.InHeat)
					if e.ID = id; c == 5 {
						e = heat("another cow", on, event.Suspect)
						e.ID = id
					}
					r, err := books[c%2].Append(t.Context(), h, []*event.Event{e}, book.AppendOptions{})
					var be *book.Error
					outcome := "error"
					switch {
					case err == nil:
						outcome = string(r.Results[0].Outcome)
					case errors.As(err, &be) && be.Kind == book.Conflict:
						outcome = "conflict"
					default:
						t.Errorf("%v", err)
					}
					mu.Lock()
					outcomes[fmt.Sprint(i, " ", outcome)]++
					mu.Unlock()
				})
			}
		}
		wg.Wait()
		for i := range herds {
			if n := outcomes[fmt.Sprint(i, " appended")]; n != 1 {
				t.Fatalf("round %d: the id of herd %d was appended %d times: %v", round, i, n, outcomes)
			}
		}
	}
}

// What the records contradict is refused in a shared transaction as well, also if it is
// another process that recorded it a moment before: the fold is never behind the log
// that an event is held against.
func TestSharedTransactionsKnowTheRecords(t *testing.T) {
	t.Parallel()
	books, herds := twoBooks(t, 1)
	h := herds[0]
	for i := range 20 {
		cow := fmt.Sprintf("cow-%d", i)
		mine, other := books[i%2], books[(i+1)%2]
		seen := heat(cow, on-9, event.InHeat)
		for _, e := range []*event.Event{arrival(cow), seen} {
			if _, err := mine.Append(t.Context(), h, []*event.Event{e}, book.AppendOptions{}); err != nil {
				t.Fatal(err)
			}
		}
		gone := event.New(event.KindDeparture, "", cow, on-3)
		gone.Data = &event.Departure{How: event.Sold}
		by, leaving := other, []*event.Event{gone}
		if i%6 >= 2 { // its own too, in a transaction before
			by = mine
		}
		if i%6 >= 4 { // and behind a void, which leaves the fold behind the log
			leaving = []*event.Event{void(seen.ID, on), gone}
		}
		if _, err := by.Append(t.Context(), h, leaving, book.AppendOptions{}); err != nil {
			t.Fatal(err)
		}
		_, err := mine.Append(t.Context(), h, []*event.Event{heat(cow, on, event.InHeat)}, book.AppendOptions{})
		if kindOf(t, err).Code != "invalid-event" {
			t.Fatalf("%s left and is in heat: %v", cow, err)
		}
		before, err := mine.Head(t.Context(), h)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := mine.Append(t.Context(), h, []*event.Event{void(uuid.New(), on)}, book.AppendOptions{}); err == nil {
			t.Fatal("an event that is not there was voided")
		}
		r, err := mine.Append(t.Context(), h, []*event.Event{heat(cow, on-5, event.InHeat)}, book.AppendOptions{})
		if err != nil || r.Results[0].Seq != before.Seq+1 {
			t.Fatalf("%+v, %v", r, err)
		}
		if _, err := mine.Append(t.Context(), h, []*event.Event{void(r.Results[0].ID, on)}, book.AppendOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	(&bundle{t: t, book: books[0], herd: h}).export()
}
