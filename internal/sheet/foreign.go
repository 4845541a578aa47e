package sheet

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// foreignColumns is a mapping bound to the header of one sheet.
type foreignColumns struct {
	header   []string // folded
	unmapped []string
	skip     []boundCondition
	herd     *bound
	key      []int
	rules    []boundRule
	orders   map[int]*orderCount // of the date columns
	mixed    map[int]*mixCount
	pivots   map[int]bool
	on       []int // the columns that the dates of events are read from
}

type boundCondition struct {
	at int
	*Condition
}

// bound is a field of a rule bound to the sheet: the cell at column at, or a
// constant for -1.
type bound struct {
	target int // into event.Columns
	at     int
	only   []event.Kind
	*Cell
}

type boundRule struct {
	*Rule
	when   []boundCondition
	kind   bound
	fixed  event.Kind // where the kind is a constant
	fields []bound
}

// places visits every column that the mapping names.
func (m *Mapping) places(visit func(column string, position int, optional bool)) {
	for i := range m.Skip {
		visit(m.Skip[i].Column, m.Skip[i].Position, false)
	}
	if m.Herd != nil {
		visit(m.Herd.Column, m.Herd.Position, false)
	}
	for i := range m.Key {
		visit(m.Key[i].Column, m.Key[i].Position, false)
	}
	fields := func(f Fields) {
		for _, target := range sortedKeys(f) {
			c := f[target]
			visit(c.Column, c.Position, c.Optional)
		}
	}
	fields(m.Fields)
	for i := range m.Events {
		rule := &m.Events[i]
		for j := range rule.When {
			visit(rule.When[j].Column, rule.When[j].Position, false)
		}
		visit(rule.Kind.Column, rule.Kind.Position, false)
		fields(rule.Fields)
	}
}

// wantedForeign counts the columns of the mapping that the header names.
func (r *Reader) wantedForeign(cells []string) int {
	have := map[string]bool{}
	for _, c := range cells {
		have[foldHeader(c)] = true
	}
	found := map[string]bool{}
	r.m.places(func(column string, _ int, _ bool) {
		if f := foldHeader(column); f != "" && have[f] {
			found[f] = true
		}
	})
	return len(found)
}

func (r *Reader) bindForeign(header []string, line int) error {
	f := &r.foreign
	index := map[string]int{}
	doubled := map[string]bool{}
	for i, h := range header {
		name := foldHeader(h)
		f.header = append(f.header, name)
		if _, twice := index[name]; twice {
			doubled[name] = true
			continue
		}
		index[name] = i
	}
	var lacking, unclear []string
	used := make([]bool, len(header))
	r.m.places(func(column string, position int, optional bool) {
		name := foldHeader(column)
		i, ok := index[name]
		switch {
		case column == "":
			if header != nil && position > len(header) && !optional {
				lacking = append(lacking, fmt.Sprintf("column %d", position))
			} else if position > 0 && position <= len(header) {
				used[position-1] = true
			}
		case doubled[name]:
			unclear = append(unclear, column)
		case ok:
			used[i] = true
		case !optional:
			lacking = append(lacking, column)
		}
	})
	if len(unclear) > 0 {
		return &FileError{
			Line: line, Code: CodeHeader, Detail: "the header names a column of the mapping twice: " + missing(unique(unclear)),
			Suggestion: "rename one of them, or give its position in the mapping",
		}
	}
	if len(lacking) > 0 {
		return &FileError{
			Line: line, Code: CodeHeader, Detail: "the header lacks columns of the mapping: " + missing(unique(lacking)),
			Suggestion: "the header has " + shownList(header),
		}
	}
	for i, h := range header {
		if !used[i] && !blank(h) && !isRejectColumn(strings.ReplaceAll(f.header[i], " ", "_")) {
			f.unmapped = append(f.unmapped, trimCell(h))
		}
	}
	at := func(column string, position int) int {
		if column == "" {
			return position - 1
		}
		if i, ok := index[foldHeader(column)]; ok {
			return i
		}
		return -1
	}
	f.bind(r.m, at)
	return nil
}

