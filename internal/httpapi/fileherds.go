package httpapi

import (
	"cmp"
	"encoding/hex"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/repro"
)

func importOptions(r *request) (book.ImportOptions, error) {
	o := book.ImportOptions{
		Mapping: r.text("mapping"), FileName: r.text("file_name"), Owner: r.principal.Owner(),
		DryRun: r.flag("dry_run"), Strict: r.flag("strict"), Part: r.flag("part"), Digest: r.text("digest"), Workbook: r.media == mediaBook,
	}
	if s := r.text("max_voids"); s != "" {
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return o, badParam("max_voids", "out_of_range", "a whole number is expected")
		}
		o.MaxVoids = &n
	}
	return o, nil
}

// importHerds takes in one file over many herds.
func (s *Server) importHerds(r *request) (*reply, error) {
	options, err := importOptions(r)
	if err != nil {
		return nil, err
	}
	report, err := s.book.ImportHerds(r.ctx, r.principal, r.body, options)
	if err != nil {
		return nil, err
	}
	a := &reply{json: wireFileReport(report, r.principal)}
	if report.DryRun {
		return a, nil
	}
	s.metrics.appended.Add(float64(appendedBy(&report.Counts)))
	a.status = http.StatusAccepted
	if report.FinishedAt != nil {
		a.status = http.StatusCreated
	}
	a.header = http.Header{"Location": {filePath(report.ID)}}
	return a, nil
}

func filePath(id uuid.UUID) string { return "/v1/imports/" + id.String() }

func (s *Server) getHerdsImport(r *request) (*reply, error) {
	report, err := s.book.FileReport(r.ctx, r.principal, r.id())
	if err != nil {
		return nil, err
	}
	return &reply{json: wireFileReport(report, r.principal)}, nil
}

func (s *Server) getHerdsRejects(r *request) (*reply, error) {
	// Before the answer begins: who may not see it is told so.
	if _, err := s.book.FileReport(r.ctx, r.principal, r.id()); err != nil {
		return nil, err
	}
	return &reply{
		stream: func(w io.Writer) error { return s.book.FileRejects(r.ctx, r.principal, r.id(), w) },
		header: attachment("rejects-" + r.id().String() + ".csv"),
	}, nil
}

func wireFileReport(p *book.FileReport, who *book.Principal) *api.HerdsImportReport {
	out := &api.HerdsImportReport{
		State: api.HerdsImportReportState(p.State), DryRun: p.DryRun, Mapping: p.Mapping, FileName: text(p.FileName),
		Digest: hex.EncodeToString(p.Digest[:]), CreatedAt: p.CreatedAt, FinishedAt: p.FinishedAt, Counts: wireCounts(&p.Counts),
		Problems: rowProblems(p.Problems), Herds: make([]api.ImportReport, len(p.Herds)), Error: text(p.Error), MissingHerds: texts(p.Missing),
	}
	for i, h := range p.Herds {
		out.Herds[i] = *wireReport(h.Herd, h.ImportReport, who)
	}
	if p.ID != uuid.Nil {
		out.ID = ptr(p.ID)
		out.Rejects = ptr(filePath(p.ID) + "/rejects.csv")
	}
	return out
}

func wireCounts(c *book.ImportCounts) api.ImportCounts {
	return api.ImportCounts{
		Rows: c.Rows, Skipped: c.Skipped, Refused: c.Refused, Events: c.Events, Appended: c.Appended, AlreadyThere: c.AlreadyThere,
		Amended: c.Amended, Changed: c.Changed, Withdrawn: c.Withdrawn, Vanished: c.Vanished,
	}
}

func wireDifferences(list []book.Difference) []api.ImportDifference {
	out := make([]api.ImportDifference, len(list))
	for i := range list {
		d := &list[i]
		out[i] = api.ImportDifference{
			Code: api.ImportDifferenceCode(d.Code), Animal: d.Animal, Kind: d.Kind, On: mustDay(d.On), Ref: text(d.Ref), Event: d.Event, Seq: d.Seq,
			Fields: make([]api.FieldChange, len(d.Fields)), Detail: d.Detail, Suggestion: d.Suggestion,
		}
		if d.Line > 0 {
			out[i].Line = &d.Line
		}
		for j, f := range d.Fields {
			out[i].Fields[j] = api.FieldChange{Name: f.Name, Log: f.Log, Sheet: f.Sheet}
		}
	}
	return out
}

func wireImportChecks(p *book.ImportFindings) *api.ImportChecks {
	if p == nil {
		return nil
	}
	out := &api.ImportChecks{Count: p.Count, Items: make([]api.ImportCheck, len(p.Items))}
	for i := range p.Items {
		x := &p.Items[i]
		out.Items[i] = api.ImportCheck{
			Code: x.Code, Severity: api.Severity(x.Severity), Animal: x.Animal, On: day(x.On), Text: x.Text, PleaseCheck: x.Ask,
			Seqs: seqs(x.Seqs), Lines: append([]int{}, x.Lines...),
		}
	}
	return out
}

// withDifferences adds to the findings about an import where its sheet and the
// log differ and the log was left alone.
func (s *Server) withDifferences(r *request, list []repro.Finding, keep func(*repro.Finding) bool) ([]repro.Finding, error) {
	id, err := uuid.Parse(r.text("import"))
	if err != nil {
		return list, nil //nolint:nilerr // not asked for; one that cannot be read was refused before
	}
	report, err := s.book.ImportReport(r.ctx, r.herd, id)
	if err != nil {
		return nil, err
	}
	animal := r.text("animal")
	for i := range report.Differences {
		f := differenceFinding(report, &report.Differences[i])
		if (animal == "" || f.Animal == animal) && keep(&f) {
			list = append(list, f)
		}
	}
	slices.SortStableFunc(list, func(a, b repro.Finding) int { return cmp.Compare(a.On, b.On) })
	return list, nil
}

func differenceFinding(report *book.ImportReport, d *book.Difference) repro.Finding {
	f := repro.Finding{
		Code: "sheet_" + d.Code, Rule: "sheet", Severity: repro.SeverityDoubtful, Animal: d.Animal, On: d.On, Text: d.Kind + ": " + d.Detail,
		Bound: "the mapping " + report.Mapping, Ask: d.Suggestion, Seqs: []int64{d.Seq},
	}
	if d.Ref != "" {
		f.Bound += ", row " + d.Ref
	}
	var changes []string
	for _, c := range d.Fields {
		changes = append(changes, c.Name+" is "+orNothing(c.Log)+" in the log and "+orNothing(c.Sheet)+" in the sheet")
	}
	if changes != nil {
		f.Text += " (" + strings.Join(changes, "; ") + ")"
	}
	return f
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return strconv.Quote(s)
}
