// What a day asks for, from what the device knows: the same rules as the server's `GET …/due`. Pure.
// @ts-check

/** @import {Summary} from "./app.js" */

/** Days before its end from which a window of a claim is shown. */
const AHEAD = 7;

/** @typedef {{promised: {what: string, by: string, intake: Summary}[], waiting: Summary[], no_place: Summary[], steps: {name: string, on: string, intake: Summary}[], windows: {what: string, route: string, until: string, intake: Summary}[]}} Due
 * @typedef {{name: string, from: "taken in" | "ready by" | "reached", days: number}} Clock   a step of the shop's own */

/**
 * @param {Summary[]} items
 * @param {{on: string, today: string, now: number, limit: number, clocks?: Clock[], dayOf?: (at: number) => string}} when days of the shop's zone; `limit` in hours
 * @returns {Due}
 */
export function dueOf(items, { on, today, now, limit, clocks = [], dayOf = (at) => new Date(at).toISOString().slice(0, 10) }) {
  const oldest = [...items].sort((a, b) => (a.opened ?? Infinity) - (b.opened ?? Infinity) || a.opened_at - b.opened_at);
  const care = oldest.filter((s) => s.state === "in care");
  const promised = care.flatMap((intake) => [["diagnosis", intake.diagnosis_by], ["ready", intake.ready_by]].flatMap(([what, by]) => (what && by && by <= on ? [{ what, by, intake }] : [])));
  promised.sort((a, b) => (a.by < b.by ? -1 : a.by > b.by ? 1 : 0));
  const steps = care.flatMap((intake) => clocks.flatMap(({ name, from, days }) => {
    const at = from === "taken in" ? intake.taken_in_at : intake.reached_at;
    const start = from === "ready by" ? intake.ready_by : at === undefined ? undefined : dayOf(at);
    const day = start && laterBy(start, days);
    return day && day <= on ? [{ name, on: day, intake }] : [];
  }));
  const windows = oldest.flatMap((intake) => (intake.windows ?? []).filter((w) => w.until <= laterBy(on, AHEAD)).map((w) => ({ ...w, intake })));
  const sorted = (/** @type {any[]} */ list, /** @type {string} */ by) => list.sort((a, b) => (a[by] < b[by] ? -1 : a[by] > b[by] ? 1 : 0));
  // Another day is looked at as it stands when it ends; the device does not know the zone's turns, so it counts whole days.
  const until = now + (Date.parse(on) - Date.parse(today));
  return { promised, waiting: oldest.filter((s) => (s.state === "open" || s.state === "found") && until - s.opened_at > limit * 3_600_000), no_place: care.filter((s) => !s.place), steps: sorted(steps, "on"), windows: sorted(windows, "until") };
}

/** The calendar day some days later. @param {string} day @param {number} days */
const laterBy = (day, days) => new Date(Date.parse(`${day}T00:00:00Z`) + days * 86_400_000).toISOString().slice(0, 10);
