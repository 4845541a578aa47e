package httpapi

import (
	"context"
	"sync"
	"time"
)

// deadline is context.WithDeadline for answers that mostly come from memory: its timer,
// and its place among the children of the request's context, are only made when
// somebody waits for it. Measured, they are a twentieth of the time of a short answer.
type deadline struct {
	context.Context // the request's
	at              time.Time

	mu    sync.Mutex // guards the rest
	made  context.Context
	end   context.CancelFunc
	ended bool
}

func withDeadline(parent context.Context, d time.Duration) *deadline {
	at := time.Now().Add(d)
	if earlier, ok := parent.Deadline(); ok && earlier.Before(at) {
		at = earlier
	}
	return &deadline{Context: parent, at: at}
}

// cancel ends the context.
func (d *deadline) cancel() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ended = true
	if d.end != nil {
		d.end()
	}
}

func (d *deadline) Deadline() (time.Time, bool) { return d.at, true }

func (d *deadline) Done() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.made == nil {
		d.made, d.end = context.WithDeadline(d.Context, d.at)
		if d.ended {
			d.end()
		}
	}
	return d.made.Done()
}

func (d *deadline) Err() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.made != nil:
		return d.made.Err()
	case d.Context.Err() != nil:
		return d.Context.Err()
	case !time.Now().Before(d.at):
		return context.DeadlineExceeded
	case d.ended:
		return context.Canceled
	}
	return nil
}

// Value asks the context with the timer, once there is one: so the package context
// finds it there, and puts contexts made of this one among its children.
func (d *deadline) Value(key any) any {
	d.mu.Lock()
	made := d.made
	d.mu.Unlock()
	if made != nil {
		return made.Value(key)
	}
	return d.Context.Value(key)
}
