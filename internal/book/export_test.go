package book

import "github.com/google/uuid"

// SnapshotFormat is the format of the snapshots that this program makes and uses.
var SnapshotFormat = snapshotFormat

// Cached tells what the cache holds of a herd: bytes in all, and of what is derived.
func (b *Book) Cached(herd uuid.UUID) (size, derived int64, ok bool) {
	b.cache.mu.Lock()
	defer b.cache.mu.Unlock()
	e := b.cache.entries[herd]
	if e == nil {
		return 0, 0, false
	}
	return e.size, e.derived, true
}

// SetLot sets how many records of a fold are in memory while a file is read.
func (b *Book) SetLot(n int) { b.lot = n }

// Shelved tells whether the fold of a herd is in a file.
func (b *Book) Shelved(herd uuid.UUID) bool {
	e := b.cache.peek(herd)
	if e == nil {
		return false
	}
	defer b.cache.put(e)
	e.mu.RLock()
	defer e.mu.RUnlock()
	return e.shelved != nil && e.shelved.Away()
}

// SpoilShelf closes the file of a fold before its time.
func (b *Book) SpoilShelf(herd uuid.UUID) {
	e := b.cache.peek(herd)
	defer b.cache.put(e)
	e.shelved.Close()
}
