-- The log. A row is an event: written once, never changed, never removed.
--
-- bytes are the canonical bytes: what is served, exported and hashed. animal, kind
-- and on_date repeat what is in them, for filters. Only two indexes: each further
-- one costs import speed, and single animals are answered from the fold. No foreign
-- key to heads for the same reason (measured: a quarter of the load time): an append
-- locks the herd's head row before it writes, which says the same.

-- +goose Up
CREATE TABLE events (
    herd_id     uuid        NOT NULL,
    seq         bigint      NOT NULL,
    event_id    uuid        NOT NULL,
    animal      text        COLLATE "C",
    kind        text        COLLATE "C" NOT NULL,
    on_date     date        NOT NULL,
    recorded_at timestamptz NOT NULL,
    leaf        bytea       NOT NULL,
    hash        bytea       NOT NULL,
    bytes       bytea       NOT NULL,
    CONSTRAINT events_pkey PRIMARY KEY (herd_id, seq),
    CONSTRAINT events_id_key UNIQUE (herd_id, event_id),
    CONSTRAINT events_seq_check CHECK (seq > 0),
    CONSTRAINT events_animal_check CHECK (char_length(animal) BETWEEN 1 AND 32),
    CONSTRAINT events_kind_check CHECK (char_length(kind) BETWEEN 1 AND 40),
    CONSTRAINT events_leaf_check CHECK (octet_length(leaf) = 32),
    CONSTRAINT events_hash_check CHECK (octet_length(hash) = 32),
    CONSTRAINT events_bytes_check CHECK (octet_length(bytes) BETWEEN 2 AND 65536)
);

-- Free text stays outside the hashed bytes, which hold SHA-256(salt || body), so
-- that it can be erased and the chain still verifies.
CREATE TABLE notes (
    herd_id   uuid        NOT NULL,
    event_id  uuid        NOT NULL,
    salt      bytea,
    body      text,
    erased_at timestamptz,
    CONSTRAINT notes_pkey PRIMARY KEY (herd_id, event_id),
    CONSTRAINT notes_event_fkey FOREIGN KEY (herd_id, event_id) REFERENCES events (herd_id, event_id),
    CONSTRAINT notes_salt_check CHECK (octet_length(salt) = 16),
    CONSTRAINT notes_body_check CHECK (char_length(body) BETWEEN 1 AND 500),
    CONSTRAINT notes_erased_check CHECK (
        (erased_at IS NULL AND salt IS NOT NULL AND body IS NOT NULL)
        OR (erased_at IS NOT NULL AND salt IS NULL AND body IS NULL))
);

ALTER TABLE events ENABLE ROW LEVEL SECURITY;
ALTER TABLE events FORCE ROW LEVEL SECURITY;
CREATE POLICY events_herd ON events FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);
ALTER TABLE notes ENABLE ROW LEVEL SECURITY;
ALTER TABLE notes FORCE ROW LEVEL SECURITY;
CREATE POLICY notes_herd ON notes FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);

GRANT SELECT ON events, notes TO byrelog_reader, byrelog_backup;
GRANT INSERT ON events, notes TO byrelog_writer;
-- Erasing a note: the keys to find it by, never its text.
GRANT SELECT (herd_id, event_id, erased_at), UPDATE (salt, body, erased_at) ON notes TO byrelog_writer;
