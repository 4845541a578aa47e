package httpapi

import (
	"context"
	"errors"
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

// A deadline behaves as context.WithTimeout does, whenever it is first waited for.
func TestDeadline(t *testing.T) {
	type key struct{}
	for _, c := range []struct {
		name    string
		happens func(parent, own context.CancelFunc)
		want    error
	}{
		{"time", func(_, _ context.CancelFunc) { time.Sleep(3 * time.Second) }, context.DeadlineExceeded},
		{"parent", func(parent, _ context.CancelFunc) { parent() }, context.Canceled},
		{"own", func(_, own context.CancelFunc) { own() }, context.Canceled},
		{"nothing", func(_, _ context.CancelFunc) {}, nil},
	} {
		for _, early := range []bool{true, false} {
			synctest.Test(t, func(t *testing.T) {
				parent, stop := context.WithCancel(context.WithValue(t.Context(), key{}, "v"))
				defer stop()
				d := withDeadline(parent, 2*time.Second)
				defer d.cancel()
				model, end := context.WithTimeout(parent, 2*time.Second)
				defer end()
				var done <-chan struct{}
				var child context.Context
				if early {
					done = d.Done()
					var cancel context.CancelFunc
					child, cancel = context.WithCancel(d)
					defer cancel()
				}
				c.happens(stop, func() { d.cancel(); end() })
				synctest.Wait()
				// Before Done as after it.
				for range 2 {
					if !errors.Is(d.Err(), c.want) || !errors.Is(model.Err(), c.want) {
						t.Errorf("%s, early %v: %v, as WithTimeout %v; want %v", c.name, early, d.Err(), model.Err(), c.want)
					}
					if !early {
						done = d.Done()
					}
				}
				select {
				case <-done:
					if c.want == nil {
						t.Errorf("%s: it is done", c.name)
					}
				default:
					if c.want != nil {
						t.Errorf("%s, early %v: it is not done", c.name, early)
					}
				}
				if child != nil && !errors.Is(child.Err(), c.want) {
					t.Errorf("%s: a child says %v, want %v", c.name, child.Err(), c.want)
				}
				at, _ := d.Deadline()
				if is, _ := model.Deadline(); !at.Equal(is) || d.Value(key{}) != "v" {
					t.Errorf("%s: deadline %v, want %v; value %v", c.name, at, is, d.Value(key{}))
				}
			})
		}
	}
	// The parent's deadline, if that is the earlier.
	parent, stop := context.WithTimeout(t.Context(), time.Second)
	defer stop()
	want, _ := parent.Deadline()
	if at, _ := withDeadline(parent, time.Minute).Deadline(); !at.Equal(want) {
		t.Errorf("deadline %v, the parent's is %v", at, want)
	}
}

// Contexts made of a deadline need no goroutine to hear of its end.
func TestDeadlineChildren(t *testing.T) {
	d := withDeadline(t.Context(), time.Minute)
	defer d.cancel()
	before := runtime.NumGoroutine()
	for range 100 {
		_, cancel := context.WithCancel(d)
		defer cancel()
	}
	if n := runtime.NumGoroutine() - before; n > 10 {
		t.Errorf("a hundred contexts made %d goroutines", n)
	}
}
