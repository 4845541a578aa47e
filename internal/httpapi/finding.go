package httpapi

import (
	"strings"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// listChecks answers what in the records does not fit: of the herd, of an
// animal, or about the events of an import.
func (s *Server) listChecks(r *request) (*reply, error) {
	a := &reply{}
	err := s.read(r, func(f *fold) error {
		filter, err := s.findingFilter(r, f)
		if err != nil {
			return err
		}
		f.Fold.Warm(f.on) // the next page is asked for soon
		list, err := s.withDifferences(r, f.Fold.FindingsOf(f.on, filter), filter.Keep)
		if err != nil {
			return err
		}
		part, next, err := page(r, f, list)
		if err != nil {
			return err
		}
		out := &api.CheckPage{Herd: r.herd.Name, On: mustDay(f.on), AsOf: f.asOf(), Items: make([]api.Check, len(part)), Next: next}
		for i := range part {
			out.Items[i] = wireFinding(&part[i])
		}
		a.etag, a.next = f.etag, nextOf(next)
		if r.give == mediaCSV {
			a.csv = &csvReply{table: findingTable, more: a.next != "", rows: func(w *sheet.TableWriter) error { return findingRows(w, part) }}
		} else {
			a.json = out
		}
		return nil
	})
	return a, err
}

func (s *Server) findingFilter(r *request, f *fold) (repro.FindingFilter, error) {
	filter := repro.FindingFilter{Animal: r.text("animal")}
	if filter.Animal != "" {
		if _, ok := f.Fold.Animal(filter.Animal, f.on); !ok {
			return filter, noAnimal()
		}
	}
	if id := r.text("import"); id != "" {
		uid, err := uuid.Parse(id)
		if err != nil {
			return filter, badParam("import", "bad_text", "an import's id is expected")
		}
		if filter.About, err = s.book.ImportSeqs(r.ctx, r.herd, uid); err != nil {
			return filter, err
		}
	}
	rule, severity := r.text("rule"), r.text("severity")
	filter.Keep = func(x *repro.Finding) bool {
		return (rule == "" || x.Rule == rule) && (severity == "" || x.Severity == severity)
	}
	return filter, nil
}

func wireFinding(x *repro.Finding) api.Check {
	out := api.Check{
		Code: x.Code, Rule: x.Rule, Severity: api.Severity(x.Severity), Animal: x.Animal, On: day(x.On), Text: x.Text, Bound: x.Bound,
		Sources: texts(x.Sources), PleaseCheck: x.Ask, Seqs: seqs(x.Seqs),
	}
	if p := x.Pair; p != nil {
		out.Pair = &api.CheckPair{First: wirePairEvent(&p.First), Second: wirePairEvent(&p.Second), Differ: texts(p.Differ)}
	}
	return out
}

func wirePairEvent(e *repro.PairEvent) api.PairEvent {
	id, _ := uuid.Parse(e.ID) // the fold wrote it
	return api.PairEvent{Seq: e.Seq, ID: id, Kind: e.Kind, On: mustDay(e.On), By: text(e.By), Source: text(e.Source), Data: e.Data}
}

func findingRows(w *sheet.TableWriter, list []repro.Finding) error {
	for i := range list {
		x := &list[i]
		var first, second, differ string
		if p := x.Pair; p != nil {
			first, second, differ = p.First.ID, p.Second.ID, strings.Join(p.Differ, " ")
		}
		if err := w.Write([]string{
			x.Code, x.Rule, x.Severity, x.Animal, dayCell(day(x.On)), x.Text, x.Bound, strings.Join(x.Sources, "; "), x.Ask,
			seqsCell(x.Seqs), first, second, differ,
		}); err != nil {
			return err
		}
	}
	return nil
}
