package httpapi

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"io"
	"net/http"
	"strconv"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/exchange"
)

// dataset is the one that there is.
const dataset = "reproduction"

const standard = "ICAR ADE 1.3.2"

// fullSync is the standard's header that tells a receiver to drop what he has.
const fullSync = "Icar-Full-Sync"

func (s *Server) wireDataset(r *request) api.Dataset {
	where := (&exchange.System{Herd: r.herd.Name}).Location()
	return api.Dataset{
		ID: dataset, Title: "Reproduction and movements of " + r.herd.Title, Standard: standard, Source: s.book.Source(),
		Location: api.SchemeID{ID: where.ID, Scheme: where.Scheme}, ResourceTypes: exchange.Types(),
		Changes: "/v1/herds/" + r.herd.Name + "/exchange/datasets/" + dataset + "/changes",
	}
}

func (s *Server) listDatasets(r *request) (*reply, error) {
	return &reply{json: &api.DatasetList{Herd: r.herd.Name, Datasets: []api.Dataset{s.wireDataset(r)}}}, nil
}

// exchangeState is what answers of the exchange depend on, beside the request.
type exchangeState struct {
	epoch int64
	head  book.Head
	form  int64 // how resources are written: another form is another data set
}

func (s *Server) exchangeState(r *request) (st exchangeState, err error) {
	if st.epoch, err = s.book.Epoch(r.ctx); err != nil {
		return st, err
	}
	st.head, err = s.book.Head(r.ctx, r.herd)
	sum := sha256.Sum256([]byte(strconv.Itoa(exchange.Version) + "\x00" + s.book.Source() + "\x00" + r.herd.Zone))
	st.form = int64(binary.BigEndian.Uint64(sum[:8]) >> 1)
	return st, err
}

func (st exchangeState) tag(r *request) string {
	return r.etagOf(strconv.FormatInt(st.epoch, 10), hex.EncodeToString(st.head.Hash[:]), strconv.FormatInt(st.form, 10))
}

func (s *Server) getDataset(r *request) (*reply, error) {
	st, err := s.exchangeState(r)
	if err != nil {
		return nil, err
	}
	tag := st.tag(r)
	if err := r.unless(tag); err != nil {
		return nil, err
	}
	x, err := s.book.Exchange(r.ctx, r.herd, 0, st.head)
	if err != nil {
		return nil, err
	}
	if err := x.Each(r.ctx, func(*exchange.Resource) error { return nil }); err != nil {
		return nil, err
	}
	n, _ := x.Written()
	out := &api.DatasetState{Herd: r.herd.Name, Dataset: s.wireDataset(r), Resources: n, NotExpressible: []api.LostField{}, Head: wireHead(st.head, st.epoch)}
	for _, c := range x.Lost() {
		out.NotExpressible = append(out.NotExpressible, api.LostField{Kind: c.Kind, Field: text(c.Field), Count: c.N})
	}
	return &reply{json: out, etag: tag}, nil
}

// since reads the token: the seq up to which the receiver has everything. 0 is
// nothing, and is also the answer to a token of a log that is no longer this one,
// or of resources that were written differently: the standard has a way to say
// so, and the receiver starts over.
func (r *request) since(st exchangeState) (int64, error) {
	token := r.text("since")
	if token == "" {
		return 0, nil
	}
	c, err := parseCursor(token, r.dataset())
	if err != nil {
		return 0, badParam("since", "bad_text", "this is no token of this data set: send back the token of its @continuation, unchanged")
	}
	if fits := c.fits(st.epoch, st.head.Seq) == nil && c.at == st.form; !fits {
		return 0, nil
	}
	return c.seq, nil
}

// dataset is the question that a token belongs to.
func (r *request) dataset() string {
	return r.op.id + "\nherd=" + r.herd.Name + "\ndataset=" + r.param("dataset")
}

