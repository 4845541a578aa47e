// Package round reads what a technician or a vet notes on a walk through a herd, in
// plain words, and writes events in such words. It is pure: no database, no clock.
//
// The grammar stands in grammar.txt; [Help] gives it with the list of all words. The
// words come from the declarations of package event: a field of type X, value Y is
// said as "X Y" or "Y X", and whatever a kind, field or value is called otherwise in
// a barn stands in the tables of words.go. A new kind, field or word of the log is
// known here without a change.
package round

import (
	_ "embed"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

//go:embed grammar.txt
var grammar string

// Bounds of a text.
const (
	MaxText  = 256 << 10 // bytes
	MaxLines = 3_000
	MaxLine  = 1_000 // bytes of one line
)

// Grammar is the grammar of rounds, without the words.
func Grammar() string { return grammar }

// Help is the grammar and all words by kind of event.
func Help() string {
	var b strings.Builder
	b.WriteString(grammar)
	b.WriteString("\nThe words (… is a value):\n")
	for _, spec := range event.Specs() {
		if !noted(spec.Kind) {
			continue
		}
		var list []string
		for i := range lexicon {
			if p := &lexicon[i]; p.kind == spec.Kind && !slices.Contains(list, p.whole()) && !p.second {
				list = append(list, p.whole())
			}
		}
		b.WriteString("\n" + strings.ReplaceAll(spec.Name, "_", " ") + "\n" + wrap(strings.Join(list, ", ")))
	}
	b.WriteString("\nany of them\n" + wrap("at HH:MM, am, pm, morning, afternoon, by …, note …"))
	return b.String()
}

// wrap breaks a list at commas, indented.
func wrap(s string) string {
	const width = 110
	var b strings.Builder
	line := "   "
	for _, part := range strings.SplitAfter(s, ", ") {
		if len(line)+len(part) > width {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = "   "
		}
		if line == "   " {
			line += " "
		}
		line += part
	}
	return b.String() + line + "\n"
}
