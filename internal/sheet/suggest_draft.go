package sheet

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"byrelog.example/internal/event"
)

// The layouts of sheets.
const (
	rowPerEvent  = "row_per_event"
	rowPerAnimal = "row_per_animal"
)

// drafter writes the mapping that a sample shows.
type drafter struct {
	*sampler
	root    *yaml.Node
	choices map[*yaml.Node]Choice
	used    map[*column]bool
	words   map[*column]map[string]string // what the words of a column were taken for
	months  []string
	serials string
	twos    bool
}

func text(s string) *yaml.Node {
	n := &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s}
	if s == "" || s != strings.TrimSpace(s) {
		n.Style = yaml.DoubleQuotedStyle
	}
	return n
}

func number(n int) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!int", Value: strconv.Itoa(n)}
}

func list(flow bool, items ...*yaml.Node) *yaml.Node {
	n := &yaml.Node{Kind: yaml.SequenceNode, Content: items}
	if flow {
		n.Style = yaml.FlowStyle
	}
	return n
}

// members writes pairs of name and value; pairs without a value are left out.
func members(pairs ...any) *yaml.Node {
	n := &yaml.Node{Kind: yaml.MappingNode}
	for i := 0; i+1 < len(pairs); i += 2 {
		name, _ := pairs[i].(string)
		if v, _ := pairs[i+1].(*yaml.Node); v != nil {
			put(n, name, v)
		}
	}
	return n
}

func put(n *yaml.Node, name string, v *yaml.Node) {
	n.Content = append(n.Content, text(name), v)
}

// comment writes a text of one line that can stand in YAML whatever the sheet
// holds.
func comment(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == '\ufeff' || r == utf8.RuneError || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s)
	return "# " + strings.Join(strings.Fields(s), " ")
}

func remark(n *yaml.Node, says string) *yaml.Node {
	n.LineComment = comment(says)
	return n
}

// choose writes a place for a person to fill.
func (d *drafter) choose(reason string, options ...string) *yaml.Node {
	n := text(Choose)
	shownOptions := make([]string, len(options))
	for i, o := range options {
		if shownOptions[i] = o; o == "" {
			shownOptions[i] = `""`
		}
	}
	remark(n, strings.Join(shownOptions, " or ")+"; "+reason)
	d.choices[n] = Choice{Options: options, Reason: reason}
	return n
}

// cell reads a column, with further members.
func (d *drafter) cell(c *column, more ...any) *yaml.Node {
	d.used[c] = true
	n := members(more...)
	if c.byName && len(n.Content) == 0 {
		return text(c.name)
	}
	head := members("column", text(c.name))
	if !c.byName {
		head = members("position", number(c.at+1))
	}
	n.Content = append(head.Content, n.Content...)
	return n
}

func (d *drafter) constant(value *yaml.Node, only ...string) *yaml.Node {
	return members("const", value, "only", onlyOf(only))
}

func onlyOf(kinds []string) *yaml.Node {
	if len(kinds) == 0 {
		return nil
	}
	var items []*yaml.Node
	for _, k := range kinds {
		items = append(items, text(k))
	}
	return list(true, items...)
}

// date reads a column of dates, for the date of the event (on) or a field.
func (d *drafter) date(c *column, on bool, more ...any) *yaml.Node {
	g := c.dates
	var order, times *yaml.Node
	switch {
	case g == nil:
		order = d.choose("its cells show no order", "iso", "d/m/y", "m/d/y")
	case g.Order != "":
		order = remark(text(g.Order), g.Reason)
	default:
		reason := g.Reason
		if hint := d.hint(c); hint != "" {
			reason += "; " + hint
		}
		order = d.choose(reason, g.Options...)
	}
	if g != nil {
		d.twos = d.twos || g.twos
		d.months = unique(append(d.months, g.months...))
		if g.serials != "" && d.serials != Choose {
			d.serials = g.serials
		}
		if g.times {
			times = text(dropTime)
			if on {
				times = text(keepTime)
			}
		}
	}
	return d.cell(c, append([]any{"dates", order, "time", times}, more...)...)
}

// hint tells of another column of the sheet whose order shows.
func (d *drafter) hint(c *column) string {
	for _, other := range d.cols {
		if g := other.dates; other != c && g != nil && slices.Contains(c.dates.Options, g.Order) {
			return fmt.Sprintf("the column %s is %s", quote(d.nameOf(other)), g.Order)
		}
	}
	return ""
}

// coding reads a coded column by the meanings of its words.
func (d *drafter) coding(c *column, field string, allowed []string, keep func(int) bool) *yaml.Node {
	n := members()
	for _, w := range c.words(keep) {
		put(n, w.Word, d.meant(c, w, field, allowed))
	}
	return n
}

