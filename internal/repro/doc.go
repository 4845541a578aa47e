// Package repro is the arithmetic of dairy reproduction: it folds the
// effective events of a herd into the history of each animal, and answers from
// the histories: how a cow stands, whether she may be bred, and the herd's
// indices with their evidence.
//
// Three layers, each a plain function of the one below:
//
//   - [Herd] keeps a packed record of every event, by the number that the event
//     names (herd.go, packed.go). A [Press] makes one of a long log in little memory;
//     of a [Shelved] one the records rest in a file.
//   - The fold (fold.go, service.go, pregnancy.go) unpacks the records (rec.go)
//     into lives: one for each individual, whatever numbers she was known by.
//     Lives weigh several times as much as what rests packed; they are kept as
//     long as there is room (cache.go).
//   - Everything else is arithmetic over lives: status.go, eligible.go, and
//     one file for each family of indices.
//
// Two clocks are kept apart. Valid time is the argument called on: facts dated
// after it are ignored. Knowledge time is the caller's: who wants to know what
// was known at some number of the log applies that prefix of it.
//
// The result never depends on the order in which events arrived, nor on how
// they were batched (the order is the date, the time of day, the kind and a
// hash of the event's id), and an event that comes twice counts once.
//
// The package is pure: no I/O and no clock. The file of a [Press] is its caller's.
package repro
