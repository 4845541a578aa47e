package httpapi

import (
	"encoding/json"
	"io"
	"net/http"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func wireHerd(p *book.Principal, h *book.Herd) api.Herd {
	out := api.Herd{Herd: h.Name, Title: h.Title, Zone: h.Zone, CreatedAt: h.CreatedAt, Scopes: []api.Scope{}}
	for _, scope := range scopesIn(p, h) {
		out.Scopes = append(out.Scopes, api.Scope(scope))
	}
	return out
}

func (s *Server) listHerds(r *request) (*reply, error) {
	herds, err := s.book.Herds(r.ctx, r.principal, scopes...)
	if err != nil {
		return nil, err
	}
	out := api.HerdList{Herds: make([]api.Herd, len(herds))}
	for i := range herds {
		out.Herds[i] = wireHerd(r.principal, &herds[i])
	}
	return &reply{json: &out}, nil
}

func (s *Server) createHerd(r *request) (*reply, error) {
	var in api.NewHerd
	if err := s.readJSON(r, &in); err != nil {
		return nil, err
	}
	h, err := s.book.CreateHerd(r.ctx, book.HerdSpec{Name: in.Herd, Title: in.Title, Zone: in.Zone})
	if err != nil {
		return nil, err
	}
	out := wireHerd(r.principal, h)
	return &reply{status: http.StatusCreated, json: &out, header: http.Header{"Location": {"/v1/herds/" + h.Name}}}, nil
}

func (s *Server) getHerd(r *request) (*reply, error) {
	out := wireHerd(r.principal, r.herd)
	return &reply{json: &out}, nil
}

func (s *Server) updateHerd(r *request) (*reply, error) {
	var in api.HerdPatch
	if err := s.readJSON(r, &in); err != nil {
		return nil, err
	}
	h, err := s.book.UpdateHerd(r.ctx, r.herd, book.HerdSpec{Title: in.Title, Zone: in.Zone})
	if err != nil {
		return nil, err
	}
	out := wireHerd(r.principal, h)
	return &reply{json: &out}, nil
}

func (s *Server) listPolicies(r *request) (*reply, error) {
	list, err := s.book.Policies(r.ctx, r.herd)
	if err != nil {
		return nil, err
	}
	if len(list) == 0 {
		list = repro.Policies{{Policy: repro.DefaultPolicy()}}
	}
	out := api.PolicyList{Herd: r.herd.Name, Policies: make([]api.DatedPolicy, len(list))}
	for i := range list {
		if out.Policies[i], err = wirePolicy(list[i].From, &list[i].Policy); err != nil {
			return nil, err
		}
	}
	return &reply{json: &out}, nil
}

// wirePolicy goes through JSON: the contract's names are those of repro.Policy.
func wirePolicy(from event.Date, p *repro.Policy) (api.DatedPolicy, error) {
	out := api.DatedPolicy{From: day(from)}
	b, err := json.Marshal(p)
	if err != nil {
		return out, err
	}
	return out, json.Unmarshal(b, &out.Policy)
}

func (s *Server) putPolicy(r *request) (*reply, error) {
	from, err := toDate("from", r.param("from"))
	if err != nil {
		return nil, err
	}
	raw, err := io.ReadAll(r.body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	if err := checkJSON(raw); err != nil {
		return nil, err
	}
	if err := s.validateBody(r, raw); err != nil {
		return nil, err
	}
	p := repro.DefaultPolicy()
	builtIn := p.GestationByBreed
	p.GestationByBreed = nil // a table that is given replaces the built-in one whole
	if err := json.Unmarshal(raw, &p); err != nil {
		return nil, &problem{status: http.StatusBadRequest, code: "malformed", detail: "the body does not fit the contract", cause: err}
	}
	if p.GestationByBreed == nil {
		p.GestationByBreed = builtIn
	}
	if err := p.Validate(); err != nil {
		return nil, &problem{status: http.StatusUnprocessableEntity, code: "invalid-policy", detail: "the policy cannot be used; nothing was changed", items: eventFaults("", err)}
	}
	if err := s.book.PutPolicy(r.ctx, r.herd, from, p, r.principal.Owner()); err != nil {
		return nil, err
	}
	out, err := wirePolicy(from, &p)
	return &reply{json: &out}, err
}

// day gives a date as the contract has it; none is null.
func day(d event.Date) *openapi_types.Date {
	if d == 0 {
		return nil
	}
	return &openapi_types.Date{Time: d.Time()}
}

// mustDay is for dates that are always there.
func mustDay(d event.Date) openapi_types.Date { return openapi_types.Date{Time: d.Time()} }

// text gives a text as the contract has it; an empty one is null.
func text[T ~string](s T) *string {
	if s == "" {
		return nil
	}
	return ptr(string(s))
}
