package httpapi

import (
	"context"
	"net/http"
	"time"

	"byrelog.example/api"
	"byrelog.example/openapi"
)

func (s *Server) getHealth(*request) (*reply, error) {
	return &reply{json: &api.Health{Status: api.HealthStatusOk}, header: noStore()}, nil
}

func (s *Server) getReadiness(r *request) (*reply, error) {
	notReady := &problem{status: http.StatusServiceUnavailable, code: "unavailable", retryAfter: 5 * time.Second}
	if s.stopping.Load() {
		notReady.detail = "the service is shutting down"
		return nil, notReady
	}
	if s.config.Ready != nil {
		ctx, cancel := context.WithTimeout(r.ctx, 2*time.Second)
		defer cancel()
		if err := s.config.Ready(ctx); err != nil {
			notReady.detail, notReady.cause = "the database cannot be used just now, or its schema does not fit", err
			return nil, notReady
		}
	}
	return &reply{json: &api.Health{Status: api.HealthStatusReady}, header: noStore()}, nil
}

func noStore() http.Header { return http.Header{"Cache-Control": {"no-store"}} }

func (s *Server) getMetrics(*request) (*reply, error) {
	text, err := s.metrics.text()
	if err != nil {
		return nil, err
	}
	return &reply{raw: text, media: mediaText, header: noStore()}, nil
}

func (s *Server) getContract(r *request) (*reply, error) {
	etag := r.etagOf(string(openapi.YAML))
	if err := r.unless(etag); err != nil {
		return nil, err
	}
	return &reply{raw: openapi.YAML, media: mediaYAML, etag: etag, header: http.Header{"Cache-Control": {"public, no-cache"}}}, nil
}

// ownStyle is the policy of a page that has a style sheet inside it and nothing else.
const (
	headerPolicy = "Content-Security-Policy"
	ownStyle     = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
)

func (s *Server) getDocs(r *request) (*reply, error) {
	etag := r.etagOf(string(s.docs))
	if err := r.unless(etag); err != nil {
		return nil, err
	}
	return &reply{raw: s.docs, media: mediaHTML, etag: etag, header: http.Header{
		"Cache-Control": {"public, no-cache"},
		headerPolicy:    {ownStyle},
	}}, nil
}
