package sheet

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// A form to fill in is a file of the project's profile whose rows say everything of an
// event but what is to be found out, for which the cells are left blank. It comes back
// by an import as it is. Two things tell it from an export: the column fill_in says for
// each row whose number the row is about and which of its cells are to be filled in, so
// that a row in which all of them are still blank is no record and no fault; and columns
// whose names begin with about_ say what whoever fills it in wants to know, and are not
// read. Only a file with the column fill_in may have these.
const (
	columnFillIn = "fill_in"
	aboutPrefix  = "about_"
	notFilledIn  = "not filled in"
)

// FillIn is what a form asks for.
type FillIn struct {
	Kind    event.Kind
	About   []string          // names of the columns to read, without about_
	Given   map[string]string // column of the event -> the cell in every row
	Columns []string          // columns of the event to be filled in
}

// FillInRow is one animal of a form; About are the cells under [FillIn.About].
type FillInRow struct {
	Animal string
	About  []string
}

// WriteFillIn writes a form about a herd's animals as of a day.
func WriteFillIn(w io.Writer, f Form, herd string, on event.Date, ask *FillIn, rows []FillInRow) error {
	out, err := f.begin(w)
	if err != nil {
		return fmt.Errorf("form: %w", err)
	}
	given := make([]string, 0, len(ask.Given))
	for name := range ask.Given {
		given = append(given, name)
	}
	slices.Sort(given)
	header := []string{"animal"}
	for _, name := range ask.About {
		header = append(header, aboutPrefix+name)
	}
	header = slices.Concat(header, []string{"herd", "kind", "on"}, given, ask.Columns, []string{columnFillIn})
	if f.Spreadsheet {
		header = append(header, columnProfile)
	}
	if err := out.row(header); err != nil {
		return err
	}
	text := func(s string) string {
		if f.Spreadsheet {
			return guard(s)
		}
		return s
	}
	for _, r := range rows {
		cells := []string{text(r.Animal)}
		for _, c := range r.About {
			cells = append(cells, text(c))
		}
		cells = append(cells, herd, ask.Kind.String(), on.String())
		for _, name := range given {
			cells = append(cells, ask.Given[name])
		}
		cells = append(cells, make([]string, len(ask.Columns))...)
		// The colon keeps the number as it is, whatever opens the file.
		cells = append(cells, r.Animal+": "+strings.Join(ask.Columns, " "))
		if f.Spreadsheet {
			cells = append(cells, profileSpreadsheet)
		}
		if err := out.row(cells); err != nil {
			return err
		}
	}
	return out.flush()
}

// filledIn tells whether the row of a form is a record: not where everything that was to
// be filled in is blank. A row that is about another number than the form was made for
// is refused: a spreadsheet program makes 388 of 0388.
func (r *Reader) filledIn(line *Line) bool {
	asked := r.native.fromLog(line.Cells, isFillIn)
	if asked == "" {
		return true // a row that somebody added
	}
	column := r.native.log[-isFillIn-1]
	cut := strings.LastIndex(asked, ": ")
	if cut < 0 {
		r.problem(line, column, columnFillIn, event.CodeNotAllowed, "it does not say whose number the row is about, and what is to be filled in",
			"leave the cell as the form has it")
		return false
	}
	blank := true
	for _, name := range strings.Fields(asked[cut+2:]) {
		i, ok := event.ColumnIndex(name)
		if !ok {
			r.problem(line, column, columnFillIn, event.CodeNotAllowed, quote(name)+" is no column of an event", "leave the cell as the form has it")
			return false
		}
		blank = blank && r.cells[i] == ""
	}
	if blank {
		line.Skipped = notFilledIn
		return false
	}
	if number := asked[:cut]; r.cells[columnAnimal] != number {
		r.problem(line, r.native.back[columnAnimal], "animal", event.CodeNotAllowed, "the form's row is about "+quote(number),
			"write the number as the form had it, or make the cell fill_in blank if another animal is meant")
		return false
	}
	return true
}
