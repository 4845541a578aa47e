package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Scope is what a grant allows. The store does not say which scope includes which.
type Scope string

// The scopes.
const (
	Read   Scope = "read"
	Record Scope = "record"
	Manage Scope = "manage"
)

// Grant allows a scope in one herd, or in every herd when Herd is nil.
type Grant struct {
	Herd  *uuid.UUID
	Scope Scope
}

// Token is what is kept of a bearer token: never the secret, only its SHA-256.
type Token struct {
	ID         uuid.UUID
	Name       string // 1 to 100 characters
	Admin      bool
	CreatedAt  time.Time
	ExpiresAt  *time.Time // nil: never
	RevokedAt  *time.Time
	LastUsedAt *time.Time // to the minute
	Grants     []Grant
}

// CreateToken stores a token and its grants. Errors: ErrConflict (id or hash
// exists, or a grant stands twice), ErrNotFound (a herd of a grant), ErrInvalid.
func (db *DB) CreateToken(ctx context.Context, t Token, hash [32]byte) error {
	return db.registry.tx(ctx, "create token", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `insert into tokens (token_id, name, hash, admin, created_at, expires_at)
			values ($1, $2, $3, $4, $5, $6)`, t.ID, t.Name, hash[:], t.Admin, t.CreatedAt, t.ExpiresAt); err != nil {
			return err
		}
		for _, g := range t.Grants {
			if _, err := tx.Exec(ctx, `insert into grants (grant_id, token_id, herd_id, scope) values ($1, $2, $3, $4)`,
				uuid.New(), t.ID, g.Herd, string(g.Scope)); err != nil {
				return err
			}
		}
		return nil
	})
}

const tokenColumns = `select t.token_id, t.name, t.admin, t.created_at, t.expires_at, t.revoked_at, t.last_used_at, g.herd_id, g.scope
	from tokens t left join grants g on g.token_id = t.token_id `

// TokenByHash finds the token with this SHA-256. Expired and revoked tokens are
// found too: the caller judges by its own clock. Errors: ErrNotFound.
func (db *DB) TokenByHash(ctx context.Context, hash [32]byte) (Token, error) {
	ts, err := db.tokens(ctx, "token", tokenColumns+`where t.hash = $1 order by g.herd_id nulls first, g.scope`, hash[:])
	if err != nil {
		return Token{}, err
	}
	if len(ts) == 0 {
		return Token{}, &Error{Kind: ErrNotFound, Op: "token"}
	}
	return ts[0], nil
}

// Tokens lists all tokens, oldest first.
func (db *DB) Tokens(ctx context.Context) ([]Token, error) {
	return db.tokens(ctx, "tokens", tokenColumns+`order by t.created_at, t.token_id, g.herd_id nulls first, g.scope`)
}

// tokens reads tokens whose grants stand on consecutive rows.
func (db *DB) tokens(ctx context.Context, op, sql string, args ...any) ([]Token, error) {
	var out []Token
	err := db.registry.tx(ctx, op, uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		out = nil
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var t Token
			var herd *uuid.UUID
			var scope *string
			if err := rows.Scan(&t.ID, &t.Name, &t.Admin, &t.CreatedAt, &t.ExpiresAt, &t.RevokedAt, &t.LastUsedAt, &herd, &scope); err != nil {
				return err
			}
			if len(out) == 0 || out[len(out)-1].ID != t.ID {
				t.CreatedAt = t.CreatedAt.UTC()
				utc(t.ExpiresAt, t.RevokedAt, t.LastUsedAt)
				out = append(out, t)
			}
			if scope != nil {
				last := &out[len(out)-1]
				last.Grants = append(last.Grants, Grant{Herd: herd, Scope: Scope(*scope)})
			}
		}
		return rows.Err()
	})
	return out, err
}

func utc(ts ...*time.Time) {
	for _, t := range ts {
		if t != nil {
			*t = t.UTC()
		}
	}
}

// RevokeToken ends a token. The first revocation stands. Errors: ErrNotFound.
func (db *DB) RevokeToken(ctx context.Context, id uuid.UUID, at time.Time) error {
	return db.registry.tx(ctx, "revoke token", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `update tokens set revoked_at = coalesce(revoked_at, $2) where token_id = $1`, id, at)
		if err == nil && tag.RowsAffected() == 0 {
			err = pgx.ErrNoRows
		}
		return err
	})
}

// TouchToken notes that a token was used. It writes at most once a minute for a
// token, so that a busy one does not cost a write at every request.
func (db *DB) TouchToken(ctx context.Context, id uuid.UUID, at time.Time) error {
	return db.registry.tx(ctx, "touch token", uuid.Nil, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `update tokens set last_used_at = $2
			where token_id = $1 and (last_used_at is null or last_used_at < $3)`, id, at, at.Add(-time.Minute))
		return err
	})
}
