package repro_test

import (
	"regexp"
	"testing"

	"byrelog.example/internal/repro"
)

// A figure's source can be looked up by whoever reads the answer: no bare
// numbers of a list that only this project has.
func TestSourcesAreSpelledOut(t *testing.T) {
	t.Parallel()
	bare := regexp.MustCompile(`^S[0-9]+\b`)
	for _, d := range repro.Keys() {
		if len(d.Sources) == 0 {
			t.Errorf("%s names no source", d.Key)
		}
		for _, s := range d.Sources {
			if bare.MatchString(s) {
				t.Errorf("%s: the source %q is not spelled out", d.Key, s)
			}
		}
	}
}
