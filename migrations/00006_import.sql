-- Import jobs. The body of an import is staged in chunks, then appended chunk by
-- chunk; chunks_done moves in the transaction that appends the chunk, so a job
-- that was killed goes on where it stopped.

-- +goose Up
CREATE TABLE imports (
    herd_id     uuid        NOT NULL REFERENCES herds (herd_id),
    import_id   uuid        NOT NULL,
    owner       text        NOT NULL,
    state       text        COLLATE "C" NOT NULL,
    source      text        NOT NULL,
    file_name   text        NOT NULL,
    digest      bytea       NOT NULL,
    mapping     text        NOT NULL,
    options     jsonb       NOT NULL,
    chunks      bigint      NOT NULL,
    chunks_done bigint      NOT NULL,
    rows        bigint      NOT NULL,
    rows_done   bigint      NOT NULL,
    counts      jsonb       NOT NULL,
    report      jsonb       NOT NULL,
    error       text        NOT NULL,
    created_at  timestamptz NOT NULL,
    updated_at  timestamptz NOT NULL,
    finished_at timestamptz,
    CONSTRAINT imports_pkey PRIMARY KEY (herd_id, import_id),
    CONSTRAINT imports_state_check CHECK (state IN ('staging', 'ready', 'running', 'done', 'failed', 'cancelled')),
    CONSTRAINT imports_finished_check CHECK ((finished_at IS NULL) = (state IN ('staging', 'ready', 'running'))),
    CONSTRAINT imports_digest_check CHECK (octet_length(digest) = 32),
    CONSTRAINT imports_chunks_check CHECK (chunks >= 0 AND chunks_done >= 0),
    CONSTRAINT imports_rows_check CHECK (rows >= 0 AND rows_done >= 0)
);

CREATE TABLE import_staging (
    herd_id   uuid   NOT NULL,
    import_id uuid   NOT NULL,
    chunk     bigint NOT NULL,
    bytes     bytea  NOT NULL,
    CONSTRAINT import_staging_pkey PRIMARY KEY (herd_id, import_id, chunk),
    CONSTRAINT import_staging_import_fkey FOREIGN KEY (herd_id, import_id) REFERENCES imports (herd_id, import_id),
    CONSTRAINT import_staging_chunk_check CHECK (chunk >= 0)
);

CREATE TABLE import_rejects (
    herd_id   uuid   NOT NULL,
    import_id uuid   NOT NULL,
    line      bigint NOT NULL,
    row       text   NOT NULL,
    errors    jsonb  NOT NULL,
    CONSTRAINT import_rejects_pkey PRIMARY KEY (herd_id, import_id, line),
    CONSTRAINT import_rejects_import_fkey FOREIGN KEY (herd_id, import_id) REFERENCES imports (herd_id, import_id),
    CONSTRAINT import_rejects_line_check CHECK (line > 0)
);

ALTER TABLE imports ENABLE ROW LEVEL SECURITY;
ALTER TABLE imports FORCE ROW LEVEL SECURITY;
CREATE POLICY imports_herd ON imports FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);
ALTER TABLE import_staging ENABLE ROW LEVEL SECURITY;
ALTER TABLE import_staging FORCE ROW LEVEL SECURITY;
CREATE POLICY import_staging_herd ON import_staging FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);
ALTER TABLE import_rejects ENABLE ROW LEVEL SECURITY;
ALTER TABLE import_rejects FORCE ROW LEVEL SECURITY;
CREATE POLICY import_rejects_herd ON import_rejects FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);

GRANT SELECT ON imports, import_staging, import_rejects TO byrelog_reader, byrelog_backup;
-- The writer lists unfinished jobs of all herds at start, and drops the staged
-- bytes (a copy of somebody's file) when a job is finished.
GRANT SELECT, INSERT, UPDATE ON imports TO byrelog_writer;
GRANT SELECT (herd_id, import_id, chunk), INSERT, DELETE ON import_staging TO byrelog_writer;
GRANT SELECT (herd_id, import_id, line), INSERT ON import_rejects TO byrelog_writer;
