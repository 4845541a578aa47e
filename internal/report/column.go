package report

import (
	"fmt"
	"strings"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

// column is one column of a list's table, on the screen and on paper.
type column struct {
	head  string // lower-case words, broken over two lines where there is a line end
	right bool
	paper bool // only on paper, where there is more room
	words bool // may be broken over lines
	cell  func(r *repro.ListRow) string
}

func text(head string, cell func(r *repro.ListRow) string) column {
	return column{head: head, cell: cell}
}

func figure(head string, cell func(r *repro.ListRow) string) column {
	return column{head: head, right: true, cell: cell}
}

func words(head string, cell func(r *repro.ListRow) string) column {
	return column{head: head, words: true, cell: cell}
}

func onPaper(c column) column {
	c.paper = true
	return c
}

func ofService(cell func(s *repro.LastService) string) func(r *repro.ListRow) string {
	return func(r *repro.ListRow) string {
		if r.LastService == nil {
			return ""
		}
		return cell(r.LastService)
	}
}

var (
	animal = text("number", func(r *repro.ListRow) string {
		if r.Animal == "" {
			return "(herd)"
		}
		return r.Animal
	})
	pen        = text("pen", func(r *repro.ListRow) string { return r.Pen })
	lactation  = figure("lactation", func(r *repro.ListRow) string { return number(r.Lactation) })
	daysInMilk = figure("days\nin milk", func(r *repro.ListRow) string { return number(r.DaysInMilk) })
	timesBred  = figure("times\nbred", ofService(func(s *repro.LastService) string { return fmt.Sprint(s.Number) }))
	lastBred   = text("last bred", ofService(func(s *repro.LastService) string { return s.On.String() }))
	daysSince  = figure("days\nsince", ofService(func(s *repro.LastService) string { return fmt.Sprint(s.Days) }))
	lastBull   = onPaper(text("last bull", ofService(func(s *repro.LastService) string { return s.Sire })))
	why        = text("why", func(r *repro.ListRow) string { return r.Word })
	due        = text("due", func(r *repro.ListRow) string { return date(r.DueOn) })
)

func since(head string) column {
	return text(head, func(r *repro.ListRow) string { return date(r.Since) })
}

func verdict(head string) column {
	return text(head, func(r *repro.ListRow) string {
		if r.Code == repro.ReasonPregnant && r.Verdict == repro.No {
			return "no, report it"
		}
		return verdicts[r.Verdict]
	})
}

var verdicts = map[repro.Verdict]string{repro.Yes: "breed", repro.No: "no", repro.ExamineFirst: "examine first"}

// sheet is how a list stands on the screen and on paper.
type sheet struct {
	columns []column
	fill    []string // headings of the empty columns that are written on by hand
	pens    bool     // gone through pen by pen: on paper each pen has a sheet
	texts   bool     // each row's text in full below it
}

var sheets = map[string]sheet{
	repro.ListWalk: {
		columns: []column{
			animal, pen, lactation, daysInMilk, timesBred, lastBred, daysSince, lastBull,
			text("mark", func(r *repro.ListRow) string { return r.Mark }), why, verdict("if read\nin heat"),
		},
		pens: true,
		fill: []string{"reading", "tone", "mucus", "pregnant?", "bull", "initials"},
	},
	repro.ListExamine: {
		columns: []column{animal, pen, lactation, daysInMilk, timesBred, lastBred, daysSince, lastBull, why, since("seen")},
		pens:    true,
		fill:    []string{"tone", "mucus", "pregnant?", "in heat?", "bull", "initials"},
	},
	repro.ListBreed: {
		columns: []column{animal, pen, lactation, daysInMilk, timesBred, lastBred, daysSince, lastBull, why, since("seen"), verdict("breed")},
		pens:    true,
		fill:    []string{"bull", "time", "initials"},
	},
	repro.ListDiagnose: {
		columns: []column{
			animal, pen, lactation, daysInMilk, timesBred, lastBred, daysSince, lastBull, why,
			words("by", func(r *repro.ListRow) string { return methods(r.Methods) }),
		},
		pens: true,
		fill: []string{"pregnant, open?", "days", "remarks", "initials"},
	},
	repro.ListReturns: {
		columns: []column{
			animal, pen, lactation, daysInMilk, timesBred, lastBred, daysSince, lastBull, why, since("from"),
			text("until", func(r *repro.ListRow) string { return date(r.Until) }),
		},
		fill: []string{"reading", "initials"},
	},
	repro.ListNotSeen: {columns: []column{animal, pen, lactation, daysInMilk, why, since("last heat")}, pens: true, fill: []string{"found", "to do", "initials"}},
	repro.ListRepeat:  {columns: []column{animal, pen, lactation, daysInMilk, timesBred, lastBred, daysSince, lastBull, why}, pens: true, fill: []string{"found", "to do", "initials"}},
	repro.ListLosses:  {columns: []column{animal, pen, lactation, daysInMilk, timesBred, lastBred, lastBull, why, since("lost")}, pens: true, fill: []string{"found", "to do", "initials"}},
	repro.ListCalve: {
		columns: []column{
			animal, pen, lactation, due, why, text("conceived", func(r *repro.ListRow) string { return date(r.ConceivedOn) }),
			text("status", func(r *repro.ListRow) string { return r.Status.Code }), words("withheld", withheld),
		},
		fill: []string{"calved", "calves", "ease", "initials"},
	},
	repro.ListDryOff: {
		columns: []column{
			animal, pen, lactation, daysInMilk, text("dry off", func(r *repro.ListRow) string { return date(r.DryOffOn) }), due, why, words("withheld", withheld),
		},
		fill: []string{"done", "remarks", "initials"},
	},
	repro.ListChecks: {
		columns: []column{animal, pen, since("date"), text("rule", why.cell), words("what", func(r *repro.ListRow) string { return strings.ReplaceAll(r.Code, "_", " ") })},
		fill:    []string{"answer", "initials"},
		texts:   true,
	},
}

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
