// Package event is the vocabulary of the herd log: the kinds of event, their
// fields and bounds, the canonical bytes that are stored, served and hashed,
// and the hash chain of a herd.
//
// The fields of every kind are declared once, beside their struct, as [Field]
// values that a single method of the struct visits. Decoding from JSON, the
// canonical encoding, validation, the CSV columns and the published schema are
// all walks over those declarations, so a new field is one change.
//
// The package is pure: no I/O, no clock (today is an argument), no database.
package event
