package httpapi

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"byrelog.example/api"
	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// answersForm is raised whenever answers come to hold more or are worded
// otherwise, without a definition that changes.
const answersForm = "3"

// definitionsTag changes whenever a definition does, so that no answer of an
// older one is taken for current.
var definitionsTag = func() string {
	ids := []string{answersForm}
	for _, d := range repro.Keys() {
		ids = append(ids, d.ID)
	}
	return strings.Join(ids, " ")
}()

// params reads the parameters of an index.
func (r *request) params(on event.Date) (p repro.Params, err error) {
	p = repro.Params{On: on, By: r.text("by"), Strata: r.text("strata")}
	for _, d := range []struct {
		name string
		to   *event.Date
	}{{"from", &p.From}, {"to", &p.To}, {"anchor", &p.Anchor}} {
		if *d.to, err = r.date(d.name); err != nil {
			return p, err
		}
	}
	for _, n := range []struct {
		name string
		to   *int
	}{{"exposure_days", &p.Exposure}, {"merge_days", &p.Merge}, {"maturity_days", &p.Maturity}} {
		v, err := r.integer(n.name, 0)
		if err != nil {
			return p, err
		}
		*n.to = int(v)
		if v == 0 && r.text(n.name) != "" {
			*n.to = repro.Zero
		}
	}
	p, err = p.Fill()
	return p, indexProblem(err)
}

// indexProblem words what the arithmetic refuses.
func indexProblem(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, repro.ErrUnknownIndex):
		return refuse(http.StatusNotFound, "index-not-found", "there is no such index; GET /v1/definitions lists them")
	case errors.Is(err, repro.ErrBadParameter):
		_, rest, _ := strings.Cut(err.Error(), ": ")
		name, detail, ok := strings.Cut(rest, ": ")
		if ok {
			return badParam(name, "out_of_range", "%s", detail)
		}
	}
	return err
}

// definitions picks indices by key, in their own order; without keys, all.
func definitions(keys []string) ([]*repro.Definition, error) {
	all := repro.Keys()
	if len(keys) == 0 {
		return all, nil
	}
	var list []*repro.Definition
	for _, d := range all {
		if slices.Contains(keys, d.Key) {
			list = append(list, d)
		}
	}
	for _, k := range keys {
		if !slices.ContainsFunc(list, func(d *repro.Definition) bool { return d.Key == k }) {
			return nil, badParam("keys", "not_allowed", "there is no index %s; GET /v1/definitions lists them", k)
		}
	}
	return list, nil
}

// compute answers the indices asked for. In a list, an index that cannot be
// broken down by the group asked for keeps its own rows; if none can, it is a
// mistake.
func compute(f *repro.Herd, list []*repro.Definition, p repro.Params, processors int) ([]repro.Answer, error) {
	known := p.By == "" || slices.ContainsFunc(list, func(d *repro.Definition) bool { return d.GroupedBy(p.By) })
	if !known && len(list) == 1 {
		_, err := f.Index(list[0].Key, p) // says what it can be grouped by
		return nil, indexProblem(err)
	}
	if !known {
		return nil, badParam("by", "not_allowed", "none of these indices is grouped so; the groups of their definitions say how they are")
	}
	asked := make([]repro.Question, len(list))
	for i, d := range list {
		asked[i] = repro.Question{Key: d.Key, Params: p}
		if !d.GroupedBy(p.By) {
			asked[i].Params.By = ""
		}
	}
	out, err := f.Indices(asked, processors)
	return out, indexProblem(err)
}

// both does n things on two processors: enough to be worth it, few enough to leave
// room for other requests.
func both(n int, do func(i int)) {
	var next atomic.Int64
	work := func() {
		for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
			do(i)
		}
	}
	if n > 1 {
		defer guard.Beside("httpapi.both", work)()
	}
	work()
}

func (s *Server) listIndices(r *request) (*reply, error) {
	list, err := definitions(r.list("keys"))
	if err != nil {
		return nil, err
	}
	return s.indices(r, list)
}

func (s *Server) getIndex(r *request) (*reply, error) {
	list, err := r.index()
	if err != nil {
		return nil, err
	}
	return s.indices(r, list)
}

// index finds the index of the path.
func (r *request) index() ([]*repro.Definition, error) {
	for _, d := range repro.Keys() {
		if d.Key == r.param("index") {
			return []*repro.Definition{d}, nil
		}
	}
	return nil, indexProblem(repro.ErrUnknownIndex)
}

