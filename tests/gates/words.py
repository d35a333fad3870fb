"""Every message key that the sources name is in the catalogue, and the catalogue has no key that nothing names."""

import json
import pathlib
import re
import sys

root = pathlib.Path(__file__).resolve().parents[2]
words = json.loads((root / "schema/words/en.json").read_text())
groups = "|".join(sorted({k.split(".")[0] for k in words}))
sources = [*root.glob("server/src/**/*.rs"), *root.glob("server/web/**/*.js")]
text = "\n".join(f.read_text() for f in sources)

named = set(re.findall(rf"""["'`]((?:{groups})\.[a-z0-9-]+(?:\.[a-z0-9-]+)*)["'`]""", text))
# Keys that are put together: everything before the first gap in the text.
made = set(re.findall(rf"""["'`]((?:{groups})\.[a-z0-9.-]*)(?=\{{|\$\{{)""", text))
# What looks like a key and is none: file names, hosts, members.
other = {w for w in named if re.search(r"\.(js|css|html|svg|json|toml|db|key|crt|png|jpg|rs|example|invalid|local)$", w) or w == "problem.detail"}
missing = sorted(k for k in named - other if k not in words and not any(w.startswith(f"{k}.") for w in words))
plain = lambda k: re.sub(r"\.(one|few|many|other|zero|two)$", "", k)
unused = sorted(k for k in words if k not in named and plain(k) not in named and not any(k.startswith(m) for m in made))
for k in missing:
    print(f"named and not in the catalogue: {k}")
for k in unused:
    print(f"in the catalogue and not named: {k}")
print(f"{len(words)} sentences")
sys.exit(bool(missing or unused))
