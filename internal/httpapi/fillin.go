package httpapi

import (
	"bytes"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// fillIns are the lists that there is a form for, and what it asks.
var fillIns = map[string]sheet.FillIn{
	repro.ListDiagnose: {Kind: event.KindPregnancyDiagnosis, Columns: []string{"result", "days_pregnant", "fetuses", "by", "note"}},
	repro.ListExamine:  {Kind: event.KindPalpation, Columns: []string{"verdict", "tone", "mucus", "by", "note"}},
}

// getListForm answers a work list as a form that comes back by an import.
func (s *Server) getListForm(r *request) (*reply, error) {
	o, err := r.listOptions()
	if err != nil {
		return nil, err
	}
	form, err := r.form()
	if err != nil {
		return nil, err
	}
	name := r.param("list")
	ask, ok := fillIns[name]
	if !ok {
		return nil, refuse(http.StatusNotFound, "no-form", "there is no form for the list %s; there is one for %s", name, strings.Join(slices.Sorted(maps.Keys(fillIns)), " and "))
	}
	ask.About = []string{"pen", "lactation", "days_in_milk", "times_bred", "last_bred", "days_since", "last_bull", "why"}
	switch {
	case name == repro.ListDiagnose && o.Method != "":
		ask.Given = map[string]string{"method": o.Method}
	case name == repro.ListDiagnose:
		ask.Columns = append([]string{"method"}, ask.Columns...)
	}
	a := &reply{media: mediaCSV, header: attachment(r.herd.Name + "-" + name + ".csv")}
	err = s.read(r, func(f *fold) error {
		l, err := f.Fold.List(name, f.on, o)
		if err != nil {
			return listProblem(err)
		}
		rows := make([]sheet.FillInRow, len(l.Rows))
		for i := range l.Rows {
			rows[i] = fillInRow(&l.Rows[i])
		}
		var b bytes.Buffer
		err = sheet.WriteFillIn(&b, form, r.herd.Name, l.On, &ask, rows)
		a.raw = b.Bytes()
		return err
	})
	return a, err
}

func fillInRow(x *repro.ListRow) sheet.FillInRow {
	var times, last, since, bull string
	if v := x.LastService; v != nil {
		times, last, since, bull = strconv.Itoa(v.Number), v.On.String(), strconv.Itoa(v.Days), v.Sire
	}
	return sheet.FillInRow{Animal: x.Animal, About: []string{x.Pen, intCell(x.Lactation), intCell(x.DaysInMilk), times, last, since, bull, x.Word}}
}
