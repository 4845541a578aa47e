-- The dated policy of a herd. A change is a new row, so that what was in force at a
-- past time can be answered; of one from_date the latest changed_at holds. A null
-- doc withdraws that from_date.

-- +goose Up
CREATE TABLE policies (
    herd_id    uuid        NOT NULL REFERENCES herds (herd_id),
    from_date  date        NOT NULL,
    changed_at timestamptz NOT NULL,
    changed_by text        NOT NULL,
    doc        jsonb,
    CONSTRAINT policies_pkey PRIMARY KEY (herd_id, from_date, changed_at),
    CONSTRAINT policies_by_check CHECK (char_length(changed_by) <= 100),
    CONSTRAINT policies_doc_check CHECK (jsonb_typeof(doc) = 'object')
);

ALTER TABLE policies ENABLE ROW LEVEL SECURITY;
ALTER TABLE policies FORCE ROW LEVEL SECURITY;
CREATE POLICY policies_herd ON policies FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);

GRANT SELECT ON policies TO byrelog_reader, byrelog_backup;
GRANT INSERT ON policies TO byrelog_writer;
