-- The database roles of byrelog. Safe to run again; run it as a superuser of the
-- server (BYPASSRLS can be given by nobody else), once per server:
--
--     psql -X -v ON_ERROR_STOP=1 -d postgres -f migrations/roles.sql
--     psql -X -d postgres -c "\password byrelog_owner" -c "\password byrelog_app"
--     createdb --owner byrelog_owner byrelog
--
--   byrelog_owner     owns the database and its tables; only migrations use it
--   byrelog_reader    reads one herd at a time: row-level security shows it the
--                     rows of the herd named by the setting app.herd, and no others
--   byrelog_writer    appends: may insert events, notes and job records and move
--                     the head of a herd. It bypasses row-level security because
--                     COPY FROM is refused under it, and therefore may not read events
--   byrelog_registry  the small tables that span herds: herds, heads, tokens,
--                     grants, mappings, the log's epoch. It cannot read an event
--   byrelog_backup    reads everything and writes nothing: for pg_dump, which stops
--                     at the first table under row-level security as any other role
--   byrelog_app       the one role that the service logs in as. It has no rights of
--                     its own (NOINHERIT): each connection takes one of the three above
DO $roles$
DECLARE
    want record;
    has  record;
BEGIN
    FOR want IN
        SELECT * FROM (VALUES
            ('byrelog_owner',    true,  false, true),
            ('byrelog_reader',   false, false, true),
            ('byrelog_writer',   false, true,  true),
            ('byrelog_registry', false, false, true),
            ('byrelog_backup',   false, true,  true),
            ('byrelog_app',      true,  false, false)
        ) AS r(name, login, bypass, inherit)
    LOOP
        SELECT rolcanlogin, rolbypassrls, rolinherit, rolsuper, rolcreatedb, rolcreaterole
            INTO has FROM pg_catalog.pg_roles WHERE rolname = want.name;
        IF NOT FOUND THEN
            EXECUTE format('CREATE ROLE %I', want.name);
        END IF;
        -- Altering only what differs lets a second run succeed without the rights of the first.
        IF has IS NULL OR (has.rolcanlogin, has.rolbypassrls, has.rolinherit) IS DISTINCT FROM (want.login, want.bypass, want.inherit)
            OR has.rolsuper OR has.rolcreatedb OR has.rolcreaterole
        THEN
            EXECUTE format('ALTER ROLE %I NOSUPERUSER NOCREATEDB NOCREATEROLE %s %s %s', want.name,
                CASE WHEN want.login THEN 'LOGIN' ELSE 'NOLOGIN' END,
                CASE WHEN want.bypass THEN 'BYPASSRLS' ELSE 'NOBYPASSRLS' END,
                CASE WHEN want.inherit THEN 'INHERIT' ELSE 'NOINHERIT' END);
        END IF;
    END LOOP;
    FOR want IN
        SELECT unnest(ARRAY['byrelog_reader', 'byrelog_writer', 'byrelog_registry']) AS name
    LOOP
        IF NOT EXISTS (
            SELECT FROM pg_catalog.pg_auth_members m
            WHERE m.roleid = want.name::regrole AND m.member = 'byrelog_app'::regrole)
        THEN
            EXECUTE format('GRANT %I TO byrelog_app', want.name);
        END IF;
    END LOOP;
END
$roles$;
