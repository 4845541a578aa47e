-- Turns the events table into 32 hash partitions by herd (deploy/scale.md, step 3).
-- Once, when the table reaches about 100 GB, with the service stopped, a fresh backup
-- at hand, and room on the disk for the events a second time:
--
--     psql -X -v ON_ERROR_STOP=1 -d byrelog -f deploy/partition.sql
--
-- Run it as a superuser: row-level security is forced on the owner of the tables too,
-- who would copy nothing at all. One transaction: all of it or nothing.
--
-- Each partition lies in a schema of its own, because the name of a constraint must
-- be the same in all of them: it is what the service recognises a repeated event by.
\set ON_ERROR_STOP on
BEGIN;

DO $check$
BEGIN
    IF NOT (SELECT rolsuper FROM pg_roles WHERE rolname = current_user) THEN
        RAISE EXCEPTION 'run this as a superuser: % does not see the rows of all herds', current_user;
    END IF;
    IF (SELECT relkind FROM pg_class WHERE oid = 'public.events'::regclass) <> 'r' THEN
        RAISE EXCEPTION 'events is partitioned already';
    END IF;
END
$check$;

LOCK TABLE heads, events, notes IN ACCESS EXCLUSIVE MODE;
ALTER TABLE notes DROP CONSTRAINT notes_event_fkey;
CREATE SCHEMA events_before AUTHORIZATION byrelog_owner;
ALTER TABLE events SET SCHEMA events_before;

SET LOCAL ROLE byrelog_owner;
CREATE TABLE public.events (LIKE events_before.events INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING STORAGE INCLUDING COMMENTS)
    PARTITION BY HASH (herd_id);
ALTER TABLE public.events
    ADD CONSTRAINT events_pkey PRIMARY KEY (herd_id, seq),
    ADD CONSTRAINT events_id_key UNIQUE (herd_id, event_id);

DO $parts$
DECLARE
    part text;
BEGIN
    FOR r IN 0..31 LOOP
        part := format('events_p%s', lpad(r::text, 2, '0'));
        EXECUTE format('CREATE SCHEMA %I', part);
        EXECUTE format('CREATE TABLE %I.events (LIKE public.events INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING STORAGE)', part);
        EXECUTE format('ALTER TABLE %I.events ADD CONSTRAINT events_pkey PRIMARY KEY (herd_id, seq), ADD CONSTRAINT events_id_key UNIQUE (herd_id, event_id)', part);
        EXECUTE format('ALTER TABLE public.events ATTACH PARTITION %I.events FOR VALUES WITH (MODULUS 32, REMAINDER %s)', part, r);
        -- Readers and writers come through the parent; pg_dump reads each partition.
        EXECUTE format('GRANT USAGE ON SCHEMA %I TO byrelog_backup', part);
        EXECUTE format('GRANT SELECT ON %I.events TO byrelog_backup', part);
    END LOOP;
END
$parts$;
RESET ROLE;

INSERT INTO public.events SELECT * FROM events_before.events;

-- Grants and policies as they were, whatever migrations have made of them.
DO $rights$
DECLARE
    has record;
BEGIN
    FOR has IN
        SELECT a.grantee::regrole AS role, a.privilege_type AS privilege
        FROM pg_class c, aclexplode(c.relacl) a
        WHERE c.oid = 'events_before.events'::regclass AND a.grantee <> c.relowner
    LOOP
        EXECUTE format('GRANT %s ON public.events TO %s', has.privilege, has.role);
    END LOOP;
    FOR has IN
        SELECT * FROM pg_policies WHERE schemaname = 'events_before' AND tablename = 'events'
    LOOP
        EXECUTE format('CREATE POLICY %I ON public.events AS %s FOR %s TO %s', has.policyname, has.permissive, has.cmd,
            (SELECT string_agg(quote_ident(r), ', ') FROM unnest(has.roles) r))
            || COALESCE(' USING (' || has.qual || ')', '') || COALESCE(' WITH CHECK (' || has.with_check || ')', '');
    END LOOP;
    IF (SELECT count(*) FROM public.events) <> (SELECT count(*) FROM events_before.events) THEN
        RAISE EXCEPTION 'not every event was copied';
    END IF;
END
$rights$;
ALTER TABLE public.events ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
ALTER TABLE notes ADD CONSTRAINT notes_event_fkey FOREIGN KEY (herd_id, event_id) REFERENCES public.events (herd_id, event_id);

DROP TABLE events_before.events;
DROP SCHEMA events_before;
COMMIT;
ANALYZE events;
