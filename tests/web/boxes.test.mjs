// Boxes over a photo: what a key and a drag make of them stays inside the picture and as large as the server takes it; the fold.
import assert from "node:assert/strict";
import { test } from "node:test";
import { fold } from "../../server/web/core/fold.js";
import { LEAST, between, keyed } from "../../server/web/parts/boxes.js";

test("a drag makes a box whichever way it goes; a slip makes none", () => {
  const box = { x: 1000, y: 2000, w: 3000, h: 1500 };
  assert.deepEqual(between({ x: 1000, y: 2000 }, { x: 4000, y: 3500 }), box);
  assert.deepEqual(between({ x: 4000, y: 3500 }, { x: 1000, y: 2000 }), box);
  assert.equal(between({ x: 1000, y: 2000 }, { x: 1100, y: 9000 }), null);
});

test("keys move and size a box, and it never leaves the picture", () => {
  let box = { x: 9800, y: 100, w: 200, h: 100 };
  assert.deepEqual(keyed(box, [250, -250], false), { x: 9800, y: 0, w: 200, h: 100 });
  for (let i = 0; i < 100; i += 1) box = keyed(box, [-250, 250], true);
  assert.deepEqual(box, { x: 9800, y: 100, w: LEAST, h: 9900 });
});

test("a later redaction replaces the one before, one without boxes takes it back", () => {
  const said = (type, body, index) => ({ index, digest: "", body, said: { id: `${index}`, type, v: 1, body, author: { server: "1" }, clock: { at: "2026-11-25T13:02:11.123Z", offset_minutes: 0 } } });
  const log = [said("intake-opened", { tag: "1", how: "at counter" }, 0), said("photo-taken", { photo: "p", file: "f", size: 1, stage: "received" }, 1)];
  const over = (boxes, index) => said("photo-redacted", { photo: "p", file: "f", boxes, renditions: [], by: "ines" }, index);
  const box = { x: 1, y: 1, w: 60, h: 60 };
  const redacted = (...more) => fold(/** @type {any} */ ([...log, ...more])).photos[0].redacted?.boxes;
  assert.deepEqual(redacted(over([box], 2)), [box]);
  assert.deepEqual(redacted(over([box], 2), over([box, box], 3)), [box, box]);
  assert.equal(redacted(over([box], 2), over([], 3)), undefined);
});
