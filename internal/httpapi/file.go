package httpapi

import (
	"encoding/hex"
	"io"
	"net/http"
	"strconv"
	"time"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/sheet"
)

func (s *Server) importFile(r *request) (*reply, error) {
	options, err := importOptions(r)
	if err != nil {
		return nil, err
	}
	report, err := s.book.Import(r.ctx, r.herd, r.body, options)
	if err != nil {
		return nil, err
	}
	if !report.DryRun {
		s.metrics.appended.Add(float64(appendedBy(&report.Counts)))
	}
	a := &reply{json: wireReport(r.herd, report, r.principal)}
	switch {
	case report.DryRun:
		return a, nil
	case report.FinishedAt != nil:
		a.status = http.StatusCreated
	default:
		a.status = http.StatusAccepted
	}
	a.header = http.Header{"Location": {importPath(r.herd, report.ID)}}
	return a, nil
}

func appendedBy(c *book.ImportCounts) int64 { return c.Appended + 2*c.Amended + c.Withdrawn }

func importPath(h *book.Herd, id uuid.UUID) string {
	return "/v1/herds/" + h.Name + "/imports/" + id.String()
}

// wireReport shows what the log has only to those who may read it.
func wireReport(h *book.Herd, p *book.ImportReport, who *book.Principal) *api.ImportReport {
	out := &api.ImportReport{
		Herd: h.Name, State: api.ImportReportState(p.State), DryRun: p.DryRun, Mapping: p.Mapping, FileName: text(p.FileName),
		Digest: hex.EncodeToString(p.Digest[:]), CreatedAt: p.CreatedAt, UpdatedAt: p.UpdatedAt, FinishedAt: p.FinishedAt,
		Counts:   wireCounts(&p.Counts),
		Problems: rowProblems(p.Problems), Notices: rowProblems(p.Notices), Error: text(p.Error),
		Differences: []api.ImportDifference{},
	}
	if who.May(h.ID, "read") {
		out.Differences, out.Checks = wireDifferences(p.Differences), wireImportChecks(p.Findings)
	}
	if p.ID != uuid.Nil {
		out.ID = ptr(p.ID)
		out.Rejects = ptr(importPath(h, p.ID) + "/rejects.csv")
	}
	return out
}

func rowProblems(list []sheet.Problem) []api.RowProblem {
	out := make([]api.RowProblem, len(list))
	for i, p := range list {
		out[i] = api.RowProblem{
			Line: p.Line, Column: text(p.Column), Field: text(p.Field), Value: text(p.Value),
			Code: p.Code, Detail: p.Detail, Suggestion: text(p.Suggestion),
		}
	}
	return out
}

func (s *Server) listImports(r *request) (*reply, error) {
	limit, err := r.limit()
	if err != nil {
		return nil, err
	}
	c, ok, err := r.cursor()
	if err != nil {
		return nil, err
	}
	epoch, err := s.book.Epoch(r.ctx)
	if err != nil {
		return nil, err
	}
	var before time.Time
	if ok {
		if err := c.fits(epoch, c.seq); err != nil {
			return nil, err
		}
		before = time.UnixMicro(c.at).UTC()
	}
	list, err := s.book.Imports(r.ctx, r.herd, limit+1, before)
	if err != nil {
		return nil, err
	}
	a := &reply{}
	out := &api.ImportList{Herd: r.herd.Name, Items: []api.ImportReport{}}
	if len(list) > limit {
		list = list[:limit]
		a.next = cursor{epoch: epoch, at: list[limit-1].CreatedAt.UnixMicro()}.encode(r.question())
		out.Next = &a.next
	}
	for _, p := range list {
		out.Items = append(out.Items, *wireReport(r.herd, p, r.principal))
	}
	a.json = out
	return a, nil
}

func (s *Server) getImport(r *request) (*reply, error) {
	report, err := s.book.ImportReport(r.ctx, r.herd, r.id())
	if err != nil {
		return nil, err
	}
	return &reply{json: wireReport(r.herd, report, r.principal)}, nil
}

func (s *Server) getRejects(r *request) (*reply, error) {
	return &reply{
		stream: func(w io.Writer) error { return s.book.Rejects(r.ctx, r.herd, r.id(), w) },
		header: attachment("rejects-" + r.id().String() + ".csv"),
	}, nil
}

// attachment names a download. The name is made by the server alone.
func attachment(name string) http.Header {
	return http.Header{"Content-Disposition": {`attachment; filename="` + name + `"`}}
}

func (s *Server) exportHerd(r *request) (*reply, error) {
	head, err := s.book.Head(r.ctx, r.herd)
	if err != nil {
		return nil, err
	}
	epoch, err := s.book.Epoch(r.ctx)
	if err != nil {
		return nil, err
	}
	etag := eventsTag(r, epoch, head)
	if err := r.unless(etag); err != nil {
		return nil, err
	}
	form, err := r.form()
	if err != nil {
		return nil, err
	}
	header := attachment(r.herd.Name + ".csv")
	header.Set("Link", `</v1/herds/`+r.herd.Name+`/datapackage.json?table=export>; rel="describedby"; type="application/json"`)
	return &reply{
		stream: func(w io.Writer) error { return s.book.ExportAs(r.ctx, r.herd, form, w) },
		header: header, etag: etag,
	}, nil
}

func (s *Server) listMappings(r *request) (*reply, error) {
	list, err := s.book.Mappings(r.ctx)
	if err != nil {
		return nil, err
	}
	out := &api.MappingList{Mappings: []api.MappingInfo{{Name: book.NativeMapping, Builtin: true}}}
	for i := range list {
		out.Mappings = append(out.Mappings, wireMapping(&list[i]))
	}
	return &reply{json: out}, nil
}

func wireMapping(m *book.Mapping) api.MappingInfo {
	return api.MappingInfo{Name: m.Name, Version: m.Version, CreatedAt: moment(m.CreatedAt)}
}

// nativeText is what is answered for the built-in mapping, which has no text
// of its own: its columns are the event table's.
const nativeText = "# native: the project's own CSV profile, built in.\n# GET /v1/herds/{herd}/datapackage.json describes its columns.\n"

func (s *Server) getMapping(r *request) (*reply, error) {
	name := r.param("name")
	if name == book.NativeMapping {
		return &reply{raw: []byte(nativeText), media: mediaYAML}, nil
	}
	m, err := s.book.Mapping(r.ctx, name)
	if err != nil {
		return nil, err
	}
	return &reply{raw: []byte(m.Doc), media: mediaYAML, header: http.Header{"Byrelog-Mapping-Version": {strconv.FormatInt(m.Version, 10)}}}, nil
}

func (s *Server) putMapping(r *request) (*reply, error) {
	doc, err := io.ReadAll(r.body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	m, err := s.book.PutMapping(r.ctx, r.param("name"), string(doc))
	if err != nil {
		return nil, err
	}
	out := wireMapping(m)
	return &reply{json: &out}, nil
}