func (d *drafter) meant(c *column, w SeenWord, field string, allowed []string) *yaml.Node {
	m, known := meanings[field][foldWord(w.Word)]
	if known && (m == "" || slices.Contains(allowed, m)) {
		d.note(c, w, m)
		return remark(text(m), times(w.Count))
	}
	d.note(c, w, "")
	return d.choose(times(w.Count), allowed...)
}

func times(n int) string {
	if n == 1 {
		return "once in the sample"
	}
	return fmt.Sprintf("%d times in the sample", n)
}

// note keeps what a word was taken for, for the answer's table of words.
func (d *drafter) note(c *column, w SeenWord, meaning string) {
	if d.words[c] == nil {
		d.words[c] = map[string]string{}
	}
	if d.words[c][foldWord(w.Word)] == "" {
		d.words[c][foldWord(w.Word)] = meaning
	}
}

// draft decides the layout and writes the events.
func (s *sampler) draft() *drafter {
	d := &drafter{sampler: s, choices: map[*yaml.Node]Choice{}, used: map[*column]bool{}, words: map[*column]map[string]string{}}
	animal, kind := s.has(roleAnimal), s.has(roleKind)
	dates := s.all(func(r role) bool { _, ok := r.event(); return ok })
	fields := members()
	if animal != nil {
		put(fields, "animal", d.told(animal))
	} else {
		put(fields, "animal", d.pick("no column shows which animal a row is of"))
	}
	var events *yaml.Node
	if len(dates) >= 2 || len(dates) == 1 && kind == nil && s.has(roleDate) == nil {
		events = d.perAnimal(fields, dates)
	} else {
		events = d.perEvent(fields, kind, dates)
	}
	d.root = d.top()
	if k := d.key(); k != nil {
		put(d.root, "key", k)
	}
	put(d.root, "fields", fields)
	put(d.root, "events", events)
	if s.out.Layout.Value == rowPerAnimal {
		put(d.root, "otherwise", remark(text(skipRow), "a row without any of these dates says nothing yet"))
	}
	return d
}

// told reads a column by its name alone, with the reason beside it.
func (d *drafter) told(c *column, more ...any) *yaml.Node {
	n := d.cell(c, more...)
	if n.Kind == yaml.ScalarNode {
		return remark(n, c.reason)
	}
	return n
}

// pick lets a person name the column.
func (d *drafter) pick(reason string, more ...any) *yaml.Node {
	var names []string
	for _, c := range d.cols {
		if c.filled > 0 && c.byName && len(names) < 20 {
			names = append(names, c.name)
		}
	}
	if len(names) == 0 {
		var places []string
		for _, c := range d.cols {
			places = append(places, strconv.Itoa(c.at+1))
		}
		return members(append([]any{"position", d.choose(reason, places...)}, more...)...)
	}
	return members(append([]any{"column", d.choose(reason, names...)}, more...)...)
}

// top writes the members that say how the sheet is written.
func (d *drafter) top() *yaml.Node {
	s := d.sampler
	n := members("version", number(mappingVersion), "source", remark(text(s.source), "the system that the sheet comes from; ids depend on it, so it does not change later"))
	if g := s.out.Encoding; g != nil {
		v := remark(text(g.Value), g.Reason)
		if g.Options != nil {
			v = d.choose(g.Reason, g.Options...)
		}
		put(n, "encoding", v)
	}
	if g := s.out.Delimiter; g != nil {
		v := remark(text(g.Value), g.Reason)
		if g.Options != nil {
			v = d.choose(g.Reason, g.Options...)
		}
		put(n, "delimiter", v)
	}
	if g := s.out.Sheet; g != nil {
		put(n, "sheet", remark(text(g.Value), g.Reason))
	}
	row := 0
	if s.head >= 0 {
		row = s.head + 1 - s.above
	}
	put(n, "header_row", remark(number(row), s.out.Header.Reason))
	if s.above > 0 {
		put(n, "header_rows", number(s.above+1))
	}
	if s.skip > 0 {
		put(n, "skip_rows", number(s.skip))
	}
	switch d.serials {
	case "":
	case Choose:
		put(n, "serials", d.choose("in which system the workbook counted days", serials1900, serials1904))
	default:
		put(n, "serials", text(d.serials))
	}
	if len(d.months) > 0 {
		put(n, "months", onlyOf(d.months))
	}
	if d.twos {
		put(n, "two_digit_years", remark(&yaml.Node{Kind: yaml.ScalarNode, Tag: "!!bool", Value: "true"}, "each means the latest such year that is not in the future"))
	}
	if a := s.has(roleAnimal); a != nil && a.digitsOf() > 0 {
		put(n, "animal_digits", remark(number(a.digitsOf()), "all numbers have as many, and some begin with 0: a shorter one lost it"))
	}
	if skip := d.skips(); skip != nil {
		put(n, "skip", skip)
	}
	return n
}

