package httpapi

import (
	"strconv"
	"strings"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// listTechnicians answers conception by technician over a pool of herds.
func (s *Server) listTechnicians(r *request) (*reply, error) { return s.technicians(r, nil) }

// comparePeople does so with a map of the herds' codes to persons.
func (s *Server) comparePeople(r *request) (*reply, error) {
	people, err := readPeople(r.body)
	if err != nil {
		return nil, err
	}
	return s.technicians(r, func(c repro.HerdCode) string { return people[c] })
}

func (s *Server) technicians(r *request, people func(repro.HerdCode) string) (*reply, error) {
	list, err := definitions([]string{"conception_risk"})
	if err != nil {
		return nil, err
	}
	herds, err := s.summaryOf(r)
	if err != nil {
		return nil, err
	}
	r.query.Set("by", repro.ByCaseMix) // what the expected number needs
	portions, err := s.portions(r, herds, list, viewerOf(s.book, len(herds)))
	if err != nil {
		return nil, err
	}
	answers := make([]repro.Answer, len(portions))
	out := &api.Technicians{Herds: make([]api.PooledHerd, len(portions)), Rows: []api.TechnicianRow{}, Unmapped: []api.HerdCode{}}
	for i := range portions {
		answers[i] = portions[i].answers[0]
		h := &portions[i].summary
		out.Herds[i] = api.PooledHerd{Herd: h.Herd, From: h.From, To: h.To, On: h.On, AsOf: h.AsOf}
	}
	p, err := s.common(r, portions)
	if err != nil {
		return nil, err
	}
	p.By = repro.ByTechnician
	out.Parameters = wireParams(p)
	if samePeriod(portions) {
		out.From, out.To = day(p.From), day(p.To)
	}
	pool := repro.PoolTechnicians(answers, people)
	d := list[0]
	out.Definition = api.DefinitionRef{ID: d.ID, Version: d.Version, Text: d.Text, Sources: texts(d.Sources)}
	out.Value, out.NullReason, out.Interval = pool.Value, text(pool.NullReason), wireInterval(pool.Interval)
	out.Numerator, out.Denominator, out.Method, out.Caution = pool.Numerator, pool.Denominator, pool.Method, pool.Caution
	for i := range pool.Rows {
		out.Rows = append(out.Rows, wireTechnician(&pool.Rows[i]))
	}
	for _, c := range pool.Unmapped {
		out.Unmapped = append(out.Unmapped, api.HerdCode{Herd: c.Herd, Code: text(c.Code)})
	}
	if r.give == mediaCSV {
		return &reply{csv: &csvReply{table: technicianTable, rows: func(w *sheet.TableWriter) error { return technicianRows(w, out.Rows) }}}, nil
	}
	return &reply{json: out}, nil
}

func wireTechnician(x *repro.TechnicianRow) api.TechnicianRow {
	out := api.TechnicianRow{
		Person: text(x.Person), Codes: make([]api.HerdCode, len(x.Codes)), Value: x.Value, Numerator: x.Numerator, Denominator: x.Denominator,
		Interval: wireInterval(x.Interval), Small: x.Small, Unknown: x.Unknown, Immature: x.Immature, LostLater: x.LostLater,
		Limits: wireLimits(x.Limits), Expected: x.Expected, Ratio: x.Ratio, ExpectedLimits: wireLimits(x.ExpectedLimits), Alone: x.Alone,
	}
	for i, c := range x.Codes {
		out.Codes[i] = api.HerdCode{Herd: c.Herd, Code: text(c.Code)}
	}
	if x.Position != "" {
		out.Position = ptr(api.TechnicianRowPosition(x.Position))
	}
	return out
}

func wireLimits(l *repro.Limits) *api.FunnelLimits {
	if l == nil {
		return nil
	}
	return &api.FunnelLimits{Low95: l.Low95, High95: l.High95, Low998: l.Low99, High998: l.High99}
}

func technicianRows(w *sheet.TableWriter, rows []api.TechnicianRow) error {
	for i := range rows {
		x := &rows[i]
		var herds, codes []string
		for _, c := range x.Codes {
			herds, codes = append(herds, c.Herd), append(codes, cell(c.Code))
		}
		cells := []string{
			cell(x.Person), strings.Join(herds, " "), strings.Join(codes, " "), numberCell(x.Value), strconv.Itoa(x.Numerator), strconv.Itoa(x.Denominator), "", "",
			strconv.FormatBool(x.Small), strconv.Itoa(x.Unknown), strconv.Itoa(x.Immature), strconv.Itoa(x.LostLater),
		}
		if x.Interval != nil {
			cells[6], cells[7] = numberCell(&x.Interval.Low), numberCell(&x.Interval.High)
		}
		cells = append(cells, limitCells(x.Limits)...)
		cells = append(cells, numberCell(x.Expected), numberCell(x.Ratio))
		cells = append(cells, limitCells(x.ExpectedLimits)...)
		position := ""
		if x.Position != nil {
			position = string(*x.Position)
		}
		if err := w.Write(append(cells, strconv.Itoa(x.Alone), position)); err != nil {
			return err
		}
	}
	return nil
}

func limitCells(l *api.FunnelLimits) []string {
	if l == nil {
		return []string{"", "", "", ""}
	}
	return []string{numberCell(&l.Low95), numberCell(&l.High95), numberCell(&l.Low998), numberCell(&l.High998)}
}
