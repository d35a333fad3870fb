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

test("due: the shop's own steps, and windows that end within a week", () => {
  const clocks = [{ name: "write to the owner", from: "taken in", days: 30 }, { name: "charge for storage", from: "ready by", days: 10 }, { name: "second letter", from: "reached", days: 14 }];
  const list = [
    { id: "a", state: "in care", opened: 1, opened_at: 0, taken_in_at: Date.parse("2026-10-26T08:00:00Z"), ready_by: "2026-11-16", place: "Rack A" },
    { id: "b", state: "in care", opened: 2, opened_at: 0, taken_in_at: Date.parse("2026-10-27T08:00:00Z"), reached_at: Date.parse("2026-11-10T08:00:00Z"), place: "Rack A" },
    { id: "c", state: "handed back", opened: 3, opened_at: 0, windows: [{ what: "cylinder kit", route: "warranty", until: "2026-12-02" }, { what: "plug", route: "return", until: "2026-12-03" }, { what: "carburettor", route: "return", until: "2026-11-20" }] },
  ];
  const due = dueOf(list, { on: "2026-11-25", today: "2026-11-25", now, limit: 24, clocks });
  // 26 October and 30 days are 25 November; 16 November and 10 days are the 26th; 10 November and 14 days the 24th.
  assert.deepEqual(due.steps.map((s) => [s.name, s.on, s.intake.id]), [["second letter", "2026-11-24", "b"], ["write to the owner", "2026-11-25", "a"]]);
  assert.deepEqual(due.windows.map((w) => [w.what, w.until]), [["carburettor", "2026-11-20"], ["cylinder kit", "2026-12-02"]]);
  assert.deepEqual(due.promised.map((p) => p.intake.id), ["a"]);
});
