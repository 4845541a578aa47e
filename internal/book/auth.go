package book

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"hash/crc32"
	"log/slog"
	"math/big"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/store"
)

// Scope is what a grant allows in a herd. Scopes stand apart: to record does
// not include to read.
type Scope = store.Scope

// Principal is who a valid token stands for.
type Principal struct {
	TokenID uuid.UUID
	Name    string
	Admin   bool // may do everything everywhere, and administer herds and tokens
	all     map[Scope]bool
	herds   map[uuid.UUID]map[Scope]bool
}

// May tells whether the principal has the scope in the herd.
func (p *Principal) May(herd uuid.UUID, s Scope) bool {
	return p.Admin || p.all[s] || p.herds[herd][s]
}

// Owner names the principal in records of who did what.
func (p *Principal) Owner() string { return p.TokenID.String() }

const (
	tokenPrefix = "brl_"
	tokenRandom = 32 // base62 digits: 190 bits
	tokenCheck  = 6  // base62 digits of the CRC-32, so that typing errors are found without a look-up
	base62      = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
)

func newSecret() string {
	var b strings.Builder
	b.WriteString(tokenPrefix)
	most := big.NewInt(int64(len(base62)))
	for range tokenRandom {
		n, err := rand.Int(rand.Reader, most)
		if err != nil {
			panic("book: no randomness: " + err.Error()) // cannot happen: crypto/rand aborts first
		}
		b.WriteByte(base62[n.Int64()])
	}
	check := checkDigits(b.String())
	return b.String() + string(check[:])
}

func checkDigits(s string) (out [tokenCheck]byte) {
	n := crc32.ChecksumIEEE([]byte(s))
	for i := tokenCheck - 1; i >= 0; i-- {
		out[i] = base62[n%62]
		n /= 62
	}
	return out
}

// wellFormed tells whether a string can be a token at all.
func wellFormed(token string) bool {
	n := len(tokenPrefix) + tokenRandom
	if len(token) != n+tokenCheck || !strings.HasPrefix(token, tokenPrefix) {
		return false
	}
	check := checkDigits(token[:n])
	return string(check[:]) == token[n:]
}

type tokenEntry struct {
	principal *Principal // nil: the token is not valid
	until     time.Time
}

// tokenCache is a cache with expiry: it spares the look-up for some seconds; that is also how long a
// revoked token can still be used.
type tokenCache struct {
	mu      sync.Mutex
	entries map[[32]byte]tokenEntry
}

// Authenticate finds who the token stands for. Unauthenticated is the only
// failure that tells about the token, and it does not tell why.
func (b *Book) Authenticate(ctx context.Context, token string) (*Principal, error) {
	if !wellFormed(token) {
		return nil, denied()
	}
	hash := sha256.Sum256([]byte(token))
	now := b.now()
	b.tokens.mu.Lock()
	e, ok := b.tokens.entries[hash]
	b.tokens.mu.Unlock()
	if !ok || now.After(e.until) {
		p, err := b.lookUp(ctx, hash, now)
		if err != nil {
			return nil, err
		}
		e = tokenEntry{principal: p, until: now.Add(tokenTTL)}
		b.tokens.mu.Lock()
		if len(b.tokens.entries) > 10_000 { // guesses must not fill the memory
			clear(b.tokens.entries)
		}
		b.tokens.entries[hash] = e
		b.tokens.mu.Unlock()
	}
	if e.principal == nil {
		return nil, denied()
	}
	return e.principal, nil
}

func denied() error {
	return fail(Unauthenticated, "invalid-token", "the token is not valid: unknown, expired or revoked")
}

