-- Tokens, stored as the SHA-256 of their secret, and what each may do where.
-- Reference tables: they span herds and belong to the registry.

-- +goose Up
CREATE TABLE tokens (
    token_id     uuid        PRIMARY KEY,
    name         text        NOT NULL,
    hash         bytea       NOT NULL CONSTRAINT tokens_hash_key UNIQUE,
    admin        boolean     NOT NULL,
    created_at   timestamptz NOT NULL,
    expires_at   timestamptz,
    revoked_at   timestamptz,
    last_used_at timestamptz,
    CONSTRAINT tokens_name_check CHECK (char_length(name) BETWEEN 1 AND 100),
    CONSTRAINT tokens_hash_check CHECK (octet_length(hash) = 32)
);

CREATE TABLE grants (
    grant_id uuid PRIMARY KEY,
    token_id uuid NOT NULL REFERENCES tokens (token_id),
    herd_id  uuid REFERENCES herds (herd_id),
    scope    text COLLATE "C" NOT NULL,
    CONSTRAINT grants_scope_check CHECK (scope IN ('read', 'record', 'manage'))
);
-- A null herd_id is every herd. Two indexes because nulls are distinct in a unique key.
CREATE UNIQUE INDEX grants_herd_key ON grants (token_id, herd_id, scope) WHERE herd_id IS NOT NULL;
CREATE UNIQUE INDEX grants_all_key ON grants (token_id, scope) WHERE herd_id IS NULL;

GRANT SELECT, INSERT, UPDATE (revoked_at, last_used_at) ON tokens TO byrelog_registry;
GRANT SELECT, INSERT ON grants TO byrelog_registry;
GRANT SELECT ON tokens, grants TO byrelog_backup;