func (f *foreignColumns) bind(m *Mapping, at func(string, int) int) {
	conditions := func(list []Condition) (out []boundCondition) {
		for i := range list {
			out = append(out, boundCondition{at(list[i].Column, list[i].Position), &list[i]})
		}
		return out
	}
	f.skip = conditions(m.Skip)
	if m.Herd != nil {
		f.herd = &bound{target: index("herd"), at: at(m.Herd.Column, m.Herd.Position), Cell: m.Herd}
	}
	for i := range m.Key {
		f.key = append(f.key, at(m.Key[i].Column, m.Key[i].Position))
	}
	for i := range m.Events {
		rule := &m.Events[i]
		b := boundRule{Rule: rule, when: conditions(rule.When), kind: bound{at: at(rule.Kind.Column, rule.Kind.Position), Cell: &rule.Kind}}
		b.fixed, _ = event.ParseKind(rule.Kind.Const)
		for _, target := range sortedKeys(m.Fields) {
			if _, own := rule.Fields[target]; !own {
				b.fields = append(b.fields, bind(target, m.Fields[target], at))
			}
		}
		for _, target := range sortedKeys(rule.Fields) {
			b.fields = append(b.fields, bind(target, rule.Fields[target], at))
		}
		f.rules = append(f.rules, b)
		for j := range b.fields {
			if t := b.fields[j]; t.target == columnOn && t.at >= 0 && t.Const == "" && !slices.Contains(f.on, t.at) {
				f.on = append(f.on, t.at)
			}
		}
	}
}

func bind(target string, c Cell, at func(string, int) int) bound {
	b := bound{target: index(target), at: at(c.Column, c.Position), Cell: &c}
	for _, name := range c.Only {
		if k, ok := event.ParseKind(name); ok {
			b.only = append(b.only, k)
		}
	}
	return b
}

func unique(names []string) []string {
	slices.Sort(names)
	return slices.Compact(names)
}

func shownList(names []string) string {
	const most = 20
	var out []string
	for _, n := range names {
		if len(out) == most {
			out = append(out, "…")
			break
		}
		out = append(out, quote(n))
	}
	return strings.Join(out, ", ")
}

// cellAt is the text of a column, "" where the row is too short.
func cellAt(cells []string, i int) string {
	if i < 0 || i >= len(cells) {
		return ""
	}
	return cells[i]
}

// holds tests a condition on the row.
func (c boundCondition) holds(cells []string) bool {
	s := cellAt(cells, c.at)
	if c.Filled != nil {
		return blank(s) != *c.Filled
	}
	s = foldWord(s)
	switch {
	case len(c.Is) > 0:
		return slices.Contains(c.Is, s)
	case len(c.Not) > 0:
		return !slices.Contains(c.Not, s)
	}
	for _, w := range c.Starts {
		if strings.HasPrefix(s, w) {
			return true
		}
	}
	return false
}

// headerAgain tells a header that is repeated among the rows, as printed pages
// have it.
func (f *foreignColumns) headerAgain(cells []string) bool {
	if len(f.header) == 0 {
		return false
	}
	for i, name := range f.header {
		if c := cellAt(cells, i); len(c) > 0 && c[0] >= '0' && c[0] <= '9' && (name == "" || name[0] != c[0]) {
			return false // the usual row, without the cost of folding
		} else if foldHeader(cellAt(cells, i)) != name {
			return false
		}
	}
	return true
}

// leftOut tells a row that is no record by the mapping's rules.
func (r *Reader) leftOut(line *Line) bool {
	f := &r.foreign
	if f.headerAgain(line.Cells) {
		line.Skipped = "the header again"
		return true
	}
	for _, c := range f.skip {
		if c.holds(line.Cells) {
			line.Skipped = fmt.Sprintf("left out by the mapping: %s is %s", r.columnName(c.at), quote(trimCell(cellAt(line.Cells, c.at))))
			return true
		}
	}
	return r.footer(line)
}

