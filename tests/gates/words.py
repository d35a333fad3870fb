"""Every message key that the sources name is in the catalogue, and the catalogue has no key that nothing names. All
catalogues have the same keys, in order, with the same placeholders. Every text of a kind is there in every language."""

import json
import pathlib
import re
import sys
import tomllib

root = pathlib.Path(__file__).resolve().parents[2]
words = json.loads((root / "schema/words/en.json").read_text())
groups = "|".join(sorted({k.split(".")[0] for k in words}))
sources = [*root.glob("server/src/**/*.rs"), *root.glob("server/web/**/*.js")]
# The tests of a shop's own catalogues make keys up.
text = "\n".join(f.read_text() for f in sources if f.name != "own_tests.rs")

named = set(re.findall(rf"""["'`]((?:{groups})\.[a-z0-9-]+(?:\.[a-z0-9-]+)*)["'`]""", text))
# Keys that are put together: everything before the first gap in the text.
made = set(re.findall(rf"""["'`]((?:{groups})\.[a-z0-9.-]*)(?=\{{|\$\{{)""", text))
# What looks like a key and is none: file names, hosts, members.
other = {w for w in named if re.search(r"\.(js|css|html|svg|json|toml|db|key|crt|png|jpg|pdf|rs|example|invalid|local)$", w) or w == "problem.detail"}
missing = sorted(k for k in named - other if k not in words and not any(w.startswith(f"{k}.") for w in words))
plain = lambda k: re.sub(r"\.(one|few|many|other|zero|two)$", "", k)
unused = sorted(k for k in words if k not in named and plain(k) not in named and not any(k.startswith(m) for m in made))
for k in missing:
    print(f"named and not in the catalogue: {k}")
for k in unused:
    print(f"in the catalogue and not named: {k}")
faults = len(missing) + len(unused)


def fault(sentence):
    global faults
    faults += 1
    print(sentence)


def once(pairs):
    """JSON allows a key twice; a catalogue does not."""
    keys = [k for k, _ in pairs]
    for key in sorted({k for k in keys if keys.count(k) > 1}):
        fault(f"twice in a catalogue: {key}")
    return dict(pairs)


def placeholders(sentence):
    return sorted(re.findall(r"\{([^{}]*)\}", sentence))


catalogues = {f.stem: json.loads(f.read_text(), object_pairs_hook=once) for f in sorted(root.glob("schema/words/*.json"))}
for language, texts in catalogues.items():
    if list(texts) != sorted(texts):
        fault(f"{language}: the keys are not sorted")
    for key in sorted(words.keys() ^ texts.keys()):
        fault(f"{language}: {'not there' if key in words else 'not in en'}: {key}")
    for key in words.keys() & texts.keys():
        if placeholders(words[key]) != placeholders(texts[key]):
            fault(f"{language}: {key}: {placeholders(texts[key])}, in en {placeholders(words[key])}")
        if not texts[key].strip():
            fault(f"{language}: {key} is empty")


def kind_texts(value, where):
    """Tables by language: all of their members are texts, and one is English."""
    if isinstance(value, list):
        for i, item in enumerate(value):
            kind_texts(item, f"{where}/{item['id'] if isinstance(item, dict) and 'id' in item else i}")
    elif isinstance(value, dict):
        if "en" in value or set(value) & catalogues.keys():
            for language in catalogues:
                if not str(value.get(language, "")).strip():
                    fault(f"{where}: no text in {language}")
                elif set(placeholders(value[language])) != set(placeholders(value.get("en", ""))):
                    fault(f"{where}: other placeholders in {language}")
        else:
            for name, item in value.items():
                kind_texts(item, f"{where}/{name}")


for f in sorted(root.glob("schema/kinds/*.toml")):
    kind_texts(tomllib.loads(f.read_text()), f.stem)
print(f"{len(words)} sentences in {len(catalogues)} languages: {', '.join(catalogues)}")
sys.exit(bool(faults))