func (s *Server) getChanges(r *request) (*reply, error) {
	st, err := s.exchangeState(r)
	if err != nil {
		return nil, err
	}
	since, err := r.since(st)
	if err != nil {
		return nil, err
	}
	tag := st.tag(r)
	if err := r.unless(tag); err != nil {
		return nil, err
	}
	x, err := s.book.Exchange(r.ctx, r.herd, since, st.head)
	if err != nil {
		return nil, err
	}
	next := cursor{epoch: st.epoch, seq: st.head.Seq, at: st.form}.encode(r.dataset())
	return &reply{
		media: mediaJSON, etag: tag, header: http.Header{fullSync: {strconv.FormatBool(since == 0)}},
		stream: func(w io.Writer) error { return s.writeChanges(r, w, x, next) },
	}, nil
}

// frame is the first or the last object of an array of changes.
type frame struct {
	ID       string               `json:"id"`
	Standard string               `json:"standard,omitempty"`
	Version  string               `json:"version,omitempty"`
	Source   string               `json:"source,omitempty"`
	Location *exchange.Identifier `json:"location,omitempty"`
	Token    string               `json:"token,omitempty"`
}

func (s *Server) writeChanges(r *request, to io.Writer, x *book.Exchange, next string) error {
	w := bufio.NewWriterSize(to, 64<<10)
	var b bytes.Buffer
	put := func(before string, v any) error {
		b.Reset()
		b.WriteString(before)
		if err := encodeJSON(&b, v); err != nil {
			return err
		}
		_, err := w.Write(bytes.TrimSuffix(b.Bytes(), []byte("\n")))
		return err
	}
	where := (&exchange.System{Herd: r.herd.Name}).Location()
	if err := put("[\n", frame{ID: "@context", Standard: "ICAR ADE", Version: "1.3.2", Source: s.book.Source(), Location: where}); err != nil {
		return err
	}
	if err := x.Each(r.ctx, func(res *exchange.Resource) error { return put(",\n", res) }); err != nil {
		return err
	}
	if err := put(",\n", frame{ID: "@continuation", Token: next}); err != nil {
		return err
	}
	if _, err := w.WriteString("\n]\n"); err != nil {
		return err
	}
	return w.Flush()
}

func (s *Server) importExchange(r *request) (*reply, error) {
	report, err := s.book.ImportExchange(r.ctx, r.herd, r.body, book.ExchangeOptions{DryRun: r.flag("dry_run"), Location: r.text("location")})
	if err != nil {
		return nil, err
	}
	epoch, err := s.book.Epoch(r.ctx)
	if err != nil {
		return nil, err
	}
	a := &reply{json: wireExchange(r.herd, report, epoch)}
	if report.Events > 0 && !report.DryRun {
		a.status = http.StatusCreated
		s.metrics.appended.Add(float64(report.Events))
	}
	return a, nil
}

func wireExchange(h *book.Herd, p *book.ExchangeReport, epoch int64) *api.ExchangeReport {
	out := &api.ExchangeReport{
		Herd: h.Name, DryRun: p.DryRun,
		Counts: api.ExchangeCounts{
			Resources: p.Items, Events: p.Events, Appended: p.Appended, Amended: p.Amended, Deleted: p.Deleted,
			AlreadyThere: p.Known, NotExpressible: p.Unplaced, Refused: p.Refused,
		},
		Problems: []api.ResourceProblem{}, NotExpressible: []api.LostMember{}, Head: wireHead(p.Head, epoch),
	}
	for _, f := range p.Problems {
		out.Problems = append(out.Problems, api.ResourceProblem{Pointer: "#" + f.Pointer, ResourceType: text(f.ResourceType), Code: f.Code, Detail: f.Detail})
	}
	for _, c := range p.Lost {
		out.NotExpressible = append(out.NotExpressible, api.LostMember{ResourceType: text(c.Kind), Member: text(c.Field), Count: c.N})
	}
	return out
}
