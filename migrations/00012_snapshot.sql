-- Snapshots: what the fold keeps of a herd's log, packed, so that a service that
-- has just started need not read the log again. Derived data: never the truth, may
-- be deleted at any time, and is used only when everything fits (herd, epoch, seq
-- and hash of the log, format, version of the fold, its own SHA-256).
--
-- A herd has one at most.

-- +goose Up
CREATE TABLE snapshots (
    herd_id uuid    NOT NULL REFERENCES herds (herd_id),
    format  text    COLLATE "C" NOT NULL,
    epoch   bigint  NOT NULL,
    seq     bigint  NOT NULL,
    hash    bytea   NOT NULL,
    digest  bytea   NOT NULL,
    bytes   bytea   NOT NULL,
    CONSTRAINT snapshots_pkey PRIMARY KEY (herd_id),
    CONSTRAINT snapshots_format_check CHECK (char_length(format) BETWEEN 1 AND 100),
    CONSTRAINT snapshots_seq_check CHECK (seq > 0),
    CONSTRAINT snapshots_hash_check CHECK (octet_length(hash) = 32),
    CONSTRAINT snapshots_digest_check CHECK (octet_length(digest) = 32)
);
-- Packed already, and read whole.
ALTER TABLE snapshots ALTER COLUMN bytes SET STORAGE EXTERNAL;

ALTER TABLE snapshots ENABLE ROW LEVEL SECURITY;
ALTER TABLE snapshots FORCE ROW LEVEL SECURITY;
CREATE POLICY snapshots_herd ON snapshots FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);

GRANT SELECT ON snapshots TO byrelog_reader;
-- To replace a herd's snapshot one must find it; its bytes stay out of sight.
GRANT SELECT (herd_id, format, epoch, seq), INSERT, UPDATE, DELETE ON snapshots TO byrelog_writer;
GRANT SELECT ON snapshots TO byrelog_backup;

-- Every read says of which epoch its answer is; asked together with the head it
-- costs no question of its own.
GRANT SELECT ON log_epoch TO byrelog_reader;
