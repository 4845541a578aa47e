package sheet

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"byrelog.example/internal/event"
)

// valuesOf are the words that a field of a kind can hold.
func valuesOf(k event.Kind, column string) []string {
	for _, f := range k.Spec().Fields {
		if f.ColumnName() == column {
			return f.Values
		}
	}
	return nil
}

// perEvent drafts a sheet with one row per event.
func (d *drafter) perEvent(fields *yaml.Node, kind *column, dates []*column) *yaml.Node {
	on := d.has(roleDate)
	if on == nil && len(dates) > 0 {
		on = dates[0]
	}
	if on != nil {
		put(fields, "on", d.date(on, true))
	} else {
		put(fields, "on", d.pick("no column shows when it was", "dates", d.choose("as the column is written", "iso", "d/m/y", "m/d/y")))
	}
	d.common(fields)
	rule := members()
	if kind == nil {
		if rules := d.seen(); rules != nil {
			return rules
		}
		d.out.Layout = Guess{Value: rowPerEvent, Reason: "there is one column of dates, and none that says what happened"}
		put(rule, "kind", d.choose("what every row tells of; other kinds need fields of their own", "calving", "dry_off", "pregnancy_loss", "breeding_stop"))
		return list(false, rule)
	}
	d.used[kind] = true
	d.out.Layout = Guess{Value: rowPerEvent, Reason: fmt.Sprintf("the column %s says what happened (words for events in %d of %s)%s", quote(d.nameOf(kind)), kind.knows("kind"), counted(kind.filled, "cell"), d.repeats())}
	e := &eventRule{drafter: d, kind: kind, of: map[string]event.Kind{}}
	for _, w := range kind.words(nil) {
		if k, ok := event.ParseKind(meanings["kind"][foldWord(w.Word)]); ok && !(k == event.KindMove && d.has(rolePen) == nil) {
			e.of[foldWord(w.Word)] = k
		}
	}
	ruleFields := e.fields()
	words := members()
	for _, w := range kind.words(nil) {
		if k, ok := e.of[foldWord(w.Word)]; ok {
			d.note(kind, w, k.String())
			put(words, w.Word, remark(text(k.String()), times(w.Count)))
			continue
		}
		d.note(kind, w, "")
		put(words, w.Word, d.choose(times(w.Count)+`; "" leaves such rows out, and other kinds need fields of their own`, append(e.open(), "")...))
	}
	put(rule, "kind", d.cell(kind, "words", words))
	if len(ruleFields.Content) > 0 {
		put(rule, "fields", ruleFields)
	}
	return list(false, rule)
}

// seen drafts the rules of a sheet of what was read and felt, with a column for each: a
// reading where there is one, and beside it what the hand found. It is nil for a sheet
// without such columns.
func (d *drafter) seen() *yaml.Node {
	rules := list(false)
	add := func(kind event.Kind, field string, verdict *column, more map[string]*column) {
		first := verdict
		for _, name := range sortedKeys(more) {
			if c := more[name]; first == nil && c != nil {
				first = c
			}
		}
		if first == nil {
			return
		}
		f := members()
		d.put(f, "verdict", field, kind, verdict)
		for _, name := range sortedKeys(more) {
			if c := more[name]; c != nil {
				d.put(f, name, name, kind, c)
			}
		}
		filled := members(d.where(first)...)
		put(filled, "filled", trueNode())
		rules.Content = append(rules.Content, members("name", text(kind.String()), "when", list(false, filled),
			"kind", remark(text(kind.String()), "where "+quote(d.nameOf(first))+" is filled"), "fields", f))
	}
	add(event.KindHeat, "verdict", d.has(roleReading), map[string]*column{"chalk": d.has(roleChalk)})
	if tone, mucus := d.has(roleTone), d.has(roleMucus); tone != nil || mucus != nil {
		add(event.KindPalpation, "felt", d.has(roleResult), map[string]*column{"tone": tone, "mucus": mucus})
	}
	if len(rules.Content) == 0 {
		return nil
	}
	d.out.Layout = Guess{Value: rowPerEvent, Reason: "its columns say what was read and felt of the animal" + d.repeats()}
	return rules
}

