package book_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// Two appends that contradict each other at the same moment: one is refused, whichever
// way each of them goes and whichever process takes it. An event is held against the
// records at exactly the head behind which it is written.
func TestContradictingAppends(t *testing.T) {
	t.Parallel()
	books, herds := twoBooks(t, 1)
	h := herds[0]
	key := 0
	ways := map[string]func() (book.AppendOptions, []*event.Event){
		"alone": func() (book.AppendOptions, []*event.Event) { return book.AppendOptions{}, nil },
		"with a key": func() (book.AppendOptions, []*event.Event) {
			key++
			return book.AppendOptions{Key: &book.Key{Owner: "t", Operation: "append", Key: fmt.Sprint(key), Render: func(*book.Receipt) (int, []byte) { return 201, nil }}}, nil
		},
		"with others": func() (book.AppendOptions, []*event.Event) {
			return book.AppendOptions{}, []*event.Event{heat("bystander", on, event.Suspect)}
		},
	}
	begins := event.New(event.KindArrival, h.Name, "bystander", on-900)
	begins.Data = &event.Arrival{How: event.Purchased}
	if _, err := books[0].Append(t.Context(), h, []*event.Event{begins}, book.AppendOptions{}); err != nil {
		t.Fatal(err)
	}
	n := 0
	for first, one := range ways {
		for second, other := range ways {
			for _, same := range []bool{true, false} {
				for range 6 {
					n++
					cow := fmt.Sprintf("c%d", n)
					arrival := event.New(event.KindArrival, h.Name, cow, on-900)
					arrival.Data = &event.Arrival{How: event.Purchased}
					if _, err := books[0].Append(t.Context(), h, []*event.Event{arrival}, book.AppendOptions{}); err != nil {
						t.Fatal(err)
					}
					var wg sync.WaitGroup
					errs := make([]error, 2)
					for i, way := range []func() (book.AppendOptions, []*event.Event){one, other} {
						e := event.New(event.KindCalving, h.Name, cow, on-event.Date(100*i))
						e.ID, e.Data = uuid.New(), &event.Calving{}
						o, with := way()
						b := books[0]
						if i == 1 && !same {
							b = books[1]
						}
						wg.Go(func() { _, errs[i] = b.Append(t.Context(), h, append(with, e), o) })
					}
					wg.Wait()
					refused := 0
					for _, err := range errs {
						var be *book.Error
						switch {
						case err == nil:
						case errors.As(err, &be) && be.Kind == book.Invalid && be.Faults[0].Code == "calving_too_soon":
							refused++
						default:
							t.Fatalf("%s and %s: %v", first, second, err)
						}
					}
					if refused != 1 {
						t.Errorf("%s and %s, in one process %v: %d of two calvings 100 days apart were refused", first, second, same, refused)
					}
				}
			}
		}
	}
}
