package api

import (
	"cmp"
	"context"
	"io"
	"time"
)

// ImportHerdsCSV imports one file over many herds and waits until every herd's
// part is finished, or ctx ends; then the report is as it stood last.
func (c *ClientWithResponses) ImportHerdsCSV(ctx context.Context, params *ImportHerdsParams, r io.Reader) (*HerdsImportReport, error) {
	rsp, err := c.ImportHerdsWithBodyWithResponse(ctx, params, "text/csv", r)
	if err != nil {
		return nil, err
	}
	report := cmp.Or(rsp.JSON202, rsp.JSON201, rsp.JSON200)
	if report == nil {
		return nil, errAnswer("import", rsp.HTTPResponse)
	}
	done := func(r *HerdsImportReport) bool { return r.ID == nil || r.FinishedAt != nil }
	return finished(ctx, report, done, func(r *HerdsImportReport) (*HerdsImportReport, error) {
		again, err := c.GetHerdsImportWithResponse(ctx, *r.ID)
		if err == nil && again.JSON200 == nil {
			err = errAnswer("import", again.HTTPResponse)
		}
		if err != nil {
			return nil, err
		}
		return again.JSON200, nil
	})
}

// finished asks again until what a report is of is done, or ctx ends. On an
// error the report is as it stood last.
func finished[T any](ctx context.Context, report *T, done func(*T) bool, again func(*T) (*T, error)) (*T, error) {
	for pause := 100 * time.Millisecond; !done(report); pause = min(2*pause, 2*time.Second) {
		select {
		case <-ctx.Done():
			return report, ctx.Err()
		case <-time.After(pause):
		}
		newer, err := again(report)
		if err != nil {
			return report, err
		}
		report = newer
	}
	return report, nil
}
