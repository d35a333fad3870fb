"""Licences, origins and unused dependencies, over `cargo metadata`.

Every crate that is built must offer a permissive licence and come from the one registry under the checksum of Cargo.lock, no
git and no path outside this workspace; every dependency a package names must be used in its sources. `--list` prints the
inventory instead: name, version, licence, checksum.
"""

import json
import pathlib
import re
import subprocess
import sys
import tomllib

# Permissive, and the file-level copyleft of MPL-2.0 is not among them. CDLA-Permissive-2.0 is the data of a list of zones or roots.
ALLOWED = {
    "MIT", "MIT-0", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD-1-Clause", "BSD-2-Clause", "BSD-3-Clause", "ISC", "Zlib", "0BSD",
    "Unlicense", "CC0-1.0", "BSL-1.0", "Unicode-3.0", "Unicode-DFS-2016", "CDLA-Permissive-2.0", "IJG",
}


def allowed(expression: str) -> bool:
    """Whether an SPDX expression (OR, AND, WITH, brackets; `/` as the old spelling of OR) can be met by the list."""
    words = re.findall(r"\(|\)|[^\s()]+", expression.replace("/", " OR "))
    at = 0

    def either() -> bool:
        nonlocal at
        found = both()
        while at < len(words) and words[at] == "OR":
            at += 1
            found = both() or found
        return found

    def both() -> bool:
        nonlocal at
        found = one()
        while at < len(words) and words[at] == "AND":
            at += 1
            found = one() and found
        return found

    def one() -> bool:
        nonlocal at
        word = words[at]
        at += 1
        if word == "(":
            found = either()
            at += 1
            return found
        if at < len(words) and words[at] == "WITH":
            word = f"{word} WITH {words[at + 1]}"
            at += 2
        return word in ALLOWED

    return either() and at == len(words)


for expression, expected in [
    ("MIT", True), ("GPL-3.0", False), ("MIT OR GPL-3.0", True), ("MIT AND GPL-3.0", False), ("(MIT OR GPL-3.0) AND ISC", True),
    ("MIT/Apache-2.0", True), ("Apache-2.0 WITH LLVM-exception", True), ("MIT AND (GPL-3.0 OR AGPL-3.0)", False),
]:
    assert allowed(expression) is expected, expression

meta = json.loads(subprocess.run(["cargo", "metadata", "--format-version", "1", "--locked"], check=True, capture_output=True, text=True).stdout)
faults = [f"{p['name']} {p['version']}: {p['license']}" for p in meta["packages"] if not allowed(p["license"] or "none")]

members = set(meta["workspace_members"])
locked = {(p["name"], p["version"]): p.get("checksum") for p in tomllib.loads(pathlib.Path("Cargo.lock").read_text())["package"]}
if sys.argv[1:] == ["--list"]:
    for p in sorted(meta["packages"], key=lambda p: (p["name"], p["version"])):
        print(p["name"], p["version"], p["license"], locked.get((p["name"], p["version"])) or "this workspace", sep="\t")
    sys.exit()
registries = {p["source"] for p in meta["packages"] if p["source"]}
for p in meta["packages"]:
    ours = p["id"] in members
    if ours != (p["source"] is None) or not ours and not (p["source"].startswith("registry+") and locked.get((p["name"], p["version"]))):
        faults.append(f"{p['name']} {p['version']} is not from the registry: {p['source']}")
if len(registries) > 1:
    faults.append(f"crates from several registries: {sorted(registries)}")
for package in (p for p in meta["packages"] if p["id"] in members):
    folder = pathlib.Path(package["manifest_path"]).parent
    text = "\n".join(f.read_text() for f in folder.rglob("*.rs") if "target" not in f.parts)
    for d in package["dependencies"]:
        name = (d["rename"] or d["name"]).replace("-", "_")
        # Libraries that are called otherwise than their package.
        name = {"kamadak_exif": "exif", "rust_s3": "s3"}.get(name, name)
        if not re.search(rf"\b{name}\b", text):
            faults.append(f"{package['name']} names {d['name']} and does not use it")

print("\n".join(faults) or f"{len(meta['packages'])} packages, every licence allowed, all from one registry, every dependency used")
sys.exit(bool(faults))
