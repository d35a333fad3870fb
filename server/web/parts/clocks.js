// By whose clock: what each clock says of one photo, as intervals on one time line, and as sentences.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { clockTime, day } from "./times.js";

/** @import {IntakeView, PhotoView, Shop} from "../core/app.js" */
/** @import {Entry} from "../core/types.js" */

/** @typedef {{ clock: string, words: string, from?: number, to?: number }} Claim `from` and `to` in milliseconds UTC; absent where no time is said */

/** How far a camera is believed that records whole seconds, milliseconds; as the server reads it. */
const SECOND = 1000;

/**
 * @param {PhotoView} photo @param {Entry[]} history @param {string} zone the shop's
 * @returns {Claim[]}
 */
export function claims(photo, history, zone) {
  const taken = history.find((e) => e.said.type === "photo-taken" && e.body.photo === photo.photo);
  return [camera(photo, zone), ...satellites(photo, zone), phone(taken, zone), kept(taken, zone), received(photo, zone)];
}

/** How long after a fix of the position a picture may have been taken, milliseconds; as the server reads it. */
const STALE_FIX = 15 * 60 * SECOND;

/** Satellite time is UTC, but of the last fix. @param {PhotoView} photo @param {string} zone @returns {Claim[]} */
function satellites(photo, zone) {
  const said = /** @type {Record<string, string | undefined>} */ (photo.judged?.claims ?? {});
  if (!said.gps_date || !said.gps_time) return [];
  const date = /^(\d{4})[:-](\d\d)[:-](\d\d)$/.exec(said.gps_date.trim());
  const parts = said.gps_time.split(" ").map((f) => f.split("/").map(Number)).map(([n, d]) => n / d);
  const inDay = parts.length === 3 ? Math.floor((parts[0] * 3600 + parts[1] * 60 + parts[2]) * 1000) : NaN;
  if (!date || !(inDay >= 0 && inDay < 86_401_000)) return [{ clock: "satellites", words: t("lane.clock.satellites-odd", { raw: `${said.gps_date} ${said.gps_time}` }) }];
  const at = Date.UTC(Number(date[1]), Number(date[2]) - 1, Number(date[3])) + inDay;
  return [{ clock: "satellites", from: at - SECOND, to: at + STALE_FIX, words: t("lane.clock.satellites", { time: clockTime(at, zone) }) }];
}

/** @param {PhotoView} photo @param {string} zone @returns {Claim} */
function camera(photo, zone) {
  const said = /** @type {Record<string, string | undefined>} */ (photo.judged?.claims ?? {});
  const raw = said.date_time_original;
  const found = /^(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)$/.exec(raw ?? "");
  if (!found) return { clock: "camera", words: t(photo.judged ? (raw ? "lane.clock.camera-odd" : "lane.clock.camera-none") : "lane.clock.camera-not-read", { raw: raw ?? "" }) };
  const [y, mo, d, hh, mi, s] = found.slice(1).map(Number);
  const wall = Date.UTC(y, mo - 1, d, hh, mi, s);
  const time = found.slice(4).join(":");
  const offset = /^([+-])(\d\d):(\d\d)$/.exec(said.offset_time_original ?? "");
  if (offset) {
    const at = wall - (offset[1] === "-" ? -1 : 1) * (Number(offset[2]) * 60 + Number(offset[3])) * 60_000;
    return { clock: "camera", from: at - SECOND, to: at + SECOND, words: t("lane.clock.camera-zone", { time, zone: offset[0] }) };
  }
  const [first, last] = instants(wall, zone);
  const key = first === last ? "lane.clock.camera-assumed" : "lane.clock.camera-assumed-wide";
  return { clock: "camera", from: first - SECOND, to: last + SECOND, words: t(key, { time, zone }) };
}

