package report

import (
	_ "embed" // the page's template
	"html/template"
	"io"
	"strings"

	"byrelog.example/internal/repro"
)

// Paper is a work list as it is to be printed.
type Paper struct {
	List    *repro.List
	Options Options
}

//go:embed page.html.tmpl
var pageTemplate string

var pageLayout = template.Must(template.New("page").Parse(pageTemplate))

// Page writes lists as one HTML page to print: on A4 or Letter, landscape, each list
// and, where the list goes by pens, each pen on a sheet of its own with its own heading,
// with empty columns to write in and the legend and the cautions once, behind the list.
func Page(w io.Writer, papers []Paper) error {
	page := struct {
		Title  string
		Papers []paperView
	}{Title: "No list"}
	for i := range papers {
		page.Papers = append(page.Papers, viewOf(&papers[i]))
	}
	if len(papers) > 0 {
		l := papers[0].List
		page.Title = l.Title + ", " + l.On.String()
	}
	return pageLayout.Execute(w, page)
}

type paperView struct {
	Sheets []sheetView
	Foot   []footLine
}

type sheetView struct {
	Herd, Title, Day, Where string
	Facts                   string
	Heads                   []cellView
	Span                    int
	Rows                    []rowView
	Few                     bool // columns to write in: they are wider
}

type rowView struct {
	Cells []cellView
	Fill  []struct{}
	Texts []string
}

type cellView struct {
	Text  string
	Class string
}

type footLine struct{ Word, Text string }

func viewOf(p *Paper) paperView {
	l := p.List
	s := sheets[l.Name]
	var out paperView
	for _, rows := range byPens(l, s.pens) {
		pen, columns := l.Pen, s.columns
		if s.pens {
			columns = without(columns, "pen")
			if len(rows) > 0 {
				pen = rows[0].Pen
			}
		}
		v := sheetView{
			Herd: l.Herd, Title: titleOf(l), Day: weekday(l.On) + " " + l.On.String(), Where: where(pen, s.pens && len(rows) > 0),
			Facts: strings.Join(facts(l, p.Options), "; "), Heads: heads(columns, s.fill), Span: len(columns) + len(s.fill), Few: len(s.fill) < 4,
		}
		for i := range rows {
			v.Rows = append(v.Rows, rowOf(&rows[i], columns, &s))
		}
		out.Sheets = append(out.Sheets, v)
	}
	for _, line := range foot(l) {
		word, text, parted := strings.Cut(line, ": ")
		if !parted {
			word, text = "", line
		}
		out.Foot = append(out.Foot, footLine{word, text})
	}
	return out
}

// byPens parts the rows, which stand in the order of the pens, at every new pen.
func byPens(l *repro.List, parted bool) [][]repro.ListRow {
	out := [][]repro.ListRow{nil}
	for i := range l.Rows {
		if last := out[len(out)-1]; parted && len(last) > 0 && last[0].Pen != l.Rows[i].Pen {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], l.Rows[i])
	}
	return out
}

func titleOf(l *repro.List) string {
	out := l.Title
	if l.Method != "" {
		out += " by " + l.Method
	}
	if l.Short {
		out += ", short"
	}
	return out
}

func where(pen string, known bool) string {
	switch {
	case pen != "":
		return "pen " + pen
	case known:
		return "pen not recorded"
	}
	return "all pens"
}

func without(columns []column, head string) []column {
	var out []column
	for _, c := range columns {
		if c.head != head {
			out = append(out, c)
		}
	}
	return out
}

func heads(columns []column, fill []string) []cellView {
	var out []cellView
	for i := range columns {
		out = append(out, cellView{strings.ReplaceAll(columns[i].head, "\n", " "), classOf(&columns[i])})
	}
	for _, h := range fill {
		out = append(out, cellView{h, "fill"})
	}
	return out
}

func classOf(c *column) string {
	switch {
	case c.head == animal.head:
		return "number"
	case c.right:
		return "figure"
	case c.words:
		return "words"
	}
	return ""
}

func rowOf(r *repro.ListRow, columns []column, s *sheet) rowView {
	v := rowView{Fill: make([]struct{}, len(s.fill))}
	for i := range columns {
		v.Cells = append(v.Cells, cellView{columns[i].cell(r), classOf(&columns[i])})
	}
	if s.texts {
		v.Texts = append(v.Texts, r.Text)
		if len(r.Examine) > 0 {
			v.Texts = append(v.Texts, "Please check: "+r.Examine[0]+".")
		}
	}
	return v
}
