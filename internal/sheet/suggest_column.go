package sheet

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// column is a column of the sample.
type column struct {
	at     int
	name   string // "" where the sheet has no header
	byName bool   // the name is there and no other column has it
	role   role
	reason string
	dates  *DateGuess
	filled int
	rows   []sampleRow // the records; shared
	seen   map[string]int
	order  []string // distinct texts in order of appearance, up to mostDistinct
}

const (
	mostDistinct = 2000
	mostWords    = 40 // a column with more is no coded one
)

// findHeader looks for the row that names the columns: the first that has
// three names that are known, or half of its names; else the first row of
// texts above a row with numbers or dates.
func (s *sampler) findHeader() {
	width := s.usualWidth()
	for i, row := range s.rows[:min(len(s.rows), 20)] {
		known, filled := 0, 0
		var names []string
		for _, c := range row.cells {
			if blank(c) {
				continue
			}
			filled++
			r, _ := roleOf(c, false)
			d, _ := roleOf(c, true)
			if (r != "" || d != "") && !looksLikeData(c) {
				known++
				names = append(names, quote(trimCell(c)))
			}
		}
		if known >= 3 || known >= 2 && 2*known >= filled && filled >= min(width, 3) {
			if i+1 < len(s.rows) && !slices.ContainsFunc(s.rows[i+1].cells, looksLikeData) && s.groups(row.cells, s.rows[i+1].cells) {
				i++
			}
			s.setHeader(i, fmt.Sprintf("line %d has the known names %s", row.line, strings.Join(names[:min(len(names), 4)], ", ")))
			return
		}
	}
	for i, row := range s.rows[:min(len(s.rows)-1, 20)] {
		texts := 0
		for _, c := range row.cells {
			if !blank(c) && !looksLikeData(c) {
				texts++
			}
		}
		if texts == width && slices.ContainsFunc(s.rows[i+1].cells, looksLikeData) {
			s.setHeader(i, fmt.Sprintf("line %d has a text in each of %d columns, and the row below has numbers or dates", row.line, width))
			return
		}
	}
	s.head = -1
	s.out.Header = Guess{Value: "0", Reason: "no row names the columns: they are read by their position"}
}

func (s *sampler) setHeader(i int, reason string) {
	s.head = i
	if i > 0 && s.groups(s.rows[i-1].cells, s.rows[i].cells) {
		s.above = 1
		reason += fmt.Sprintf("; line %d above it names groups of columns", s.rows[i-1].line)
	}
	s.out.Header = Guess{Value: fmt.Sprint(i + 1 - s.above), Reason: reason}
}

// groups tells a row of group names above a header: the header has a name
// twice, and the row above has names with gaps.
func (s *sampler) groups(above, header []string) bool {
	names := map[string]int{}
	twice := false
	for _, h := range trimRight(header) {
		if f := foldHeader(h); f != "" {
			names[f]++
			twice = twice || names[f] > 1
		}
	}
	filled := 0
	for _, c := range above {
		if !blank(c) {
			filled++
		}
	}
	return twice && filled >= 2
}

func looksLikeData(c string) bool {
	c = digits(trimCell(c))
	return c != "" && (c[0] >= '0' && c[0] <= '9' || len(c) > 1 && c[0] == '-' && c[1] >= '0' && c[1] <= '9')
}

func (s *sampler) usualWidth() int {
	widths := map[int]int{}
	best := 0
	for _, r := range s.rows[:min(len(s.rows), 100)] {
		w := len(trimRight(r.cells))
		widths[w]++
		if widths[w] > widths[best] || widths[w] == widths[best] && w > best {
			best = w
		}
	}
	return best
}

// readColumns gathers the cells of each column and what they say.
func (s *sampler) readColumns() {
	records := s.rows[s.head+1:]
	var names []string
	width := s.usualWidth()
	if s.head >= 0 {
		header := trimRight(s.rows[s.head].cells)
		var above [][]string
		for i := s.head - s.above; i < s.head; i++ {
			above = append(above, s.rows[i].cells)
		}
		names = joinHeader(above, header)
		width = len(names)
	}
	if s.head >= 0 && len(records) > 2 && s.isUnits(records[0].cells, records[1:]) {
		s.skip = 1
		s.out.Header.Reason += fmt.Sprintf("; line %d below it holds no record", records[0].line)
		records = records[1:]
	}
	for at := range min(width, 200) {
		c := &column{at: at, seen: map[string]int{}}
		if at < len(names) {
			c.name = trimCell(names[at])
			c.byName = foldHeader(c.name) != "" && countFolded(names, c.name) == 1 && len(c.name) <= 200 && c.name != Choose
		}
		s.cols = append(s.cols, c)
	}
	records = s.dropFooters(s.dropHeaders(records, names))
	s.out.Rows = len(records)
	for _, c := range s.cols {
		s.gather(c, records)
	}
	s.assign()
	s.describe()
}

