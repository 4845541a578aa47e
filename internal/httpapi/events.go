package httpapi

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// timeLayout is how recorded_at is written: always all six digits.
const timeLayout = "2006-01-02T15:04:05.000000Z"

func wireHead(h book.Head, epoch int64) api.Head {
	return api.Head{Epoch: epoch, Seq: h.Seq, Hash: hex.EncodeToString(h.Hash[:]), RecordedAt: moment(h.RecordedAt)}
}

// moment gives a time as the contract has it; none is null.
func moment(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return ptr(t.UTC())
}

// wireEvent puts what the log adds in front of the canonical bytes' members;
// the bytes themselves stay as they were hashed.
func wireEvent(it *book.Item) api.Event {
	b := make([]byte, 0, len(it.Bytes)+256)
	b = append(b, `{"seq":`...)
	b = strconv.AppendInt(b, it.Seq, 10)
	b = append(b, `,"recorded_at":"`...)
	b = it.RecordedAt.UTC().AppendFormat(b, timeLayout)
	b = append(b, `","hash":"`...)
	b = hex.AppendEncode(b, it.Hash[:])
	b = append(b, '"')
	if it.Voided {
		b = append(b, `,"voided":true`...)
	}
	if it.Note != nil {
		b = append(b, `,"note":`...)
		b = append(b, jsonText(it.Note.Body)...)
		b = append(b, `,"note_salt":"`...)
		b = hex.AppendEncode(b, it.Note.Salt[:])
		b = append(b, '"')
	}
	b = append(b, ',')
	return api.EventOf(append(b, it.Bytes[1:]...))
}

