package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"iter"
	"mime"
	"net/http"
	"net/url"
	"strings"
)

// Checks goes through all checks that params ask for.
func (c *ClientWithResponses) Checks(ctx context.Context, herd HerdName, params ListChecksParams) iter.Seq2[Check, error] {
	return pages(func() ([]Check, *string, error) {
		rsp, err := c.ListChecksWithResponse(ctx, herd, &params)
		if err != nil {
			return nil, nil, err
		}
		if rsp.JSON200 == nil {
			return nil, nil, errAnswer("list checks", rsp.HTTPResponse)
		}
		params.Cursor = rsp.JSON200.Next
		return rsp.JSON200.Items, rsp.JSON200.Next, nil
	})
}

// WorkList is a work list with all its rows, whatever the server's pages. Its
// cautions are those of all rows.
func (c *ClientWithResponses) WorkList(ctx context.Context, herd HerdName, list ListName, params GetListParams) (*WorkList, error) {
	var whole *WorkList
	for {
		rsp, err := c.GetListWithResponse(ctx, herd, list, &params)
		if err != nil {
			return nil, err
		}
		part := rsp.JSON200
		if part == nil {
			return nil, errAnswer("work list", rsp.HTTPResponse)
		}
		next := part.Next
		if whole == nil {
			whole = part
		} else {
			whole.Rows = append(whole.Rows, part.Rows...)
		}
		if whole.Next = nil; next == nil {
			return whole, nil
		}
		params.Cursor = next
	}
}

// WorkListText writes a work list to w as text for the screen.
func (c *ClientWithResponses) WorkListText(ctx context.Context, herd HerdName, list ListName, params GetListParams, w io.Writer) error {
	return copyText("work list", "text/plain", w, func() (*http.Response, error) {
		return c.GetList(ctx, herd, list, &params, accept("text/plain"))
	})
}

// WorkListPage writes a work list to w as a page of HTML to print.
func (c *ClientWithResponses) WorkListPage(ctx context.Context, herd HerdName, list ListName, params GetListParams, w io.Writer) error {
	return copyText("work list", "text/html", w, func() (*http.Response, error) {
		return c.GetList(ctx, herd, list, &params, accept("text/html"))
	})
}

// WorkListForm writes a work list to w as a form to fill in, which comes back by an
// import.
func (c *ClientWithResponses) WorkListForm(ctx context.Context, herd HerdName, list ListName, params GetListFormParams, w io.Writer) error {
	return copyText("form", "text/csv", w, func() (*http.Response, error) { return c.GetListForm(ctx, herd, list, &params) })
}

// FailedHerdsError tells that the answer about several herds holds nothing of some,
// for a fault of the service. What was written of the others is whole.
type FailedHerdsError struct{ Herds []string }

func (e *FailedHerdsError) Error() string {
	return "nothing of " + strings.Join(e.Herds, ", ") + ", for a fault of the service"
}

// failedHerds is the error of an answer that leaves herds out.
func failedHerds(rsp *http.Response) error {
	if list := rsp.Header.Values("Byrelog-Failed"); len(list) > 0 {
		return &FailedHerdsError{list}
	}
	return nil
}

// VisitText writes a work list of several herds to w as text for the screen. The error
// is a [FailedHerdsError] if some could not be listed; so with the two below.
func (c *ClientWithResponses) VisitText(ctx context.Context, list ListName, params ListVisitParams, w io.Writer) error {
	return copyText("visit", "text/plain", w, func() (*http.Response, error) {
		return c.ListVisit(ctx, list, &params, accept("text/plain"))
	})
}

// VisitPage writes a work list of several herds to w as a page of HTML to print.
func (c *ClientWithResponses) VisitPage(ctx context.Context, list ListName, params ListVisitParams, w io.Writer) error {
	return copyText("visit", "text/html", w, func() (*http.Response, error) {
		return c.ListVisit(ctx, list, &params, accept("text/html"))
	})
}

