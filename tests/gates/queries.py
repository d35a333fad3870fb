"""Queries run on SQLite and on PostgreSQL: `$1` placeholders, and no word that only one of them knows, outside of
`server/src/database/`."""

import pathlib
import re
import sys

root = pathlib.Path(__file__).resolve().parents[2]
begins = re.compile(r"\s*(SELECT|INSERT|UPDATE|DELETE|WITH|BEGIN|PRAGMA)\b")
literal = re.compile(r'"((?:[^"\\]|\\.)*)"', re.S)
# What SQLite takes and PostgreSQL does not, or takes as something else.
only = re.compile(
    r"\?\d*|\bINSERT OR\b|\bGLOB\b|\bPRAGMA\b|\browid\b|\bIMMEDIATE\b|\bIFNULL\b|\bjson_\w+|\bgroup_concat\b|\bprintf\(|\bSELECT \*|\bRETURNING \*|"
    r"\bFOR UPDATE\b|\bIS \$|\bSELECT EXISTS\b"
)
faults = 0
for path in sorted(root.glob("server/src/**/*.rs")):
    if "database" in path.relative_to(root / "server/src").parts[0]:
        continue
    text = path.read_text()
    for found in literal.finditer(text):
        sql = found.group(1)
        if begins.match(sql) and (wrong := only.search(sql)):
            line = text.count("\n", 0, found.start()) + 1
            print(f"{path.relative_to(root)}:{line}: {wrong.group(0)!r} is not for both databases: {sql[:80]}")
            faults += 1
sys.exit(1 if faults else 0)
