package book

import (
	"context"
	"crypto/rand"
	"log/slog"
	"sync"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// Bounds of one request.
const (
	MaxAppend  = 5_000  // events in one append, and in one chunk of an import
	maxFaults  = 100    // faults that are told in full
	maxQueue   = 20_000 // events that may wait for one herd's head
	maxImports = 4      // imports that are worked on at the same time; a file over many herds is as many imports
	tokenTTL   = 15 * time.Second
	pollHead   = 500 * time.Millisecond
	maxWait    = 30 * time.Second
)

// Options are what a Book needs beside its store. Zero values are usable.
type Options struct {
	Now       func() time.Time // time.Now
	Log       *slog.Logger     // discards
	CacheSize int64            // bytes of folds kept in memory; 0 is 512 MiB, below zero keeps none
	Source    string           // what the service is called in exchanges with others: a URI or reverse DNS name; DefaultSource
	Plain     bool             // no snapshots of folds: neither made nor used
	Alone     bool             // no other process serves the database: an unfinished upload found at start has broken off
}

// Book is the service. It is safe for concurrent use.
type Book struct {
	db    *store.DB
	now   func() time.Time
	log   *slog.Logger
	alone bool
	plain bool
	lot   int // records of a fold in memory while a file is read

	source    string
	cache     *cache
	gatherers [2]gatherer // see gathererOf
	states    states
	tokens    tokenCache
	herds     herdCache

	mu        sync.Mutex // guards appenders, waiters and running
	appenders map[uuid.UUID]*appender
	waiters   map[uuid.UUID]chan struct{}
	running   map[uuid.UUID]bool // imports that this process works on
	keeping   map[uuid.UUID]bool // snapshots that are being made
	stopping  bool               // no new ones are taken up
	slots     chan struct{}      // imports that are worked on at the same time

	packing chan struct{} // holds one while a snapshot is being made

	jobs sync.WaitGroup  // imports and snapshots that outlive their request
	life context.Context //nolint:containedctx // ends when the book is closed; imports outlive any request
	end  context.CancelFunc
}

// New makes a Book over an open store.
func New(db *store.DB, o Options) *Book {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.CacheSize == 0 {
		o.CacheSize = 512 << 20
	}
	if o.Source == "" {
		o.Source = DefaultSource
	}
	life, end := context.WithCancel(context.Background())
	b := &Book{
		db: db, now: o.Now, log: o.Log, alone: o.Alone, plain: o.Plain, lot: repro.LotLen, source: o.Source, life: life, end: end,
		cache:     newCache(o.CacheSize),
		states:    newStates(db),
		tokens:    tokenCache{entries: map[[32]byte]tokenEntry{}},
		herds:     herdCache{entries: map[string]herdEntry{}},
		appenders: map[uuid.UUID]*appender{},
		waiters:   map[uuid.UUID]chan struct{}{},
		running:   map[uuid.UUID]bool{},
		slots:     make(chan struct{}, maxImports),
		keeping:   map[uuid.UUID]bool{},
		packing:   make(chan struct{}, 1),
	}
	for i := range b.gatherers {
		b.gatherers[i].book = b
	}
	return b
}

// Close stops the imports that are running, each after the chunk that it is at;
// the next start resumes them. Call it after the requests have ended.
func (b *Book) Close() {
	b.mu.Lock()
	b.stopping = true
	b.mu.Unlock()
	b.end()
	b.jobs.Wait()
	b.cache.close()
}

// Head is how far a herd's log has come.
type Head struct {
	Seq        int64
	Hash       event.Digest
	RecordedAt time.Time // zero before the first event
}

func headOf(h store.Head) Head {
	return Head{Seq: h.Seq, Hash: h.Hash, RecordedAt: h.RecordedAt}
}

// stamp is the current time as the log keeps it.
func (b *Book) stamp() time.Time { return b.now().UTC().Truncate(time.Microsecond) }

// today is the civil date in the herd's zone.
func (b *Book) today(h *store.Herd) event.Date { return event.DateOf(b.now().In(zone(h.Zone))) }

// zone never fails: a herd's zone was checked when it was set, and a zone that
// a later system no longer knows must not make its book unreadable.
func zone(name string) *time.Location {
	if kept, ok := zones.Load(name); ok {
		if loc, ok := kept.(*time.Location); ok {
			return loc
		}
	}
	loc, err := time.LoadLocation(name)
	if err != nil {
		return time.UTC
	}
	zones.Store(name, loc)
	return loc
}

// zones are those that were loaded before: to load one is to read a file, and every
// answer asks what day it is. They are as many as the system knows.
var zones sync.Map

func newSalt() (s event.Salt) {
	_, _ = rand.Read(s[:]) // never fails: crypto/rand aborts the program instead
	return s
}

func newID() uuid.UUID {
	id, err := uuid.NewV7()
	if err != nil {
		return uuid.New()
	}
	return id
}