func jsonText(s string) []byte {
	var b bytes.Buffer
	_ = encodeJSON(&b, s) // a text always encodes
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

// listQuery is what a request asks of the log.
func (r *request) listQuery() (q book.Query, err error) {
	limit, err := r.limit()
	if err != nil {
		return q, err
	}
	q = book.Query{Animal: r.text("animal"), All: r.flag("all"), Limit: limit}
	if q.From, err = r.date("from"); err != nil {
		return q, err
	}
	if q.To, err = r.date("to"); err != nil {
		return q, err
	}
	if k := r.text("kind"); k != "" {
		q.Kind, _ = event.ParseKind(k) // the contract has the kinds
	}
	return q, nil
}

// after finds where the list goes on.
func (s *Server) after(r *request) (int64, error) {
	c, ok, err := r.cursor()
	if err != nil {
		return 0, err
	}
	if ok && r.text("after") != "" {
		return 0, badParam("after", "contradicts", "give after or cursor, not both")
	}
	after, err := r.integer("after", 0)
	if err != nil || !ok && after == 0 {
		return 0, err
	}
	epoch, err := s.book.Epoch(r.ctx)
	if err != nil {
		return 0, err
	}
	head, err := s.book.Head(r.ctx, r.herd)
	if err != nil {
		return 0, err
	}
	if !ok {
		c = cursor{epoch: epoch, seq: after, at: after}
	}
	return c.at, c.fits(epoch, head.Seq)
}

func (s *Server) listEvents(r *request) (*reply, error) {
	q, err := r.listQuery()
	if err != nil {
		return nil, err
	}
	if r.give == mediaStream {
		return s.followEvents(r, q)
	}
	asOf, err := r.asOf()
	if err != nil {
		return nil, err
	}
	wait, err := r.integer("wait", 0)
	if err != nil {
		return nil, err
	}
	if wait > 0 && asOf != (book.AsOf{}) {
		return nil, badParam("wait", "contradicts", "nothing new can come to what was known at an earlier time")
	}
	if q.After, err = s.after(r); err != nil {
		return nil, err
	}
	if r.http.Header.Get("If-None-Match") != "" && wait == 0 {
		head, err := s.book.Head(r.ctx, r.herd)
		if err != nil {
			return nil, err
		}
		epoch, err := s.book.Epoch(r.ctx)
		if err != nil {
			return nil, err
		}
		if err := r.unless(eventsTag(r, epoch, head)); err != nil {
			return nil, err
		}
	}
	var page *book.Page
	if asOf == (book.AsOf{}) {
		page, err = s.pageNow(r, q, time.Duration(wait)*time.Second)
	} else {
		page, err = s.pagePast(r, q, asOf)
	}
	if err != nil {
		return nil, err
	}
	return answerEvents(r, page)
}

func eventsTag(r *request, epoch int64, head book.Head) string {
	return r.etagOf(strconv.FormatInt(epoch, 10), hex.EncodeToString(head.Hash[:]))
}

// pageNow reads a page, and while it is empty waits for one.
func (s *Server) pageNow(r *request, q book.Query, wait time.Duration) (*book.Page, error) {
	until := time.Now().Add(wait)
	for {
		page, err := s.book.Events(r.ctx, r.herd, q)
		if err != nil || len(page.Items) > 0 || page.More {
			return page, err
		}
		left := time.Until(until)
		if left <= 0 || s.stopping.Load() {
			return page, nil
		}
		// What was looked at and does not fit need not be looked at again.
		q.After = page.Next
		if err := s.awaitNews(r, q.After, left); err != nil {
			return nil, err
		}
	}
}

// awaitNews waits without a connection to the database. A server that stops
// ends the wait, so that the client is answered and goes elsewhere.
func (s *Server) awaitNews(r *request, after int64, left time.Duration) error {
	ctx, cancel := context.WithCancel(r.ctx)
	defer cancel()
	defer context.AfterFunc(s.stopped, cancel)()
	return s.book.Wait(ctx, r.herd, after, left)
}

// pagePast reads a page of the log as it was known at an earlier moment.
func (s *Server) pagePast(r *request, q book.Query, asOf book.AsOf) (*book.Page, error) {
	all := q.All
	q.All = true
	var page *book.Page
	var seq int64
	if err := s.book.View(r.ctx, r.herd, asOf, func(v *book.View) error {
		seq = v.Head.Seq
		return nil
	}); err != nil {
		return nil, err
	}
	if seq == 0 || q.After >= seq {
		epoch, err := s.book.Epoch(r.ctx)
		head, headErr := s.book.Head(r.ctx, r.herd)
		return &book.Page{Epoch: epoch, Head: head, Next: q.After}, firstError(err, headErr)
	}
	q.UpTo = seq
	page, err := s.book.Events(r.ctx, r.herd, q)
	if err != nil {
		return nil, err
	}
	err = s.book.View(r.ctx, r.herd, book.AsOf{Seq: seq}, func(v *book.View) error {
		kept := page.Items[:0]
		for _, it := range page.Items {
			it.Voided = v.Voided(it.Seq)
			if all || !it.Voided {
				kept = append(kept, it)
			}
		}
		page.Items = kept
		return nil
	})
	return page, err
}

func firstError(list ...error) error {
	for _, err := range list {
		if err != nil {
			return err
		}
	}
	return nil
}

func answerEvents(r *request, page *book.Page) (*reply, error) {
	next := cursor{epoch: page.Epoch, seq: page.Next, at: page.Next}.encode(r.question())
	a := &reply{etag: eventsTag(r, page.Epoch, page.Head), next: next}
	switch r.give {
	case mediaCSV:
		a.csv = &csvReply{table: eventTable, more: page.More, rows: func(w *sheet.TableWriter) error { return eventRows(w, page.Items) }}
	case mediaNDJSON:
		a.raw, a.media = eventLines(page, next), mediaNDJSON
	default:
		out := &api.EventPage{
			Herd: r.herd.Name, Epoch: page.Epoch, Next: next, HeadSeq: page.Head.Seq, HasMore: page.More,
			Items: make([]api.Event, len(page.Items)),
		}
		for i := range page.Items {
			out.Items[i] = wireEvent(&page.Items[i])
		}
		a.json = out
	}
	return a, nil
}

// eventLines ends with a control line, without which the answer was cut.
func eventLines(page *book.Page, next string) []byte {
	var b bytes.Buffer
	for i := range page.Items {
		e := wireEvent(&page.Items[i])
		b.Write(e.Raw())
		b.WriteByte('\n')
	}
	_ = encodeJSON(&b, map[string]any{"_end": map[string]any{ // plain texts and numbers: it cannot fail
		"count": len(page.Items), "next": next, "head_seq": page.Head.Seq, "has_more": page.More,
	}})
	return b.Bytes()
}

// eventRows writes events with the columns of the export, without its end
// record: a page is not the log.
func eventRows(w *sheet.TableWriter, items []book.Item) error {
	var row []string
	for i := range items {
		it := &items[i]
		e, err := event.DecodeCanonical(it.Bytes)
		if err != nil {
			return err
		}
		noteHash := ""
		if it.Note != nil {
			e.Note, e.NoteSalt = it.Note.Body, it.Note.Salt
		} else if e.NoteHash != (event.Digest{}) {
			noteHash = e.NoteHash.String()
		}
		row = e.Cells(row)
		record := append(row[:len(row):len(row)], noteHash, sheet.RowCheck(e), strconv.FormatInt(it.Seq, 10), it.RecordedAt.UTC().Format(timeLayout), hex.EncodeToString(it.Hash[:]))
		if err := w.Write(record); err != nil {
			return err
		}
	}
	return nil
}

func (s *Server) eraseNote(r *request) (*reply, error) {
	if err := s.book.EraseNote(r.ctx, r.herd, r.id(), r.principal); err != nil {
		return nil, err
	}
	return &reply{status: http.StatusNoContent}, nil
}

func (s *Server) getEvent(r *request) (*reply, error) {
	it, err := s.book.Event(r.ctx, r.herd, r.id())
	if err != nil {
		return nil, err
	}
	e := wireEvent(it)
	etag := r.etagOf(string(e.Raw()))
	if err := r.unless(etag); err != nil {
		return nil, err
	}
	return &reply{json: json.RawMessage(e.Raw()), etag: etag}, nil
}

func (s *Server) getHead(r *request) (*reply, error) {
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
	out := wireHerdHead(r.herd.Name, head, epoch)
	return &reply{json: &out, etag: etag}, nil
}

func wireHerdHead(herd string, head book.Head, epoch int64) api.HerdHead {
	w := wireHead(head, epoch)
	return api.HerdHead{Herd: herd, Epoch: w.Epoch, Seq: w.Seq, Hash: w.Hash, RecordedAt: w.RecordedAt}
}

func (s *Server) listHeads(r *request) (*reply, error) {
	epoch, err := s.book.Epoch(r.ctx)
	if err != nil {
		return nil, err
	}
	heads, err := s.book.Heads(r.ctx, r.principal)
	if err != nil {
		return nil, err
	}
	out := &api.HeadList{Epoch: epoch, Heads: make([]api.HerdHead, len(heads))}
	for i, h := range heads {
		out.Heads[i] = wireHerdHead(h.Herd.Name, h.Head, epoch)
	}
	return &reply{json: out, header: http.Header{}}, nil
}
