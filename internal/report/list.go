package report

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// Width is how many characters a line of a printed page has at most, and
// Height how many lines a page: A4 and letter paper at ten characters to the
// inch and smaller margins, or any fixed-width font scaled to it.
const (
	Width  = 96
	Height = 62
)

// Options are what a page says beside its list.
type Options struct {
	AsOf string // what of the log it rests on, for example "log up to seq 1841"
}

// List writes a work list as plain text: a title on every page, a line for
// each animal to be ticked off, what the words mean, and the cautions at the
// foot. Pages are parted by a form feed. No line is longer than Width.
func List(w io.Writer, l *repro.List, o Options) error {
	p := &page{list: l, options: o}
	p.table()
	p.foot()
	return p.write(w)
}

// page gathers lines; blocks are kept on one page where they fit.
type page struct {
	list    *repro.List
	options Options
	heading []string // repeated on every page
	blocks  [][]string
}

// column is one column of the table.
type column struct {
	title string
	right bool
	cell  func(r *repro.ListRow) string
}

func text(title string, cell func(r *repro.ListRow) string) column { return column{title, false, cell} }

func figure(title string, cell func(r *repro.ListRow) string) column {
	return column{title, true, cell}
}

var (
	animal = text("number", func(r *repro.ListRow) string {
		if r.Animal == "" {
			return "(herd)"
		}
		return r.Animal
	})
	pen         = text("pen", func(r *repro.ListRow) string { return cut(r.Pen, 12) })
	lactation   = figure("lact", func(r *repro.ListRow) string { return number(r.Lactation) })
	daysInMilk  = figure("milk", func(r *repro.ListRow) string { return number(r.DaysInMilk) })
	why         = text("why", func(r *repro.ListRow) string { return r.Word })
	since       = text("since", func(r *repro.ListRow) string { return date(r.Since) })
	lastService = text("last bred", func(r *repro.ListRow) string {
		if r.LastService == nil {
			return ""
		}
		return date(r.LastService.On)
	})
	daysSince = figure("days", func(r *repro.ListRow) string {
		if r.LastService == nil {
			return ""
		}
		return fmt.Sprint(r.LastService.Days)
	})
	due = text("due", func(r *repro.ListRow) string { return date(r.DueOn) })
)

var columns = map[string][]column{
	repro.ListWalk: {
		animal, pen, lactation, daysInMilk, lastService, daysSince,
		text("mark", func(r *repro.ListRow) string { return cut(r.Mark, 10) }), why,
		text("if rubbed", func(r *repro.ListRow) string { return verdicts[r.Verdict] }),
	},
	repro.ListExamine: {animal, pen, lactation, daysInMilk, lastService, daysSince, why, text("seen", since.cell)},
	repro.ListBreed: {
		animal, pen, lactation, daysInMilk, lastService, daysSince, why, text("seen", since.cell),
		text("breed", func(r *repro.ListRow) string { return verdicts[r.Verdict] }),
	},
	repro.ListDiagnose: {
		animal, pen, lactation, daysInMilk, lastService, daysSince, why,
		text("by", func(r *repro.ListRow) string { return methods(r.Methods) }),
	},
	repro.ListReturns: {
		animal, pen, lactation, daysInMilk, lastService, daysSince, why, text("from", since.cell),
		text("until", func(r *repro.ListRow) string { return date(r.Until) }),
	},
	repro.ListNotSeen: {animal, pen, lactation, daysInMilk, why, text("last heat", since.cell)},
	repro.ListRepeat:  {animal, pen, lactation, daysInMilk, lastService, daysSince, why},
	repro.ListLosses:  {animal, pen, lactation, daysInMilk, lastService, why, text("lost", since.cell)},
	repro.ListCalve: {
		animal, pen, lactation, due, why,
		text("conceived", func(r *repro.ListRow) string { return date(r.ConceivedOn) }),
		text("stands", func(r *repro.ListRow) string { return r.Status.Code }), text("withheld", withheld),
	},
	repro.ListDryOff: {
		animal, pen, lactation, daysInMilk, text("dry off", func(r *repro.ListRow) string { return date(r.DryOffOn) }), due, why,
		text("withheld", withheld),
	},
	repro.ListQueries: {animal, pen, text("date", since.cell), text("rule", why.cell), text("code", func(r *repro.ListRow) string { return r.Code })},
}

