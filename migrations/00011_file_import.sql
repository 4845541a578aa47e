-- Files over many herds. The rows of each herd are an import job of that herd
-- (imports); here stands which jobs one file became, and the rows that could be
-- given to no herd. Written once, in the transaction that makes the jobs ready.

-- +goose Up
CREATE TABLE file_imports (
    file_id    uuid        NOT NULL,
    owner      text        NOT NULL,
    mapping    text        NOT NULL,
    file_name  text        NOT NULL,
    digest     bytea       NOT NULL,
    parts      jsonb       NOT NULL,
    counts     jsonb       NOT NULL,
    report     jsonb       NOT NULL,
    created_at timestamptz NOT NULL,
    CONSTRAINT file_imports_pkey PRIMARY KEY (file_id),
    CONSTRAINT file_imports_digest_check CHECK (octet_length(digest) = 32)
);

CREATE TABLE file_rejects (
    file_id uuid   NOT NULL,
    line    bigint NOT NULL,
    row     text   NOT NULL,
    errors  jsonb  NOT NULL,
    CONSTRAINT file_rejects_pkey PRIMARY KEY (file_id, line),
    CONSTRAINT file_rejects_file_fkey FOREIGN KEY (file_id) REFERENCES file_imports (file_id),
    CONSTRAINT file_rejects_line_check CHECK (line > 0)
);

-- The writer makes the jobs of several herds ready at once, so the record of it
-- is the writer's too. The reader sees one herd at a time and has no use for it.
GRANT SELECT, INSERT ON file_imports, file_rejects TO byrelog_writer;
GRANT SELECT ON file_imports, file_rejects TO byrelog_backup;
