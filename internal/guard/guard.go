// Package guard keeps a panic from ending the process. A panic in a goroutine that
// nothing recovers ends every request of every herd; so goroutines are started here
// and nowhere else (internal/arch holds that), each under the name of its place, and
// what panics becomes an error: of the request that waits for it ([Beside]), or of
// whatever the place answers ([Go], [Do]). Every panic is counted by its place.
package guard

import (
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
)

// Panic is a panic that was caught. It is for the log, with its stack; who asked is
// told that the service failed, and where to look it up.
type Panic struct {
	Place string
	Value any
	Stack []byte
}

func (p *Panic) Error() string { return fmt.Sprintf("panic in %s: %v\n%s", p.Place, p.Value, p.Stack) }

// Unwrap gives the error that was panicked with, if it was one.
func (p *Panic) Unwrap() error {
	err, _ := p.Value.(error)
	return err
}

var (
	mu     sync.Mutex
	counts = map[string]int64{}
	onDo   atomic.Pointer[func(place string)]
)

// Counts gives how often each place has panicked since the process started.
func Counts() map[string]int64 {
	mu.Lock()
	defer mu.Unlock()
	out := make(map[string]int64, len(counts))
	for place, n := range counts {
		out[place] = n
	}
	return out
}

// Caught makes the error of a recovered value, and counts it. A panic that is on its
// way from another goroutine stays what it is, and is not counted twice.
func Caught(place string, value any) *Panic {
	if p, ok := value.(*Panic); ok {
		return p
	}
	mu.Lock()
	counts[place]++
	mu.Unlock()
	return &Panic{Place: place, Value: value, Stack: debug.Stack()}
}

// Do calls f; a panic of it is the error, a [*Panic].
func Do(place string, f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = Caught(place, v)
		}
	}()
	if hook := onDo.Load(); hook != nil {
		(*hook)(place)
	}
	return f()
}

// Go runs f on a goroutine of its own, and then done with what f returned or panicked
// with: done answers whoever waits for f, and must not panic.
func Go(place string, f func() error, done func(error)) {
	go func() { done(Do(place, f)) }()
}

// Beside runs f on a goroutine of its own for a caller that waits for it: wait returns
// when f has ended, and goes on with the panic of f, if it panicked, in the caller.
// It is to be deferred or called in any case, so that f never outlives its caller.
func Beside(place string, f func()) (wait func()) {
	done := make(chan error, 1)
	go func() { done <- Do(place, func() error { f(); return nil }) }()
	var once sync.Once
	return func() {
		once.Do(func() {
			if err := <-done; err != nil {
				panic(err)
			}
		})
	}
}

// OnDo has hook called with the name of every place before its work begins, until
// restore is called, which puts back the hook before. It is for tests: a hook that
// panics shows what a panic there does.
func OnDo(hook func(place string)) (restore func()) {
	before := onDo.Swap(&hook)
	return func() { onDo.Store(before) }
}
