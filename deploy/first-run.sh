#!/usr/bin/env bash
# Makes passwords and a first certificate, once; what is there stays.
set -euo pipefail
umask 077
password=/for-database/password
[ -s "$password" ] || { openssl rand -hex 32 >"$password.new" && mv "$password.new" "$password"; }
settings=/for-server/counterfoil.toml
if [ ! -s "$settings" ]; then
  # No TLS to the database: the network between them has no way out.
  printf 'database = "postgres://counterfoil:%s@database/counterfoil?sslmode=disable"\n' "$(cat "$password")" >"$settings.new"
  mv "$settings.new" "$settings"
fi
# The shop puts its own certificate chain and key here, in one file.
pem=/for-proxy/certificate.pem
if [ ! -s "$pem" ]; then
  host=${COUNTERFOIL_HOST:-localhost}
  case $host in *[!0-9.]*) name="DNS:$host" ;; *) name="IP:$host" ;; esac
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 365 -subj "/CN=$host" -addext "subjectAltName=$name" \
    -keyout /tmp/key.pem -out /tmp/certificate.pem 2>/dev/null
  cat /tmp/certificate.pem /tmp/key.pem >"$pem.new"
  mv "$pem.new" "$pem"
fi
echo "passwords and certificate are there"
