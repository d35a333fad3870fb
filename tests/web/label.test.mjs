// The label's family name. Source of the convention and of the table of years: U.S. EPA, "Information about Family Naming Conventions
// for Vehicles and Engines". The names themselves are invented.
import assert from "node:assert/strict";
import { test } from "node:test";
import { familyIn } from "../../server/web/core/label.js";

/** Years of the table, by code, as EPA prints them. */
const TABLE = { 1: 2001, 5: 2005, 9: 2009, A: 2010, B: 2011, H: 2017, J: 2018, L: 2020, M: 2021, N: 2022, P: 2023, R: 2024, S: 2025, T: 2026, V: 2027 };

for (const [code, year] of Object.entries(TABLE)) {
  test(`${code} is ${year}`, () => assert.deepEqual(familyIn(`family ${code}QZLS.2081AB, 208 cc`, 2026), { family: `${code}QZLS.2081AB`, year, cc: 208 }));
}

test("a code of the future is of thirty years before, and the digits come again", () => {
  assert.equal(familyIn("WQZLS.2081AB", 2026)?.year, 1998);
  assert.equal(familyIn("1QZLS.2081AB", 2030)?.year, 2031);
  assert.equal(familyIn("WQZLS.2081AB", 2029)?.year, 2028);
});

test("displacement with one and two digits before the point, and as typed", () => {
  assert.equal(familyIn("nqzls.0421gh", 2026)?.cc, 42);
  assert.equal(familyIn("NQZLS1.20AGH", 2026)?.cc, 1200);
  assert.equal(familyIn("NQZLS10.4AGH", 2026)?.cc, 10_400);
  assert.equal(familyIn("NQZLS,2081GH", 2026)?.cc, 208);
});

test("what is no family name is none", () => {
  for (const text of [undefined, "", "178302944", "IQZLS.2081AB", "NQZLS02081AB", "NQZLS.2081ABC", "XNQZLS.2081AB", "A 46"]) assert.equal(familyIn(text, 2026), undefined, String(text));
});