/** The earliest and the latest instant of a wall time in a zone: two where a clock change makes it twice, or skips it. @param {number} wall @param {string} zone */
function instants(wall, zone) {
  const of = (/** @type {number} */ at) => {
    const p = Object.fromEntries(new Intl.DateTimeFormat("en", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" }).formatToParts(at).map((x) => [x.type, Number(x.value)]));
    return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) - Math.floor(at / 1000) * 1000;
  };
  // No zone changes its clock twice within two days: the offsets of the day before and after are all there are.
  const day = 86_400_000;
  const both = [...new Set([of(wall - day), of(wall + day)])].map((offset) => wall - offset);
  const real = both.filter((at) => at + of(at) === wall);
  const all = real.length ? real : both;
  return [Math.min(...all), Math.max(...all)];
}

/**
 * When an entry was said, by its device's clock: corrected by what was measured of that clock, as wide as its round trip leaves
 * open. `seconds`: how far the clock was off; undefined where nobody measured it.
 * @param {Entry} entry
 */
function saidAt(entry) {
  const said = Date.parse(entry.said.clock.at);
  const offset = entry.kept?.clock_offset_ms;
  if (offset === undefined) return { said, from: said, to: said, slow: false };
  const about = (entry.kept?.round_trip_ms ?? 0) / 2;
  return { said, from: said + offset - about, to: said + offset + about, seconds: Math.round(Math.abs(offset) / 100) / 10, slow: offset > 0 };
}

/** How sure the time of an entry is, as a sentence: by whose clock, between when and when, and since when it is in the log. @param {Entry} entry @param {string} zone the shop's */
export function howSure(entry, zone) {
  const { said, from, to, seconds, slow } = saidAt(entry);
  if (!entry.kept) return t("time.here", { time: stampOf(said, zone) });
  const kept = stampOf(Date.parse(entry.kept.at), zone);
  if (entry.said.author.server !== undefined) return t("time.server", { time: kept });
  const log = t("time.log", { time: kept });
  if (seconds === undefined) return `${t("time.unmeasured", { time: stampOf(said, zone) })} ${log}`;
  // Whole seconds are shown: the earlier one before, the later one after.
  const [first, last] = [Math.floor(from / SECOND) * SECOND, Math.ceil(to / SECOND) * SECOND];
  const between = { from: stampOf(first, zone), to: day(first, zone) === day(last, zone) ? clockTime(last, zone) : stampOf(last, zone), seconds: String(seconds), way: t(slow ? "time.slow" : "time.fast") };
  return `${t(seconds < 0.1 ? "time.between-right" : "time.between", between)} ${log}`;
}

/** "25 Nov 2026 14:02:11". @param {number} at @param {string} zone */
const stampOf = (at, zone) => `${day(at, zone)} ${clockTime(at, zone)}`;

/** @param {Entry | undefined} taken @param {string} zone @returns {Claim} */
function phone(taken, zone) {
  if (!taken) return { clock: "phone", words: t("lane.clock.phone-none") };
  const { said, from, to, seconds, slow } = saidAt(taken);
  const time = clockTime(said, zone);
  if (seconds === undefined) return { clock: "phone", from, to, words: t("lane.clock.phone-plain", { time }) };
  const how = seconds < 0.1 ? "lane.clock.phone-right" : slow ? "lane.clock.phone-slow" : "lane.clock.phone-fast";
  return { clock: "phone", from, to, words: t(how, { time, seconds: String(seconds) }) };
}

/** @param {Entry | undefined} taken @param {string} zone @returns {Claim} */
function kept(taken, zone) {
  if (!taken?.kept) return { clock: "kept", words: t("lane.clock.kept-none") };
  const at = Date.parse(taken.kept.at);
  return { clock: "kept", from: at, to: at, words: t("lane.clock.kept", { time: clockTime(at, zone), index: String(taken.index) }) };
}

/** @param {PhotoView} photo @param {string} zone @returns {Claim} */
function received(photo, zone) {
  const mark = photo.received?.mark;
  if (!mark?.at) return { clock: "received", words: t("lane.clock.received-none") };
  const at = Date.parse(mark.at);
  return { clock: "received", from: at, to: at, words: t("lane.clock.received", { time: clockTime(at, zone) }) };
}

/** @param {{ view: IntakeView, photo: PhotoView, history: Entry[], shop: Shop | null }} what */
export function clocks({ photo, history, shop }) {
  const zone = shop?.zone ?? "UTC";
  const all = claims(photo, history, zone);
  const times = all.flatMap((c) => (c.from === undefined || c.to === undefined ? [] : [c.from, c.to]));
  if (times.length === 0) return h("ul", { class: "clocks" }, all.map((c) => h("li", { class: "clock" }, h("p", { class: "clock__words" }, c.words))));
  const first = Math.min(...times);
  const last = Math.max(...times);
  const room = Math.max(2 * SECOND, (last - first) * 0.08);
  const [start, end] = [first - room, last + room];
  const share = (/** @type {number} */ at) => `${(((at - start) / (end - start)) * 100).toFixed(2)}%`;
  const days = new Set([day(start, zone), day(end, zone)]);
  const label = (/** @type {number} */ at) => (days.size > 1 ? `${day(at, zone)} ${clockTime(at, zone)}` : clockTime(at, zone));
  return h("div", { class: "stack stack--close" },
    h("ul", { class: "clocks" }, all.map((c) => h("li", { class: "clock", "data-clock": c.clock, "data-key": c.clock },
      h("p", { class: "clock__words" }, c.words),
      h("div", { class: "clock__track", "aria-hidden": "true" },
        c.from === undefined || c.to === undefined ? null : h("div", { class: "clock__bar", "--from": share(c.from), "--wide": `${(((c.to - c.from) / (end - start)) * 100).toFixed(2)}%` }))))),
    h("div", { class: "axis", "aria-hidden": "true" }, h("span", null, label(start)), h("span", null, label(end))),
    h("p", { class: "soft" }, t("lane.clock.shop-time", { day: [...days].join(" – "), zone })));
}
