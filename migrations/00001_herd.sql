-- Herds, and the head of each herd's log.
--
-- herds is a reference table: small, and seen by the registry only. heads is the
-- lock and the truth of appending: an append locks its row first, so that the
-- order of seq is the order of commit and seq has no gap.

-- +goose Up
CREATE TABLE herds (
    herd_id    uuid        PRIMARY KEY,
    name       text        COLLATE "C" NOT NULL CONSTRAINT herds_name_key UNIQUE,
    title      text        NOT NULL,
    zone       text        COLLATE "C" NOT NULL,
    created_at timestamptz NOT NULL,
    CONSTRAINT herds_name_check CHECK (name ~ '^[a-z0-9-]{2,40}$'),
    CONSTRAINT herds_title_check CHECK (char_length(title) <= 200),
    CONSTRAINT herds_zone_check CHECK (char_length(zone) BETWEEN 1 AND 64)
);

CREATE TABLE heads (
    herd_id     uuid        PRIMARY KEY REFERENCES herds (herd_id),
    seq         bigint      NOT NULL,
    hash        bytea       NOT NULL,
    recorded_at timestamptz NOT NULL,
    CONSTRAINT heads_seq_check CHECK (seq >= 0),
    CONSTRAINT heads_hash_check CHECK (octet_length(hash) = 32)
) WITH (fillfactor = 50);  -- updated in place at every append: room for it on the page

ALTER TABLE heads ENABLE ROW LEVEL SECURITY;
ALTER TABLE heads FORCE ROW LEVEL SECURITY;
CREATE POLICY heads_herd ON heads FOR SELECT TO byrelog_reader
    USING (herd_id = NULLIF(current_setting('app.herd', true), '')::uuid);
-- The list of heads spans herds. It is a matter of the registry, which can read no
-- event, note or import; the reader never sees the head of another herd.
CREATE POLICY heads_list ON heads FOR SELECT TO byrelog_registry USING (true);
CREATE POLICY heads_found ON heads FOR INSERT TO byrelog_registry WITH CHECK (seq = 0);

GRANT USAGE ON SCHEMA public TO byrelog_reader, byrelog_writer, byrelog_registry, byrelog_backup;
GRANT SELECT, INSERT, UPDATE (title, zone) ON herds TO byrelog_registry;
GRANT SELECT, INSERT ON heads TO byrelog_registry;
GRANT SELECT ON heads TO byrelog_reader;
GRANT SELECT, UPDATE (seq, hash, recorded_at) ON heads TO byrelog_writer;
GRANT SELECT ON herds, heads TO byrelog_backup;
-- The service checks at start and in its readiness that the schema fits.
GRANT SELECT ON goose_db_version TO byrelog_reader, byrelog_writer, byrelog_registry, byrelog_backup;
-- pg_dump reads the library's sequence too. Its name is Postgres's choice, and
-- another one when several starters made the table at the same moment.
-- +goose StatementBegin
DO $$
BEGIN
    EXECUTE format('GRANT SELECT ON SEQUENCE %s TO byrelog_backup', pg_get_serial_sequence('goose_db_version', 'id'));
END
$$;
-- +goose StatementEnd
