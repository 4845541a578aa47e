package httpapi

import (
	"container/list"
	"sync"
)

// memoBytes bounds the answers that are kept.
const memoBytes = 32 << 20

// memo is an LRU cache of answers by their tags.
type memo struct {
	limit int

	mu      sync.Mutex // guards the rest
	entries map[string]*list.Element
	order   *list.List // of memoEntry, most recently used first
	total   int
}

type memoEntry struct {
	tag  string
	body []byte // never changed
}

func newMemo(limit int) *memo {
	return &memo{limit: limit, entries: map[string]*list.Element{}, order: list.New()}
}

func (m *memo) get(tag string) ([]byte, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	e := m.entries[tag]
	if e == nil {
		return nil, false
	}
	m.order.MoveToFront(e)
	kept, ok := e.Value.(memoEntry)
	return kept.body, ok
}

func (m *memo) put(tag string, body []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.entries[tag] != nil || len(body) > m.limit/2 {
		return
	}
	m.entries[tag] = m.order.PushFront(memoEntry{tag, body})
	m.total += len(body)
	for m.total > m.limit {
		last := m.order.Back()
		kept, _ := m.order.Remove(last).(memoEntry)
		delete(m.entries, kept.tag)
		m.total -= len(kept.body)
	}
}
