package round

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
)

// facts gathers what one line says of a cow: cells of one event of each kind.
type facts struct {
	*parser
	number token
	kinds  []event.Kind // in the order in which the line speaks of them
	begun  map[event.Kind]bool
	cells  map[event.Kind]map[string]cell
	later  []said // said of one of several kinds: which, shows when the line is read
	calves int
}

type cell struct {
	value string
	token token
}

// said is something that several phrases of different kinds say alike.
type said struct {
	options []*phrase
	token   token
	value   string
	kind    event.Kind // of its part of the line; 0 = not known
}

// match tells how many tokens the words of the phrase take, and whether all stand
// there whole; 0 if it does not fit.
func (p *phrase) match(list []token) (n int, exact bool) {
	exact = true
	w := 0
	for w < len(p.words) {
		if n >= len(list) || list[n].comma || list[n].quoted {
			return 0, false
		}
		parts := list[n].parts
		if len(parts) == 0 || len(parts) > len(p.words)-w {
			return 0, false
		}
		for _, part := range parts {
			word := p.words[w]
			// "in" is a word, and so no beginning of another.
			if part != word && (len(part) < 2 || vocabulary[part] || !strings.HasPrefix(word, part)) {
				return 0, false
			}
			exact = exact && part == word
			w++
		}
		n++
	}
	return n, exact
}

// fits tells whether the phrase takes all of the tokens.
func (p *phrase) fits(list []token) bool {
	n, _ := p.match(list)
	return n == len(list) && n > 0
}

// reading is a phrase at a place: how many tokens it takes with its value.
type reading struct {
	*phrase
	taken int
	exact bool
	value string
	at    token // of the value
	bad   bool  // no such value can stand there
}

// read takes a line apart into parts, and each part into phrases.
func (f *facts) read(list []token) bool {
	f.begun = map[event.Kind]bool{}
	f.cells = map[event.Kind]map[string]cell{}
	for len(list) > 0 {
		if list[0].comma {
			list = list[1:]
			continue
		}
		n, ok := f.part(list)
		if !ok {
			return false
		}
		list = list[n:]
	}
	for _, s := range f.later {
		if !f.decide(s) {
			return false
		}
	}
	if len(f.kinds) == 0 {
		f.fail(f.number, event.CodeRequired, "nothing is said of %s", f.number.text)
		return false
	}
	return true
}

// part reads up to the next comma or to the next word that begins an event.
func (f *facts) part(list []token) (n int, ok bool) {
	end := slices.IndexFunc(list, func(t token) bool { return t.comma })
	if end < 0 {
		end = len(list)
	}
	var about event.Kind
	inCalf := slices.ContainsFunc(list[:end], func(t token) bool { return t.is("calf") })
	first := len(f.later)
	seenCalf := false
	for n < end {
		if list[n].is("calf") && !seenCalf {
			seenCalf = true
			f.mention(event.KindCalving)
			if f.calves++; f.calves > calvesOf.Max {
				f.fail(list[n], event.CodeTooLong, "%d calves; at most %d", f.calves, calvesOf.Max)
				return 0, false
			}
			n++
			continue
		}
		found := f.at(list[n:end], about, inCalf)
		if len(found) == 0 {
			f.unknown(list[n], about)
			return 0, false
		}
		r := found[0]
		if r.opener && n > 0 {
			return n, true // it begins a part of its own
		}
		switch {
		case len(found) > 1 && !sameThing(found) && !manyKinds(found):
			f.ambiguous(list[n], found)
			return 0, false
		case len(found) > 1 && manyKinds(found) || r.kind == 0 && r.column != "":
			s := said{token: list[n], value: r.value}
			for _, o := range found {
				s.options = append(s.options, o.phrase)
			}
			f.later = append(f.later, s)
		default:
			if about == 0 {
				about = r.kind
			}
			f.mention(r.kind)
			f.begun[r.kind] = f.begun[r.kind] || r.begins
			// In the part of a calf the calf itself comes after some of its words.
			calfAt := f.calves
			if inCalf && !seenCalf {
				calfAt++
			}
			if r.column != "" && !f.set(r.phrase, r.value, list[n], calfAt) {
				return 0, false
			}
		}
		n += r.taken
	}
	for i := range f.later[first:] {
		f.later[first+i].kind = about
	}
	return n, true
}