// put drafts a coded field of a kind from a column; without one somebody chooses.
func (d *drafter) put(f *yaml.Node, name, field string, kind event.Kind, c *column, more ...any) {
	if c != nil && c.coded() {
		put(f, name, d.cell(c, append([]any{"words", d.coding(c, field, valuesOf(kind, name), nil)}, more...)...))
		return
	}
	put(f, name, d.choose("no column tells", valuesOf(kind, name)...))
}

// repeats tells how often animals stand in the sheet.
func (d *drafter) repeats() string {
	a := d.has(roleAnimal)
	if a == nil || a.filled == 0 {
		return ""
	}
	return fmt.Sprintf(", and %s in %s", counted(len(a.order), "animal"), counted(a.filled, "row"))
}

// common drafts the fields that events of every kind have.
func (d *drafter) common(fields *yaml.Node) {
	if c := d.has(roleTime); c != nil {
		switch half := c.knows("half"); {
		case half == 0:
			put(fields, "at", d.told(c))
		case half == c.filled:
			put(fields, "half", d.cell(c, "words", d.coding(c, "half", []string{"am", "pm"}, nil)))
		default:
			drop := members()
			for _, w := range c.words(nil) {
				if _, ok := meanings["half"][foldWord(w.Word)]; ok {
					put(drop, w.Word, text(""))
				}
			}
			put(fields, "at", d.cell(c, "words", drop, "others", text(keepWord)))
			known := members()
			for _, w := range c.words(nil) {
				if m, ok := meanings["half"][foldWord(w.Word)]; ok {
					put(known, w.Word, text(m))
				}
			}
			put(fields, "half", d.cell(c, "words", known, "others", text(blankWord)))
		}
	}
	if c := d.has(roleBy); c != nil {
		put(fields, "by", d.told(c))
	}
	if c := d.has(roleNote); c != nil {
		put(fields, "note", d.told(c))
	}
}

// eventRule drafts the fields of the one rule of a sheet with a column of kinds.
type eventRule struct {
	*drafter
	kind *column
	of   map[string]event.Kind // folded word -> kind
}

// has tells which of the kinds the sheet's words mean.
func (e *eventRule) among(kinds ...event.Kind) (out []event.Kind) {
	for _, k := range kinds {
		for _, have := range e.of {
			if have == k {
				out = append(out, k)
				break
			}
		}
	}
	return out
}

// rows keeps the rows of the kinds.
func (e *eventRule) rows(kinds ...event.Kind) func(int) bool {
	return func(i int) bool {
		k, ok := e.of[foldWord(e.kind.cell(i))]
		return ok && slices.Contains(kinds, k)
	}
}

// open lists the kinds that a word may be given without further fields.
func (e *eventRule) open() []string {
	return []string{"calving", "dry_off", "pregnancy_loss", "breeding_stop", "breeding_resume", "treatment"}
}

func (e *eventRule) fields() *yaml.Node {
	n := members()
	add := func(name string, c *column, kinds ...event.Kind) {
		if k := e.among(kinds...); c != nil && len(k) > 0 {
			put(n, name, e.told(c, "only", onlyOf(kindsOf(k))))
		}
	}
	e.verdict(n)
	if k := e.among(event.KindPregnancyDiagnosis); len(k) > 0 {
		put(n, "result", e.byResult("result", valuesOf(k[0], "result"), k...))
	}
	e.method(n)
	e.how(n)
	for _, x := range []struct {
		name string
		role role
		kind event.Kind
	}{{"chalk", roleChalk, event.KindHeat}, {"tone", roleTone, event.KindPalpation}, {"mucus", roleMucus, event.KindPalpation}} {
		if c := e.has(x.role); c != nil && c.coded() && len(e.among(x.kind)) > 0 {
			put(n, x.name, e.cell(c, "words", e.coding(c, x.name, valuesOf(x.kind, x.name), e.rows(x.kind)), "only", onlyOf([]string{x.kind.String()})))
		}
	}
	add("sire", e.has(roleSire), event.KindBreeding)
	add("straw", e.has(roleStraw), event.KindBreeding)
	if c := e.has(roleSemen); c != nil && c.coded() && len(e.among(event.KindBreeding)) > 0 {
		put(n, "semen", e.cell(c, "words", e.coding(c, "semen", valuesOf(event.KindBreeding, "semen"), nil), "only", onlyOf([]string{"breeding"})))
	}
	add("pen", e.has(rolePen), event.KindMove, event.KindArrival)
	add("parity", e.has(roleParity), event.KindCalving)
	add("ease", e.has(roleEase), event.KindCalving)
	if c := e.has(roleCalf); c != nil && c.coded() && len(e.among(event.KindCalving)) > 0 {
		e.calf(n, c, e.rows(event.KindCalving), "only", onlyOf([]string{"calving"}))
	}
	add("days_pregnant", e.has(roleDaysPreg), event.KindPregnancyDiagnosis)
	add("breed", e.has(roleBreed), event.KindArrival)
	add("dam", e.has(roleDam), event.KindArrival)
	return n
}

