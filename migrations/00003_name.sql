-- The names behind the opaque codes of the log, and the record of what was erased.

-- +goose Up
CREATE TABLE actors (
    herd_id uuid NOT NULL REFERENCES herds (herd_id),
    code    text COLLATE "C" NOT NULL,
    name    text,
    CONSTRAINT actors_pkey PRIMARY KEY (herd_id, code),
    CONSTRAINT actors_code_check CHECK (char_length(code) BETWEEN 1 AND 64),
    CONSTRAINT actors_name_check CHECK (char_length(name) BETWEEN 1 AND 200)
);

-- What was erased, when and by whose token; never the erased text. After a restore
-- from a backup the list is applied again.
CREATE TABLE erasures (
    herd_id   uuid        NOT NULL REFERENCES herds (herd_id),
    what      text        COLLATE "C" NOT NULL,
    subject   text        COLLATE "C" NOT NULL,
    erased_at timestamptz NOT NULL,
    erased_by text        NOT NULL,
    CONSTRAINT erasures_pkey PRIMARY KEY (herd_id, what, subject, erased_at),
    CONSTRAINT erasures_what_check CHECK (what IN ('note', 'actor')),
    CONSTRAINT erasures_subject_check CHECK (char_length(subject) BETWEEN 1 AND 64),
    CONSTRAINT erasures_by_check CHECK (char_length(erased_by) <= 100)
);

ALTER TABLE actors ENABLE ROW LEVEL SECURITY;
ALTER TABLE actors FORCE ROW LEVEL SECURITY;
CREATE POLICY actors_herd ON actors FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);
ALTER TABLE erasures ENABLE ROW LEVEL SECURITY;
ALTER TABLE erasures FORCE ROW LEVEL SECURITY;
CREATE POLICY erasures_herd ON erasures FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);

GRANT SELECT ON actors, erasures TO byrelog_reader, byrelog_backup;
GRANT SELECT (herd_id, code), INSERT, UPDATE (name) ON actors TO byrelog_writer;
GRANT INSERT ON erasures TO byrelog_writer;