func (s *Server) indices(r *request, list []*repro.Definition) (*reply, error) {
	a := &reply{}
	err := s.read(r, func(f *fold) error {
		p, err := r.params(f.on)
		if err != nil {
			return err
		}
		p.Brief = true
		answers, err := compute(f.Fold, list, p, 2)
		if err != nil {
			return err
		}
		out := &api.IndexList{
			Herd: r.herd.Name, From: mustDay(p.From), To: mustDay(p.To), On: mustDay(f.on), AsOf: f.asOf(),
			Parameters: wireParams(p), Indices: make([]api.IndexAnswer, len(answers)),
		}
		for i := range answers {
			out.Indices[i] = wireAnswer(&answers[i])
			out.Indices[i].Evidence = ptr(r.evidenceURL(&answers[i]))
		}
		a.etag = f.etag
		if r.give == mediaCSV {
			a.csv = &csvReply{table: indexTable, rows: func(w *sheet.TableWriter) error { return indexRows(w, out.Indices) }}
		} else {
			a.json = out
		}
		return nil
	})
	return a, err
}

func wireParams(p repro.Params) api.Parameters {
	return api.Parameters{
		Anchor: day(p.Anchor), ExposureDays: p.Exposure, MergeDays: p.Merge, MaturityDays: p.Maturity,
		Strata: p.Strata, By: text(p.By),
	}
}

// evidenceURL asks for the evidence of exactly this answer.
func (r *request) evidenceURL(a *repro.Answer) string {
	p := a.Params
	q := url.Values{
		"from": {p.From.String()}, "to": {p.To.String()}, "on": {p.On.String()}, "anchor": {p.Anchor.String()},
		"exposure_days": {strconv.Itoa(p.Exposure)}, "merge_days": {strconv.Itoa(p.Merge)}, "maturity_days": {strconv.Itoa(p.Maturity)},
		"strata": {p.Strata},
	}
	if p.By != "" {
		q.Set("by", p.By)
	}
	if v := r.text("as_of"); v != "" {
		q.Set("as_of", v)
	}
	return "/v1/herds/" + r.herd.Name + "/indices/" + a.Key + "/evidence?" + q.Encode()
}

func wireAnswer(a *repro.Answer) api.IndexAnswer {
	d := a.Definition
	out := api.IndexAnswer{
		Key: a.Key, Title: d.Title, TradeName: d.TradeName, Unit: string(a.Unit), Statistic: string(a.Statistic),
		NumeratorIs: text(a.NumeratorIs), DenominatorIs: a.DenominatorIs, Currency: text(a.Currency), SettledOn: day(a.SettledOn), By: text(a.Params.By),
		Definition: api.DefinitionRef{ID: d.ID, Version: d.Version, Text: d.Text, Sources: texts(d.Sources)},
		Value:      a.Value, NullReason: text(a.NullReason), Numerator: a.Numerator, Denominator: a.Denominator,
		Interval: wireInterval(a.Interval), Small: a.Small, Provisional: a.Provisional,
		Measures: measures(a.Measures), Excluded: []api.Excluded{}, Rows: []api.IndexRow{},
	}
	for _, x := range a.Excluded {
		out.Excluded = append(out.Excluded, api.Excluded{Reason: x.Reason, Text: x.Text, Count: x.Count})
	}
	for _, row := range a.Rows {
		counts := row.Counts
		if counts == nil {
			counts = map[string]int{}
		}
		out.Rows = append(out.Rows, api.IndexRow{
			Label: row.Label, From: day(row.From), To: day(row.To), Unit: string(row.Unit), Statistic: string(row.Statistic),
			NumeratorIs: text(row.NumeratorIs), DenominatorIs: row.DenominatorIs, SettledOn: day(row.SettledOn), Value: row.Value, NullReason: text(row.NullReason),
			Numerator: row.Numerator, Denominator: row.Denominator, Interval: wireInterval(row.Interval),
			Small: row.Small, Provisional: row.Provisional, Counts: counts, Measures: measures(row.Measures),
		})
	}
	return out
}

func measures(m map[string]*float64) map[string]*float64 {
	if m == nil {
		return map[string]*float64{}
	}
	return m
}

func wireInterval(iv *repro.Interval) *api.Interval {
	if iv == nil {
		return nil
	}
	return &api.Interval{Low: iv.Low, High: iv.High, Level: iv.Level, Method: iv.Method}
}

// indexRows writes one row for each index and one for each row of its
// breakdown.
func indexRows(w *sheet.TableWriter, list []api.IndexAnswer) error {
	for i := range list {
		if err := indexRecords(w, nil, &list[i]); err != nil {
			return err
		}
	}
	return nil
}

