package httpapi

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// maxEvent is how large one event may be as JSON.
const maxEvent = 64 << 10

// batch is the events of a request with where each stood in it.
type batch struct {
	events []*event.Event
	lines  []int // line of each in an NDJSON body; nil for JSON
	single bool  // the body is one event, not a list of one
	void   bool  // the body is a VoidRequest: a void, and its replacement if there is one
}

// locate turns a pointer into the list of events into one into the body.
func (b *batch) locate(i int, rest string) api.ProblemItem {
	switch {
	case b.void && i > 0:
		return api.ProblemItem{Pointer: ptr("#/replacement" + rest)}
	case b.void && rest == "/data/event":
		return api.ProblemItem{Parameter: ptr("id")} // it is named in the path
	case b.void:
		return api.ProblemItem{Pointer: ptr("#" + strings.TrimPrefix(rest, "/data"))}
	case b.lines != nil:
		return api.ProblemItem{Line: ptr(int64(b.lines[i])), Pointer: ptr("#" + rest)}
	case b.single:
		return api.ProblemItem{Pointer: ptr("#" + rest)}
	}
	return api.ProblemItem{Pointer: ptr("#/" + strconv.Itoa(i) + rest)}
}

// relocate mends the items of a problem that the book has told of events by
// their index; the book leaves the index out where there is one event only.
func (b *batch) relocate(p *problem) {
	for i := range p.items {
		it := &p.items[i]
		if it.Pointer == nil && it.Line == nil && it.Parameter == nil {
			it.Pointer = ptr("#") // the event as a whole
		}
		if it.Pointer == nil {
			continue
		}
		at, rest := 0, strings.TrimPrefix(*it.Pointer, "#")
		if len(b.events) > 1 {
			token, below, _ := strings.Cut(strings.TrimPrefix(rest, "/"), "/")
			n, err := strconv.Atoi(token)
			if err != nil || n < 0 || n >= len(b.events) {
				continue
			}
			at, rest = n, ""
			if below != "" {
				rest = "/" + below
			}
		}
		where := b.locate(at, rest)
		it.Line, it.Pointer, it.Parameter = where.Line, where.Pointer, where.Parameter
	}
}

func (s *Server) appendEvents(r *request) (*reply, error) {
	var digest hash.Hash
	if r.http.Header.Get("Idempotency-Key") != "" {
		digest = sha256.New()
		r.body = io.TeeReader(r.body, digest)
	}
	b, err := readBatch(r.media, r.body)
	if err != nil {
		return nil, err
	}
	var o book.AppendOptions
	if r.text("expected_head_seq") != "" {
		n, err := r.integer("expected_head_seq", 0)
		if err != nil {
			return nil, err
		}
		o.ExpectHead = &n
	}
	o.Unknown = r.text("unknown_animals")
	var sum []byte
	if digest != nil {
		sum = digest.Sum(nil)
	}
	return s.append(r, b, sum, o)
}

// readBatch takes a body apart into events. All faults of all events are told.
func readBatch(media string, body io.Reader) (*batch, error) {
	b := &batch{}
	var items []api.ProblemItem
	var err error
	if media == mediaNDJSON {
		items, err = b.readLines(body)
	} else {
		items, err = b.readJSON(body)
	}
	if err != nil {
		return nil, err
	}
	if len(items) == 0 && len(b.events) == 0 {
		return nil, refuse(http.StatusUnprocessableEntity, "no-events", "there is no event in the request")
	}
	return b, invalidEvents(items)
}

// readLines decodes NDJSON as it comes: only its events are kept, not its text.
func (b *batch) readLines(body io.Reader) ([]api.ProblemItem, error) {
	b.lines = []int{}
	var items []api.ProblemItem
	lines := bufio.NewReaderSize(body, maxEvent+2)
	for number := 1; ; number++ {
		line, err := lines.ReadSlice('\n')
		long := false
		for errors.Is(err, bufio.ErrBufferFull) {
			long = true
			_, err = lines.ReadSlice('\n')
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, bodyProblem(err)
		}
		if line = bytes.TrimSpace(line); len(line) > 0 {
			if len(b.lines) == book.MaxAppend {
				return nil, refuse(http.StatusRequestEntityTooLarge, "too-many-events", "at most %d events in one request", book.MaxAppend)
			}
			b.lines = append(b.lines, number)
			items = append(items, b.read(len(b.lines)-1, line, long)...)
		}
		if err != nil {
			return items, nil //nolint:nilerr // the end of the body is no fault
		}
	}
}