// skips leaves out the footers that the reader would not know by itself.
func (d *drafter) skips() *yaml.Node {
	n := list(false)
	for _, f := range d.footers {
		c := d.cols[f.at]
		word, _, _ := strings.Cut(foldWord(f.text), " ")
		if totalWord(f.text) || word == "" {
			continue
		}
		place := members("column", text(c.name))
		if !c.byName {
			place = members("position", number(c.at+1))
		}
		put(place, "starts", list(true, text(word)))
		place.HeadComment = fmt.Sprintf("# line %d looks like a footer", f.line)
		n.Content = append(n.Content, place)
	}
	if len(n.Content) == 0 {
		return nil
	}
	return n
}

// key names the rows, where some columns do.
func (d *drafter) key() *yaml.Node {
	place := func(c *column) *yaml.Node {
		d.used[c] = true
		if c.byName {
			return text(c.name)
		}
		return members("position", number(c.at+1))
	}
	if k := d.has(roleKey); k != nil && k.filled == d.out.Rows && len(k.order) == k.filled {
		return remark(list(true, place(k)), "no two of its cells are alike")
	}
	a, p := d.has(roleAnimal), d.has(roleParity)
	if d.out.Layout.Value != rowPerAnimal || a == nil || p == nil || a.filled != d.out.Rows || p.filled != d.out.Rows {
		return nil
	}
	seen := map[string]bool{}
	for i := range a.rows {
		both := a.cell(i) + "\x00" + p.cell(i)
		if seen[both] {
			return nil
		}
		seen[both] = true
	}
	return list(true, place(a), place(p))
}

// finish writes the YAML and names the choices.
func (d *drafter) finish() error {
	d.root.HeadComment = d.preface()
	for _, c := range d.cols {
		col := &d.out.Columns[c.at]
		if d.words[c] != nil {
			for _, w := range c.words(nil) {
				if m, ok := d.words[c][foldWord(w.Word)]; ok {
					w.Meaning = m
					col.Words = append(col.Words, w)
				}
			}
		} else if c.coded() && c.role != roleAnimal && c.role != roleKey {
			col.Words = c.words(nil)
		}
		if !d.used[c] && c.filled > 0 {
			d.out.Unread = append(d.out.Unread, d.nameOf(c))
		}
	}
	if len(d.out.Unread) > 0 {
		d.root.FootComment = comment("Columns that this draft does not read: " + strings.Join(d.out.Unread, ", "))
	}
	if empty := d.empty(); len(empty) > 0 {
		d.root.FootComment = strings.TrimSpace(d.root.FootComment + "\n" + comment("Columns that are empty in the sample, and not read either: "+strings.Join(empty, ", ")))
	}
	d.nameChoices("", d.root)
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(d.root); err != nil {
		return fmt.Errorf("write the draft: %w", err)
	}
	if err := enc.Close(); err != nil {
		return fmt.Errorf("write the draft: %w", err)
	}
	d.out.Mapping = b.String()
	return nil
}

// empty lists the named columns without a cell that holds anything: a later
// sheet may fill them.
func (d *drafter) empty() (names []string) {
	for _, c := range d.cols {
		if c.filled == 0 && c.name != "" {
			names = append(names, c.name)
		}
	}
	return names
}

func (d *drafter) preface() string {
	whole := "the whole sheet"
	if !d.out.Whole {
		whole = "the beginning of the sheet; what stands behind was not looked at"
	}
	layout := strings.ReplaceAll(d.out.Layout.Value, "_", " ")
	text := comment(fmt.Sprintf("Drafted from %s, %s.", counted(d.out.Rows, "row"), whole)) + "\n" + comment(fmt.Sprintf("One %s: %s.", layout, d.out.Layout.Reason)) +
		"\n# Words that the sample does not have will be refused, and named, when the sheet is imported."
	if len(d.choices) > 0 {
		text += "\n# Each " + Choose + " is yours to fill: until then the mapping is refused. Look at the rest too: it is\n# what the names and words of the sheet seem to say."
	}
	return text
}

// nameChoices lists the choices in the order of the draft, by the names under
// which ParseMapping refuses them.
func (d *drafter) nameChoices(at string, n *yaml.Node) {
	visitNodes(at, n, func(at string, n *yaml.Node) {
		if c, ok := d.choices[n]; ok {
			c.Path = at
			d.out.Choices = append(d.out.Choices, c)
		}
	})
}

func kindsOf(list []event.Kind) (names []string) {
	for _, k := range list {
		names = append(names, k.String())
	}
	return names
}
