// Log indices of an intake's entries as a person reads them: those that follow each other are put together.

import assert from "node:assert/strict";
import { test } from "node:test";

import { ranges } from "../../server/web/parts/outside.js";

test("indices that follow each other are one range", () => {
  assert.equal(ranges([3, 4, 5, 9, 11, 12]), "3–5, 9, 11–12");
  assert.equal(ranges([7]), "7");
  assert.equal(ranges([]), "");
});
