#!/usr/bin/env bash
# Makes byrelog's database in a new container of the postgres image, which runs
# this after migrations/roles.sql has made the roles (see docker-compose.yml). The
# passwords come in by environment and never stand on a command line.
set -euo pipefail

: "${BYRELOG_OWNER_PASSWORD:?is not set}" "${BYRELOG_APP_PASSWORD:?is not set}"

psql --no-psqlrc --set ON_ERROR_STOP=1 --username "${POSTGRES_USER:-postgres}" --dbname postgres <<'SQL'
\getenv owner BYRELOG_OWNER_PASSWORD
\getenv app BYRELOG_APP_PASSWORD
ALTER ROLE byrelog_owner PASSWORD :'owner';
ALTER ROLE byrelog_app PASSWORD :'app';
CREATE DATABASE byrelog OWNER byrelog_owner ENCODING 'UTF8' TEMPLATE template0;
SQL
