package httpapi

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"byrelog.example/api"
	"byrelog.example/internal/event"
	"byrelog.example/internal/report"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// getList answers a work list: page by page to programs, whole to people.
func (s *Server) getList(r *request) (*reply, error) {
	o, err := r.listOptions()
	if err != nil {
		return nil, err
	}
	a := &reply{}
	err = s.read(r, func(f *fold) error {
		l, err := f.Fold.List(r.param("list"), f.on, o)
		if err != nil {
			return listProblem(err)
		}
		l.Herd = r.herd.Name
		a.etag = f.etag
		if r.give == mediaText || r.give == mediaHTML {
			shown, err := shownList(r.give, []report.Paper{paperOf(&l, f.Head.Seq)})
			a.raw, a.header = shown.raw, shown.header
			return err
		}
		part, next, err := page(r, f, l.Rows)
		if err != nil {
			return err
		}
		a.next = nextOf(next)
		if r.give == mediaCSV {
			a.csv = &csvReply{table: listTableOf(&l), more: a.next != "", rows: func(w *sheet.TableWriter) error { return listRows(w, &l, part) }}
		} else {
			out := wireList(&l, part)
			out.AsOf, out.Next = f.asOf(), next
			a.json = out
		}
		return nil
	})
	return a, err
}

// listOptions reads what a list is narrowed to, as repro takes it.
func (r *request) listOptions() (repro.ListOptions, error) {
	days, err := r.integer("days", 0)
	if days == 0 && r.text("days") != "" {
		days = repro.Zero
	}
	return repro.ListOptions{Pen: r.text("pen"), Days: int(days), Method: r.text("method"), Short: r.text("short") == "true"}, err
}

func paperOf(l *repro.List, seq int64) report.Paper {
	return report.Paper{List: l, Options: report.Options{AsOf: fmt.Sprintf("log up to seq %d", seq)}}
}

// shownList gives lists as people read them: as text one behind the other, or as a page
// to print.
func shownList(media string, lists []report.Paper) (*reply, error) {
	var b bytes.Buffer
	a := &reply{media: media}
	var err error
	if media == mediaHTML {
		a.header = http.Header{headerPolicy: {ownStyle}}
		err = report.Page(&b, lists)
	}
	for i := 0; media == mediaText && i < len(lists) && err == nil; i++ {
		if i > 0 {
			b.WriteString("\n")
		}
		err = report.List(&b, lists[i].List, lists[i].Options)
	}
	a.raw = b.Bytes()
	return a, err
}

// listProblem words what the arithmetic refuses.
func listProblem(err error) error {
	if errors.Is(err, repro.ErrUnknownList) {
		return refuse(http.StatusNotFound, "list-not-found", "there is no such list")
	}
	return indexProblem(err)
}

func wireList(l *repro.List, rows []repro.ListRow) *api.WorkList {
	out := &api.WorkList{
		Herd: l.Herd, List: api.ListName(l.Name), Title: l.Title, Description: l.Text, On: mustDay(l.On),
		Pen: text(l.Pen), Days: l.Days, OpenMark: text(l.OpenMark), BredMark: text(l.BredMark), Rows: make([]api.WorkRow, len(rows)),
		LeftOut: []api.Excluded{}, Notes: texts(l.Notes), Caution: texts(l.Caution), Sources: texts(l.Sources),
	}
	for _, x := range l.LeftOut {
		out.LeftOut = append(out.LeftOut, api.Excluded{Reason: x.Reason, Text: x.Text, Count: x.Count})
	}
	for i := range rows {
		out.Rows[i] = wireListRow(&rows[i])
	}
	return out
}

func wireListRow(x *repro.ListRow) api.WorkRow {
	out := api.WorkRow{
		Animal: x.Animal, Pen: text(x.Pen), Code: x.Code, Word: x.Word, Text: x.Text, Since: day(x.Since), Until: day(x.Until),
		Mark: text(x.Mark), Methods: []api.DueMethod{}, Reasons: wireReasons(x.Reasons), Examine: texts(x.Examine), Caution: texts(x.Caution),
		Lactation: x.Lactation, DaysInMilk: x.DaysInMilk, ConceivedOn: day(x.ConceivedOn), DueOn: day(x.DueOn), DryOffOn: day(x.DryOffOn),
		Seqs: seqs(x.Seqs),
	}
	if x.Status.Code != "" {
		out.Status = ptr(api.Status(x.Status))
	}
	if x.Verdict != "" {
		out.Verdict = ptr(string(x.Verdict))
	}
	for _, m := range x.Methods {
		out.Methods = append(out.Methods, api.DueMethod{Method: m.Method, From: mustDay(m.From)})
	}
	if v := x.LastService; v != nil {
		out.LastService = &api.LastService{Number: v.Number, On: mustDay(v.On), Days: v.Days, Method: v.Method, Sire: text(v.Sire), By: text(v.By)}
	}
	if x.Finding != nil {
		out.Check = ptr(wireFinding(x.Finding))
	}
	return out
}

func wireReasons(list []repro.Reason) []api.Reason {
	out := make([]api.Reason, len(list))
	for i, x := range list {
		out[i] = api.Reason{Code: x.Code, Text: x.Text, Verdict: text(x.Verdict), Since: day(x.Since), Until: day(x.Until)}
	}
	return out
}

func listRows(w *sheet.TableWriter, l *repro.List, rows []repro.ListRow) error {
	for i := range rows {
		if err := w.Write(listCells(l, &rows[i])); err != nil {
			return err
		}
	}
	return nil
}

func listCells(l *repro.List, x *repro.ListRow) []string {
	date := func(d event.Date) string { return dayCell(day(d)) }
	var number, last, since string
	if v := x.LastService; v != nil {
		number, last, since = strconv.Itoa(v.Number), v.On.String(), strconv.Itoa(v.Days)
	}
	return []string{
		l.Name, l.On.String(), x.Animal, x.Pen, x.Status.Code, x.Code, x.Text, date(x.Since), date(x.Until), string(x.Verdict), x.Mark,
		methodsCell(x.Methods), intCell(x.Lactation), intCell(x.DaysInMilk), number, last, since, date(x.ConceivedOn), date(x.DueOn),
		date(x.DryOffOn), reasonsCell(x.Reasons), strings.Join(x.Examine, "; "), strings.Join(x.Caution, " "), seqsCell(x.Seqs),
	}
}

func methodsCell(list []repro.DueMethod) string {
	out := make([]string, len(list))
	for i, m := range list {
		out[i] = m.Method + " from " + m.From.String()
	}
	return strings.Join(out, "; ")
}

func reasonsCell(list []repro.Reason) string {
	out := make([]string, len(list))
	for i, x := range list {
		out[i] = x.Text
	}
	return strings.Join(out, "; ")
}

func seqsCell(list []int64) string {
	out := make([]string, len(list))
	for i, n := range list {
		out[i] = strconv.FormatInt(n, 10)
	}
	return strings.Join(out, " ")
}