// calf reads the sex and the fate of the calf from one column.
func (d *drafter) calf(n *yaml.Node, c *column, keep func(int) bool, more ...any) {
	put(n, "calf1_sex", d.cell(c, append([]any{"words", d.coding(c, "calf sex", []string{"female", "male", ""}, keep)}, more...)...))
	put(n, "calf1_outcome", d.cell(c, append([]any{"words", d.coding(c, "calf outcome", []string{"alive", "stillborn", "died_24h"}, keep)}, more...)...))
}

// byResult reads a field of the kinds from the column of results.
func (e *eventRule) byResult(field string, allowed []string, kinds ...event.Kind) *yaml.Node {
	if c := e.has(roleResult); c != nil && len(c.words(e.rows(kinds...))) > 0 {
		return e.cell(c, "words", e.coding(c, field, allowed, e.rows(kinds...)), "only", onlyOf(kindsOf(kinds)))
	}
	return e.constant(e.choose("no column tells", allowed...), kindsOf(kinds)...)
}

func (e *eventRule) verdict(n *yaml.Node) {
	kinds := e.among(event.KindHeat, event.KindPalpation)
	if len(kinds) == 0 {
		return
	}
	allowed := []string{event.InHeat, event.NotInHeat}
	if len(kinds) == 1 {
		allowed = valuesOf(kinds[0], "verdict")
	}
	if c := e.has(roleResult); kinds[0] == event.KindHeat && len(kinds) == 1 && e.has(roleReading) == nil && (c == nil || len(c.words(e.rows(kinds...))) == 0) {
		put(n, "verdict", members("const", remark(text(event.InHeat), "no column says otherwise"), "only", onlyOf(kindsOf(kinds))))
		return
	}
	if c := e.has(roleReading); c != nil && c.coded() && len(kinds) == 1 && kinds[0] == event.KindHeat {
		put(n, "verdict", e.cell(c, "words", e.coding(c, "verdict", allowed, e.rows(kinds...)), "only", onlyOf(kindsOf(kinds))))
		return
	}
	put(n, "verdict", e.byResult("verdict", allowed, kinds...))
}

// method says how she was served or examined: a column tells, or the word for
// the event does.
func (e *eventRule) method(n *yaml.Node) {
	kinds := e.among(event.KindBreeding, event.KindPregnancyDiagnosis)
	if len(kinds) == 0 {
		return
	}
	from := e.kind
	if c := e.has(roleMethod); c != nil && c.coded() && len(c.words(e.rows(kinds...))) > 0 {
		from = c
	}
	words := members()
	for _, w := range from.words(e.rows(kinds...)) {
		field, allowed := "breeding method", valuesOf(event.KindBreeding, "method")
		if from == e.kind && e.of[foldWord(w.Word)] == event.KindPregnancyDiagnosis || len(kinds) == 1 && kinds[0] == event.KindPregnancyDiagnosis {
			field, allowed = "diagnosis method", valuesOf(event.KindPregnancyDiagnosis, "method")
		} else if _, other := meanings["diagnosis method"][foldWord(w.Word)]; from != e.kind && other && len(kinds) == 2 {
			field, allowed = "diagnosis method", valuesOf(event.KindPregnancyDiagnosis, "method")
		}
		m, known := meanings[field][foldWord(w.Word)]
		if known && slices.Contains(allowed, m) {
			put(words, w.Word, text(m))
		} else {
			put(words, w.Word, e.choose("how it was done, where the sheet says "+quote(w.Word), allowed...))
		}
	}
	put(n, "method", e.cell(from, "words", words, "only", onlyOf(kindsOf(kinds))))
}

