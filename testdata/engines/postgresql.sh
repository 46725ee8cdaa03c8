#!/bin/sh
# Takes a table that series export wrote into a PostgreSQL server of its own, which is thrown
# away, and prints the README's question with what it answers. Needs Debian's postgresql.
#
#   postgresql.sh TABLE.csv
set -eu
here=$(cd "$(dirname "$0")" && pwd)
bin=$(ls -d /usr/lib/postgresql/*/bin | tail -1)
dir=$(mktemp -d)
as=""
if test "$(id -u)" = 0; then
  chown postgres "$dir"
  as="runuser -u postgres --"
fi
trap '$as "$bin/pg_ctl" -D "$dir/data" -m immediate stop >/dev/null 2>&1 || true; rm -rf "$dir"' EXIT
cp "$1" "$dir/table.csv"
cp "$here/fixtures.sql" "$dir/"
chmod -R a+rX "$dir"
cd "$dir"
$as "$bin/initdb" -D "$dir/data" -A trust -E UTF8 --locale=C >/dev/null
$as "$bin/pg_ctl" -D "$dir/data" -o "-k $dir -c listen_addresses=" -l "$dir/log" -w start >/dev/null
$as "$bin/psql" -h "$dir" -d postgres -q -v ON_ERROR_STOP=1 -f fixtures.sql \
  -c "COPY fixtures FROM '$dir/table.csv' WITH (FORMAT csv, HEADER true)" \
  -c "SELECT clinician, count(*), avg(apex_mm) FROM fixtures WHERE status = 'measured' AND doubt = 'false' GROUP BY clinician ORDER BY clinician"