func (r *Reader) foreignRow(line *Line) error {
	f := &r.foreign
	if r.leftOut(line) || !r.ofHerd(line) {
		return nil
	}
	ref := r.ref(line)
	if len(line.Problems) == 0 {
		line.Key = ref
	}
	fits := false
	for i := range f.rules {
		rule := &f.rules[i]
		if !rule.fits(line.Cells) {
			continue
		}
		fits = true
		if err := r.apply(line, rule, ref); err != nil {
			return err
		}
		if r.fatal != nil {
			return r.fatal
		}
	}
	switch {
	case len(line.Problems) > 0:
		return nil
	case !fits && r.m.Otherwise == refuse:
		r.problem(line, -1, "", CodeNoRule, "no event of the mapping fits this row", "")
		return nil
	case !fits:
		line.Skipped = "no event of the mapping fits this row"
		return nil
	}
	return r.identify(line)
}

func (rule *boundRule) fits(cells []string) bool {
	for _, c := range rule.when {
		if !c.holds(cells) {
			return false
		}
	}
	return true
}

// ref joins the cells of the mapping's key.
func (r *Reader) ref(line *Line) string {
	var parts []string
	for _, i := range r.foreign.key {
		s := trimCell(cellAt(line.Cells, i))
		if s == "" {
			r.addOnce(line, r.fault(line, i, "ref", event.CodeRequired, "a part of the row's key is blank", "fill the cell"))
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, "/")
}

// apply makes the event of one rule, or adds what stands against it.
func (r *Reader) apply(line *Line, rule *boundRule, ref string) error {
	kind := rule.fixed
	if kind == 0 {
		name, ok := r.word(line, &rule.kind)
		if !ok {
			return nil
		}
		if name == "" {
			line.Skipped = fmt.Sprintf("left out by the mapping: %s is %s", r.columnName(rule.kind.at), quote(trimCell(cellAt(line.Cells, rule.kind.at))))
			return nil
		}
		kind, _ = event.ParseKind(name)
	}
	clear(r.cells)
	before := len(line.Problems)
	r.cells[columnKind] = kind.String()
	for i := range rule.fields {
		b := &rule.fields[i]
		if b.only == nil || slices.Contains(b.only, kind) {
			r.cells[b.target] = r.value(line, b)
		}
	}
	if len(line.Problems) > before {
		return nil
	}
	columnOf := func(name string) int {
		for i := range rule.fields {
			if event.Columns()[rule.fields[i].target].Name == name {
				return rule.fields[i].at
			}
		}
		switch {
		case name == "ref" && len(r.foreign.key) > 0:
			return r.foreign.key[0]
		case name == "kind":
			return rule.kind.at
		}
		return -1
	}
	e, err := event.FromCells(r.cells)
	if err != nil {
		return r.eventProblems(line, err, columnOf)
	}
	e.Herd, e.Source, e.Ref = r.herd, r.m.Source, refOf(ref, rule.Name)
	if err := e.Validate(r.today); err != nil {
		return r.eventProblems(line, err, columnOf)
	}
	line.Events = append(line.Events, e)
	return nil
}

// identify gives the events of a sound row their ids, and sorts out keys that
// the file had before.
func (r *Reader) identify(line *Line) error {
	if !r.ids.keyed {
		for _, e := range line.Events {
			if e.ID == uuid.Nil {
				r.ids.give(e)
			}
		}
		return r.tooMany(line)
	}
	events, again := line.Events[:0], 0
	for _, e := range line.Events {
		at, repeats, differs := r.ids.known(e)
		switch {
		case differs:
			r.addOnce(line, Problem{
				Line: line.Number, Column: r.columnName(r.foreign.key[0]), Field: "ref", Value: shown(e.Ref), Code: CodeDuplicateKey,
				Detail:     fmt.Sprintf("the key %s stands in line %d already, with other content", quote(e.Ref), at),
				Suggestion: "take one of the two rows out, or give the mapping a key that tells them apart",
			})
		case repeats:
			again = at
		default:
			events = append(events, e)
		}
	}
	if len(line.Problems) > 0 {
		return nil
	}
	for i := 0; i < len(events); i++ {
		r.ids.remember(events[i], line.Number)
		for _, e := range events[:i] {
			if e.ID == events[i].ID { // two rules that say the same
				events = slices.Delete(events, i, i+1)
				i--
				break
			}
		}
	}
	line.Events = events
	if len(events) == 0 && again > 0 {
		line.Skipped = fmt.Sprintf("the same record as in line %d", again)
	}
	return r.tooMany(line)
}