var verdicts = map[repro.Verdict]string{repro.Yes: "breed", repro.No: "no", repro.ExamineFirst: "EXAMINE FIRST"}

var shortMethods = map[string]string{event.Ultrasound: "scan", event.ByPalpation: "hand", event.Blood: "blood", event.Milk: "milk"}

func methods(list []repro.DueMethod) string {
	out := make([]string, len(list))
	for i, m := range list {
		out[i] = shortMethods[m.Method]
	}
	return strings.Join(out, " ")
}

// withheld is until when milk or meat is.
func withheld(r *repro.ListRow) string {
	var out []string
	for _, x := range r.Reasons {
		switch x.Code {
		case repro.ReasonWithheldMilk:
			out = append(out, "milk "+date(x.Until))
		case repro.ReasonWithheldMeat:
			out = append(out, "meat "+date(x.Until))
		}
	}
	return strings.Join(out, " ")
}

// verbose lists say each row's text in full below it.
var verbose = map[string]bool{repro.ListQueries: true}

const box = "[ ] "

// table lays out the rows. Numbers are never cut: a cut number is another
// cow's.
func (p *page) table() {
	l := p.list
	cols := columns[l.Name]
	width := make([]int, len(cols))
	for i, c := range cols {
		width[i] = length(c.title)
		for k := range l.Rows {
			width[i] = max(width[i], length(c.cell(&l.Rows[k])))
		}
	}
	fit(width)
	line := func(cell func(c column) string) string {
		parts := make([]string, len(cols))
		for i, c := range cols {
			parts[i] = pad(cut(cell(c), width[i]), width[i], c.right)
		}
		return strings.TrimRight(strings.Join(parts, "  "), " ")
	}
	if len(l.Rows) > 0 {
		p.heading = []string{"    " + line(func(c column) string { return c.title }), strings.Repeat("-", Width)}
	}
	for k := range l.Rows {
		r := &l.Rows[k]
		block := []string{box + line(func(c column) string { return c.cell(r) })}
		if verbose[l.Name] {
			block = append(block, wrap(r.Text, "      ")...)
			if len(r.Examine) > 0 {
				block = append(block, wrap("Ask: "+r.Examine[0]+".", "      ")...)
			}
		}
		p.blocks = append(p.blocks, block)
	}
}

// fit narrows the columns behind the number, widest first, until a row fits.
func fit(width []int) {
	for {
		sum, widest := len(box)+2*(len(width)-1)+width[0], 1
		for i := 1; i < len(width); i++ {
			sum += width[i]
			if width[i] > width[widest] {
				widest = i
			}
		}
		if sum <= Width {
			return
		}
		width[widest]--
	}
}

// foot says how many there are, what the words mean, and the cautions.
func (p *page) foot() {
	l := p.list
	p.blocks = append(p.blocks, []string{strings.Repeat("-", Width), count(len(l.Rows), l.Name)})
	for _, x := range l.LeftOut {
		p.blocks = append(p.blocks, wrap(fmt.Sprintf("Not on the list: %d (%s).", x.Count, x.Text), ""))
	}
	for _, n := range l.Notes {
		p.blocks = append(p.blocks, wrap("Note: "+n+".", ""))
	}
	seen := map[string]bool{}
	for i := range l.Rows {
		r := &l.Rows[i]
		if m := repro.Meaning(r.Code); m != "" && !seen[r.Code] {
			seen[r.Code] = true
			p.blocks = append(p.blocks, wrap(r.Word+": "+m+".", ""))
		}
	}
	if !verbose[l.Name] {
		if first := firsts(l); first != "" {
			p.blocks = append(p.blocks, wrap("Check first: "+first+".", ""))
		}
	}
	for _, c := range l.Caution {
		p.blocks = append(p.blocks, wrap("! "+c, ""))
	}
}

// firsts is what is to be checked first, over all rows.
func firsts(l *repro.List) string {
	var out []string
	seen := map[string]bool{}
	for i := range l.Rows {
		for _, x := range l.Rows[i].Examine {
			if !seen[x] {
				seen[x] = true
				out = append(out, x)
			}
		}
	}
	return strings.Join(out, "; ")
}

