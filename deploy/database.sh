#!/usr/bin/env bash
# PostgreSQL over /data; made there at the first start.
set -euo pipefail
programs=/usr/lib/postgresql/15/bin
if [ ! -s /data/cluster/PG_VERSION ]; then
  # An attempt that was broken off left nothing worth keeping.
  rm -rf /data/cluster
  "$programs/initdb" -D /data/cluster -U counterfoil --pwfile=/for-database/password -A scram-sha-256 -E UTF8 --locale=C.UTF-8 >/dev/null
  echo "host all counterfoil all scram-sha-256" >>/data/cluster/pg_hba.conf
fi
"$programs/postgres" -D /data/cluster -k /tmp -c listen_addresses='*' -c max_connections=200 &
server=$!
trap 'kill -INT "$server"' INT TERM
until "$programs/pg_isready" -q -h /tmp -U counterfoil; do kill -0 "$server" 2>/dev/null || exit 1; sleep 0.2; done
export PGPASSWORD; PGPASSWORD=$(cat /for-database/password)
[ "$("$programs/psql" -h /tmp -U counterfoil -d postgres -tAc "SELECT 1 FROM pg_database WHERE datname = 'counterfoil'")" = 1 ] ||
  "$programs/createdb" -h /tmp -U counterfoil -T template0 -E UTF8 counterfoil
# A signal ends the first wait before the server has ended.
until wait "$server"; do kill -0 "$server" 2>/dev/null || exit; done
