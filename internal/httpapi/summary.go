package httpapi

import (
	"bytes"
	"context"
	"slices"
	"sync"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// summaryHerds is how many herds are computed at the same time for one
// request: one more than are computed on two processors while it waits for its
// snapshot; too few to starve other requests.
const summaryHerds = 3

// fewHerds is how many herds one request may be about and still be taken for one that
// will be followed by others about the same herds; see Book.Glance.
const fewHerds = 8

// portion is what one herd gives to a summary.
type portion struct {
	summary api.HerdSummary
	params  repro.Params
	answers []repro.Answer
}

func (s *Server) getSummary(r *request) (*reply, error) {
	list, err := definitions(r.list("keys"))
	if err != nil {
		return nil, err
	}
	herds, err := s.summaryOf(r)
	if err != nil {
		return nil, err
	}
	etag, view := "", viewerOf(s.book, len(herds))
	if r.text("as_of") == "" {
		stand, err := s.book.Standing(r.ctx, herds)
		if err != nil {
			return nil, err
		}
		view = viewerOf(stand, len(herds))
		etag = r.etagOf(append(stand.Marks(), definitionsTag)...)
		if err := r.unless(etag); err != nil {
			return nil, err
		}
		// The tag holds everything that the answer depends on but the herd's title
		// and the like, which are not in it.
		if body, ok := s.summaries.get(etag); ok {
			return &reply{etag: etag, raw: body, media: mediaJSON}, nil
		}
	}
	portions, err := s.portions(r, herds, list, view)
	if err != nil {
		return nil, err
	}
	out := &api.Summary{Herds: []api.HerdSummary{}, Pool: []api.IndexAnswer{}}
	for i := range portions {
		out.Herds = append(out.Herds, portions[i].summary)
	}
	if err := s.pool(r, out, list, portions); err != nil {
		return nil, err
	}
	if r.give == mediaCSV {
		return &reply{csv: &csvReply{table: summaryTable, rows: func(w *sheet.TableWriter) error { return summaryRows(w, out) }}}, nil
	}
	if etag == "" {
		return &reply{json: out}, nil
	}
	var body bytes.Buffer
	if err := encodeJSON(&body, out); err != nil {
		return nil, err
	}
	// What was computed may be of a later moment than the tag, never of an earlier
	// one; and the tag of a moment that has passed is never asked for again.
	kept := bytes.Clone(body.Bytes()) // without the room that the buffer grew by
	s.summaries.put(etag, kept)
	return &reply{etag: etag, raw: kept, media: mediaJSON}, nil
}

// perHerd asks every herd, some at a time; the answers stand in the herds'
// order, beside what kept one from being answered.
func perHerd[T any](herds []book.Herd, ask func(h *book.Herd) (T, error)) (answers []T, failed []error) {
	answers, failed = make([]T, len(herds)), make([]error, len(herds))
	slots := make(chan struct{}, summaryHerds)
	var wg sync.WaitGroup
	for i := range herds {
		wg.Add(1)
		slots <- struct{}{}
		guard.Go("httpapi.herd", func() (err error) {
			answers[i], err = ask(&herds[i])
			return err
		}, func(err error) {
			failed[i] = err
			<-slots
			wg.Done()
		})
	}
	wg.Wait()
	return answers, failed
}

func (s *Server) portions(r *request, herds []book.Herd, list []*repro.Definition, view viewer) ([]portion, error) {
	processors := 1
	if len(herds) == 1 {
		processors = 2
	}
	// A figure over some of the herds would be another figure: one that fails, fails all.
	answers, failed := perHerd(herds, func(h *book.Herd) (portion, error) { return s.portionOf(r, h, list, view, processors) })
	return answers, firstError(failed...)
}

// summaryOf finds the herds asked for; one that may not be read is answered as
// one that is not there.
func (s *Server) summaryOf(r *request) ([]book.Herd, error) {
	names := r.list("herds")
	if names == nil {
		return s.book.Herds(r.ctx, r.principal, "read")
	}
	slices.Sort(names)
	var list []book.Herd
	for _, name := range slices.Compact(names) {
		h, err := s.book.Herd(r.ctx, name)
		if err != nil {
			return nil, err
		}
		if !r.principal.May(h.ID, "read") {
			return nil, noHerd()
		}
		list = append(list, *h)
	}
	return list, nil
}

// viewer is the View or the Glance of who looks at herds.
type viewer func(ctx context.Context, h *book.Herd, asOf book.AsOf, fn func(*book.View) error) error

func viewerOf(from interface {
	View(ctx context.Context, h *book.Herd, asOf book.AsOf, fn func(*book.View) error) error
	Glance(ctx context.Context, h *book.Herd, asOf book.AsOf, fn func(*book.View) error) error
}, herds int,
) viewer {
	if herds > fewHerds {
		return from.Glance
	}
	return from.View
}

// viewOf looks at one of several herds as the request asks: to its day, by
// default the herd's today, and as of its moment.
func (s *Server) viewOf(r *request, h *book.Herd, view viewer, look func(v *book.View, on event.Date) error) error {
	asOf, err := r.asOfIn(h)
	if err != nil {
		return err
	}
	return view(r.ctx, h, asOf, func(v *book.View) error {
		on, err := r.date("on")
		if err != nil {
			return err
		}
		if on == 0 {
			on = v.Today
		}
		return look(v, on)
	})
}

func (s *Server) portionOf(r *request, h *book.Herd, list []*repro.Definition, view viewer, processors int) (portion, error) {
	var out portion
	err := s.viewOf(r, h, view, func(v *book.View, on event.Date) error {
		p, err := r.params(on)
		if err != nil {
			return err
		}
		p.Brief, p.Whole = true, p.By == "" // no rows are shown unless they are asked for
		if out.answers, err = compute(v.Fold, list, p, processors); err != nil {
			return err
		}
		out.params = p
		out.summary = api.HerdSummary{
			Herd: h.Name, From: mustDay(p.From), To: mustDay(p.To), On: mustDay(on),
			AsOf: api.AsOf{Seq: v.Head.Seq, RecordedAt: moment(v.Head.RecordedAt)}, Indices: make([]api.IndexAnswer, len(out.answers)),
		}
		for i := range out.answers {
			a := wireAnswer(&out.answers[i])
			a.Evidence = ptr((&request{query: r.query, herd: h}).evidenceURL(&out.answers[i]))
			out.summary.Indices[i] = a
		}
		return nil
	})
	return out, err
}

// common is what all portions were asked with; From and To are the first's.
func (s *Server) common(r *request, portions []portion) (repro.Params, error) {
	if len(portions) > 0 {
		return portions[0].params, nil
	}
	// No herd, no zone, no today: only what the request says itself.
	on, err := r.date("on")
	if err != nil {
		return repro.Params{}, err
	}
	if on == 0 {
		on = event.DateOf(s.config.Now().UTC())
	}
	return r.params(on)
}

// samePeriod tells whether the herds were asked over one period.
func samePeriod(portions []portion) bool {
	return len(portions) > 0 && !slices.ContainsFunc(portions, func(x portion) bool {
		return x.params.From != portions[0].params.From || x.params.To != portions[0].params.To
	})
}

// pool adds the herds up, index by index.
func (s *Server) pool(r *request, out *api.Summary, list []*repro.Definition, portions []portion) error {
	p, err := s.common(r, portions)
	if err != nil {
		return err
	}
	out.Parameters = wireParams(p)
	if len(portions) == 0 {
		return nil
	}
	if samePeriod(portions) {
		out.From, out.To = day(p.From), day(p.To)
	}
	out.Pool = make([]api.IndexAnswer, len(list))
	both(len(list), func(i int) {
		answers := make([]repro.Answer, len(portions))
		for n := range portions {
			answers[n] = portions[n].answers[i]
		}
		pooled := repro.Pool(answers)
		a := wireAnswer(&pooled)
		if (p.By == repro.ByTechnician || p.By == repro.ByPen) && pooled.Params.By == p.By { // codes of the herd's own
			a.Rows = ownRows(portions, i)
		}
		out.Pool[i] = a
	})
	return nil
}

// ownRows are the rows of each herd under the names herd/group.
func ownRows(portions []portion, i int) []api.IndexRow {
	rows := []api.IndexRow{}
	for n := range portions {
		for _, row := range portions[n].summary.Indices[i].Rows {
			row.Label = portions[n].summary.Herd + "/" + row.Label
			rows = append(rows, row)
		}
	}
	return rows
}

// summaryRows writes one row for each herd and index, and the pool with an
// empty herd behind them.
func summaryRows(w *sheet.TableWriter, out *api.Summary) error {
	for _, h := range out.Herds {
		for i := range h.Indices {
			if err := indexRecords(w, []string{h.Herd}, &h.Indices[i]); err != nil {
				return err
			}
		}
	}
	for i := range out.Pool {
		if err := indexRecords(w, []string{""}, &out.Pool[i]); err != nil {
			return err
		}
	}
	return nil
}
