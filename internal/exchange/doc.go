// Package exchange speaks the ICAR Animal Data Exchange standard (ADE,
// repository adewg/ICAR, Apache-2.0): it writes the reproduction and movement
// resources of version 1.3.2 from a herd's log, and reads resources back into
// events. It is pure: the log, the herd's zone and today are arguments.
//
// The two models differ. ADE has the latest state of each resource, and a
// receiver replaces what it holds; the log has history. So a chain of
// corrections (an event, its void, the event that replaces it …) becomes one
// resource: its id and meta.sourceId are the id of the first event,
// meta.created the time that one was recorded, meta.modified that of the newest
// change, and meta.isDeleted says that the chain ends in a void. The way back is
// the same rule: a newer meta.modified becomes a void and a replacement, a
// deletion a void, and whatever is known already nothing at all.
//
// What ADE has no place for is never bent to fit: a cow that was looked at and
// not in heat is no heat event. Such events are left out, such fields travel in
// the extension member x-byrelog, and both are counted. The extension is read
// back only from resources whose meta.source is our own.
package exchange