// dropHeaders sets aside the header where it is repeated among the rows, as
// the reader does.
func (s *sampler) dropHeaders(records []sampleRow, names []string) []sampleRow {
	f := foreignColumns{}
	for _, n := range names {
		f.header = append(f.header, foldHeader(n))
	}
	return slices.DeleteFunc(slices.Clone(records), func(r sampleRow) bool { return f.headerAgain(r.cells) })
}

func countFolded(names []string, name string) (n int) {
	for _, x := range names {
		if foldHeader(x) == foldHeader(name) {
			n++
		}
	}
	return n
}

// isUnits tells a row below the header that is no record: nothing in it looks
// like data, and the rows below have data in two columns or more.
func (s *sampler) isUnits(row []string, below []sampleRow) bool {
	if slices.ContainsFunc(row, looksLikeData) || allBlank(row) {
		return false
	}
	n := 0
	for i := range row {
		data := 0
		for _, r := range below[:min(len(below), 20)] {
			if looksLikeData(cellAt(r.cells, i)) {
				data++
			}
		}
		if !blank(row[i]) && 5*data >= 4*min(len(below), 20) {
			n++
		}
	}
	return n >= 2
}

// dropFooters sets aside the last rows if they are nearly empty.
func (s *sampler) dropFooters(records []sampleRow) []sampleRow {
	if !s.out.Whole || len(s.cols) < 4 {
		return records
	}
	for k := 0; k < 3 && len(records) > 2; k++ {
		last := records[len(records)-1]
		filled, first, at := 0, "", 0
		for i, c := range last.cells {
			if !blank(c) {
				if filled++; first == "" {
					first, at = trimCell(c), i
				}
			}
		}
		if filled > 2 && !totalWord(first) || looksLikeData(first) {
			break
		}
		if at >= len(s.cols) {
			break
		}
		s.out.Footers = append(s.out.Footers, Proof{last.line, shown(first)})
		s.footers = append(s.footers, footerRow{last.line, at, first})
		records = records[:len(records)-1]
	}
	return records
}

// cell is the text of the column in a record.
func (c *column) cell(i int) string { return trimCell(cellAt(c.rows[i].cells, c.at)) }

func (s *sampler) gather(c *column, records []sampleRow) {
	c.rows = records
	count := &dateCount{today: s.today, fits: map[string]int{}, only: map[string][]Proof{}}
	for _, r := range records {
		v := trimCell(cellAt(r.cells, c.at))
		if v == "" {
			continue
		}
		c.filled++
		if c.seen[v] == 0 && len(c.order) < mostDistinct {
			c.order = append(c.order, v)
		}
		if c.seen[v] > 0 || len(c.order) < mostDistinct {
			c.seen[v]++
		}
		if c.at < len(r.typed) && r.typed[c.at] {
			count.known(v)
		} else {
			count.add(r.line, v)
		}
	}
	c.dates = count.guess()
}

// coded tells whether the column holds few words again and again.
func (c *column) coded() bool {
	return c.filled > 0 && c.dates == nil && len(c.order) <= mostWords &&
		(len(c.order) <= 12 || 3*len(c.order) <= c.filled) &&
		!slices.ContainsFunc(c.order, func(w string) bool { return utf8.RuneCountInString(w) > 32 || strings.Contains(w, "\n") })
}

// words lists the folded words of a coded column, the most frequent first, in
// their most frequent spelling.
func (c *column) words(keep func(row int) bool) []SeenWord {
	spelling, count := map[string]map[string]int{}, map[string]int{}
	for i := range c.rows {
		v := c.cell(i)
		if f := foldWord(v); f != "" && (keep == nil || keep(i)) {
			if spelling[f] == nil {
				spelling[f] = map[string]int{}
			}
			spelling[f][v]++
			count[f]++
		}
	}
	var out []SeenWord
	for _, f := range sortedKeys(count) {
		best := ""
		for _, v := range sortedKeys(spelling[f]) {
			if spelling[f][v] > spelling[f][best] {
				best = v
			}
		}
		out = append(out, SeenWord{Word: best, Count: count[f]})
	}
	slices.SortStableFunc(out, func(a, b SeenWord) int { return b.Count - a.Count })
	return out[:min(len(out), mostWords)]
}

// knows counts how many of the column's cells have a meaning for the field.
func (c *column) knows(field string) (n int) {
	for v, count := range c.seen {
		if _, ok := meanings[field][foldWord(v)]; ok {
			n += count
		}
	}
	return n
}

