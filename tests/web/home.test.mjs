// Going home and suspect parts: the shared vectors of schema/vectors/home.json and parts.json. The server runs the same files.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { parse } from "smol-toml";
import { limitOf, withinLimit } from "../../server/web/core/care.js";
import { bearsOn } from "../../server/web/core/dispute.js";
import { fold } from "../../server/web/core/fold.js";
import { homeCheck } from "../../server/web/core/hand-back.js";
import { disagreements, isDay, missing, until } from "../../server/web/core/part.js";
import homeCases from "./vectors/cases-home.mjs";
import partCases from "./vectors/cases-parts.mjs";
import { linesOf } from "./vectors/make.mjs";
import { assemble, e, euro, id, opened } from "./vectors/tools.mjs";

const schema = new URL("../../schema/", import.meta.url);
const kind = parse(readFileSync(new URL("vectors/kinds/small.toml", schema), "utf8"));
const plain = (value) => JSON.parse(JSON.stringify(value));
const read = (name) => readFileSync(new URL(`vectors/${name}.json`, schema), "utf8");

/** A vector's entries as the fold takes them. */
export const entriesOf = ({ entries, shop, intake }) => entries.map(({ index, type, body, digest, by }, i) => ({
  ...(index === null ? {} : { index }), digest, body,
  said: { id: `entry ${i}`, shop, intake, type, v: 1, body, author: by ? { staff: by, device: "d" } : { server: "1" }, clock: { at: "2026-11-25T13:02:11.123Z", offset_minutes: 60 } },
}));
const stateOf = (entries) => fold(entriesOf(assemble({ name: "a state", mode: "device", entries })));

test("home.json and parts.json are what the cases give", () => {
  assert.equal(read("home"), linesOf(homeCases.map(assemble)));
  assert.equal(read("parts"), linesOf(partCases));
});

for (const vector of JSON.parse(read("home"))) {
  test(`vector: ${vector.name}`, () => {
    const state = fold(entriesOf(vector));
    assert.equal(state.not_understood, 0);
    assert.deepEqual(plain(homeCheck(kind, state, vector.mode)), vector.expect);
  });
}

for (const { name, entries, part, route, claim, expect } of JSON.parse(read("parts"))) {
  test(`part: ${name}`, () => {
    const state = stateOf([opened(), ...entries.map(([type, body], i) => e(`entry ${i}`, type, body))]);
    const card = state.parts.parts.find((p) => p.part === part);
    assert.deepEqual(plain(disagreements(card)), expect.disagreements);
    assert.deepEqual(plain(missing(state, card, route)), expect.missing);
    assert.deepEqual(until(card, claim) ?? null, expect.until);
  });
}

test("days are days", () => {
  for (const day of ["2026-02-28", "2024-02-29"]) assert.equal(isDay(day), true, day);
  for (const day of ["2026-02-29", "2026-13-01", "2026-2-3", "26-02-03", "2026-02-03T00:00", ""]) assert.equal(isDay(day), false, day);
});

test("the limit: what was arranged, then the newest yes; a no moves nothing", () => {
  const base = [opened(), e("limit", "arrangement-made", { values: { limit: euro(10000) } }), e("step", "work-noted", { what: "a", adds: euro(8000) })];
  const approval = (name, body) => e(name, "approval-noted", { how: "in person", at: "2026-11-26T09:10", who: "M. Okafor", ...body });
  assert.equal(withinLimit(stateOf(base), euro(2000)), true);
  assert.equal(withinLimit(stateOf(base), euro(2001)), false);
  assert.equal(withinLimit(stateOf(base), { currency: "USD", minor: 1 }), false);
  assert.deepEqual(limitOf(stateOf([...base, approval("yes", { answer: "yes", total: euro(20000) })])), euro(20000));
  assert.deepEqual(limitOf(stateOf([...base, approval("no", { answer: "no" })])), euro(10000));
  assert.equal(withinLimit(stateOf([opened(), e("limit", "arrangement-made", { values: { limit: "none" } })]), euro(9e6)), true);
});

test("a point about a view stands beside both photos, and says what is not there", () => {
  const photo = (name, stage) => e(name, "photo-taken", { photo: id(name), file: `sha256:${"0".repeat(64)}`, size: 1, view: "front", stage });
  const point = { about: "view:front" };
  const before = bearsOn(kind, stateOf([opened(), photo("as it came", "received")]), point);
  assert.deepEqual(before.received.map((p) => p.photo), [id("as it came")]);
  assert.deepEqual(before.missing, ["dispute.missing.left", "dispute.missing.shown"]);
  const after = bearsOn(kind, stateOf([opened(), photo("as it came", "received"), photo("as it went", "left")]), point);
  assert.deepEqual(after.left.map((p) => p.photo), [id("as it went")]);
});
