package api

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
)

// Changes is what came with an array of changes.
type Changes struct {
	Token    string // to ask with next time
	FullSync bool   // it was all that stands: what is held beside it is to be dropped
	Count    int    // resources
}

// ExchangeChanges writes a data set's array of changes since a token ("" is
// everything) to w as it comes. Without its last object the answer was cut: the
// error is then [ErrTruncated] and what was written is of no use.
func (c *ClientWithResponses) ExchangeChanges(ctx context.Context, herd HerdName, dataset DatasetParam, since string, w io.Writer) (*Changes, error) {
	params := &GetChangesParams{}
	if since != "" {
		params.Since = &since
	}
	rsp, err := c.GetChanges(ctx, herd, dataset, params)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	if !gives(rsp, "application/json") {
		return nil, errAnswer("changes", rsp)
	}
	out := &Changes{FullSync: rsp.Header.Get("icar-full-sync") == "true"}
	in := io.TeeReader(rsp.Body, w)
	err = elements(in, func(raw json.RawMessage) error {
		var frame struct{ ID, Token string }
		if err := json.Unmarshal(raw, &frame); err != nil {
			return err
		}
		switch frame.ID {
		case "@context":
		case "@continuation":
			out.Token = frame.Token
		default:
			out.Count++
		}
		return nil
	})
	if err == nil {
		_, err = io.Copy(io.Discard, in) // what stands behind the array
	}
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) || err == nil && out.Token == "":
		return nil, ErrTruncated
	case err != nil:
		return nil, fmt.Errorf("changes: %w", err)
	}
	return out, nil
}

// elements calls fn for each element of a JSON array.
func elements(r io.Reader, fn func(json.RawMessage) error) error {
	dec := json.NewDecoder(r)
	t, err := dec.Token()
	if err != nil {
		return err
	}
	if t != json.Delim('[') {
		return errors.New("it is no array")
	}
	for dec.More() {
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			return err
		}
		if err := fn(raw); err != nil {
			return err
		}
	}
	_, err = dec.Token()
	return err
}

// Bounds of one import of resources, below the server's own.
const (
	batchResources = 5000
	batchExchange  = 16 << 20
)

// ErrResources says that an array of resources cannot be read to its end.
// Batches before that place may have been sent.
var ErrResources = errors.New("the resources cannot be read")

// errSent keeps a failed call apart from a failure to read.
type errSent struct{ error }

func (e errSent) Unwrap() error { return e.error }

// ImportResources sends resources of the exchange standard: an array, of any
// length, which goes in batches; or a collection or a single resource as it is.
// The report is of all batches together, with pointers into the whole. Should
// a batch fail, those before it are taken: the same again stores nothing twice.
func (c *ClientWithResponses) ImportResources(ctx context.Context, herd HerdName, params *ImportExchangeParams, r io.Reader) (*ExchangeReport, error) {
	in := bufio.NewReader(r)
	for {
		b, err := in.ReadByte()
		if err != nil {
			return nil, unread(err)
		}
		if !strings.ContainsRune(" \t\r\n", rune(b)) {
			_ = in.UnreadByte() // it was just read
			if b != '[' {
				return c.importExchange(ctx, herd, params, in)
			}
			break
		}
	}
	var whole *ExchangeReport
	var batch bytes.Buffer
	n, done := 0, 0
	flush := func() error {
		batch.WriteByte(']')
		report, err := c.importExchange(ctx, herd, params, &batch)
		if err != nil {
			return errSent{fmt.Errorf("import resources %d to %d: %w", done, done+n-1, err)}
		}
		whole = merge(whole, report, done)
		done, n = done+n, 0
		batch.Reset()
		return nil
	}
	err := elements(in, func(raw json.RawMessage) error {
		if n == batchResources || n > 0 && batch.Len()+len(raw) > batchExchange {
			if err := flush(); err != nil {
				return err
			}
		}
		sep := byte(',')
		if n == 0 {
			sep = '['
		}
		batch.WriteByte(sep)
		batch.Write(raw)
		n++
		return nil
	})
	if err != nil {
		return nil, unread(err)
	}
	if n > 0 || whole == nil {
		if n == 0 {
			batch.WriteByte('[')
		}
		if err := flush(); err != nil {
			return nil, err
		}
	}
	return whole, nil
}

// unread words a failure to take an array apart; that of a call stays as it is.
func unread(err error) error {
	var sent errSent
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &sent):
		return sent.error
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%w: it ends too early", ErrResources)
	case errors.As(err, &syntax):
		return fmt.Errorf("%w: %w, at byte %d", ErrResources, err, syntax.Offset)
	}
	return fmt.Errorf("read the resources: %w", err)
}

func (c *ClientWithResponses) importExchange(ctx context.Context, herd HerdName, params *ImportExchangeParams, body io.Reader) (*ExchangeReport, error) {
	rsp, err := c.ImportExchangeWithBodyWithResponse(ctx, herd, params, "application/json", body)
	switch {
	case err != nil:
		return nil, err
	case rsp.JSON201 != nil:
		return rsp.JSON201, nil
	case rsp.JSON200 != nil && rsp.StatusCode() == http.StatusOK:
		return rsp.JSON200, nil
	}
	return nil, errAnswer("import of resources", rsp.HTTPResponse)
}

const mostProblems = 100

// merge adds the report of a batch whose first resource is the offset-th.
func merge(whole, part *ExchangeReport, offset int) *ExchangeReport {
	for i := range part.Problems {
		p := &part.Problems[i]
		token, rest, _ := strings.Cut(strings.TrimPrefix(p.Pointer, "#/"), "/")
		if n, err := strconv.Atoi(token); err == nil {
			p.Pointer = "#/" + strconv.Itoa(n+offset)
			if rest != "" {
				p.Pointer += "/" + rest
			}
		}
	}
	if whole == nil {
		return part
	}
	a, b := &whole.Counts, part.Counts
	a.Resources += b.Resources
	a.Events += b.Events
	a.Appended += b.Appended
	a.Amended += b.Amended
	a.Deleted += b.Deleted
	a.AlreadyThere += b.AlreadyThere
	a.NotExpressible += b.NotExpressible
	a.Refused += b.Refused
	whole.Problems = append(whole.Problems, part.Problems...)
	whole.Problems = whole.Problems[:min(len(whole.Problems), mostProblems)]
	whole.Head = part.Head
	for _, l := range part.NotExpressible {
		if at := l.find(whole.NotExpressible); at >= 0 {
			whole.NotExpressible[at].Count += l.Count
		} else {
			whole.NotExpressible = append(whole.NotExpressible, l)
		}
	}
	return whole
}

func (l *LostMember) find(list []LostMember) int {
	same := func(a, b *string) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }
	for i := range list {
		if same(list[i].ResourceType, l.ResourceType) && same(list[i].Member, l.Member) {
			return i
		}
	}
	return -1
}
