package api

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"net/http"
	"slices"
)

// Events goes through the herd's log page by page, from params' cursor (or
// After) to the head. The second value is the error that ended it.
func (c *ClientWithResponses) Events(ctx context.Context, herd HerdName, params ListEventsParams) iter.Seq2[Event, error] {
	return func(yield func(Event, error) bool) {
		for {
			page, err := c.eventPage(ctx, herd, &params)
			if err != nil {
				yield(Event{}, err)
				return
			}
			for _, e := range page.Items {
				if !yield(e, nil) {
					return
				}
			}
			if !page.HasMore {
				return
			}
			params.After, params.Cursor = nil, &page.Next
		}
	}
}

// Follow is [ClientWithResponses.Events] without an end: at the head it waits
// for news, until ctx ends or the loop is left. cursor is called with the
// cursor behind each page, to be kept for the next time.
func (c *ClientWithResponses) Follow(ctx context.Context, herd HerdName, params ListEventsParams, cursor func(string)) iter.Seq2[Event, error] {
	return func(yield func(Event, error) bool) {
		wait := 30
		for {
			params.Wait = &wait
			page, err := c.eventPage(ctx, herd, &params)
			if err != nil {
				yield(Event{}, err)
				return
			}
			for _, e := range page.Items {
				if !yield(e, nil) {
					return
				}
			}
			if cursor != nil {
				cursor(page.Next)
			}
			params.After, params.Cursor = nil, &page.Next
		}
	}
}

func (c *ClientWithResponses) eventPage(ctx context.Context, herd HerdName, params *ListEventsParams) (*EventPage, error) {
	rsp, err := c.ListEventsWithResponse(ctx, herd, params)
	if err != nil {
		return nil, err
	}
	if rsp.JSON200 == nil {
		return nil, errAnswer("list events", rsp.HTTPResponse)
	}
	return rsp.JSON200, nil
}

// Animals goes through all animals that params ask for.
func (c *ClientWithResponses) Animals(ctx context.Context, herd HerdName, params ListAnimalsParams) iter.Seq2[AnimalItem, error] {
	return pages(func() ([]AnimalItem, *string, error) {
		rsp, err := c.ListAnimalsWithResponse(ctx, herd, &params)
		if err != nil {
			return nil, nil, err
		}
		if rsp.JSON200 == nil {
			return nil, nil, errAnswer("list animals", rsp.HTTPResponse)
		}
		params.Cursor = rsp.JSON200.Next
		return rsp.JSON200.Items, rsp.JSON200.Next, nil
	})
}

// Evidence goes through all rows that an index counted or left out.
func (c *ClientWithResponses) Evidence(ctx context.Context, herd HerdName, index IndexKey, params ListEvidenceParams) iter.Seq2[EvidenceItem, error] {
	return pages(func() ([]EvidenceItem, *string, error) {
		rsp, err := c.ListEvidenceWithResponse(ctx, herd, index, &params)
		if err != nil {
			return nil, nil, err
		}
		if rsp.JSON200 == nil {
			return nil, nil, errAnswer("list evidence", rsp.HTTPResponse)
		}
		params.Cursor = rsp.JSON200.Next
		return rsp.JSON200.Items, rsp.JSON200.Next, nil
	})
}

// Imports goes through all imports of the herd, the newest first.
func (c *ClientWithResponses) Imports(ctx context.Context, herd HerdName) iter.Seq2[ImportReport, error] {
	var params ListImportsParams
	return pages(func() ([]ImportReport, *string, error) {
		rsp, err := c.ListImportsWithResponse(ctx, herd, &params)
		if err != nil {
			return nil, nil, err
		}
		if rsp.JSON200 == nil {
			return nil, nil, errAnswer("list imports", rsp.HTTPResponse)
		}
		params.Cursor = rsp.JSON200.Next
		return rsp.JSON200.Items, rsp.JSON200.Next, nil
	})
}

func pages[T any](fetch func() ([]T, *string, error)) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for {
			items, next, err := fetch()
			if err != nil {
				var none T
				yield(none, err)
				return
			}
			for _, it := range items {
				if !yield(it, nil) {
					return
				}
			}
			if next == nil {
				return
			}
		}
	}
}

// ErrTruncated says that a file ended before its last record, or that the
// record does not fit it.
var ErrTruncated = errors.New("api: the file was cut before its end record, or changed on the way")

// Export writes the herd's whole log as CSV to w, in the interchange profile.
// It checks that the file came whole: otherwise the error is [ErrTruncated] and
// what was written is of no use.
func (c *ClientWithResponses) Export(ctx context.Context, herd HerdName, w io.Writer) (int64, error) {
	return c.ExportAs(ctx, herd, nil, w)
}

// ExportAs is Export in the profile that params ask for.
func (c *ClientWithResponses) ExportAs(ctx context.Context, herd HerdName, params *ExportHerdParams, w io.Writer) (int64, error) {
	rsp, err := c.ExportHerd(ctx, herd, params)
	if err != nil {
		return 0, err
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	if rsp.StatusCode != http.StatusOK {
		return 0, errAnswer("export", rsp)
	}
	end := &endCheck{}
	n, err := io.Copy(io.MultiWriter(w, end), rsp.Body)
	if err != nil {
		return n, fmt.Errorf("export: %w", err)
	}
	if !end.ok() {
		return n, ErrTruncated
	}
	return n, nil
}

// endCheck looks at the first and the last record of a CSV that goes by.
type endCheck struct {
	header []byte
	whole  bool // the header is complete
	last   []byte
}

const maxRecord = 64 << 10

func (e *endCheck) Write(p []byte) (int, error) {
	if !e.whole {
		head, _, found := bytes.Cut(p, []byte("\n"))
		if len(e.header)+len(head) <= maxRecord {
			e.header = append(e.header, head...)
		}
		e.whole = found
	}
	e.last = append(e.last, p...)
	if len(e.last) > 2*maxRecord {
		e.last = append(e.last[:0], e.last[len(e.last)-maxRecord:]...)
	}
	return len(p), nil
}

func (e *endCheck) ok() bool {
	read := func(line []byte) ([]string, error) {
		r := csv.NewReader(bytes.NewReader(line))
		r.Comma = delimiterOf(e.header)
		return r.Read()
	}
	header, err := read(bytes.TrimPrefix(e.header, byteOrderMark))
	if err != nil {
		return false
	}
	kind := slices.Index(header, "kind")
	body, found := bytes.CutSuffix(e.last, []byte("\r\n"))
	if kind < 0 || !found {
		return false
	}
	// The end record has no quoted cell, so its line is the record.
	record, err := read(body[bytes.LastIndexByte(body, '\n')+1:])
	return err == nil && kind < len(record) && record[kind] == "end"
}

// lines reads lines of at most maxRecord bytes.
type lines struct {
	in     *bufio.Reader
	number int
}

func newLines(r io.Reader) *lines { return &lines{in: bufio.NewReaderSize(r, maxRecord+2)} }

// next gives the next line without the space around it; it is valid until the
// next call.
func (l *lines) next() ([]byte, error) {
	text, err := l.in.ReadSlice('\n')
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return nil, fmt.Errorf("line %d has more than %d bytes", l.number+1, maxRecord)
	case errors.Is(err, io.EOF) && len(text) > 0:
	case err != nil:
		return nil, err
	}
	l.number++
	return bytes.TrimSpace(text), nil
}
