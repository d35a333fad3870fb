// Times as people read them: in the shop's zone, year named, and never without saying whose clock.

import { language } from "../core/words.js";

/** @type {Map<string, Intl.DateTimeFormat>} */
const made = new Map();

/** @param {string} zone @param {Intl.DateTimeFormatOptions} options */
function format(zone, options) {
  const key = language() + zone + JSON.stringify(options);
  let f = made.get(key);
  if (!f) made.set(key, (f = new Intl.DateTimeFormat(language() === "en" ? "en-GB" : language(), { timeZone: zone, ...options })));
  return f;
}

/** "25 Nov 2026, 14:02". @param {number} at milliseconds UTC @param {string} zone IANA */
export const dayAndTime = (at, zone) => format(zone, { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" }).format(at);

/** "25 Nov 2026". @param {number} at @param {string} zone */
export const day = (at, zone) => format(zone, { day: "numeric", month: "short", year: "numeric" }).format(at);

/** "14:02:11". @param {number} at @param {string} zone */
export const clockTime = (at, zone) => format(zone, { hour: "2-digit", minute: "2-digit", second: "2-digit" }).format(at);

/** "2 Dec 2026" for a calendar day that has no zone. @param {string} date YYYY-MM-DD */
export const plainDay = (date) => format("UTC", { weekday: "short", day: "numeric", month: "short", year: "numeric" }).format(Date.parse(`${date}T12:00:00Z`));

/** "25 Nov 2026, 07:40" as it was read off a wall clock, in no zone. @param {string} wall YYYY-MM-DDTHH:MM */
export const wallTime = (wall) => dayAndTime(Date.parse(`${wall}:00Z`), "UTC");

/** "2026-11-25T07:40" on the wall clock of a zone. @param {number} at @param {string} zone */
export function wallIn(at, zone) {
  const p = Object.fromEntries(new Intl.DateTimeFormat("en", { timeZone: zone, hourCycle: "h23", hour: "2-digit", minute: "2-digit" }).formatToParts(at).map((x) => [x.type, x.value]));
  return `${dateIn(at, zone)}T${p.hour}:${p.minute}`;
}

/** Calendar day in a zone, YYYY-MM-DD. @param {number} at @param {string} zone */
export function dateIn(at, zone) {
  const part = Object.fromEntries(new Intl.DateTimeFormat("en", { timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit" }).formatToParts(at).map((p) => [p.type, p.value]));
  return `${part.year}-${part.month}-${part.day}`;
}

/** The calendar day some days later. @param {string} date @param {number} days */
export const later = (date, days) => new Date(Date.parse(`${date}T12:00:00Z`) + days * 86_400_000).toISOString().slice(0, 10);

/** Whole days between a time and now. @param {number} at @param {number} now */
export const daysSince = (at, now) => Math.max(0, Math.floor((now - at) / 86_400_000));
