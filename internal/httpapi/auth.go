package httpapi

import (
	"net/http"

	"byrelog.example/internal/book"
)

// authenticate finds out who asks.
func (s *Server) authenticate(r *request) error {
	if r.op.scope == scopeNone || r.op.id == "getMetrics" && s.config.OpenMetrics {
		return nil
	}
	token, present, err := bearer(r.http.Header)
	if !present {
		return &problem{
			status: http.StatusUnauthorized, code: "unauthenticated", challenge: `Bearer realm="byrelog"`,
			detail: "this needs a token: Authorization: Bearer …",
		}
	}
	if err != nil {
		return &problem{
			status: http.StatusUnauthorized, code: "invalid-token", challenge: `Bearer realm="byrelog", error="invalid_token"`,
			detail: "the Authorization header is not one bearer token",
		}
	}
	r.principal, err = s.book.Authenticate(r.ctx, token)
	return err
}

// authorise holds the principal against the operation's scope. A herd that the
// principal may do nothing in is answered as one that is not there.
func (s *Server) authorise(r *request) error {
	switch {
	case r.principal == nil: // authenticate let it pass: the operation needs nobody
		return nil
	case r.op.scope == scopeAny:
		return nil
	case r.op.scope == scopeAdmin:
		if !r.principal.Admin {
			return insufficient(scopeAdmin)
		}
		return nil
	}
	herd, err := s.herdFor(r, r.param("herd"))
	if err != nil {
		return err
	}
	if !r.principal.May(herd.ID, book.Scope(r.op.scope)) {
		return insufficient(r.op.scope)
	}
	r.herd = herd
	return nil
}

var scopes = []book.Scope{"read", "record", "manage"}

// herdFor finds a herd that the principal may do anything in.
func (s *Server) herdFor(r *request, name string) (*book.Herd, error) {
	herd, err := s.book.Herd(r.ctx, name)
	if err != nil {
		return nil, err
	}
	for _, scope := range scopes {
		if r.principal.May(herd.ID, scope) {
			return herd, nil
		}
	}
	return nil, noHerd()
}

func scopesIn(p *book.Principal, h *book.Herd) []book.Scope {
	list := []book.Scope{}
	for _, scope := range scopes {
		if p.May(h.ID, scope) {
			list = append(list, scope)
		}
	}
	return list
}

// noHerd MUST read as the book's own answer for a herd that is not there; the
// access matrix of the tests holds the two against each other.
func noHerd() error {
	return refuse(http.StatusNotFound, "herd-not-found", "there is no herd of this name that the token may use")
}

func insufficient(scope string) error {
	return &problem{
		status: http.StatusForbidden, code: "insufficient-scope",
		detail:    "the token does not have the scope " + scope + " here",
		challenge: `Bearer realm="byrelog", error="insufficient_scope", scope="` + scope + `"`,
	}
}
