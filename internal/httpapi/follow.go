package httpapi

import (
	"context"
	"errors"
	"io"
	"net/http"
	"time"

	"byrelog.example/internal/book"
)

// Streams of server-sent events. One ends after a while and the client comes back with
// the id of the last event that it has seen, so that tokens are looked at again, a
// balancer can move clients, and a server that stops is soon left.
const (
	maxStreams  = 200              // at once; each is a goroutine and asks the database when there is news
	streamFor   = 5 * time.Minute  // if nothing else ends it
	streamBeat  = 15 * time.Second // longest silence: a comment shows that the line stands
	streamWrite = 10 * time.Second // for a client to take what it is sent
	streamRetry = "retry: 1000\n\n"
)

// followEvents answers with the change feed as it grows. What is wrong with the request
// is told before the stream begins; what fails later ends it, and the client comes back.
func (s *Server) followEvents(r *request, q book.Query) (*reply, error) {
	for _, name := range []string{"wait", "as_of"} {
		if r.query.Has(name) {
			return nil, badParam(name, "contradicts", "a stream of events goes on by itself, from now on")
		}
	}
	if id := r.http.Header.Get("Last-Event-ID"); id != "" {
		// A client that comes back repeats its first address: what it saw last counts.
		r.query.Del("after")
		r.query.Set("cursor", id)
	}
	after, err := s.after(r)
	if err != nil {
		return nil, err
	}
	q.After = after
	select {
	case s.streams <- struct{}{}:
	default:
		return nil, &problem{
			status: http.StatusServiceUnavailable, code: "too-many-streams", retryAfter: 5 * time.Second,
			detail: "as many clients follow logs as this server has room for; ask with wait instead, or come back",
		}
	}
	// The request's own context ends when an answer would be late.
	ctx, cancel := context.WithTimeout(r.http.Context(), streamFor)
	long := *r
	long.ctx = ctx
	end := func() { cancel(); <-s.streams }
	page, err := s.book.Events(ctx, r.herd, q)
	if err != nil {
		end()
		return nil, err
	}
	return &reply{
		media: mediaStream, header: http.Header{"Cache-Control": {"no-store"}, "X-Accel-Buffering": {"no"}},
		stream: func(w io.Writer) error {
			out, ok := w.(*lateWriter)
			if !ok {
				return errors.New("a stream of events needs a connection")
			}
			return s.follow(&long, out, q, page)
		},
		done: end,
	}, nil
}

// follow sends pages until the stream's time is over, the client is gone or the server
// stops. None of them is a failure.
func (s *Server) follow(r *request, w *lateWriter, q book.Query, page *book.Page) error {
	text := []byte(streamRetry)
	for {
		text = appendStream(text, r, page)
		if err := w.send(text, streamWrite); err != nil {
			return err
		}
		q.After = page.Next
		if s.stopping.Load() || r.ctx.Err() != nil {
			return nil //nolint:nilerr // its time is over
		}
		var err error
		if page, err = s.pageNow(r, q, streamBeat); err != nil {
			if r.ctx.Err() != nil {
				return nil //nolint:nilerr // its time is over
			}
			return err
		}
		text = append(text[:0], ":\n\n"...)
	}
}

// appendStream writes a page as server-sent events, the cursor behind each as its id.
// Where nothing that was looked at fits, an id alone brings the client on.
func appendStream(b []byte, r *request, page *book.Page) []byte {
	id := func(seq int64) {
		b = append(b, "id: "...)
		b = append(b, cursor{epoch: page.Epoch, seq: seq, at: seq}.encode(r.question())...)
	}
	for i := range page.Items {
		it := &page.Items[i]
		id(it.Seq)
		b = append(b, "\ndata: "...)
		e := wireEvent(it) // JSON without line ends
		b = append(b, e.Raw()...)
		b = append(b, "\n\n"...)
	}
	if n := len(page.Items); page.Next > 0 && (n == 0 || page.Items[n-1].Seq < page.Next) {
		id(page.Next)
		b = append(b, "\n\n"...)
	}
	return b
}

// send writes and flushes; a client that does not take it in time is left.
func (w *lateWriter) send(p []byte, within time.Duration) error {
	control := http.NewResponseController(w.c.Response())
	// Not every ResponseWriter has deadlines: a test's recorder has no connection.
	_ = control.SetReadDeadline(time.Now().Add(streamFor))
	_ = control.SetWriteDeadline(time.Now().Add(streamBeat + within))
	if _, err := w.Write(p); err != nil {
		return err
	}
	return control.Flush()
}