func (b *Book) lookUp(ctx context.Context, hash [32]byte, now time.Time) (*Principal, error) {
	t, err := b.db.TokenByHash(ctx, hash)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil //nolint:nilnil // "no principal" is the answer, and it is cached
	}
	if err != nil {
		return nil, wrap("look up token", err)
	}
	if t.RevokedAt != nil || t.ExpiresAt != nil && !now.Before(*t.ExpiresAt) {
		return nil, nil //nolint:nilnil // as above
	}
	p := &Principal{TokenID: t.ID, Name: t.Name, Admin: t.Admin, all: map[Scope]bool{}, herds: map[uuid.UUID]map[Scope]bool{}}
	for _, g := range t.Grants {
		switch {
		case g.Herd == nil:
			p.all[g.Scope] = true
		case p.herds[*g.Herd] == nil:
			p.herds[*g.Herd] = map[Scope]bool{g.Scope: true}
		default:
			p.herds[*g.Herd][g.Scope] = true
		}
	}
	if err := b.db.TouchToken(ctx, t.ID, now.UTC()); err != nil {
		b.log.WarnContext(ctx, "the last use of a token was not noted", slog.String("token_id", t.ID.String()), slog.Any("error", err))
	}
	return p, nil
}

// TokenSpec is what a new token shall be allowed.
type TokenSpec struct {
	Name      string
	Admin     bool
	ExpiresAt *time.Time
	Grants    []GrantSpec
}

// GrantSpec allows scopes in one herd, or in every herd if Herd is "*".
type GrantSpec struct {
	Herd   string
	Scopes []Scope
}

// CreateToken issues a token. The secret is returned here and never again.
func (b *Book) CreateToken(ctx context.Context, spec TokenSpec) (secret string, t store.Token, err error) {
	if n := len([]rune(spec.Name)); n < 1 || n > 100 {
		return "", t, &Error{
			Kind: Invalid, Code: "invalid-token-request", Detail: "a token needs a name of 1 to 100 characters",
			Faults: []Fault{{Pointer: "/name", Code: "required", Detail: "1 to 100 characters"}},
		}
	}
	if !spec.Admin && len(spec.Grants) == 0 {
		return "", t, &Error{
			Kind: Invalid, Code: "invalid-token-request", Detail: "a token without grants can do nothing",
			Faults: []Fault{{Pointer: "/grants", Code: "required", Detail: "at least one grant"}},
		}
	}
	if spec.ExpiresAt != nil && !spec.ExpiresAt.After(b.now()) {
		return "", t, &Error{
			Kind: Invalid, Code: "invalid-token-request", Detail: "the expiry lies in the past",
			Faults: []Fault{{Pointer: "/expires_at", Code: "out_of_range", Detail: "a time to come"}},
		}
	}
	t = store.Token{ID: newID(), Name: spec.Name, Admin: spec.Admin, CreatedAt: b.stamp(), ExpiresAt: spec.ExpiresAt}
	seen := map[string]bool{}
	for _, g := range spec.Grants {
		var herd *uuid.UUID
		if g.Herd != "*" {
			h, err := b.Herd(ctx, g.Herd)
			if err != nil {
				return "", t, err
			}
			herd = &h.ID
		}
		for _, s := range g.Scopes {
			if key := g.Herd + " " + string(s); !seen[key] {
				seen[key] = true
				t.Grants = append(t.Grants, store.Grant{Herd: herd, Scope: s})
			}
		}
	}
	secret = newSecret()
	if err := b.db.CreateToken(ctx, t, sha256.Sum256([]byte(secret))); err != nil {
		return "", t, wrap("create token", err)
	}
	return secret, t, nil
}

// Tokens lists the tokens, without their secrets, which nobody has.
func (b *Book) Tokens(ctx context.Context) ([]store.Token, error) {
	list, err := b.db.Tokens(ctx)
	return list, wrap("list tokens", err)
}

// RevokeToken ends a token; it takes effect within seconds.
func (b *Book) RevokeToken(ctx context.Context, id uuid.UUID) error {
	if err := b.db.RevokeToken(ctx, id, b.stamp()); err != nil {
		return wrap("revoke token", err)
	}
	b.tokens.mu.Lock()
	clear(b.tokens.entries)
	b.tokens.mu.Unlock()
	return nil
}
