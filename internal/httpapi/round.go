package httpapi

import (
	"io"
	"net/http"

	"byrelog.example/api"
	"byrelog.example/internal/book"
)

func (s *Server) recordRound(r *request) (*reply, error) {
	text, err := io.ReadAll(r.body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	o := book.RoundOptions{DryRun: r.flag("dry_run"), Part: r.flag("part"), Replace: r.flag("replace")}
	if !o.DryRun {
		// Nobody asks for this answer again; by it getLastRequest knows the request.
		o.Key = &book.Key{Owner: r.principal.Owner(), Operation: r.op.id, Key: newInstance(), Render: book.RenderResults}
	}
	report, err := s.book.Round(r.ctx, r.herd, string(text), o)
	if err != nil {
		return nil, err
	}
	if !r.principal.May(r.herd.ID, "read") {
		report.Missing = nil
		for _, l := range report.Lines {
			l.Check = nil
		}
	}
	answer := wireRound(r.herd, report, o.DryRun)
	status := http.StatusOK
	if report.Recorded > 0 && !o.DryRun {
		status = http.StatusCreated
		s.metrics.appended.Add(float64(report.Recorded))
	}
	if r.give == mediaText {
		return &reply{status: status, raw: []byte(answer.Text()), media: mediaText}, nil
	}
	return &reply{status: status, json: answer}, nil
}

func wireRound(h *book.Herd, report *book.RoundReport, dry bool) *api.RoundAnswer {
	out := &api.RoundAnswer{
		Herd: h.Name, DryRun: dry, Recorded: report.Recorded, AlreadyThere: report.Known, Refused: report.Refused,
		Lines: make([]api.RoundLine, len(report.Lines)), Missing: texts(report.Missing),
	}
	for i, l := range report.Lines {
		w := api.RoundLine{
			Line: l.Line, Pen: text(l.Pen), Animal: text(l.Animal), Outcome: api.RoundLineOutcome(l.Outcome), Text: l.Text,
			Check: texts(l.Check), Events: []api.RoundEvent{}, Errors: []api.ProblemItem{},
		}
		for _, e := range l.Events {
			we := api.RoundEvent{ID: e.ID, Outcome: api.RoundEventOutcome(e.Outcome)}
			if e.Seq > 0 {
				we.Seq = ptr(e.Seq)
			}
			w.Events = append(w.Events, we)
		}
		for _, f := range l.Faults {
			w.Errors = append(w.Errors, itemOfFault(f))
		}
		out.Lines[i] = w
	}
	return out
}

func (s *Server) getLastRequest(r *request) (*reply, error) {
	last, err := s.book.LastRequest(r.ctx, r.herd, r.principal)
	if err != nil {
		return nil, err
	}
	out := &api.LastRequest{Herd: r.herd.Name, RecordedAt: moment(last.At), Events: make([]api.ToldEvent, len(last.Items))}
	for i := range last.Items {
		out.Events[i] = api.ToldEvent{ID: last.Items[i].ID, Seq: last.Items[i].Seq, Text: last.Texts[i]}
	}
	return &reply{json: out, header: noStore()}, nil
}