var calvesOf = func() *event.Field {
	spec := event.KindCalving.Spec()
	return spec.Fields[slices.IndexFunc(spec.Fields, func(f *event.Field) bool { return f.Type == event.Objects })]
}()

// at finds what can be read at the beginning of the list, the best first: the longest,
// of the kind that the part is about, written out. What is as good as the best follows.
func (f *facts) at(list []token, about event.Kind, inCalf bool) (best []reading) {
	rank := func(r *reading) int {
		n := r.taken * 8
		if r.bad {
			n--
		}
		if r.kind == about && about != 0 {
			n += 4
		}
		if r.exact {
			n += 2
		}
		if r.phrase.value != "" && r.taken > 1 { // "str ton" is the tone, and no straw called ton
			n++
		}
		return n
	}
	var cut []reading // words of the log that were not written out
	for _, p := range starting(list[0]) {
		if !p.here(about, inCalf) {
			continue
		}
		r, ok := p.readAt(list)
		if !ok {
			continue
		}
		if !r.exact && p.value != "" {
			cut = append(cut, r)
		}
		switch {
		case len(best) == 0 || rank(&r) > rank(&best[0]):
			best = append(best[:0], r)
		case rank(&r) == rank(&best[0]):
			best = append(best, r)
		}
	}
	if len(best) > 0 && best[0].value != "" && best[0].phrase.value == "" && !best[0].at.quoted {
		// "by ult" may be ultrasound, or somebody's code.
		for _, r := range cut {
			if r.taken == best[0].taken && r.column != best[0].column {
				best = append(best, r)
			}
		}
	}
	return best
}

// starts are the phrases by the first two letters of what they begin with; those that
// begin with a number are under "0".
var starts = func() map[string][]*phrase {
	m := map[string][]*phrase{}
	for i := range lexicon {
		key := lexicon[i].words[0][:2]
		if lexicon[i].first {
			key = "0"
		}
		m[key] = append(m[key], &lexicon[i])
	}
	return m
}()

// starting lists the phrases that may begin with the token.
func starting(t token) []*phrase {
	if t.quoted || len(t.parts) == 0 {
		return nil
	}
	if _, err := strconv.Atoi(t.text); err == nil {
		return starts["0"]
	}
	return starts[t.parts[0][:min(2, len(t.parts[0]))]]
}

// here tells whether the phrase is understood in a part about the kind.
func (p *phrase) here(about event.Kind, inCalf bool) bool {
	if strings.HasPrefix(p.column, calf) {
		return inCalf
	}
	return !p.inside || p.kind == about
}

// readAt reads the phrase with its value.
func (p *phrase) readAt(list []token) (r reading, ok bool) {
	n, exact := p.match(list)
	if n == 0 && !p.first {
		return r, false
	}
	r = reading{phrase: p, value: p.value}
	if p.first {
		if len(list) < 2 || list[0].quoted {
			return r, false
		}
		if _, err := strconv.Atoi(list[0].text); err != nil {
			return r, false
		}
		n, exact := p.match(list[1:])
		r.taken, r.exact, r.value, r.at = n+1, exact, list[0].text, list[0]
		return r, n > 0
	}
	r.taken, r.exact = n, exact
	if n == 0 || p.column == "" || p.value != "" {
		return r, n > 0
	}
	if n == len(list) {
		r.bad = !p.opener // whose value may be left out: "bred, straw 17"
		return r, true
	}
	v := list[n]
	if p.opener && !v.quoted && ownWord(p.kind, list[n:]) {
		return r, true
	}
	if r.value, r.at = v.text, v; p.field.Type == event.Integer || p.field.Type == event.DateOn {
		if _, err := strconv.Atoi(v.text); p.field.Type == event.Integer && err != nil {
			r.bad = true
		}
		if _, err := event.ParseDate(v.text); p.field.Type == event.DateOn && err != nil {
			r.bad = true
		}
	}
	if !r.bad {
		r.taken++
	}
	return r, true
}

// ownWord tells whether a phrase of the kind, or of any, stands there written out.
func ownWord(kind event.Kind, list []token) bool {
	for _, p := range starting(list[0]) {
		if (p.kind != kind && p.kind != 0) || p.opener || p.first {
			continue
		}
		if n, exact := p.match(list); n > 0 && exact {
			return true
		}
	}
	return false
}

func sameThing(list []reading) bool {
	for _, r := range list[1:] {
		if r.kind != list[0].kind || r.column != list[0].column || r.value != list[0].value {
			return false
		}
	}
	return true
}

