package report

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// Width is how many characters a line of a list on the screen has at most.
const Width = 110

// Options are what stands beside a list.
type Options struct {
	AsOf string // what of the log it rests on, for example "log up to seq 1841"
}

// List writes a work list as plain text for the screen: a title, a line for each
// animal, what the words mean, and the cautions at the foot. No line is longer than
// Width. For paper there is [Page].
func List(w io.Writer, l *repro.List, o Options) error {
	var out []string
	out = append(out, wrap(title(l, ""), "")...)
	if facts := facts(l, o); len(facts) > 0 {
		out = append(out, wrap(strings.Join(facts, "; "), "")...)
	}
	out = append(out, "")
	out = append(out, table(l)...)
	for _, line := range foot(l) {
		out = append(out, wrap(line, "")...)
	}
	_, err := io.WriteString(w, strings.Join(out, "\n")+"\n")
	return err
}

// title names the herd, the list, the day and the pen.
func title(l *repro.List, pen string) string {
	where := "all pens"
	switch {
	case pen != "":
		where = pen
	case l.Pen != "":
		where = "pen " + l.Pen
	}
	out := fmt.Sprintf("%s: %s, %s %s, %s", l.Herd, strings.ToLower(l.Title), weekday(l.On), l.On, where)
	if l.Method != "" {
		out += ", by " + l.Method
	}
	if l.Short {
		out += ", short"
	}
	return out
}

// facts are what stands under the title.
func facts(l *repro.List, o Options) []string {
	var out []string
	if l.OpenMark != "" {
		out = append(out, "open cows are marked "+l.OpenMark)
	}
	if l.BredMark != "" {
		out = append(out, "bred cows are marked "+l.BredMark)
	}
	if l.DaysAre != "" {
		out = append(out, fmt.Sprintf("days: %d (%s)", l.Days, l.DaysAre))
	}
	if o.AsOf != "" {
		out = append(out, o.AsOf)
	}
	return out
}

// table lays out the rows below their headings. Numbers are never cut: a cut number
// is another cow's.
func table(l *repro.List) []string {
	if len(l.Rows) == 0 {
		return nil
	}
	s := sheets[l.Name]
	var cols []column
	for _, c := range s.columns {
		if !c.paper {
			cols = append(cols, c)
		}
	}
	width, high := make([]int, len(cols)), 1
	for i, c := range cols {
		heads := strings.Split(c.head, "\n")
		high = max(high, len(heads))
		for _, h := range heads {
			width[i] = max(width[i], length(h))
		}
		for k := range l.Rows {
			width[i] = max(width[i], length(c.cell(&l.Rows[k])))
		}
	}
	fit(width)
	line := func(cell func(c *column) string) string {
		parts := make([]string, len(cols))
		for i := range cols {
			parts[i] = pad(cut(cell(&cols[i]), width[i]), width[i], cols[i].right)
		}
		return strings.TrimRight(strings.Join(parts, "  "), " ")
	}
	var out []string
	for k := range high {
		out = append(out, line(func(c *column) string {
			heads := strings.Split(c.head, "\n")
			if above := high - len(heads); k >= above {
				return heads[k-above]
			}
			return ""
		}))
	}
	for k := range l.Rows {
		r := &l.Rows[k]
		out = append(out, line(func(c *column) string { return c.cell(r) }))
		if s.texts {
			out = append(out, wrap(r.Text, "    ")...)
			if len(r.Examine) > 0 {
				out = append(out, wrap("Please check: "+r.Examine[0]+".", "    ")...)
			}
		}
	}
	return append(out, "")
}

// fit narrows the columns behind the number, widest first, until a row fits.
func fit(width []int) {
	for {
		sum, widest := 2*(len(width)-1)+width[0], 1
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
func foot(l *repro.List) []string {
	out := []string{count(len(l.Rows), l.Name)}
	for _, x := range l.LeftOut {
		out = append(out, fmt.Sprintf("Not on the list: %d (%s).", x.Count, x.Text))
	}
	for _, n := range l.Notes {
		out = append(out, "Note: "+n+".")
	}
	if !sheets[l.Name].texts {
		out = append(out, legend(l)...)
		if first := firsts(l); first != "" {
			out = append(out, "Check first: "+first+".")
		}
	}
	for _, c := range l.Caution {
		out = append(out, "Caution: "+c)
	}
	return out
}

// legend says what the words of the rows mean.
func legend(l *repro.List) []string {
	var out []string
	seen := map[string]bool{}
	for i := range l.Rows {
		r := &l.Rows[i]
		if m := repro.Meaning(r.Code); m != "" && !seen[r.Code] {
			seen[r.Code] = true
			out = append(out, r.Word+": "+m+".")
		}
	}
	return out
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
	if name == repro.ListChecks {
		what, one = "checks", "check"
	}
	switch n {
	case 0:
		return "No " + what + "."
	case 1:
		return "1 " + one + "."
	}
	return fmt.Sprintf("%d %s.", n, what)
}

func weekday(d event.Date) string {
	return [...]string{"Thursday", "Friday", "Saturday", "Sunday", "Monday", "Tuesday", "Wednesday"}[(d.UnixDay()%7+7)%7]
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
