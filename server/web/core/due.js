// What a day asks for, from what the device knows: the same rules as the server's `GET …/due`. Pure.
// @ts-check

/** @import {Summary} from "./app.js" */

/** @typedef {{promised: {what: string, by: string, intake: Summary}[], waiting: Summary[], no_place: Summary[]}} Due */

/**
 * @param {Summary[]} items
 * @param {{on: string, today: string, now: number, limit: number}} when days of the shop's zone; `limit` in hours
 * @returns {Due}
 */
export function dueOf(items, { on, today, now, limit }) {
  const oldest = [...items].sort((a, b) => (a.opened ?? Infinity) - (b.opened ?? Infinity) || a.opened_at - b.opened_at);
  const care = oldest.filter((s) => s.state === "in care");
  const promised = care.flatMap((intake) => [["diagnosis", intake.diagnosis_by], ["ready", intake.ready_by]].flatMap(([what, by]) => (what && by && by <= on ? [{ what, by, intake }] : [])));
  promised.sort((a, b) => (a.by < b.by ? -1 : a.by > b.by ? 1 : 0));
  // Another day is looked at as it stands when it ends; the device does not know the zone's turns, so it counts whole days.
  const until = now + (Date.parse(on) - Date.parse(today));
  return { promised, waiting: oldest.filter((s) => (s.state === "open" || s.state === "found") && until - s.opened_at > limit * 3_600_000), no_place: care.filter((s) => !s.place) };
}
