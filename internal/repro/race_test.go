//go:build race

package repro_test

// underRace: the race detector makes the fold ten times as slow.
const underRace = true