func indexRecords(w *sheet.TableWriter, before []string, a *api.IndexAnswer) error {
	whole := api.IndexRow{
		Unit: a.Unit, Statistic: a.Statistic, NumeratorIs: a.NumeratorIs, DenominatorIs: a.DenominatorIs, Value: a.Value, NullReason: a.NullReason,
		Numerator: a.Numerator, Denominator: a.Denominator, Interval: a.Interval, Measures: a.Measures, Small: a.Small, Provisional: a.Provisional, SettledOn: a.SettledOn,
	}
	for _, row := range append([]api.IndexRow{whole}, a.Rows...) {
		var ends [4]string // of the interval, of the range
		if iv := row.Interval; iv != nil {
			at := 0
			if row.Statistic == string(repro.StatRange) {
				at = 2
			}
			ends[at], ends[at+1] = numberCell(&iv.Low), numberCell(&iv.High)
		}
		if err := w.Write(append(slices.Clone(before),
			a.Key, row.Label, dayCell(row.From), dayCell(row.To), row.Unit, numberCell(row.Value), cell(row.NullReason), intCell(row.Numerator), intCell(row.Denominator),
			ends[0], ends[1], numberCell(row.Measures["net_of_losses"]), strconv.FormatBool(row.Small), strconv.FormatBool(row.Provisional),
			row.Statistic, cell(row.NumeratorIs), row.DenominatorIs, ends[2], ends[3], cell(a.Currency), dayCell(row.SettledOn))); err != nil {
			return err
		}
	}
	return nil
}

func (s *Server) listEvidence(r *request) (*reply, error) {
	list, err := r.index()
	if err != nil {
		return nil, err
	}
	a := &reply{}
	err = s.read(r, func(f *fold) error {
		p, err := r.params(f.on)
		if err != nil {
			return err
		}
		answer, err := f.Fold.Index(list[0].Key, p)
		if err != nil {
			return indexProblem(err)
		}
		part, next, err := page(r, f, answer.Evidence)
		if err != nil {
			return err
		}
		out := &api.EvidencePage{
			Herd: r.herd.Name, Index: answer.Key, From: mustDay(p.From), To: mustDay(p.To), On: mustDay(f.on), AsOf: f.asOf(),
			Parameters: wireParams(answer.Params), Items: make([]api.EvidenceItem, len(part)), Next: next,
		}
		for i := range part {
			e := &part[i]
			out.Items[i] = api.EvidenceItem{
				Animal: e.Animal, Lactation: e.Lactation, From: day(e.From), To: day(e.To), On: day(e.On), Days: e.Days,
				Counted: api.EvidenceItemCounted(e.Counted), Reason: text(e.Reason), Text: text(e.Text), Group: text(e.Group), Seqs: seqs(e.Seqs),
			}
		}
		a.etag, a.next = f.etag, nextOf(next)
		if r.give == mediaCSV {
			a.csv = &csvReply{table: evidenceTable, more: a.next != "", rows: func(w *sheet.TableWriter) error { return evidenceRows(w, out.Items) }}
		} else {
			a.json = out
		}
		return nil
	})
	return a, err
}

func evidenceRows(w *sheet.TableWriter, items []api.EvidenceItem) error {
	for i := range items {
		e := &items[i]
		numbers := make([]string, len(e.Seqs))
		for n, seq := range e.Seqs {
			numbers[n] = strconv.FormatInt(seq, 10)
		}
		if err := w.Write([]string{
			e.Animal, strconv.Itoa(e.Lactation), dayCell(e.From), dayCell(e.To), dayCell(e.On), intCell(e.Days), string(e.Counted),
			cell(e.Reason), cell(e.Text), cell(e.Group), strings.Join(numbers, " "),
		}); err != nil {
			return err
		}
	}
	return nil
}

func (s *Server) listDefinitions(r *request) (*reply, error) {
	out := &api.DefinitionList{Definitions: []api.Definition{}}
	for _, d := range repro.Keys() {
		out.Definitions = append(out.Definitions, api.Definition{
			ID: d.ID, Key: d.Key, Title: d.Title, TradeName: d.TradeName, Version: d.Version, Text: d.Text, Unit: string(d.Unit),
			Sources: texts(d.Sources), Groups: texts(d.Groups),
		})
	}
	return &reply{json: out}, nil
}

// Cells of the CSV answers; null is an empty cell.

func cell(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func intCell(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func numberCell(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'g', -1, 64)
}

func dayCell(d *openapi_types.Date) string {
	if d == nil {
		return ""
	}
	return d.String()
}
