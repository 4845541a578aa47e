package book_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/repro"
)

// An event about a number that nobody bore is refused on every way that an append can
// take, and lets through what makes the number known, however the herd is set.
func TestUnknownAnimals(t *testing.T) {
	db := pgtest.Open(t)
	b := book.New(db, book.Options{})
	t.Cleanup(b.Close)
	h, err := b.CreateHerd(t.Context(), book.HerdSpec{Name: "unknown"})
	if err != nil {
		t.Fatal(err)
	}
	on := event.NewDate(2026, 1, 20)
	arrival := func(animal, pen string) *event.Event {
		e := event.New(event.KindArrival, h.Name, animal, on-10)
		e.Data = &event.Arrival{How: event.Purchased, Pen: pen}
		return e
	}
	renumber := func(from, to string) *event.Event {
		e := event.New(event.KindRenumber, h.Name, from, on-1)
		e.Data = &event.Renumber{To: to}
		return e
	}
	walk := event.New(event.KindWalk, h.Name, "", on)
	walk.Data = &event.Walk{Pen: "p1"}
	keys := 0
	key := func() *book.Key {
		keys++
		return &book.Key{Owner: "t", Operation: "append", Key: fmt.Sprint(keys), Render: func(*book.Receipt) (int, []byte) { return 201, nil }}
	}
	head := func() *int64 {
		at, err := b.Head(t.Context(), h)
		if err != nil {
			t.Fatal(err)
		}
		return &at.Seq
	}
	try := func(o book.AppendOptions, events ...*event.Event) error {
		_, err := b.Append(t.Context(), h, events, o)
		return err
	}
	refused := func(what string, err error, codes ...string) {
		t.Helper()
		var be *book.Error
		if !errors.As(err, &be) || be.Kind != book.Invalid {
			t.Errorf("%s: %v", what, err)
			return
		}
		got := []string{be.Code}
		for _, f := range be.Faults {
			got = append(got, f.Pointer+" "+f.Code)
		}
		if strings.Join(got, ", ") != strings.Join(codes, ", ") {
			t.Errorf("%s: got %v, want %v", what, got, codes)
		}
	}
	if err := try(book.AppendOptions{}, arrival("0071", "p3"), arrival("0117", "p1"), heat("0071", on, event.Suspect)); err != nil {
		t.Fatalf("arrivals, and a heat of one of them: %v", err)
	}
	cold := func() { // the fold in memory stands behind the log
		if err := b.View(t.Context(), h, book.AsOf{}, func(*book.View) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	for _, folded := range []bool{false, true} {
		if folded {
			cold()
		}
		for _, c := range []struct {
			what   string
			o      book.AppendOptions
			events []*event.Event
			codes  []string
		}{
			{"one", book.AppendOptions{}, []*event.Event{heat("0017", on, event.Suspect)}, []string{"unknown-animal", " unknown_animal"}},
			{"one, said so", book.AppendOptions{Unknown: repro.UnknownRefuse}, []*event.Event{heat("0017", on, event.Suspect)}, []string{"unknown-animal", " unknown_animal"}},
			{"several", book.AppendOptions{}, []*event.Event{heat("0071", on, event.Suspect), heat("0017", on, event.Suspect), heat("9", on, event.Suspect)}, []string{"unknown-animal", "/1 unknown_animal", "/2 unknown_animal"}},
			{"with a key", book.AppendOptions{Key: key()}, []*event.Event{heat("0017", on, event.Suspect)}, []string{"unknown-animal", " unknown_animal"}},
			{"at a head", book.AppendOptions{ExpectHead: head()}, []*event.Event{heat("0017", on, event.Suspect)}, []string{"unknown-animal", " unknown_animal"}},
			{"before her arrival in the request", book.AppendOptions{}, []*event.Event{heat("0017", on, event.Suspect), arrival("0017", "p1")}, []string{"unknown-animal", "/0 unknown_animal"}},
			{"a renumbering of nobody", book.AppendOptions{}, []*event.Event{renumber("0017", "0018")}, []string{"unknown-animal", " unknown_animal"}},
			{"with another fault", book.AppendOptions{}, []*event.Event{heat("0017", on, event.Suspect), arrival("0071", "p1")}, []string{"invalid-event", "/0 unknown_animal", "/1 number_in_use"}},
		} {
			refused(fmt.Sprint(c.what, ", folded ", folded), try(c.o, c.events...), c.codes...)
		}
	}
	var be *book.Error
	if err := try(book.AppendOptions{}, walk, heat("0017", on, event.Suspect)); !errors.As(err, &be) || !strings.HasPrefix(be.Faults[0].Detail, "no animal 0017 is recorded; 0117 stands in p1, 0071 in p3;") {
		t.Errorf("those of the pen that was walked go first: %+v", err)
	}
	if got := *head(); got != 3 {
		t.Errorf("the head stands at %d", got)
	}
	for _, c := range []struct {
		what   string
		o      book.AppendOptions
		events []*event.Event
	}{
		{"an arrival", book.AppendOptions{}, []*event.Event{arrival("1", "")}},
		{"after her arrival in the request", book.AppendOptions{}, []*event.Event{arrival("2", ""), heat("2", on, event.Suspect)}},
		{"after a renumbering in the request", book.AppendOptions{}, []*event.Event{renumber("2", "3"), heat("3", on, event.Suspect)}},
		{"the number that she bore", book.AppendOptions{}, []*event.Event{heat("2", on, event.InHeat)}},
		{"the request lets it", book.AppendOptions{Unknown: repro.UnknownBegin}, []*event.Event{heat("4", on, event.Suspect)}},
		{"several, and the request lets them", book.AppendOptions{Unknown: repro.UnknownBegin}, []*event.Event{heat("5", on, event.Suspect), heat("6", on, event.Suspect)}},
		{"once begun", book.AppendOptions{}, []*event.Event{heat("4", on+1, event.Suspect)}},
		{"history", book.AppendOptions{History: true}, []*event.Event{heat("7", on, event.Suspect)}},
		{"nobody's", book.AppendOptions{}, []*event.Event{walk}},
	} {
		if err := try(c.o, c.events...); err != nil {
			t.Errorf("%s: %v", c.what, err)
		}
	}
	// What was begun and withdrawn is unknown again; the withdrawal itself asks nothing.
	first := heat("8", on, event.Suspect)
	if err := try(book.AppendOptions{Unknown: repro.UnknownBegin}, first); err != nil {
		t.Fatal(err)
	}
	again := heat("8", on, event.InHeat)
	again.Replaces = first.ID
	refused("restated", try(book.AppendOptions{}, void(first.ID, on), again), "unknown-animal", "/1 unknown_animal")
	if err := try(book.AppendOptions{}, void(first.ID, on)); err != nil {
		t.Error(err)
	}
	refused("after the void", try(book.AppendOptions{}, heat("8", on, event.Suspect)), "unknown-animal", " unknown_animal")

	// The herd's policy, and the request against it; another process may have set it.
	other := book.New(db, book.Options{})
	t.Cleanup(other.Close)
	cold()
	begin(t, other, h)
	if err := try(book.AppendOptions{}, heat("10", on, event.Suspect)); err != nil {
		t.Errorf("the policy lets it: %v", err)
	}
	refused("the request does not", try(book.AppendOptions{Unknown: repro.UnknownRefuse}, heat("11", on, event.Suspect)), "unknown-animal", " unknown_animal")
	cold()
	if err := other.PutPolicy(t.Context(), h, event.NewDate(1900, 1, 1), repro.DefaultPolicy(), "test"); err != nil {
		t.Fatal(err)
	}
	refused("the policy does not any more", try(book.AppendOptions{}, heat("12", on, event.Suspect)), "unknown-animal", " unknown_animal")
}
