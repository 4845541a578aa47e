package book

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// Herd is a herd as it is registered.
type Herd = store.Herd

type herdEntry struct {
	herd  *store.Herd // never changed: it is handed out
	until time.Time
}

// herdCache spares the look-up of a herd by its name: the name and the id never
// change, title and zone seldom do.
type herdCache struct {
	mu      sync.Mutex
	entries map[string]herdEntry
}

// Herd finds a herd by its short name.
func (b *Book) Herd(ctx context.Context, name string) (*Herd, error) {
	if !event.ValidHerdName(name) {
		return nil, noHerd()
	}
	now := b.now()
	b.herds.mu.Lock()
	e, ok := b.herds.entries[name]
	b.herds.mu.Unlock()
	if ok && now.Before(e.until) {
		return e.herd, nil
	}
	h, err := b.db.HerdByName(ctx, name)
	if errors.Is(err, store.ErrNotFound) {
		return nil, noHerd()
	}
	if err != nil {
		return nil, wrap("find herd", err)
	}
	b.remember(h)
	return &h, nil
}

func (b *Book) remember(h store.Herd) {
	b.herds.mu.Lock()
	defer b.herds.mu.Unlock()
	b.herds.entries[h.Name] = herdEntry{herd: &h, until: b.now().Add(tokenTTL)}
}

// Herds lists the herds in which the principal has any of the scopes, by name.
func (b *Book) Herds(ctx context.Context, p *Principal, scopes ...Scope) ([]Herd, error) {
	all, err := b.db.Herds(ctx)
	if err != nil {
		return nil, wrap("list herds", err)
	}
	return slices.DeleteFunc(all, func(h Herd) bool {
		return !slices.ContainsFunc(scopes, func(s Scope) bool { return p.May(h.ID, s) })
	}), nil
}

// HerdSpec describes a herd to be registered, or a change: nil leaves alone.
type HerdSpec struct {
	Name  string
	Title *string
	Zone  *string // IANA time zone
}

func (s *HerdSpec) check() error {
	var list []Fault
	if s.Title != nil && (utf8.RuneCountInString(*s.Title) > 200 || strings.ContainsFunc(*s.Title, isControl)) {
		list = append(list, Fault{Pointer: "/title", Code: "too_long", Detail: "at most 200 characters, no control characters"})
	}
	if s.Zone != nil {
		// "Local" is what this machine is set to: not a fact about the herd.
		if _, err := time.LoadLocation(*s.Zone); err != nil || *s.Zone == "" || *s.Zone == "Local" {
			list = append(list, Fault{Pointer: "/zone", Code: "not_allowed", Detail: "an IANA time zone such as Europe/Berlin or America/Chicago"})
		}
	}
	if list == nil {
		return nil
	}
	return &Error{Kind: Invalid, Code: "invalid-herd", Detail: "the herd cannot be set so", Faults: list}
}

func isControl(r rune) bool { return r < 0x20 || r == 0x7f || r == utf8.RuneError }

// CreateHerd registers a herd with an empty log. The zone defaults to UTC.
func (b *Book) CreateHerd(ctx context.Context, s HerdSpec) (*Herd, error) {
	if !event.ValidHerdName(s.Name) {
		return nil, &Error{
			Kind: Invalid, Code: "invalid-herd", Detail: "the herd's name is not usable",
			Faults: []Fault{{Pointer: "/name", Code: "bad_text", Detail: "2 to 40 of a-z, 0-9 and -"}},
		}
	}
	if err := s.check(); err != nil {
		return nil, err
	}
	h := Herd{ID: newID(), Name: s.Name, Title: s.Name, Zone: "UTC", CreatedAt: b.stamp()}
	if s.Title != nil {
		h.Title = *s.Title
	}
	if s.Zone != nil {
		h.Zone = *s.Zone
	}
	err := b.db.CreateHerd(ctx, h)
	if errors.Is(err, store.ErrConflict) {
		return nil, fail(Conflict, "herd-exists", "there is a herd %s already", s.Name)
	}
	if err != nil {
		return nil, wrap("create herd", err)
	}
	return &h, nil
}

// UpdateHerd changes a herd's title or zone.
func (b *Book) UpdateHerd(ctx context.Context, h *Herd, s HerdSpec) (*Herd, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	changed, err := b.db.UpdateHerd(ctx, h.ID, s.Title, s.Zone)
	if err != nil {
		return nil, wrap("update herd", err)
	}
	b.remember(changed)
	return &changed, nil
}

// Policies lists the herd's dated policies, by the day from which they hold.
// Days before the first follow the first; without any the defaults hold.
func (b *Book) Policies(ctx context.Context, h *Herd) (repro.Policies, error) {
	return b.policies(ctx, h.ID, time.Time{})
}

func (b *Book) policies(ctx context.Context, herd uuid.UUID, asOf time.Time) (repro.Policies, error) {
	rows, err := b.db.Policies(ctx, herd, asOf)
	if err != nil {
		return nil, wrap("read policies", err)
	}
	list := make(repro.Policies, 0, len(rows))
	for _, r := range rows {
		p := repro.DefaultPolicy()
		p.GestationByBreed = nil // reading would add the herd's own table to the built-in one
		if err := json.Unmarshal(r.Doc, &p); err != nil {
			return nil, wrap("read policy", err)
		}
		list = append(list, repro.DatedPolicy{From: event.FromUnixDay(r.From), Policy: p})
	}
	return list, nil
}

// PutPolicy sets the policy that holds from a day on, whole: what doc leaves
// out takes the default. Old windows keep the policy of their own day.
func (b *Book) PutPolicy(ctx context.Context, h *Herd, from event.Date, p repro.Policy, by string) error {
	if err := p.Validate(); err != nil {
		return &Error{Kind: Invalid, Code: "invalid-policy", Detail: "the policy cannot be used", Faults: faults("", err)}
	}
	doc, err := json.Marshal(p)
	if err != nil {
		return wrap("write policy", err)
	}
	return wrap("put policy", b.db.PutPolicy(ctx, h.ID, store.Policy{From: from.UnixDay(), Doc: doc, ChangedAt: b.stamp(), By: by}))
}
