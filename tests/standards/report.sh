#!/usr/bin/env bash
# Reports of the invented shop's packs against an independent validator of PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1): with the
# customer, without, one view, in both languages, after a change of key, with a stamp and a witness. Two files spoiled on purpose show that it judges.
set -euo pipefail
cd "$(dirname "$0")/../.."
venv=$PWD/target/report
asked=tests/standards/report-requirements.txt
program=${COUNTERFOIL_BIN:-$PWD/target/release/counterfoil}
if ! cmp -s "$asked" "$venv/installed.txt"; then
  rm -rf "$venv"
  python3 -m venv "$venv"
  "$venv/bin/pip" install --quiet --disable-pip-version-check -r "$asked"
  cp "$asked" "$venv/installed.txt"
fi

folder=$(mktemp -d)
running=()
trap 'for one in "${running[@]}"; do { kill "$one" && wait "$one"; } 2>/dev/null || true; done; rm -rf "$folder"' EXIT
# What is started reads from here: it ends when this script ends, however it ends.
mkfifo "$folder/held"; exec {held}<>"$folder/held"
# begin COMMAND…: starts what says on its standard output when it is ready, up to a line that begins as $until says; that is $line.
begin() {
  exec {from}< <(exec "$@" <"$folder/held" 2>"$folder/err" {held}>&-)
  begun=$!; running+=("$begun")
  while read -r -t 120 -u "$from" line; do
    case $line in $until*) return ;; esac
  done
  cat "$folder/err"; exit 1
}
end() { kill -TERM "$1"; wait "$1" || true; }

until='ready '
begin "$program" demo --data "$folder/data" --listen 127.0.0.1:0
end "$begun"

# report NAME OPTION…: the report of a pack.
report() {
  local name=$1; shift
  "$program" pack --data "$folder/data" --out "$folder/$name.zip" "$@" >/dev/null
  unzip -q -p "$folder/$name.zip" report.pdf >"$folder/$name.pdf"
}
report long --intake 0112
report found --intake 0148
report disputed --intake 0151
report short --intake 0158
report deutsch --intake 0145 --language de
report withheld --intake 0145 --withhold-customer
report view --intake 0145 --view bar-side
# With stamps of an authority and the signature of a witness, from outside the shop.
until=http
begin ./target/release/stamper "$folder/authority"; stamps=$line
until=ready
key=$(unzip -q -p "$folder/short.zip" keys.txt)
begin "$program" witness --data "$folder/witness" --name witness.example/w1 --log "$key" --listen 127.0.0.1:0
# Its ready line names its key and its address.
witness=$(jq -r '"\(.key)@\(.address)"' <<<"${line#ready }")
until='ready '
begin "$program" serve --data "$folder/data" --listen 127.0.0.1:0 --stamp-url "$stamps" --stamp-ca "$folder/authority/root.pem" --witness "$witness"
"$venv/bin/python" tests/standards/outside.py "$(jq -r .address <<<"${line#ready }")" ines tarn-street-demo
end "$begun"
report outside --intake 0158
if cmp -s "$folder/short.pdf" "$folder/outside.pdf"; then echo "a report says nothing of stamps and witnesses"; exit 1; fi
"$program" rotate-key --data "$folder/data" --because "as every year" --overlap-days 0 >/dev/null
report rotated --intake 0158
if cmp -s "$folder/outside.pdf" "$folder/rotated.pdf"; then echo "a report says nothing of a change of key"; exit 1; fi
# Its letters are not in it any more; nothing says what is a heading any more. The same length, so that everything else stays where it is.
sed 's|/FontFile2|/FontFilex|' "$folder/long.pdf" >"$folder/spoiled-letters.pdf"
sed 's|/StructTreeRoot|/StructTreeRoox|' "$folder/long.pdf" >"$folder/spoiled-tree.pdf"
for spoiled in spoiled-letters spoiled-tree; do
  if cmp -s "$folder/long.pdf" "$folder/$spoiled.pdf"; then echo "$spoiled is as it was"; exit 1; fi
done

"$venv/bin/python" - "$folder" <<'PYTHON'
import pathlib
import sys

import page

folder = pathlib.Path(sys.argv[1])
profiles = {"PDF/A-2a": page.ValidationProfile.PDF_A_2A, "PDF/UA-1": page.ValidationProfile.PDF_UA_1}
good, rules = 0, 0
for name in ["long", "found", "disputed", "short", "deutsch", "withheld", "view", "rotated", "outside"]:
    for said, profile in profiles.items():
        report = page.validate_pdf(str(folder / f"{name}.pdf"), profile=profile)
        for failure in report.failures:
            print(f"{name}: {said}: {failure.rule_id}: {failure.message}")
        assert report.is_compliant, f"{name} is no {said}"
        good, rules = good + 1, rules + report.rules.total
for name, said in [("spoiled-letters", "PDF/A-2a"), ("spoiled-tree", "PDF/UA-1")]:
    report = page.validate_pdf(str(folder / f"{name}.pdf"), profile=profiles[said])
    assert not report.is_compliant, f"{name} passes for {said}: the validator judges nothing"
print(f"{good} times compliant, {rules} rules looked at; both spoiled files found")
PYTHON
