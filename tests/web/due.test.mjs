// What a day asks for, from what the device knows.
import assert from "node:assert/strict";
import { test } from "node:test";
import { dueOf } from "../../server/web/core/due.js";

const now = Date.parse("2026-11-25T12:00:00Z");
const hours = (n) => now - n * 3_600_000;
const items = [
  { id: "a", state: "in care", opened: 1, opened_at: hours(100), diagnosis_by: "2026-11-25", ready_by: "2026-11-24", place: "Bench 1" },
  { id: "b", state: "in care", opened: 2, opened_at: hours(90), diagnosis_by: "2026-11-26" },
  { id: "c", state: "open", opened: 3, opened_at: hours(25) },
  { id: "d", state: "open", opened: 4, opened_at: hours(23) },
  { id: "f", state: "found", opened: 6, opened_at: hours(30) },
  { id: "e", state: "not taken in", opened: 5, opened_at: hours(99), ready_by: "2026-11-01" },
];
const at = (on) => dueOf(items, { on, today: "2026-11-25", now, limit: 24 });

test("due: promised days that have come, the oldest first; open too long; no place", () => {
  const due = at("2026-11-25");
  assert.deepEqual(due.promised.map((p) => [p.what, p.by, p.intake.id]), [["ready", "2026-11-24", "a"], ["diagnosis", "2026-11-25", "a"]]);
  assert.deepEqual(due.waiting.map((s) => s.id), ["c", "f"]);
  assert.deepEqual(due.no_place.map((s) => s.id), ["b"]);
});

test("due: another day has more of it, or less", () => {
  assert.deepEqual(at("2026-11-26").promised.map((p) => p.intake.id), ["a", "a", "b"]);
  assert.deepEqual(at("2026-11-26").waiting.map((s) => s.id), ["c", "d", "f"]);
  assert.deepEqual(at("2026-11-23").promised, []);
});
