package guard_test

import (
	"errors"
	"testing"

	"byrelog.example/internal/guard"
)

func TestDo(t *testing.T) {
	cause := errors.New("cause")
	err := guard.Do("a place", func() error { panic(cause) })
	var p *guard.Panic
	if !errors.As(err, &p) || p.Place != "a place" || len(p.Stack) == 0 || !errors.Is(err, cause) {
		t.Errorf("%v", err)
	}
	if err := guard.Do("a place", func() error { return cause }); err != cause { //nolint:errorlint // the very error
		t.Errorf("%v, want what it returned", err)
	}
	if n := guard.Counts()["a place"]; n != 1 {
		t.Errorf("%d panics counted, want 1", n)
	}
}

// What panics beside a caller panics in the caller, once, and is counted once.
func TestBeside(t *testing.T) {
	err := guard.Do("outer", func() error {
		wait := guard.Beside("inner", func() { panic("no") })
		defer wait()
		wait()
		return nil
	})
	var p *guard.Panic
	if !errors.As(err, &p) || p.Place != "inner" || guard.Counts()["inner"] != 1 || guard.Counts()["outer"] != 0 {
		t.Errorf("%v, counts %v", err, guard.Counts())
	}
}

func TestGo(t *testing.T) {
	done := make(chan error)
	closed := false
	guard.Go("gone", func() error {
		defer func() { closed = true }()
		panic("no")
	}, func(err error) { done <- err })
	if err := <-done; err == nil || !closed {
		t.Errorf("%v; deferred calls done: %v", err, closed)
	}
	guard.Go("well", func() error { return nil }, func(err error) { done <- err })
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestOnDo(t *testing.T) {
	restore := guard.OnDo(func(place string) {
		if place == "broken" {
			panic("as the test wants")
		}
	})
	if err := guard.Do("broken", func() error { return nil }); err == nil {
		t.Error("the hook broke nothing")
	}
	restore()
	if err := guard.Do("broken", func() error { return nil }); err != nil {
		t.Error(err)
	}
}
