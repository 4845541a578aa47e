package api

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Options of a client. The zero value asks without a token.
type Options struct {
	Token     string       // bearer token
	UserAgent string       // "byrelog-client" if empty
	HTTP      *http.Client // a client without an overall time limit if nil: exports and long polls take their time; bound calls by their context
}

// New makes a client of the server at the given address, for example
// http://127.0.0.1:8080. It is safe for concurrent use.
func New(server string, o Options) (*ClientWithResponses, error) {
	doer := o.HTTP
	if doer == nil {
		doer = &http.Client{}
	}
	agent := o.UserAgent
	if agent == "" {
		agent = "byrelog-client"
	}
	return NewClientWithResponses(server,
		WithHTTPClient(checked{doer}),
		WithRequestEditorFn(func(_ context.Context, r *http.Request) error {
			r.Header.Set("User-Agent", agent)
			if o.Token != "" {
				r.Header.Set("Authorization", "Bearer "+o.Token)
			}
			return nil
		}))
}

// ProblemError is a 4xx or 5xx answer.
type ProblemError struct {
	Problem
	RetryAfter time.Duration // 0 if the server named none
}

// Error tells the problem and its faults, at most five of them.
func (e *ProblemError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (%d %s)", e.Detail, e.Status, e.Code)
	if e.Errors == nil {
		return b.String()
	}
	if len(*e.Errors) == 1 && strings.HasSuffix(e.Detail, (*e.Errors)[0].Detail) {
		return b.String() // it says the same
	}
	for i, item := range *e.Errors {
		if i == 5 {
			fmt.Fprintf(&b, "; and %d more", len(*e.Errors)-i)
			break
		}
		b.WriteString("; ")
		if where := item.where(); where != "" {
			b.WriteString(where + ": ")
		}
		b.WriteString(item.Detail)
	}
	return b.String()
}

func (p *ProblemItem) where() string {
	switch {
	case p.Line != nil && p.Column != nil:
		return fmt.Sprintf("line %d, column %s", *p.Line, *p.Column)
	case p.Line != nil && p.Pointer != nil:
		return fmt.Sprintf("line %d, %s", *p.Line, *p.Pointer)
	case p.Line != nil:
		return fmt.Sprintf("line %d", *p.Line)
	case p.Parameter != nil:
		return *p.Parameter
	case p.Pointer != nil:
		return *p.Pointer
	}
	return ""
}

// IsProblem tells whether err is an answer of the given code.
func IsProblem(err error, code string) bool {
	var p *ProblemError
	return errors.As(err, &p) && p.Code == code
}

// checked turns problem answers into errors.
type checked struct{ next HttpRequestDoer }

const maxProblem = 1 << 20

