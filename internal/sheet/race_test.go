//go:build race

package sheet_test

// underRace tells whether the tests were built with the race detector.
const underRace = true
