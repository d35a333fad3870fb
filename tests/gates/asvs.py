"""docs/ASVS.md names every requirement of level 1 and 2 once, and only tests and files that are there; its sum is right."""

import collections
import pathlib
import re
import sys

# How many requirements of level 1 and 2 each section of ASVS 5.0.0 has; they are the first of their section.
SECTIONS = """1.1:2 1.2:9 1.3:11 1.4:3 1.5:2 2.1:3 2.2:3 2.3:4 2.4:1 3.2:2 3.3:4 3.4:6 3.5:5 3.7:2 4.1:3 4.2:1 4.3:2 4.4:4 5.1:1 5.2:3 5.3:2 5.4:3
6.1:3 6.2:12 6.3:4 6.4:4 6.5:5 6.6:3 6.8:4 7.1:3 7.2:4 7.3:2 7.4:5 7.5:2 7.6:2 8.1:2 8.2:3 8.3:1 8.4:1 9.1:3 9.2:4
10.1:2 10.2:2 10.3:4 10.4:11 10.5:5 10.6:2 10.7:3 11.1:2 11.2:3 11.3:3 11.4:4 11.5:1 11.6:1 12.1:3 12.2:2 12.3:4 13.1:1 13.2:5 13.3:2 13.4:5
14.1:2 14.2:4 14.3:3 15.1:3 15.2:3 15.3:7 16.1:1 16.2:5 16.3:4 16.4:3 16.5:3 17.1:1 17.2:4 17.3:2"""
STATES = ("met", "in part", "not met", "does not apply")

root = pathlib.Path(__file__).resolve().parents[2]
text = (root / "docs/ASVS.md").read_text()
wanted = {f"{s}.{n}" for s, most in (pair.split(":") for pair in SECTIONS.split()) for n in range(1, int(most) + 1)}
sources = "\n".join(p.read_text() for top in ("server", "tests", "evidence") for p in (root / top).rglob("*.rs") if "node_modules" not in p.parts)
tests = set(re.findall(r"#\[(?:tokio::|actix_web::)?test[^\]]*\]\s*(?:#\[[^\]]*\]\s*)*(?:async )?fn (\w+)", sources))

faults, seen, states = [], collections.Counter(), collections.Counter()
for line in text.splitlines():
    row = re.match(r"\| (\d+\.\d+)\.(\d+)(?:–\1\.(\d+))? \| ([^|]+) \| (.*) \| ?(.*?) ?\|$", line)
    if not row:
        if re.match(r"\| \d+\.\d+\.\d+", line):
            faults.append(f"not a row: {line[:80]}")
        continue
    section, first, last, state, how, shown = row.groups()
    numbers = [f"{section}.{n}" for n in range(int(first), int(last or first) + 1)]
    seen.update(numbers)
    states[state] += len(numbers)
    if state not in STATES:
        faults.append(f"{numbers[0]}: {state!r} is none of {STATES}")
    faults += [f"{numbers[0]}: no test is called {t}" for t in re.findall(r"`(\w+)`", shown) if t not in tests]
for file in set(re.findall(r"`((?:[\w-]+/)*[\w-]+\.(?:rs|py|js|json|lock|txt|toml))(?: [^`]*)?`", text)):
    if not any((root / top / file).exists() for top in ("", "server/src")):
        faults.append(f"no file {file}")
faults += [f"{n} is missing" for n in sorted(wanted - set(seen))] + [f"{n} is not of level 1 or 2" for n in sorted(set(seen) - wanted)]
faults += [f"{n} stands {times} times" for n, times in seen.items() if times > 1]
said = f"of {len(wanted)}, {states['met']} are met, {states['in part']} in part, {states['not met']} not met, {states['does not apply']} do not apply"
if said not in " ".join(text.split()):
    faults.append(f"its sum should be: {said}")
print("\n".join(faults) or said)
sys.exit(bool(faults))
