// Names come from entries: whatever they are, they are names and nothing else.
import assert from "node:assert/strict";
import { test } from "node:test";
import { fold, nothing } from "../../server/web/core/fold.js";

const TABLES = (state) => [
  state.machine, state.people, state.statements, state.answers, state.safety, state.accessories, state.blocks, state.arrangements, state.left_open, state.links,
  state.custody.quarantine, state.custody.back, state.home.settled, state.home.told,
];
const NAMES = ["constructor", "__proto__", "toString", "hasOwnProperty"];
const said = (type, body, index) => ({ index, digest: "", body, said: { id: `${index}`, type, v: 1, body, author: { server: "1" }, clock: { at: "2026-11-25T13:02:11.123Z", offset_minutes: 0 } } });

test("nothing stands in a table that no entry put there", () => {
  for (const table of TABLES(nothing())) for (const name of NAMES) assert.equal(table[name], undefined);
});

test("a name that every object has is a name as any other, and touches nothing else", () => {
  for (const name of NAMES) {
    const all = [
      ["machine-described", { field: name, value: "x" }], ["person-named", { who: name, name: "x" }], ["statement-made", { topic: name, text: "x" }],
      ["question-answered", { question: name, choice: "x" }], ["safety-noted", { item: name, seen: "seen" }], ["accessory-noted", { item: name, count: 1, stays: "kept here" }],
      ["block-answered", { block: name, sentence: "x" }], ["arrangement-made", { values: JSON.parse(`{"${name}": "x"}`) }], ["left-open", { gap: name, reason: "x" }],
      ["link-made", { link: name, what: "x", expires: "x" }], ["quarantined", { word: name, because: "x" }], ["came-back", { sent: name }],
      ["thing-settled", { line: name, how: "x" }], ["quarantine-told", { word: name, labelled: true }],
    ];
    const state = fold(/** @type {any} */ (all.map(([type, body], i) => said(type, body, i))));
    assert.deepEqual(TABLES(state).map((table) => Object.keys(table)), all.map(() => [name]));
    assert.equal(typeof TABLES(state)[0][name], "object");
    const gone = fold(/** @type {any} */ ([...all, ["link-revoked", { link: name }], ["quarantine-lifted", { word: name }]].map(([type, body], i) => said(type, body, i))));
    assert.equal(gone.links[name] ?? gone.custody.quarantine[name], undefined);
  }
  assert.equal(/** @type {any} */ ({}).value, undefined);
});
