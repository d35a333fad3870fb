// The device's own search gives the answers of the shared vectors, as the server's does.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { finds, query, wordsOf } from "../../server/web/core/search.js";

const { records, cases } = JSON.parse(readFileSync(new URL("../../schema/vectors/search.json", import.meta.url), "utf8"));
const known = records.map((r) => ({ tag: r.tag, words: wordsOf(r) }));

for (const { q, found } of cases) {
  test(`search: ${JSON.stringify(q)}`, () => {
    assert.deepEqual(known.filter((r) => finds(r.words, query(q))).map((r) => r.tag), found);
  });
}
