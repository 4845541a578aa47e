package round

import (
	"slices"
	"strings"
	"unicode"

	"byrelog.example/internal/event"
)

// Words says what an event records, in the words of a round: "felt in heat, strong
// tone". Its animal, day and person are left out, and its half and time unless own
// is set. A line of a round that holds it is read as the same event again, but for a
// kind that is not noted on rounds (its name is given then).
func Words(e *event.Event, own bool) string {
	if !noted(e.Kind) {
		return strings.ReplaceAll(e.Kind.String(), "_", " ")
	}
	row := e.Cells(nil)
	cells := map[string]string{}
	for i, c := range event.Columns() {
		if row[i] != "" && (len(c.Kinds) > 0 || c.Name == "note" || own && (c.Name == "at" || c.Name == "half")) {
			cells[c.Name] = row[i]
		}
	}
	for column, value := range taken[e.Kind] {
		if cells[column] == value {
			delete(cells, column)
		}
	}
	w := &writer{kind: e.Kind, cells: cells}
	w.open()
	return w.String()
}

// Line is a whole line about a cow: her number and what each event says, with the
// half or time where it is not that of the round.
func Line(r *Round, animal string, events []*event.Event) string {
	parts := make([]string, len(events))
	for i, e := range events {
		parts[i] = Words(e, e.At != r.At || e.Half != r.Half)
	}
	return quotedName(animal) + " " + strings.Join(parts, "; ")
}

// Heading is the first line of a round.
func (r *Round) Heading() string {
	s := "round " + r.On.String()
	switch {
	case r.At != "":
		s += " at " + r.At
	case r.Half != "":
		s += " " + r.Half
	}
	if r.By != "" {
		s += ", by " + quoted(r.By, false)
	}
	return s
}

type writer struct {
	strings.Builder
	kind  event.Kind
	cells map[string]string
}

// open writes what begins the event, then what other kinds would say alike, then the
// rest.
func (w *writer) open() {
	spec := w.kind.Spec()
	bare := slices.ContainsFunc(lexicon, func(p phrase) bool { return p.kind == w.kind && p.begins && !p.opener && w.cells[p.column] == p.value })
	if !bare {
		p := w.opener()
		w.WriteString(strings.Join(p.words, " "))
		if v := w.cells[p.column]; v != "" {
			w.WriteString(" " + quoted(v, vocabulary[first(v)]))
			delete(w.cells, p.column)
		}
	}
	list := columns(spec)
	for _, begins := range []bool{true, false} { // "pregnant", and then "by ultrasound"
		for _, c := range list {
			if v := w.cells[c.name]; v != "" && c.field.Required && !strings.HasPrefix(c.name, calf) && w.phrase(c.name, v).begins == begins {
				w.say(c.name, v, true)
				delete(w.cells, c.name)
			}
		}
	}
	for _, alike := range []bool{true, false} {
		for _, c := range list {
			if v := w.cells[c.name]; v != "" && w.alike(c.name, v) == alike {
				w.say(c.name, v, alike)
			}
		}
		if alike {
			for _, name := range []string{"half", "at", "note"} {
				if v := w.cells[name]; v != "" {
					w.say(name, v, true)
				}
			}
		}
	}
	if spec.Kind == event.KindCalving {
		w.allCalves(list)
	}
}

func (w *writer) opener() *phrase {
	i := slices.IndexFunc(lexicon, func(p phrase) bool { return p.kind == w.kind && p.opener })
	return &lexicon[i]
}

// phrase finds how a value is said: the first way that is listed.
func (w *writer) phrase(column, value string) *phrase {
	for i := range lexicon {
		p := &lexicon[i]
		if (p.kind == w.kind || p.kind == 0) && p.column == column && (p.value == value || p.value == "") && !p.opener && !p.second {
			return p
		}
	}
	return nil
}

// alike tells whether another kind says it in the same words.
func (w *writer) alike(column, value string) bool {
	p := w.phrase(column, value)
	return p != nil && slices.ContainsFunc(lexicon, func(q phrase) bool {
		return q.kind != w.kind && q.kind != 0 && slices.Equal(p.words, q.words)
	})
}

func (w *writer) say(column, value string, joined bool) {
	values := []string{value}
	if i, _ := event.ColumnIndex(column); event.Columns()[i].Type == event.EnumSet {
		values = strings.Fields(value)
	}
	for _, v := range values {
		p := w.phrase(column, v)
		if p == nil {
			continue
		}
		switch {
		case w.Len() == 0:
		case joined:
			w.WriteString(" ")
		default:
			w.WriteString(", ")
		}
		w.WriteString(p.said(v))
	}
}

func (p *phrase) said(value string) string {
	s := strings.Join(p.words, " ")
	switch {
	case p.value != "":
		return s
	case p.first:
		return value + " " + s
	}
	return s + " " + quoted(value, false)
}

func (w *writer) allCalves(list columnList) {
	for n := range calvesOf.Max {
		prefix := strings.Replace(calf, "#", string(rune('1'+n)), 1)
		said := map[string]string{}
		for _, c := range list {
			sub, of := strings.CutPrefix(c.name, calf)
			if v := w.cells[prefix+sub]; of && v != "" {
				said[sub] = w.phrase(c.name, v).said(v)
			}
		}
		if len(said) == 0 {
			continue
		}
		w.WriteString(", ")
		if sex := said["sex"]; sex != "" {
			w.WriteString(sex + " ")
			delete(said, "sex")
		}
		w.WriteString("calf")
		for _, c := range list {
			if sub, of := strings.CutPrefix(c.name, calf); of && said[sub] != "" {
				w.WriteString(" " + said[sub])
			}
		}
	}
}

// quoted writes a value so that it is read as one, in quotes if it must be so.
func quoted(s string, must bool) string {
	if !must && s != "" && s[0] != '#' && !strings.ContainsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || strings.ContainsRune(`,;"`, r) }) {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

// vocabulary is every word that a phrase has.
var vocabulary = func() map[string]bool {
	m := map[string]bool{}
	for i := range lexicon {
		for _, w := range lexicon[i].words {
			m[w] = true
		}
	}
	return m
}()

// first is the first word of a value as it would be held against phrases.
func first(s string) string {
	s, _, _ = strings.Cut(strings.ToLower(strings.TrimLeft(s, "-_")), "-")
	s, _, _ = strings.Cut(s, "_")
	return s
}

// quotedName is quoted for what stands at the beginning of a line.
func quotedName(s string) string {
	return quoted(s, strings.HasSuffix(s, ":") || strings.EqualFold(s, "pen") || strings.EqualFold(s, "round"))
}