// how says how animals came and went.
func (e *eventRule) how(n *yaml.Node) {
	kinds := e.among(event.KindArrival, event.KindDeparture)
	if len(kinds) == 0 {
		return
	}
	from := e.kind
	for _, r := range []role{roleHow, roleResult} {
		if c := e.has(r); c != nil && c.coded() && from == e.kind {
			known, all := 0, 0
			for _, w := range c.words(e.rows(kinds...)) {
				all++
				if _, ok := meanings["departure how"][foldWord(w.Word)]; ok {
					known++
				} else if _, ok := meanings["arrival how"][foldWord(w.Word)]; ok {
					known++
				}
			}
			if all > 0 && 2*known >= all {
				from = c
			}
		}
	}
	words := members()
	for _, w := range from.words(e.rows(kinds...)) {
		var allowed []string
		m := ""
		for _, k := range kinds {
			if len(from.words(func(i int) bool { return e.rows(k)(i) && foldWord(from.cell(i)) == foldWord(w.Word) })) == 0 {
				continue
			}
			allowed = append(allowed, valuesOf(k, "how")...)
			if found, ok := meanings[k.String()+" how"][foldWord(w.Word)]; ok {
				m = found
			}
		}
		if m != "" {
			put(words, w.Word, text(m))
		} else {
			put(words, w.Word, e.choose("how she came or went, where the sheet says "+quote(w.Word), unique(allowed)...))
		}
		if from != e.kind {
			e.note(from, w, m)
		}
	}
	put(n, "how", e.cell(from, "words", words, "only", onlyOf(kindsOf(kinds))))
}

// perAnimal drafts a sheet with one row per animal: a date that is filled is
// an event.
func (d *drafter) perAnimal(fields *yaml.Node, dates []*column) *yaml.Node {
	var names []string
	for _, c := range dates {
		names = append(names, quote(d.nameOf(c)))
	}
	if len(dates) == 1 {
		d.out.Layout = Guess{Value: rowPerEvent, Reason: fmt.Sprintf("its one column of dates is named for an event: %s%s", names[0], d.repeats())}
		d.common(fields)
	} else {
		d.out.Layout = Guess{Value: rowPerAnimal, Reason: fmt.Sprintf("%d columns of dates are named for events: %s%s", len(names), strings.Join(names, ", "), d.repeats())}
		if c := d.has(roleNote); c != nil {
			c.reason += "; of several events in a row nobody can tell which a note is about: add note to the rule that it belongs to"
		}
	}
	rules := list(false)
	taken := map[string]bool{}
	arrived := d.has(roleArrived)
	for i, c := range dates {
		if c.role == roleBorn && arrived != nil {
			continue
		}
		filled := members(d.where(c)...)
		put(filled, "filled", trueNode())
		when := list(false, filled)
		if again := d.repeatOf(c, dates); again != nil {
			when.Content = append(when.Content, again)
		}
		rule := members("name", text(slug(c.name, i, taken)), "when", when)
		kind, _ := c.role.event()
		put(rule, "kind", remark(text(kind.String()), c.reason))
		f := members("on", d.date(c, true))
		d.ofKind(f, c, kind)
		put(rule, "fields", f)
		rules.Content = append(rules.Content, rule)
	}
	return rules
}

