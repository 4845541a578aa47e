// Package arch holds the project to its own design: which package may import
// which, where a clock, a network or a database may be touched, how long a file
// may be. It has no code of its own; the rules are its tests.
package arch