func copyText(op, media string, w io.Writer, fetch func() (*http.Response, error)) error {
	rsp, err := fetch()
	if err != nil {
		return err
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end or given up
	if !gives(rsp, media) {
		return errAnswer(op, rsp)
	}
	if _, err := io.Copy(w, rsp.Body); err != nil {
		return fmt.Errorf("%s: %w", op, err)
	}
	return failedHerds(rsp)
}

// VisitCSV writes a work list of several herds to w as CSV.
func (c *ClientWithResponses) VisitCSV(ctx context.Context, list ListName, params ListVisitParams, w io.Writer) error {
	var failed error
	err := csvPages("visit", w, func(*string) (*http.Response, error) {
		rsp, err := c.ListVisit(ctx, list, &params, accept("text/csv"))
		if err == nil {
			failed = failedHerds(rsp)
		}
		return rsp, err
	})
	if err != nil {
		return err
	}
	return failed
}

// WorkListCSV writes a work list to w as CSV, all pages as one table. The error
// is [ErrTruncated] if a page came without its end.
func (c *ClientWithResponses) WorkListCSV(ctx context.Context, herd HerdName, list ListName, params GetListParams, w io.Writer) error {
	return csvPages("work list", w, func(cursor *string) (*http.Response, error) {
		params.Cursor = cursor
		return c.GetList(ctx, herd, list, &params, accept("text/csv"))
	})
}

// ChecksCSV writes checks to w as CSV, all pages as one table. The error is
// [ErrTruncated] if a page came without its end.
func (c *ClientWithResponses) ChecksCSV(ctx context.Context, herd HerdName, params ListChecksParams, w io.Writer) error {
	return csvPages("list checks", w, func(cursor *string) (*http.Response, error) {
		params.Cursor = cursor
		return c.ListChecks(ctx, herd, &params, accept("text/csv"))
	})
}

// AnimalsCSV writes the animals of a herd to w as CSV, all pages as one table. The
// error is [ErrTruncated] if a page came without its end; so with the tables below.
func (c *ClientWithResponses) AnimalsCSV(ctx context.Context, herd HerdName, params ListAnimalsParams, w io.Writer) error {
	return csvPages("list animals", w, func(cursor *string) (*http.Response, error) {
		params.Cursor = cursor
		return c.ListAnimals(ctx, herd, &params, accept("text/csv"))
	})
}

// IndicesCSV writes the indices of a herd to w as CSV.
func (c *ClientWithResponses) IndicesCSV(ctx context.Context, herd HerdName, params ListIndicesParams, w io.Writer) error {
	return csvPages("list indices", w, func(*string) (*http.Response, error) {
		return c.ListIndices(ctx, herd, &params, accept("text/csv"))
	})
}

// EvidenceCSV writes the evidence of an index to w as CSV, all pages as one table.
func (c *ClientWithResponses) EvidenceCSV(ctx context.Context, herd HerdName, index IndexKey, params ListEvidenceParams, w io.Writer) error {
	return csvPages("list evidence", w, func(cursor *string) (*http.Response, error) {
		params.Cursor = cursor
		return c.ListEvidence(ctx, herd, index, &params, accept("text/csv"))
	})
}

// SummaryCSV writes the indices of several herds to w as CSV.
func (c *ClientWithResponses) SummaryCSV(ctx context.Context, params GetSummaryParams, w io.Writer) error {
	return csvPages("summary", w, func(*string) (*http.Response, error) {
		return c.GetSummary(ctx, &params, accept("text/csv"))
	})
}

// Technicians compares conception by technician; people is a table that says which code
// of which herd is which person, or nil.
func (c *ClientWithResponses) Technicians(ctx context.Context, params ListTechniciansParams, people []byte) (*Technicians, error) {
	rsp, err := c.technicians(ctx, &params, people, "application/json") //nolint:bodyclose // what parses it closes it
	if err != nil {
		return nil, err
	}
	answer, err := ParseListTechniciansResponse(rsp)
	if err != nil {
		return nil, err
	}
	if answer.JSON200 == nil {
		return nil, errAnswer("technicians", rsp)
	}
	return answer.JSON200, nil
}

// TechniciansCSV writes the same to w as CSV.
func (c *ClientWithResponses) TechniciansCSV(ctx context.Context, params ListTechniciansParams, people []byte, w io.Writer) error {
	return csvPages("technicians", w, func(*string) (*http.Response, error) { return c.technicians(ctx, &params, people, "text/csv") })
}

func (c *ClientWithResponses) technicians(ctx context.Context, params *ListTechniciansParams, people []byte, media string) (*http.Response, error) {
	if people == nil {
		return c.ListTechnicians(ctx, params, accept(media))
	}
	with := &ComparePeopleParams{
		Herds: params.Herds, From: params.From, To: params.To, On: params.On, AsOf: params.AsOf, MergeDays: params.MergeDays, MaturityDays: params.MaturityDays,
		Strata: (*ComparePeopleParamsStrata)(params.Strata), Profile: (*ComparePeopleParamsProfile)(params.Profile), Delimiter: (*ComparePeopleParamsDelimiter)(params.Delimiter),
	}
	return c.ComparePeopleWithBody(ctx, with, "text/csv", bytes.NewReader(people), accept(media))
}

func accept(media string) RequestEditorFn {
	return func(_ context.Context, r *http.Request) error {
		r.Header.Set("Accept", media)
		return nil
	}
}

func gives(rsp *http.Response, want string) bool {
	media, _, err := mime.ParseMediaType(rsp.Header.Get("Content-Type"))
	return err == nil && media == want && rsp.StatusCode == http.StatusOK
}

// nextCursor is the cursor of the Link to the next page; nil if there is none.
func nextCursor(h http.Header) *string {
	for _, link := range h.Values("Link") {
		target, rel, ok := strings.Cut(link, ">")
		if !ok || !strings.Contains(rel, `rel="next"`) {
			continue
		}
		u, err := url.Parse(strings.TrimPrefix(strings.TrimSpace(target), "<"))
		if err != nil {
			continue
		}
		if c := u.Query().Get("cursor"); c != "" {
			return &c
		}
	}
	return nil
}
