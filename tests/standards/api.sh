#!/usr/bin/env bash
# The API's description against an independent linter, then the service against requests made from it: as owner, as
# owner who signs out, and as nobody. `COUNTERFOIL_LONG=1`: more of them.
set -euo pipefail
cd "$(dirname "$0")/../.."
asked=tests/standards
venv=$PWD/target/api-standards
program=${COUNTERFOIL_BIN:-$PWD/target/release/counterfoil}
examples=25
[ "${COUNTERFOIL_LONG:-}" = "1" ] && examples=400

if ! cmp -s "$asked/requirements.txt" "$venv/installed.txt"; then
  rm -rf "$venv"
  python3 -m venv "$venv"
  "$venv/bin/pip" install --quiet --disable-pip-version-check -r "$asked/requirements.txt"
  cp "$asked/requirements.txt" "$venv/installed.txt"
fi

"$venv/bin/openapi-spec-validator" openapi/openapi.json

folder=$(mktemp -d)
server=
trap '[ -z "$server" ] || { kill "$server" && wait "$server"; } 2>/dev/null; rm -rf "$folder"' EXIT
mkfifo "$folder/out"
"$program" demo --empty --data "$folder/data" --listen 127.0.0.1:0 >"$folder/out" 2>"$folder/err" &
server=$!
# The program says when it is ready: wait for the line, not for a time.
address=
exec 3<"$folder/out"
while [ -z "$address" ] && read -r -t 60 line <&3; do
  case $line in ready\ *) address=$(sed 's/.*"address":"\([^"]*\)".*/\1/' <<<"$line") ;; esac
done
[ -n "$address" ] || { cat "$folder/err"; exit 1; }
cat <&3 >/dev/null & # the rest is read too, so that the pipe never fills

read -r shop intake < <(python3 "$asked/an_intake.py" "$address")
[ -n "$intake" ] || exit 1

# ask NAME CONFIG ARGUMENT…: one run with a fixed seed, under every check there is.
ask() {
  local name=$1 config=$2; shift 2
  printf '\n== %s\n' "$name"
  (cd "$folder" && "$venv/bin/schemathesis" --config-file "$config" run "$address/openapi.json" \
    --checks all --seed 417 --max-examples "$examples" --generation-database none --continue-on-failure --no-color "$@") || {
    grep -E 'ERROR|fault' "$folder/err" | tail -n 20
    return 1
  }
}

anonymous=$folder/anonymous.toml
sed "s/SHOP/$shop/; s/INTAKE/$intake/" "$asked/schemathesis.toml" >"$anonymous"
signed_in=$folder/signed-in.toml
{
  cat "$anonymous"
  cat <<'END'

# Signs in, and again where the run put its own device out.
[auth.dynamic.openapi.bearer]
path = "/v1/tokens"
payload = { sign_in = "ines", password = "tarn-street-demo" }
extract_selector = "/access"
retry_on = [401]
END
} >"$signed_in"

# Signing out ends what the run has: it is asked by itself.
ask "as owner" "$signed_in" --exclude-operation-id sign_out
ask "as owner who signs out" "$signed_in" --include-operation-id sign_out
ask "as nobody" "$anonymous"

kill -TERM "$server"
wait "$server"
server=
# Whatever was asked, the record is sound.
"$program" check --data "$folder/data"
