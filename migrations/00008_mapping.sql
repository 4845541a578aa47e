-- Import mappings, shared by the herds of a cooperative. A change is a new version.

-- +goose Up
CREATE TABLE mappings (
    name       text        COLLATE "C" NOT NULL,
    version    bigint      NOT NULL,
    doc        text        NOT NULL,
    created_at timestamptz NOT NULL,
    CONSTRAINT mappings_pkey PRIMARY KEY (name, version),
    CONSTRAINT mappings_name_check CHECK (char_length(name) BETWEEN 1 AND 64),
    CONSTRAINT mappings_version_check CHECK (version > 0),
    CONSTRAINT mappings_doc_check CHECK (octet_length(doc) <= 1048576)
);

GRANT SELECT, INSERT ON mappings TO byrelog_registry;
GRANT SELECT ON mappings TO byrelog_backup;
