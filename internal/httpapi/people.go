package httpapi

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"unicode/utf8"

	"byrelog.example/api"
	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

var peopleColumns = []string{"herd", "code", "person"}

// peopleReader reads a map of the herds' codes to persons and gathers its faults.
type peopleReader struct {
	at     map[string]int // column -> its place; nil before the header
	people map[repro.HerdCode]string
	faults []api.ProblemItem
}

// readPeople reads a map of the herds' codes to persons: CSV with the columns herd, code
// and person, separated by commas or semicolons. All its faults are told, by line and
// column.
func readPeople(body io.Reader) (map[repro.HerdCode]string, error) {
	doc, err := io.ReadAll(body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	doc = bytes.TrimPrefix(doc, []byte("\ufeff"))
	in := csv.NewReader(bytes.NewReader(doc))
	if head, _, _ := bytes.Cut(doc, []byte("\n")); bytes.IndexByte(head, ';') >= 0 {
		in.Comma = ';'
	}
	in.FieldsPerRecord = -1
	p := &peopleReader{people: map[repro.HerdCode]string{}}
	if !utf8.Valid(doc) || bytes.IndexByte(doc, 0) >= 0 {
		return nil, refuse(http.StatusUnprocessableEntity, "invalid-people", "the map of codes to persons is no text in UTF-8")
	}
	for len(p.faults) == 0 || p.at != nil { // under a header with faults no row can be read
		row, err := in.Read()
		var broken *csv.ParseError
		if errors.As(err, &broken) {
			p.fault(broken.Line, "", "syntax", "%v", broken.Err)
			break
		}
		if err != nil { // the end: nothing else fails here
			break
		}
		line, _ := in.FieldPos(0)
		if p.at == nil {
			p.header(line, row)
		} else {
			p.row(line, row)
		}
	}
	if p.at == nil && len(p.faults) == 0 {
		p.fault(1, "", "required", "the table is empty; its columns are herd, code and person")
	}
	if len(p.faults) > 0 {
		return nil, &problem{status: http.StatusUnprocessableEntity, code: "invalid-people", detail: "the map of codes to persons cannot be used", items: p.faults}
	}
	return p.people, nil
}

func (p *peopleReader) fault(line int, column, code, format string, args ...any) {
	p.faults = append(p.faults, api.ProblemItem{Line: ptr(int64(line)), Column: text(column), Code: code, Detail: fmt.Sprintf(format, args...)})
}

func (p *peopleReader) header(line int, row []string) {
	at := map[string]int{}
	for i, name := range row {
		name = strings.ToLower(strings.TrimSpace(name))
		_, twice := at[name]
		switch {
		case !slices.Contains(peopleColumns, name):
			p.fault(line, fmt.Sprintf("%.40s", name), "unknown_field", "there is no such column; they are herd, code and person")
		case twice:
			p.fault(line, name, "doubled", "the column is there twice")
		}
		at[name] = i
	}
	for _, name := range peopleColumns {
		if _, ok := at[name]; !ok {
			p.fault(line, name, "required", "the column is missing")
		}
	}
	if len(p.faults) == 0 {
		p.at = at
	}
}

func (p *peopleReader) row(line int, row []string) {
	cells := map[string]string{}
	for _, name := range peopleColumns {
		if i := p.at[name]; i < len(row) {
			cells[name] = strings.TrimSpace(row[i])
		}
		if cells[name] == "" {
			p.fault(line, name, "required", "the cell is empty")
			return
		}
	}
	c := repro.HerdCode{Herd: cells["herd"], Code: cells["code"]}
	was, twice := p.people[c]
	switch {
	case !event.ValidHerdName(c.Herd):
		p.fault(line, "herd", "bad_text", "%.40q is no name of a herd", c.Herd)
	case twice && was != cells["person"]:
		p.fault(line, "person", "contradicts", "%.40s of %s is %.40q in a line before", c.Code, c.Herd, was)
	}
	p.people[c] = cells["person"]
}
