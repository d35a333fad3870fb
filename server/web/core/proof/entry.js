// Entry bytes: read only when they are written exactly as the shop's program writes them (see `evidence/src/entry.rs`). Pure.
// @ts-check

import { base64url, fromBase64url, fromUtf8 } from "../bytes.js";
import { canonText } from "../canon.js";
import { disclosureDigest } from "../disclosure.js";

/** @typedef {{ kind: string, v: number, shop: string, server: boolean, body: {[name: string]: any}, said: any, at: string }} ReadEntry */

/** Largest entry and disclosure, in bytes. */
export const MAX_ENTRY = 65_535;
export const MAX_ENCODED = 65_535;
const UUID = /^[0-9a-f]{8}-[0-9a-f]{4}-([0-9a-f])[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}$/;
const TIME = /^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z$/;

/** The value of canonical bytes, or undefined. @param {Uint8Array} bytes @returns {any} */
export function readCanonical(bytes) {
  try {
    const text = fromUtf8(bytes);
    const value = JSON.parse(text);
    return canonText(value) === text ? value : undefined;
  } catch {
    return undefined;
  }
}

/** @param {any} value @returns {value is {[name: string]: any}} */
const isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);

/** Whether an object has these members, and of the others at most those. @param {any} value @param {string[]} needed @param {string[]} [others] */
function has(value, needed, others = []) {
  return isObject(value) && needed.every((n) => n in value) && Object.keys(value).every((k) => needed.includes(k) || others.includes(k));
}

/** @param {any} text @param {string} [version] */
function isId(text, version) {
  const found = typeof text === "string" ? UUID.exec(text) : null;
  return found !== null && (version === undefined || found[1] === version);
}

/** @param {any} text */
function isTime(text) {
  if (typeof text !== "string" || !TIME.test(text) || text < "1970") return false;
  const at = new Date(text);
  return !Number.isNaN(at.getTime()) && at.toISOString() === text;
}

/** @param {any} n @param {number} from @param {number} to */
const isWhole = (n, from, to) => Number.isSafeInteger(n) && n >= from && n <= to;

/** @param {any} list */
function listsDigests(list) {
  if (!Array.isArray(list) || list.length === 0) return false;
  return list.every((d, i) => typeof d === "string" && d.length === 43 && isBase64url(d) && (i === 0 || list[i - 1] < d));
}

/** @param {string} text */
function isBase64url(text) {
  try {
    return base64url(fromBase64url(text)) === text;
  } catch {
    return false;
  }
}

/** @param {any} author */
function isAuthor(author) {
  if (has(author, ["server"])) return typeof author.server === "string" && /^[!-~]{1,64}$/.test(author.server);
  return has(author, ["staff", "device"]) && isId(author.staff) && isId(author.device);
}

/** @param {any} kept */
function isKept(kept) {
  return has(kept, ["at"], ["raw", "clock_offset_ms", "round_trip_ms"]) && isTime(kept.at)
    && (kept.raw === undefined || (isTime(kept.raw) && kept.raw !== kept.at))
    && (kept.clock_offset_ms === undefined || isWhole(kept.clock_offset_ms, -Number.MAX_SAFE_INTEGER, Number.MAX_SAFE_INTEGER))
    && (kept.round_trip_ms === undefined || isWhole(kept.round_trip_ms, 0, Number.MAX_SAFE_INTEGER));
}

/** @param {any} said */
function isSaid(said) {
  return has(said, ["author", "body", "clock", "id", "shop", "type", "v"], ["intake", "seen"])
    && isAuthor(said.author) && isObject(said.body) && (said.body._sd === undefined || listsDigests(said.body._sd))
    && has(said.clock, ["at", "offset_minutes"]) && isTime(said.clock.at) && isWhole(said.clock.offset_minutes, -1080, 1080)
    && isId(said.id, "7") && (said.intake === undefined || isId(said.intake, "7"))
    && (said.seen === undefined || isWhole(said.seen, 0, Number.MAX_SAFE_INTEGER))
    && isId(said.shop) && typeof said.type === "string" && /^[a-z-]{1,64}$/.test(said.type) && isWhole(said.v, 1, 1000);
}

/** An entry, or null. @param {Uint8Array} bytes @returns {ReadEntry | null} */
export function readEntry(bytes) {
  const value = bytes.length <= MAX_ENTRY ? readCanonical(bytes) : undefined;
  if (!has(value, ["kept", "said", "v"]) || value.v !== 1 || !isKept(value.kept) || !isSaid(value.said)) return null;
  const { said, kept } = value;
  return { kind: said.type, v: said.v, shop: said.shop, server: "server" in said.author, body: said.body, said, at: kept.at };
}

/** Whether these disclosures belong to this body, each once, each under a name of its own. @param {{[name: string]: any}} body @param {string[]} disclosures */
export function disclosuresFit(body, disclosures) {
  const named = new Set(body._sd ?? []);
  const taken = new Set(Object.keys(body));
  const used = new Set();
  for (const text of disclosures) {
    const digest = disclosureDigest(text);
    const name = nameDisclosed(text);
    if (!named.has(digest) || used.has(digest) || name === null || name === "_sd" || taken.has(name)) return false;
    used.add(digest);
    taken.add(name);
  }
  return true;
}

/** @param {string} text @returns {string | null} */
function nameDisclosed(text) {
  if (text.length > MAX_ENCODED || !isBase64url(text)) return null;
  try {
    const list = JSON.parse(fromUtf8(fromBase64url(text)));
    const good = Array.isArray(list) && list.length === 3 && typeof list[0] === "string" && typeof list[1] === "string";
    return good && /^[A-Za-z0-9_-]{22,}$/.test(list[0]) && /^[a-z_][a-z0-9_]*$/.test(list[1]) ? list[1] : null;
  } catch {
    return null;
  }
}