// readJSON reads one event, or a list of them.
func (b *batch) readJSON(body io.Reader) ([]api.ProblemItem, error) {
	raw, err := io.ReadAll(body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	if trimmed := bytes.TrimLeft(raw, " \t\r\n"); len(trimmed) == 0 || trimmed[0] != '[' {
		b.single = true
		return b.read(0, raw, false), nil
	}
	var list []json.RawMessage
	if err := json.Unmarshal(raw, &list); err != nil {
		return nil, malformedJSON("", "the body is not JSON")
	}
	if len(list) > book.MaxAppend {
		return nil, refuse(http.StatusRequestEntityTooLarge, "too-many-events", "%d events; at most %d in one request", len(list), book.MaxAppend)
	}
	var items []api.ProblemItem
	for i, e := range list {
		items = append(items, b.read(i, e, false)...)
	}
	return items, nil
}

// read decodes one event; long says that part is only the beginning of it.
func (b *batch) read(i int, part []byte, long bool) []api.ProblemItem {
	var faults []api.ProblemItem
	if long || len(part) > maxEvent {
		faults = []api.ProblemItem{{Code: event.CodeTooLong, Detail: fmt.Sprintf("an event has at most %d bytes", maxEvent), Pointer: ptr("#")}}
	} else {
		e, err := event.Decode(part)
		if err == nil {
			b.events = append(b.events, e)
			return nil
		}
		faults = eventFaults("", err)
	}
	for n := range faults {
		where := b.locate(i, strings.TrimPrefix(*faults[n].Pointer, "#"))
		faults[n].Line, faults[n].Pointer = where.Line, where.Pointer
	}
	return faults
}

func invalidEvents(items []api.ProblemItem) error {
	if len(items) == 0 {
		return nil
	}
	return &problem{
		status: http.StatusUnprocessableEntity, code: "invalid-event", items: items,
		detail: plural(len(items), "fault") + " found; nothing was written",
	}
}

// append appends a batch. sum is the hash of the body, if there is an Idempotency-Key.
func (s *Server) append(r *request, b *batch, sum []byte, o book.AppendOptions) (*reply, error) {
	key, err := r.idempotencyKey()
	if err != nil {
		return nil, err
	}
	epoch, err := s.book.EpochLately(r.ctx)
	if err != nil {
		return nil, err
	}
	if key != "" {
		o.Key = &book.Key{Owner: r.principal.Owner(), Operation: r.op.id, Key: key, Fingerprint: fingerprint(r, sum)}
		if again, err := s.replay(r, o.Key); again != nil || err != nil {
			return again, err
		}
		o.Key.Render = func(receipt *book.Receipt) (int, []byte) {
			return appendAnswer(r.herd, receipt, epoch)
		}
	}
	receipt, err := s.book.Append(r.ctx, r.herd, b.events, o)
	if err != nil {
		return nil, appendProblem(b, err)
	}
	s.metrics.appended.Add(float64(receipt.Appended()))
	status, answer := appendAnswer(r.herd, receipt, epoch)
	return &reply{status: status, raw: answer, media: mediaJSON}, nil
}

// replay answers a request that was answered before under the same key.
func (s *Server) replay(r *request, k *book.Key) (*reply, error) {
	status, body, ok, err := s.book.Remembered(r.ctx, r.herd, k.Owner, k.Operation, k.Key, k.Fingerprint)
	if err != nil || !ok {
		return nil, err
	}
	return &reply{status: status, raw: body, media: mediaJSON, header: http.Header{"Idempotency-Replayed": {"true"}}}, nil
}

// fingerprint is what makes two requests the same one.
func fingerprint(r *request, sum []byte) [32]byte {
	h := sha256.New()
	for _, part := range []string{r.http.Method, r.http.URL.EscapedPath(), r.http.URL.RawQuery, r.media} {
		h.Write(fmt.Appendf(nil, "%d:%s", len(part), part))
	}
	h.Write(sum)
	return [32]byte(h.Sum(nil))
}

// appendAnswer is the contract's AppendAnswer. It is written by hand: of what an append
// of one event takes in this package, the general way was a tenth.
func appendAnswer(herd *book.Herd, receipt *book.Receipt, epoch int64) (status int, body []byte) {
	status = http.StatusOK
	if receipt.Appended() > 0 {
		status = http.StatusCreated
	}
	const head, each = 256, 192 // more than they take
	b := make([]byte, 0, head+each*len(receipt.Results))
	b = append(b, `{"herd":`...)
	b = event.AppendJSONString(b, herd.Name)
	b = append(b, `,"results":[`...)
	for i := range receipt.Results {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendResult(b, &receipt.Results[i])
	}
	h := &receipt.Head
	b = append(b, `],"head":{"epoch":`...)
	b = strconv.AppendInt(b, epoch, 10)
	b = append(b, `,"seq":`...)
	b = strconv.AppendInt(b, h.Seq, 10)
	b = append(b, `,"hash":"`...)
	b = hex.AppendEncode(b, h.Hash[:])
	b = append(b, `","recorded_at":`...)
	if h.RecordedAt.IsZero() {
		b = append(b, "null"...)
	} else {
		b = append(b, '"')
		b = h.RecordedAt.UTC().AppendFormat(b, time.RFC3339Nano)
		b = append(b, '"')
	}
	return status, append(b, "}}\n"...)
}

func appendResult(b []byte, r *book.Result) []byte {
	b = append(b, `{"id":"`...)
	b = append(b, r.ID.String()...)
	if r.Seq > 0 {
		b = append(b, `","seq":`...)
		b = strconv.AppendInt(b, r.Seq, 10)
	} else {
		b = append(b, `","seq":null`...)
	}
	b = append(b, `,"outcome":"`...)
	b = append(b, r.Outcome...)
	if r.Seq > 0 {
		b = append(b, `","hash":"`...)
		b = hex.AppendEncode(b, r.Hash[:])
		return append(b, `"}`...)
	}
	return append(b, `","hash":null}`...)
}

func resultsOf(list []book.Result) []api.AppendResult {
	out := make([]api.AppendResult, len(list))
	for i, res := range list {
		out[i] = api.AppendResult{ID: res.ID, Outcome: api.AppendResultOutcome(res.Outcome)}
		if res.Seq > 0 {
			out[i].Seq = ptr(res.Seq)
			out[i].Hash = ptr(hex.EncodeToString(res.Hash[:]))
		}
	}
	return out
}

// appendProblem words what the book says of a batch in terms of the body.
func appendProblem(b *batch, err error) error {
	var be *book.Error
	if !errors.As(err, &be) {
		return err
	}
	p := problemOfBook(be)
	b.relocate(p)
	for i, res := range be.Results {
		if res.Outcome == book.InConflict {
			it := b.locate(i, "/id")
			it.Code, it.Detail = "id_taken", "this id is taken by an event with another content"
			p.items = append(p.items, it)
		}
	}
	return p
}

func (s *Server) voidEvent(r *request) (*reply, error) {
	raw, err := io.ReadAll(r.body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	if err := checkJSON(raw); err != nil {
		return nil, err
	}
	var members map[string]json.RawMessage
	if json.Unmarshal(raw, &members) != nil || members == nil {
		return nil, refuse(http.StatusUnprocessableEntity, "invalid-body", "an object is expected")
	}
	// The replacement is read as every event is, which tells its faults better
	// than the schema of all kinds can.
	replacement := members["replacement"]
	delete(members, "replacement")
	rest, err := json.Marshal(members)
	if err != nil {
		return nil, err
	}
	if err := s.validateBody(r, rest); err != nil {
		return nil, err
	}
	var in api.VoidRequest
	if err := json.Unmarshal(rest, &in); err != nil {
		return nil, &problem{status: http.StatusBadRequest, code: "malformed", detail: "the body does not fit the contract", cause: err}
	}
	b := &batch{void: true}
	void, err := s.voidOf(r, &in)
	if err != nil {
		return nil, err
	}
	b.events = append(b.events, void)
	if replacement != nil {
		e, err := event.Decode(replacement)
		if err != nil {
			return nil, invalidEvents(eventFaults("/replacement", err))
		}
		if e.Replaces == uuid.Nil {
			e.Replaces = r.id()
		}
		b.events = append(b.events, e)
	}
	sum := sha256.Sum256(raw)
	return s.append(r, b, sum[:], book.AppendOptions{Unknown: r.text("unknown_animals")})
}

func (s *Server) voidOf(r *request, in *api.VoidRequest) (*event.Event, error) {
	on := event.Date(0)
	if in.On != nil {
		on = event.DateOf(in.On.Time)
	} else if err := s.book.View(r.ctx, r.herd, book.AsOf{}, func(v *book.View) error {
		on = v.Today
		return nil
	}); err != nil {
		return nil, err
	}
	e := event.New(event.KindVoid, r.herd.Name, "", on)
	e.Data = &event.Void{Event: r.id(), Reason: in.Reason}
	if in.ID != nil {
		e.ID = *in.ID
	}
	for _, f := range []struct {
		to   *string
		from *string
	}{{&e.By, in.By}, {&e.Source, in.Source}, {&e.Ref, in.Ref}, {&e.Note, in.Note}} {
		if f.from != nil {
			*f.to = *f.from
		}
	}
	return e, nil
}
