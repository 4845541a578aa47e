package sheet

import (
	"fmt"
	"strings"
)

// totals are the words with which rows of sums begin.
var totals = map[string]bool{
	"total": true, "totals": true, "subtotal": true, "sum": true, "average": true, "avg": true, "mean": true, "count": true,
	"summe": true, "gesamt": true, "gesamtsumme": true, "durchschnitt": true, "mittelwert": true, "mittel": true, "anzahl": true,
	"totaux": true, "somme": true, "moyenne": true, "nombre": true, "suma": true, "promedio": true, "media": true, "totale": true, "somma": true,
	"totaal": true, "som": true, "gemiddelde": true, "aantal": true, "totalt": true, "gennemsnit": true, "snitt": true, "medel": true, "summa": true, "razem": true, "średnia": true, "yhteensä": true,
}

// totalWord tells whether a cell begins as a row of sums does.
func totalWord(s string) bool {
	words := strings.FieldsFunc(foldWord(s), func(r rune) bool { return strings.ContainsRune(" :.,;=()", r) })
	return len(words) > 0 && (totals[words[0]] || words[0] == "grand" && len(words) > 1 && totals[words[1]])
}

// footer tells a row of totals: its first filled cell says so, and it has no
// date where the mapping reads one, so it could give no event anyway.
func (r *Reader) footer(line *Line) bool {
	if len(r.foreign.on) == 0 {
		return false
	}
	for _, at := range r.foreign.on {
		if !blank(cellAt(line.Cells, at)) {
			return false
		}
	}
	for _, c := range line.Cells {
		if blank(c) {
			continue
		}
		if !totalWord(c) {
			return false
		}
		line.Skipped = fmt.Sprintf("a row of totals: %s and no date", quote(trimCell(c)))
		return true
	}
	return false
}
