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
