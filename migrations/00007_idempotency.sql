-- Answers of requests that carried an Idempotency-Key, kept for some days. The
-- permanent guard against doubling is the unique event id; this is a convenience.

-- +goose Up
CREATE TABLE idempotency_keys (
    herd_id     uuid        NOT NULL REFERENCES herds (herd_id),
    owner       text        COLLATE "C" NOT NULL,
    operation   text        COLLATE "C" NOT NULL,
    key         text        COLLATE "C" NOT NULL,
    fingerprint bytea       NOT NULL,
    status      bigint      NOT NULL,
    body        bytea       NOT NULL,
    created_at  timestamptz NOT NULL,
    CONSTRAINT idempotency_keys_pkey PRIMARY KEY (herd_id, owner, operation, key),
    CONSTRAINT idempotency_keys_owner_check CHECK (char_length(owner) BETWEEN 1 AND 100),
    CONSTRAINT idempotency_keys_operation_check CHECK (char_length(operation) BETWEEN 1 AND 100),
    CONSTRAINT idempotency_keys_key_check CHECK (char_length(key) BETWEEN 1 AND 255),
    CONSTRAINT idempotency_keys_fingerprint_check CHECK (octet_length(fingerprint) = 32),
    CONSTRAINT idempotency_keys_status_check CHECK (status BETWEEN 100 AND 599)
);

ALTER TABLE idempotency_keys ENABLE ROW LEVEL SECURITY;
ALTER TABLE idempotency_keys FORCE ROW LEVEL SECURITY;
CREATE POLICY idempotency_keys_herd ON idempotency_keys FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);

GRANT SELECT ON idempotency_keys TO byrelog_reader, byrelog_backup;
GRANT SELECT (herd_id, owner, operation, key, created_at), INSERT, DELETE ON idempotency_keys TO byrelog_writer;