func trueNode() *yaml.Node { return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!bool", Value: "true"} }

func (d *drafter) where(c *column) []any {
	if c.byName {
		return []any{"column", text(c.name)}
	}
	return []any{"position", number(c.at + 1)}
}

// repeatOf guards the last of two columns of breedings: an animal that was
// bred once has the same date in both.
func (d *drafter) repeatOf(c *column, dates []*column) *yaml.Node {
	n := d.has(roleTimesBred)
	if c.role != roleBred || n == nil || slices.Index(dates, c) == slices.IndexFunc(dates, func(x *column) bool { return x.role == roleBred }) {
		return nil
	}
	d.used[n] = true
	cond := members(d.where(n)...)
	put(cond, "not", list(true, text("1")))
	cond.HeadComment = "# bred once, she has the same date twice"
	return cond
}

// slug makes a rule's name of a column's.
func slug(name string, i int, taken map[string]bool) string {
	s := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			return r
		case r == ' ':
			return '_'
		}
		return -1
	}, foldHeader(name))
	if s == "" || len(s) > 28 || taken[s] {
		s = fmt.Sprintf("event%d", i+1)
	}
	taken[s] = true
	return s
}

// near finds the column of a role that goes with a column: the one whose name
// has the same first, last or number, else the next to the right.
func (d *drafter) near(c *column, r role) *column {
	var best *column
	score := func(x *column) int {
		n := 0
		if rank(x.name) == rank(c.name) {
			n += 1000
		} else if rank(x.name) != "" {
			n -= 1000
		}
		if x.at > c.at {
			n += 500 - (x.at - c.at)
		}
		return n
	}
	for _, x := range d.cols {
		if x.role == r && (best == nil || score(x) > score(best)) {
			best = x
		}
	}
	return best
}

// rank is what tells the columns of one kind apart.
func rank(name string) string {
	for _, w := range strings.Fields(foldHeader(name)) {
		w = strings.Trim(w, ".")
		switch {
		case allDigits(w):
			return w
		case slices.Contains([]string{"first", "1st", "erste", "premier", "première", "primer", "primera", "eerste"}, w):
			return "1"
		case slices.Contains([]string{"last", "letzte", "dernier", "dernière", "última", "ultima", "laatste"}, w):
			return "last"
		}
	}
	return ""
}

// ofKind drafts the fields of a rule for one column of dates.
func (d *drafter) ofKind(f *yaml.Node, c *column, kind event.Kind) {
	optional := func(name string, x *column) {
		if x != nil {
			put(f, name, d.told(x))
		}
	}
	coded := func(name, field string, x *column) {
		if x != nil && x.coded() && len(x.words(nil)) > 0 {
			put(f, name, d.cell(x, "words", d.coding(x, field, valuesOf(kind, name), nil)))
			return
		}
		put(f, name, d.constant(d.choose("no column tells", valuesOf(kind, name)...)))
	}
	single := d.out.Layout.Value == rowPerEvent
	switch kind { //nolint:exhaustive // the others need nothing but their date
	case event.KindArrival:
		if born := d.has(roleBorn); born != nil && c.role != roleBorn {
			put(f, "born_on", d.date(born, false))
		}
		if c.role == roleBorn {
			put(f, "how", d.constant(d.choose("her birth is her arrival only where she was born in this herd; else take the rule out", valuesOf(kind, "how")...)))
		} else {
			put(f, "how", d.constant(d.choose("no column tells", valuesOf(kind, "how")...)))
		}
		optional("breed", d.has(roleBreed))
		optional("dam", d.has(roleDam))
	case event.KindCalving:
		optional("parity", d.has(roleParity))
		optional("ease", d.near(c, roleEase))
		if x := d.near(c, roleCalf); x != nil && x.coded() {
			d.calf(f, x, nil)
		}
	case event.KindHeat:
		put(f, "verdict", members("const", remark(text(event.InHeat), "no column says otherwise")))
	case event.KindBreeding:
		coded("method", "breeding method", d.near(c, roleMethod))
		optional("sire", d.near(c, roleSire))
		if !single {
			optional("by", d.near(c, roleBy))
		}
		optional("straw", d.near(c, roleStraw))
	case event.KindPregnancyDiagnosis:
		put(f, "method", d.constant(d.choose("no column tells how she was examined", valuesOf(kind, "method")...)))
		coded("result", "result", d.near(c, roleResult))
		optional("days_pregnant", d.has(roleDaysPreg))
	case event.KindDeparture:
		x := d.near(c, roleHow)
		if x != nil && 2*x.knows("departure how") < x.filled {
			optional("reason", x)
			x = nil
		}
		coded("how", "departure how", x)
	}
}
