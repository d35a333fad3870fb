#!/usr/bin/env bash
# Makes passwords and a first certificate, once; what is there stays.
set -euo pipefail
umask 077
password=/for-database/password
[ -s "$password" ] || { openssl rand -hex 32 >"$password.new" && mv "$password.new" "$password"; }
store=/for-store/identities.json
if [ ! -s "$store" ]; then
  printf '{"identities":[{"name":"counterfoil","credentials":[{"accessKey":"counterfoil","secretKey":"%s"}],"actions":["Admin","Read","Write","List","Tagging"]}]}\n' \
    "$(openssl rand -hex 32)" >"$store.new"
  mv "$store.new" "$store"
fi
settings=/for-server/settings
if [ ! -s "$settings" ]; then
  # No TLS to database and store: the network between them has no way out.
  {
    printf 'COUNTERFOIL_DATABASE=postgres://counterfoil:%s@database/counterfoil?sslmode=disable\n' "$(cat "$password")"
    printf 'COUNTERFOIL_ORIGINALS="s3://originals?endpoint=http://store:8333&region=here"\nCOUNTERFOIL_S3_KEY=counterfoil\n'
    printf 'COUNTERFOIL_S3_SECRET=%s\n' "$(sed 's/.*"secretKey":"\([^"]*\)".*/\1/' "$store")"
  } >"$settings.new"
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
