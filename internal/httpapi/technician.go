package httpapi

import (
	"strconv"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// listTechnicians answers conception by technician over a pool of herds.
func (s *Server) listTechnicians(r *request) (*reply, error) {
	list, err := definitions([]string{"conception_risk"})
	if err != nil {
		return nil, err
	}
	herds, err := s.summaryOf(r)
	if err != nil {
		return nil, err
	}
	r.query.Set("by", repro.ByTechnician) // the contract knows no other here
	portions, err := s.portions(r, herds, list, viewerOf(s.book, len(herds)))
	if err != nil {
		return nil, err
	}
	answers := make([]repro.Answer, len(portions))
	out := &api.Technicians{Herds: make([]api.PooledHerd, len(portions)), Rows: []api.TechnicianRow{}}
	for i := range portions {
		answers[i] = portions[i].answers[0]
		h := &portions[i].summary
		out.Herds[i] = api.PooledHerd{Herd: h.Herd, From: h.From, To: h.To, On: h.On, AsOf: h.AsOf}
	}
	p, err := s.common(r, portions)
	if err != nil {
		return nil, err
	}
	out.Parameters = wireParams(p)
	if samePeriod(portions) {
		out.From, out.To = day(p.From), day(p.To)
	}
	pool := repro.PoolTechnicians(answers)
	d := list[0]
	out.Definition = api.DefinitionRef{ID: d.ID, Version: d.Version, Text: d.Text, Sources: texts(d.Sources)}
	out.Value, out.NullReason, out.Interval = pool.Value, text(pool.NullReason), wireInterval(pool.Interval)
	out.Numerator, out.Denominator, out.Method, out.Caution = pool.Numerator, pool.Denominator, pool.Method, pool.Caution
	for i := range pool.Rows {
		out.Rows = append(out.Rows, wireTechnician(&pool.Rows[i]))
	}
	if r.give == mediaCSV {
		return &reply{csv: &csvReply{table: technicianTable, rows: func(w *sheet.TableWriter) error { return technicianRows(w, out.Rows) }}}, nil
	}
	return &reply{json: out}, nil
}

func wireTechnician(x *repro.TechnicianRow) api.TechnicianRow {
	out := api.TechnicianRow{
		Herd: x.Herd, Code: text(x.Code), Value: x.Value, Numerator: x.Numerator, Denominator: x.Denominator, Interval: wireInterval(x.Interval),
		Small: x.Small, Unknown: x.Unknown, Immature: x.Immature, LostLater: x.LostLater,
	}
	if l := x.Limits; l != nil {
		out.Limits = &api.FunnelLimits{Low95: l.Low95, High95: l.High95, Low998: l.Low99, High998: l.High99}
	}
	if x.Position != "" {
		out.Position = ptr(api.TechnicianRowPosition(x.Position))
	}
	return out
}

func technicianRows(w *sheet.TableWriter, rows []api.TechnicianRow) error {
	for i := range rows {
		x := &rows[i]
		cells := []string{x.Herd, cell(x.Code), numberCell(x.Value), strconv.Itoa(x.Numerator), strconv.Itoa(x.Denominator), "", ""}
		if x.Interval != nil {
			cells[5], cells[6] = numberCell(&x.Interval.Low), numberCell(&x.Interval.High)
		}
		cells = append(cells, strconv.FormatBool(x.Small), strconv.Itoa(x.Unknown), strconv.Itoa(x.Immature), strconv.Itoa(x.LostLater))
		if l := x.Limits; l != nil {
			cells = append(cells, numberCell(&l.Low95), numberCell(&l.High95), numberCell(&l.Low998), numberCell(&l.High998))
		} else {
			cells = append(cells, "", "", "", "")
		}
		position := ""
		if x.Position != nil {
			position = string(*x.Position)
		}
		if err := w.Write(append(cells, position)); err != nil {
			return err
		}
	}
	return nil
}