// manyKinds tells whether each reading is of another kind.
func manyKinds(list []reading) bool {
	seen := map[event.Kind]bool{}
	for _, r := range list {
		if seen[r.kind] || r.kind == 0 || r.column == "" || r.value != list[0].value || r.opener {
			return false
		}
		seen[r.kind] = true
	}
	return len(list) > 1
}

func (f *facts) mention(k event.Kind) {
	if k != 0 && !slices.Contains(f.kinds, k) {
		f.kinds = append(f.kinds, k)
		f.cells[k] = map[string]cell{}
	}
}

// decide finds the event that something belongs to: that of its part of the line, or
// the only one of the line that can have it.
func (f *facts) decide(s said) bool {
	var fit []*phrase
	for _, k := range f.kinds {
		for _, o := range s.options {
			if o.kind != k && o.kind != 0 {
				continue
			}
			p := *o
			p.kind = k
			if k == s.kind {
				return f.set(&p, s.value, s.token, f.calves)
			}
			fit = append(fit, &p)
		}
	}
	if len(fit) == 1 {
		return f.set(fit[0], s.value, s.token, f.calves)
	}
	var names []string
	for _, o := range s.options {
		names = append(names, spoken(o.kind))
	}
	if len(fit) > 0 {
		names = names[:0]
		for _, o := range fit {
			names = append(names, spoken(o.kind))
		}
	}
	f.fail(s.token, CodeAmbiguous, "it is not clear of which event this is said; write it in one part, without a comma, with %s", strings.Join(slices.Compact(names), " or "))
	return false
}

// spoken is how an event of the kind begins.
func spoken(k event.Kind) string {
	if k == 0 {
		return "what it belongs to"
	}
	if o := opens[k]; o != nil {
		return strconv.Quote(o[0].words)
	}
	return "the " + strings.ReplaceAll(k.String(), "_", " ")
}

// set fills a cell.
func (f *facts) set(p *phrase, value string, at token, calfAt int) bool {
	f.mention(p.kind)
	column := strings.Replace(p.column, "#", strconv.Itoa(max(1, calfAt)), 1)
	if value == "" {
		if p.opener { // left out
			return true
		}
		f.fail(at, event.CodeRequired, "behind \"%s\" a value is missing", strings.Join(p.words, " "))
		return false
	}
	switch p.field.Type {
	case event.Integer:
		if n, err := strconv.Atoi(value); err != nil || n < p.field.Min || n > p.field.Max || value[0] == '+' {
			f.fail(at, event.CodeOutOfRange, "%s: a whole number from %d to %d", strings.Join(p.words, " "), p.field.Min, p.field.Max)
			return false
		}
	case event.DateOn:
		if _, err := event.ParseDate(value); err != nil {
			f.fail(at, event.CodeBadDate, "%s: a date such as 2026-12-01", strings.Join(p.words, " "))
			return false
		}
	case event.Text:
		if p.column == "at" {
			t, ok := timeOf(value)
			if !ok {
				f.fail(at, event.CodeBadTime, "behind \"at\" stands a time, such as 10:40")
				return false
			}
			value = t
		}
	case event.EnumSet:
		before := strings.Fields(f.cells[p.kind][column].value)
		if !slices.Contains(before, value) {
			before = append(before, value)
		}
		slices.SortFunc(before, func(a, b string) int { return slices.Index(p.field.Values, a) - slices.Index(p.field.Values, b) })
		f.cells[p.kind][column] = cell{strings.Join(before, " "), at}
		return true
	case event.Enum, event.Bool, event.ID, event.Object, event.Objects:
	}
	if old, twice := f.cells[p.kind][column]; twice && old.value != value {
		f.fail(at, event.CodeContradicts, "%s is said twice of her: %s and %s", strings.ReplaceAll(p.column, "_", " "), old.value, value)
		return false
	}
	f.cells[p.kind][column] = cell{value, at}
	return true
}

// events makes the events of the line; nil after a problem.
func (f *facts) events(r *Round, animal string) (list []*event.Event) {
	for _, k := range f.kinds {
		e := f.event(r, animal, k)
		if e == nil {
			return nil
		}
		list = append(list, e)
	}
	slices.SortStableFunc(list, func(a, b *event.Event) int { return int(a.Kind) - int(b.Kind) })
	return list
}

