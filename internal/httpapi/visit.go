package httpapi

import (
	"errors"
	"log/slog"
	"net/http"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/report"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// visitRows bounds how many rows one answer over several herds has: what is
// held of it in memory, and more than anybody visits.
const visitRows = 20_000

// visited is the list of one herd, and the log that it rests on.
type visited struct {
	list repro.List
	asOf api.AsOf
}

// listVisit answers one work list of several herds, herd by herd.
func (s *Server) listVisit(r *request) (*reply, error) {
	o, err := r.listOptions()
	if err != nil {
		return nil, err
	}
	herds, err := s.summaryOf(r)
	if err != nil {
		return nil, err
	}
	view := viewerOf(s.book, len(herds))
	answers, failed := perHerd(herds, func(h *book.Herd) (visited, error) { return s.visitedHerd(r, h, o, view) })
	lists, broken, err := s.whole(r, herds, answers, failed)
	if err != nil {
		return nil, err
	}
	rows := 0
	for i := range lists {
		rows += len(lists[i].list.Rows)
	}
	if rows > visitRows {
		return nil, refuse(http.StatusBadRequest, "too-many-rows", "the lists of these herds have %d rows, more than %d; name fewer herds", rows, visitRows)
	}
	a, err := visitReply(r, lists, rows, broken)
	if err == nil && len(broken) > 0 {
		if a.header == nil {
			a.header = http.Header{}
		}
		for i := range broken {
			a.header.Add(headerFailed, broken[i].Herd)
		}
	}
	return a, err
}

// headerFailed names the herds that a visit does not hold.
const headerFailed = "Byrelog-Failed"

func visitReply(r *request, lists []visited, rows int, broken []api.FailedHerd) (*reply, error) {
	switch r.give {
	case mediaText, mediaHTML:
		papers := make([]report.Paper, len(lists))
		for i := range lists {
			papers[i] = paperOf(&lists[i].list, lists[i].asOf.Seq)
		}
		return shownList(r.give, papers)
	case mediaCSV:
		return &reply{csv: &csvReply{table: visitTableOf(r.param("list")), rows: func(w *sheet.TableWriter) error { return visitCSV(w, lists) }}}, nil
	}
	out := &api.Visit{List: api.ListName(r.param("list")), Animals: rows, Herds: make([]api.WorkList, len(lists)), Failed: broken}
	for i := range lists {
		l := wireList(&lists[i].list, lists[i].list.Rows)
		l.AsOf = lists[i].asOf
		out.Herds[i] = *l
	}
	return &reply{json: out}, nil
}

// whole parts the lists that were made from the herds at which the service panicked:
// what is wrong with one herd's records or with our reading of them does not keep the
// others' cows from being visited. Every other failure is about the request.
func (s *Server) whole(r *request, herds []book.Herd, answers []visited, failed []error) ([]visited, []api.FailedHerd, error) {
	lists, broken := make([]visited, 0, len(answers)), []api.FailedHerd{}
	for i, err := range failed {
		var p *guard.Panic
		switch {
		case err == nil:
			lists = append(lists, answers[i])
		case errors.As(err, &p):
			instance := "urn:uuid:" + newInstance()
			s.log.ErrorContext(r.ctx, "a herd's list was not made", slog.String("herd", herds[i].Name), slog.String("instance", instance), slog.Any("error", err))
			broken = append(broken, api.FailedHerd{Herd: herds[i].Name, Detail: faultUnder(instance)})
		default:
			return nil, nil, err
		}
	}
	return lists, broken, nil
}

func (s *Server) visitedHerd(r *request, h *book.Herd, o repro.ListOptions, view viewer) (visited, error) {
	var out visited
	err := s.viewOf(r, h, view, func(v *book.View, on event.Date) error {
		var err error
		if out.list, err = v.Fold.List(r.param("list"), on, o); err != nil {
			return listProblem(err)
		}
		out.list.Herd = h.Name
		out.asOf = api.AsOf{Seq: v.Head.Seq, RecordedAt: moment(v.Head.RecordedAt)}
		return nil
	})
	return out, err
}

func visitCSV(w *sheet.TableWriter, lists []visited) error {
	for i := range lists {
		l := &lists[i].list
		for k := range l.Rows {
			if err := w.Write(append([]string{l.Herd}, listCells(l, &l.Rows[k])...)); err != nil {
				return err
			}
		}
	}
	return nil
}