func count(n int, name string) string {
	what, one := "animals", "animal"
	if name == repro.ListQueries {
		what, one = "findings", "finding"
	}
	switch n {
	case 0:
		return "No " + what + "."
	case 1:
		return "1 " + one + "."
	}
	return fmt.Sprintf("%d %s.", n, what)
}

// title is the head of every page.
func (p *page) title(n, of int) []string {
	l := p.list
	where := "all pens"
	if l.Pen != "" {
		where = "pen " + l.Pen
	}
	right := fmt.Sprintf("page %d of %d", n, of)
	left := fmt.Sprintf("%s | %s | %s %s | %s", l.Herd, strings.ToUpper(l.Title), weekday(l.On), l.On, where)
	out := wrap(left, "")
	if last := out[len(out)-1]; length(last)+2+length(right) <= Width {
		out[len(out)-1] = last + strings.Repeat(" ", Width-length(last)-length(right)) + right
	} else {
		out = append(out, right)
	}
	if n > 1 {
		return append(out, "")
	}
	var facts []string
	if l.OpenMark != "" {
		facts = append(facts, "open cows are marked "+l.OpenMark)
	}
	if l.BredMark != "" {
		facts = append(facts, "bred cows are marked "+l.BredMark)
	}
	if l.DaysAre != "" {
		facts = append(facts, fmt.Sprintf("days=%d: %s", l.Days, l.DaysAre))
	}
	if p.options.AsOf != "" {
		facts = append(facts, p.options.AsOf)
	}
	if len(facts) > 0 {
		out = append(out, wrap(strings.Join(facts, "; "), "")...)
	}
	return append(out, "")
}

// write breaks the blocks into pages.
func (p *page) write(w io.Writer) error {
	var pages [][]string
	var cur []string
	room := func() int { return Height - 1 - len(p.title(len(pages)+1, 99)) - len(p.heading) }
	for _, b := range p.blocks {
		if len(cur) > 0 && len(cur)+len(b) > room() {
			pages, cur = append(pages, cur), nil
		}
		cur = append(cur, b...)
	}
	pages = append(pages, cur)
	var out strings.Builder
	for i, lines := range pages {
		if i > 0 {
			out.WriteString("\f\n") // on a line of its own, so that it widens none
		}
		for _, part := range [][]string{p.title(i+1, len(pages)), p.heading, lines} {
			for _, line := range part {
				out.WriteString(line + "\n")
			}
		}
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func weekday(d event.Date) string {
	return [...]string{"Thursday", "Friday", "Saturday", "Sunday", "Monday", "Tuesday", "Wednesday"}[(d.UnixDay()%7+7)%7]
}

func date(d event.Date) string {
	if d == 0 {
		return ""
	}
	return d.String()
}

func number(n *int) string {
	if n == nil {
		return ""
	}
	return fmt.Sprint(*n)
}

func length(s string) int { return utf8.RuneCountInString(s) }

// cut shortens a text to n characters and shows that it did.
func cut(s string, n int) string {
	if length(s) <= n {
		return s
	}
	return string([]rune(s)[:max(0, n-1)]) + "~"
}

func pad(s string, n int, right bool) string {
	fill := strings.Repeat(" ", max(0, n-length(s)))
	if right {
		return fill + s
	}
	return s + fill
}

// wrap breaks a text into lines of at most Width; those behind the first are
// indented by two more. A word that is too long is broken.
func wrap(s, indent string) []string {
	var out []string
	line, prefix := indent, indent
	for _, word := range strings.Fields(s) {
		for length(prefix)+length(word) > Width {
			if line != prefix {
				out = append(out, line)
				prefix = indent + "  "
			}
			n := Width - length(prefix)
			r := []rune(word)
			out = append(out, prefix+string(r[:n]))
			word, prefix = string(r[n:]), indent+"  "
			line = prefix
		}
		switch {
		case line == prefix:
			line += word
		case length(line)+1+length(word) > Width:
			out = append(out, line)
			prefix = indent + "  "
			line = prefix + word
		default:
			line += " " + word
		}
	}
	return append(out, line)
}
