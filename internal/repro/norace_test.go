//go:build !race

package repro_test

const underRace = false
