package httpapi

import (
	"net/http"
	"slices"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
)

func (s *Server) listTokens(r *request) (*reply, error) {
	list, err := s.book.Tokens(r.ctx)
	if err != nil {
		return nil, err
	}
	names, err := s.herdNames(r)
	if err != nil {
		return nil, err
	}
	slices.Reverse(list) // the newest first
	out := &api.TokenList{Tokens: make([]api.Token, len(list))}
	for i := range list {
		t := &list[i]
		out.Tokens[i] = api.Token{
			ID: t.ID, Name: t.Name, Admin: t.Admin, CreatedAt: t.CreatedAt, ExpiresAt: t.ExpiresAt, RevokedAt: t.RevokedAt,
			LastUsedAt: t.LastUsedAt, Grants: []api.Grant{},
		}
		for _, g := range t.Grants {
			out.Tokens[i].Grants = addGrant(out.Tokens[i].Grants, grantHerd(names, g.Herd), string(g.Scope))
		}
	}
	return &reply{json: out, header: noStore()}, nil
}

// herdNames maps ids to short names; only an administrator asks for it, who
// may see every herd.
func (s *Server) herdNames(r *request) (map[uuid.UUID]string, error) {
	herds, err := s.book.Herds(r.ctx, r.principal, scopes...)
	if err != nil {
		return nil, err
	}
	names := make(map[uuid.UUID]string, len(herds))
	for i := range herds {
		names[herds[i].ID] = herds[i].Name
	}
	return names, nil
}

func grantHerd(names map[uuid.UUID]string, id *uuid.UUID) string {
	if id == nil {
		return "*"
	}
	return names[*id]
}

// addGrant gathers the scopes of one herd in one grant.
func addGrant(list []api.Grant, herd, scope string) []api.Grant {
	i := slices.IndexFunc(list, func(g api.Grant) bool { return g.Herd == herd })
	if i < 0 {
		return append(list, api.Grant{Herd: herd, Scopes: []api.Scope{api.Scope(scope)}})
	}
	list[i].Scopes = append(list[i].Scopes, api.Scope(scope))
	return list
}

func (s *Server) createToken(r *request) (*reply, error) {
	var in api.NewToken
	if err := s.readJSON(r, &in); err != nil {
		return nil, err
	}
	spec := book.TokenSpec{Name: in.Name, ExpiresAt: in.ExpiresAt, Admin: in.Admin != nil && *in.Admin}
	out := &api.IssuedToken{Grants: []api.Grant{}}
	for _, g := range in.Grants {
		grant := book.GrantSpec{Herd: g.Herd}
		for _, scope := range g.Scopes {
			grant.Scopes = append(grant.Scopes, book.Scope(scope))
			out.Grants = addGrant(out.Grants, g.Herd, string(scope))
		}
		spec.Grants = append(spec.Grants, grant)
	}
	secret, t, err := s.book.CreateToken(r.ctx, spec)
	if err != nil {
		return nil, err
	}
	out.ID, out.Name, out.Admin, out.CreatedAt, out.ExpiresAt, out.Token = t.ID, t.Name, t.Admin, t.CreatedAt, t.ExpiresAt, secret
	return &reply{status: http.StatusCreated, json: out, header: http.Header{
		"Location": {"/v1/tokens/" + t.ID.String()}, "Cache-Control": {"no-store"},
	}}, nil
}

func (s *Server) revokeToken(r *request) (*reply, error) {
	if err := s.book.RevokeToken(r.ctx, r.id()); err != nil {
		return nil, err
	}
	return &reply{status: http.StatusNoContent}, nil
}
