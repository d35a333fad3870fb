// The shared vectors of the completeness check and the sheet: schema/vectors/*.json. The server runs the same files.
import assert from "node:assert/strict";
import { existsSync, readFileSync, readdirSync } from "node:fs";
import { test } from "node:test";
import { parse } from "smol-toml";
import { check, mayLeaveOpen } from "../../server/web/core/check.js";
import { fold } from "../../server/web/core/fold.js";
import { buildSheet } from "../../server/web/core/sheet.js";
import { FILES, fileOf, text } from "./vectors/make.mjs";

const schema = new URL("../../schema/", import.meta.url);
/** A frozen kind where there is one; `shipped.json` is about the kinds as shipped. */
const kindOf = (file, name) => {
  const own = new URL(`vectors/kinds/${name}.toml`, schema);
  return parse(readFileSync(file !== "shipped" && existsSync(own) ? own : new URL(`kinds/${name}.toml`, schema), "utf8"));
};
const plain = (value) => JSON.parse(JSON.stringify(value));

/** A vector's entries as the fold takes them. */
function entriesOf({ entries, shop, intake }) {
  return entries.map(({ index, type, body, digest, by }, i) => ({
    ...(index === null ? {} : { index }), digest, body,
    said: { id: `entry ${i}`, shop, intake, type, v: 1, body, author: by ? { staff: by, device: "d" } : { server: "1" }, clock: { at: "2026-11-25T13:02:11.123Z", offset_minutes: 60 } },
  }));
}

const vectors = FILES.flatMap((file) => JSON.parse(readFileSync(fileOf(file), "utf8")).map((v) => ({ ...v, file })));

for (const file of FILES) {
  test(`${file}.json is what the cases give`, () => {
    assert.equal(readFileSync(fileOf(file), "utf8"), text(file));
  });
}

test("every shipped kind has its vectors", () => {
  const kinds = readdirSync(new URL("kinds/", schema)).map((f) => f.replace(".toml", ""));
  const covered = (what) => vectors.filter((v) => v.file === "shipped" && v.name.endsWith(what)).map((v) => v.kind).sort();
  assert.deepEqual(covered(": nothing answered"), kinds.sort());
  assert.deepEqual(covered(": everything answered at the counter"), kinds.sort());
  for (const v of vectors.filter((x) => x.name.endsWith(": everything answered at the counter"))) assert.ok(v.expect.gaps.every((g) => g.due !== "at counter"));
});

test("every gap's key stands in some vector", () => {
  const keys = new Set(vectors.flatMap((v) => [...v.expect.gaps, ...v.expect.left_open].map((g) => g.key)));
  // The keys are those of the rules in schema/vectors/README.md.
  assert.deepEqual([...keys].sort(), [
    "gap.accessories", "gap.acknowledgement.missing", "gap.acknowledgement.on-phone", "gap.acknowledgement.stale", "gap.arrangement", "gap.bringer",
    "gap.complaint", "gap.line-photo", "gap.machine", "gap.owner", "gap.owner-contact", "gap.question", "gap.reading", "gap.safety", "gap.view.missing",
    "gap.view.not-judged", "gap.view.on-phone", "gap.view.poor", "gap.view.waiting", "gap.walk-round",
  ]);
});

for (const vector of vectors) {
  test(`vector: ${vector.name}`, () => {
    const kind = kindOf(vector.file, vector.kind);
    const state = fold(entriesOf(vector));
    assert.equal(state.not_understood, 0);
    assert.deepEqual(plain(check(kind, state, vector.mode)), vector.expect);
    if (!vector.sheet) return;
    const { language, words, reader, digest, files, entries } = vector.sheet;
    const built = buildSheet(kind, state, { language, words, reader });
    assert.deepEqual(built.sheet.files, files);
    assert.deepEqual(built.sheet.entries, entries);
    assert.equal(built.digest, digest);
  });
}

test("who may leave what open: patterns", () => {
  // The default for the counter, as the rules state it.
  const counter = ["view:*", "!view:machine-plate", "question:*", "line-photo:*"];
  assert.equal(mayLeaveOpen(counter, "view:bar-side"), true);
  assert.equal(mayLeaveOpen(counter, "view:machine-plate"), false);
  assert.equal(mayLeaveOpen(counter, "machine:serial"), false);
  assert.equal(mayLeaveOpen(["*"], "machine:serial"), true);
  assert.equal(mayLeaveOpen(["*"], "acknowledgement"), false);
  assert.equal(mayLeaveOpen([], "view:bar-side"), false);
});