// assign gives each column its role: by its name where its cells agree, else
// by its cells.
func (s *sampler) assign() {
	taken := map[role]*column{}
	for _, c := range s.cols {
		r, phrase := roleOf(c.name, c.dates != nil)
		if r == "" || c.filled == 0 || r == roleKind && !c.coded() {
			continue
		}
		if other := taken[r]; other != nil && !r.isDate() && r != roleSire && r != roleBy && r != roleResult {
			c.reason = fmt.Sprintf("its name says %s too, as %s does", r, quote(s.nameOf(other)))
			continue
		}
		c.role, c.reason = r, fmt.Sprintf("its name holds %q", phrase)
		if c.dates != nil {
			c.reason += ", and its cells are dates"
		}
		taken[r] = c
	}
	s.assignByCells(taken)
}

func (s *sampler) assignByCells(taken map[role]*column) {
	for _, c := range s.cols {
		if c.role != "" || c.filled == 0 {
			continue
		}
		switch {
		case c.dates != nil && taken[roleDate] == nil && s.eventDates() == 0:
			c.role, c.reason = roleDate, "its cells are dates"
		case c.dates != nil:
		case taken[roleKind] == nil && c.coded() && 2*c.knows("kind") > c.filled && s.eventDates() < 2:
			c.role, c.reason = roleKind, fmt.Sprintf("%d of its %d cells are words for events", c.knows("kind"), c.filled)
		default:
			continue
		}
		taken[c.role] = c
	}
	if k := taken[roleKey]; k != nil && len(k.order) < k.filled {
		k.role, k.reason = "", "its name could be a key's, but its texts repeat"
		if taken[roleAnimal] == nil {
			k.role, k.reason = roleAnimal, "its name is a number's, and its texts repeat, as those of animals do"
			taken[roleAnimal] = k
		}
	}
	if taken[roleAnimal] == nil {
		if c := s.animalByCells(); c != nil {
			c.role, c.reason = roleAnimal, "the first column of numbers of equal length"
			taken[roleAnimal] = c
		}
	}
}

func (s *sampler) eventDates() (n int) {
	for _, c := range s.cols {
		if _, ok := c.role.event(); ok && c.dates != nil {
			n++
		}
	}
	return n
}

// animalByCells takes the key if no other column can be the animal's, else the
// first column of whole numbers.
func (s *sampler) animalByCells() *column {
	for _, c := range s.cols {
		if (c.role == "" || c.role == roleKey) && c.dates == nil && c.filled > 0 && 10*c.filled >= 9*len(c.rows) &&
			!slices.ContainsFunc(c.order, func(v string) bool { return !allDigits(v) || len(v) > 15 || len(v) < 2 }) {
			return c
		}
	}
	return nil
}

func (s *sampler) nameOf(c *column) string {
	if c.name != "" {
		return c.name
	}
	return fmt.Sprintf("column %d", c.at+1)
}

// has finds the first column of a role, nil if there is none.
func (s *sampler) has(r role) *column {
	for _, c := range s.cols {
		if c.role == r {
			return c
		}
	}
	return nil
}

func (s *sampler) all(r func(role) bool) (out []*column) {
	for _, c := range s.cols {
		if c.role != "" && r(c.role) {
			out = append(out, c)
		}
	}
	return out
}

// describe writes the columns into the answer.
func (s *sampler) describe() {
	for _, c := range s.cols {
		d := SuggestedColumn{Position: c.at + 1, Name: c.name, Role: string(c.role), Reason: c.reason, Filled: c.filled, Distinct: len(c.order), Dates: c.dates}
		switch {
		case c.filled == 0:
			d.Reason = "it is empty"
		case d.Reason == "" && c.dates != nil:
			d.Reason = "its cells are dates, and nothing tells of what"
		case d.Reason == "":
			d.Reason = "neither its name nor its cells tell"
		}
		for _, v := range c.order[:min(len(c.order), 4)] {
			d.Samples = append(d.Samples, shown(v))
		}
		s.out.Columns = append(s.out.Columns, d)
	}
}

// digitsOf tells how many digits the numbers of the animals have, if all have
// as many and some begin with a zero that could be lost; else 0.
func (c *column) digitsOf() int {
	n, zero := 0, false
	for _, v := range c.order {
		if !allDigits(v) || n != 0 && len(v) != n {
			return 0
		}
		n = len(v)
		zero = zero || v[0] == '0'
	}
	if !zero || n > 32 {
		return 0
	}
	return n
}

func validUTF8(b []byte) bool { return utf8.Valid(b) }
