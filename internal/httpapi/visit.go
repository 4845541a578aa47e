package httpapi

import (
	"net/http"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
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
	lists, err := perHerd(herds, func(h *book.Herd) (visited, error) { return s.visitedHerd(r, h, o, view) })
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
	switch r.give {
	case mediaText:
		return visitText(lists)
	case mediaCSV:
		return &reply{csv: &csvReply{table: visitTableOf(r.param("list")), rows: func(w *sheet.TableWriter) error { return visitCSV(w, lists) }}}, nil
	}
	out := &api.Visit{List: api.ListName(r.param("list")), Animals: rows, Herds: make([]api.WorkList, len(lists))}
	for i := range lists {
		l := wireList(&lists[i].list, lists[i].list.Rows)
		l.AsOf = lists[i].asOf
		out.Herds[i] = *l
	}
	return &reply{json: out}, nil
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

// visitText puts the pages of each herd behind those of the one before.
func visitText(lists []visited) (*reply, error) {
	a := &reply{raw: []byte{}}
	for i := range lists {
		b, err := printed(&lists[i].list, lists[i].asOf.Seq)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			a.raw = append(a.raw, '\f')
		}
		a.raw = append(a.raw, b...)
	}
	return a, nil
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
