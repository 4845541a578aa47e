package book

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/store"
)

// An answer is never older than the request: whoever asks after an append sees it,
// however many ask at once; and many that ask at once share few questions.
func TestStatesAreNeverOlderThanTheRequest(t *testing.T) {
	t.Parallel()
	var log, asked atomic.Int64 // the head's seq, and how often it was asked for
	slow := make(chan struct{})
	s := states{waiting: map[uuid.UUID]*question{}, ask: func(context.Context, uuid.UUID) (store.State, error) {
		seq := log.Load()
		asked.Add(1)
		<-slow
		return store.State{Head: store.Head{Seq: seq}}, nil
	}}
	herd := uuid.New()
	var wg sync.WaitGroup
	const readers = 200
	for range readers {
		wg.Go(func() {
			least := log.Add(1) // an append, and then a read
			got, err := s.of(context.Background(), herd)
			if err != nil || got.Head.Seq < least {
				t.Errorf("head %d, %v; %d was appended before", got.Head.Seq, err, least)
			}
		})
	}
	wg.Go(func() {
		for log.Load() < readers {
		}
		close(slow)
	})
	wg.Wait()
	if n := asked.Load(); n > readers/2 {
		t.Errorf("%d questions for %d readers", n, readers)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.waiting) > 1 {
		t.Errorf("%d herds are still remembered", len(s.waiting))
	}
}

// A failure is told to those who waited for it and to nobody else; a reader that
// goes away leaves the others their answer.
func TestStatesFail(t *testing.T) {
	t.Parallel()
	down := errors.New("down")
	fails := true
	s := states{waiting: map[uuid.UUID]*question{}, ask: func(context.Context, uuid.UUID) (store.State, error) {
		if fails {
			fails = false
			return store.State{}, down
		}
		return store.State{Epoch: 7}, nil
	}}
	if _, err := s.of(t.Context(), uuid.Nil); !errors.Is(err, down) {
		t.Errorf("err = %v", err)
	}
	if got, err := s.of(t.Context(), uuid.Nil); err != nil || got.Epoch != 7 {
		t.Errorf("%+v, %v", got, err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	block := make(chan struct{})
	s.ask = func(context.Context, uuid.UUID) (store.State, error) { <-block; return store.State{}, nil }
	if _, err := s.of(gone, uuid.New()); !errors.Is(err, context.Canceled) {
		t.Errorf("a reader that went away was kept: %v", err)
	}
	close(block)
}
