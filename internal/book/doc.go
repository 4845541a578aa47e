// Package book is the service itself: it appends to the herds' logs, takes in
// and gives back sheets, and answers questions from the fold of each herd.
//
// It knows no HTTP and no SQL. Time and randomness come in through [Options].
// Every method takes a context and returns a [*Error] for whatever a caller
// can act on; any other error is a fault of the service.
package book