func (c checked) Do(r *http.Request) (*http.Response, error) {
	rsp, err := c.next.Do(r)
	if err != nil || rsp.StatusCode < http.StatusBadRequest {
		return rsp, err
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	body, err := io.ReadAll(io.LimitReader(rsp.Body, maxProblem))
	if err != nil {
		return nil, fmt.Errorf("read the server's answer %s: %w", rsp.Status, err)
	}
	p := &ProblemError{}
	media, _, _ := mime.ParseMediaType(rsp.Header.Get("Content-Type"))
	if media != "application/problem+json" || json.Unmarshal(body, &p.Problem) != nil {
		// Not from byrelog: a proxy, or another server.
		p.Problem = Problem{Type: "about:blank", Title: rsp.Status, Code: "http", Detail: "the server answered " + rsp.Status}
	}
	p.Status = rsp.StatusCode
	if n, err := strconv.Atoi(rsp.Header.Get("Retry-After")); err == nil && n > 0 {
		p.RetryAfter = time.Duration(n) * time.Second
	}
	return nil, p
}

// errAnswer is a 2xx answer that the contract does not have.
func errAnswer(op string, rsp *http.Response) error {
	return fmt.Errorf("%s: the server answered %s with %s, which is not byrelog's contract", op, rsp.Status, rsp.Header.Get("Content-Type"))
}

// Bounds of one append, below the server's own so that a batch always fits.
const (
	batchEvents = 1000
	batchBytes  = 900 << 10
)

// AppendNDJSON appends events, one JSON object a line, in batches. Each batch
// is all or nothing; fn is called with each answer. It stops at the first
// failure: what was answered before is in the log, and because events are
// idempotent by id the whole input may be sent again if its events have ids.
// Blank lines are skipped. The parameters, if there are any, go with each batch.
func (c *ClientWithResponses) AppendNDJSON(ctx context.Context, herd HerdName, params *AppendEventsParams, r io.Reader, fn func(*AppendAnswer) error) error {
	var batch bytes.Buffer
	var numbers []int64 // of the batch's lines, in r
	flush := func() error {
		if len(numbers) == 0 {
			return nil
		}
		rsp, err := c.AppendEventsWithBodyWithResponse(ctx, herd, params, "application/x-ndjson", bytes.NewReader(batch.Bytes()))
		if err != nil {
			renumber(err, numbers)
			return fmt.Errorf("append lines %d to %d: %w", numbers[0], numbers[len(numbers)-1], err)
		}
		batch.Reset()
		numbers = numbers[:0]
		switch {
		case rsp.JSON201 != nil:
			return fn(rsp.JSON201)
		case rsp.JSON200 != nil:
			return fn(rsp.JSON200)
		}
		return errAnswer("append", rsp.HTTPResponse)
	}
	lines := newLines(r)
	for {
		text, err := lines.next()
		if errors.Is(err, io.EOF) {
			return flush()
		}
		if err != nil {
			return err
		}
		if len(text) == 0 {
			continue
		}
		if len(numbers) == batchEvents || batch.Len()+len(text) > batchBytes {
			if err := flush(); err != nil {
				return err
			}
		}
		batch.Write(text)
		batch.WriteByte('\n')
		numbers = append(numbers, int64(lines.number))
	}
}

// renumber turns the lines that a problem tells from those of a batch into
// those of the whole input.
func renumber(err error, numbers []int64) {
	var p *ProblemError
	if !errors.As(err, &p) || p.Errors == nil {
		return
	}
	for i := range *p.Errors {
		if n := (*p.Errors)[i].Line; n != nil && 0 < *n && *n <= int64(len(numbers)) {
			*n = numbers[*n-1]
		}
	}
}

// ImportCSV sends a file and, where the server answers before it is done,
// waits until it is. The report may say that rows were refused; that is not
// an error.
func (c *ClientWithResponses) ImportCSV(ctx context.Context, herd HerdName, params *ImportFileParams, r io.Reader) (*ImportReport, error) {
	return c.importAs(ctx, herd, params, "text/csv", r)
}

// MediaWorkbook is the media type of workbooks (.xlsx).
const MediaWorkbook = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

// ImportWorkbook is [ClientWithResponses.ImportCSV] for a workbook (.xlsx).
func (c *ClientWithResponses) ImportWorkbook(ctx context.Context, herd HerdName, params *ImportFileParams, r io.Reader) (*ImportReport, error) {
	return c.importAs(ctx, herd, params, MediaWorkbook, r)
}

func (c *ClientWithResponses) importAs(ctx context.Context, herd HerdName, params *ImportFileParams, media string, r io.Reader) (*ImportReport, error) {
	rsp, err := c.ImportFileWithBodyWithResponse(ctx, herd, params, media, r)
	if err != nil {
		return nil, err
	}
	report := cmp.Or(rsp.JSON202, rsp.JSON201, rsp.JSON200)
	if report == nil {
		return nil, errAnswer("import", rsp.HTTPResponse)
	}
	done := func(r *ImportReport) bool { return r.ID == nil || r.FinishedAt != nil }
	return finished(ctx, report, done, func(r *ImportReport) (*ImportReport, error) {
		again, err := c.GetImportWithResponse(ctx, herd, *r.ID)
		if err == nil && again.JSON200 == nil {
			err = errAnswer("import", again.HTTPResponse)
		}
		if err != nil {
			return nil, err
		}
		return again.JSON200, nil
	})
}
