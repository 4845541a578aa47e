package main

import (
	"context"
	"io"
	"net/http"
	"testing"
	"time"
)

// ask is a plain request, where no command asks for the same.
func (s *server) ask(ctx context.Context, path string) (int, []byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.base+path, nil)
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Authorization", "Bearer "+s.token)
	rsp, err := (&http.Client{}).Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer func() { _ = rsp.Body.Close() }() // read to its end
	body, err := io.ReadAll(rsp.Body)
	return rsp.StatusCode, body, err
}

func (s *server) get(t *testing.T, path string) []byte {
	t.Helper()
	code, body, err := s.ask(t.Context(), path)
	if err != nil || code != http.StatusOK {
		t.Fatalf("GET %s: %d %v\n%.500s", path, code, err, body)
	}
	return body
}