func (f *facts) event(r *Round, animal string, k event.Kind) *event.Event {
	spec := k.Spec()
	have := f.cells[k]
	if slices.Contains(must, k) && !f.begun[k] {
		f.fail(f.number, event.CodeRequired, "this speaks of %s without saying that there was one: write %s", strings.ReplaceAll(spec.Name, "_", " "), spoken(k))
		return nil
	}
	row := make([]string, len(event.Columns()))
	put := func(column, value string) {
		if i, ok := event.ColumnIndex(column); ok {
			row[i] = value
		}
	}
	for column, value := range taken[k] {
		put(column, value)
	}
	put("kind", spec.Name)
	put("animal", animal)
	put("on", r.On.String())
	put("by", r.By)
	put("at", r.At)
	put("half", r.Half)
	_, at := have["at"]
	_, half := have["half"]
	if at || half {
		put("at", "")
		put("half", "")
	}
	for column, c := range have {
		put(column, c.value)
	}
	for _, c := range columns(spec) {
		if i, ok := event.ColumnIndex(c.name); ok && c.field.Required && row[i] == "" {
			f.problems = append(f.problems, Problem{
				Line: f.line, Column: f.number.column, Word: f.number.text, Code: event.CodeRequired, Allowed: waysOf(k, c.name),
				Detail: fmt.Sprintf("%s: %s is not said", strings.ReplaceAll(spec.Name, "_", " "), strings.ReplaceAll(c.field.Name, "_", " ")),
			})
			return nil
		}
	}
	e, err := event.FromCells(row)
	if err != nil {
		f.fail(f.number, event.CodeNotAllowed, "%s: %v", strings.ReplaceAll(spec.Name, "_", " "), err)
		return nil
	}
	return e
}

// waysOf lists how a column of a kind is filled.
func waysOf(k event.Kind, column string) (list []string) {
	for i := range lexicon {
		if p := &lexicon[i]; p.kind == k && p.column == column && !p.second && !p.opener {
			list = append(list, p.whole())
		}
	}
	return list
}

func (f *facts) ambiguous(t token, found []reading) {
	p := Problem{Line: f.line, Column: t.column, Word: t.text, Code: CodeAmbiguous}
	if v := found[0].at.text; v != "" {
		p.Word += " " + v
	}
	p.Detail = fmt.Sprintf("%q can mean several things; write it out, or put a value in quotes", p.Word)
	for _, r := range found {
		if s := r.whole(); !slices.Contains(p.Allowed, s) {
			p.Allowed = append(p.Allowed, s)
		}
	}
	f.problems = append(f.problems, p)
}

// unknown says that nothing begins with the token, and what is like it.
func (f *facts) unknown(t token, about event.Kind) {
	p := Problem{Line: f.line, Column: t.column, Word: t.text, Code: CodeUnknownWord, Detail: fmt.Sprintf("%q is no word of a round", t.text)}
	if len([]rune(t.text)) < 2 {
		p.Detail += "; a word is cut to two letters at least"
	} else if about != 0 {
		p.Detail += " that fits here"
	}
	type near struct {
		said string
		far  int
	}
	var list []near
	word := strings.ToLower(t.text)
	const told = 100 // a text of which more cannot be read is no round
	for i := range lexicon {
		ph := &lexicon[i]
		if ph.second || len(f.problems) > told {
			continue
		}
		far := len(word)
		for _, w := range ph.words {
			d := distance(word, w)
			if strings.HasPrefix(w, word) || len(w) > 2 && strings.HasPrefix(word, w) {
				d = 1
			}
			far = min(far, d)
		}
		said := ph.whole()
		if far < len(word) && far <= max(1, len(word)/3) && !slices.ContainsFunc(list, func(n near) bool { return n.said == said }) {
			list = append(list, near{said, far})
		}
	}
	slices.SortStableFunc(list, func(a, b near) int { return a.far - b.far })
	const most = 6
	for _, n := range list[:min(most, len(list))] {
		p.Allowed = append(p.Allowed, n.said)
	}
	f.problems = append(f.problems, p)
}

// distance counts the letters to be changed, added, left out or swapped between two
// words (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 2*len(y)+2 {
		return len(x)
	}
	two, one := make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range one {
		one[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row := make([]int, len(y)+1)
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(one[j]+1, row[j-1]+1, one[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], two[j-2]+1)
			}
		}
		two, one = one, row
	}
	return one[len(y)]
}
