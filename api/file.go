package api

import (
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
	report := rsp.JSON200
	if rsp.JSON201 != nil {
		report = rsp.JSON201
	}
	if rsp.JSON202 != nil {
		report = rsp.JSON202
	}
	for pause := 100 * time.Millisecond; ; pause = min(2*pause, 2*time.Second) {
		switch {
		case report == nil:
			return nil, errAnswer("import", rsp.HTTPResponse)
		case report.ID == nil || report.FinishedAt != nil:
			return report, nil
		}
		select {
		case <-ctx.Done():
			return report, ctx.Err()
		case <-time.After(pause):
		}
		again, err := c.GetHerdsImportWithResponse(ctx, *report.ID)
		if err != nil {
			return report, err
		}
		report = again.JSON200
		rsp.HTTPResponse = again.HTTPResponse
	}
}
