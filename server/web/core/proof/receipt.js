// Checks a receipt, as `evidence/src/verify/receipt.rs` does. Pure.
// @ts-check

import { fromUtf8, hex, utf8 } from "../bytes.js";
import { Sha256, digestOf } from "../sha256.js";
import { Facts, compare, worstOf } from "./entries.js";
import { believed, lineOf, settleKeys } from "./keys.js";
import { fromBase64, openCheckpoint, openNote, readKey } from "./note.js";
import { hashesOf, headSeen } from "./outside.js";

/** @import {EarlierReceipt, Item, Trusted} from "./entries.js" */
/** @import {VerifierKey} from "./note.js" */

/** Largest receipt read, in bytes. */
export const MAX_RECEIPT = 64 << 20;
/** Most keys looked at in a receipt beside its first. */
const MAX_KEYS = 256;
/** Most witnessed heads looked at in a receipt. */
const MAX_WITNESSED = 16;
const BLOCK_BEGINS = '<script type="application/json" id="counterfoil-evidence">';
// In two pieces: this text also stands inside a script element.
const BLOCK_ENDS = "<" + "/script>";
const SEAL_BEGINS = '<script type="text/plain" id="counterfoil-seal">';
const PICTURE_BEGINS = 'src="data:image/jpeg;base64,';

/** @typedef {{ checkpoint: string, keys: VerifierKey[], sealed: boolean, page: string, entries: { index: number, bytes: Uint8Array, path: Uint8Array[], disclosures: string[] }[], continues: Map<number, Uint8Array[]>, witnessed: { checkpoint: string, hashes: any }[] }} Carried */

/** Proofs that a log goes on, by the earlier size; null when they are not written so. @param {any} list @returns {Map<number, Uint8Array[]> | null} */
export function continuations(list) {
  if (!Array.isArray(list)) return null;
  const out = new Map();
  for (const c of list) {
    const hashes = hashesOf(c?.hashes);
    if (!hashes || !Number.isSafeInteger(c.size) || c.size < 0) return null;
    out.set(c.size, hashes);
  }
  return out;
}

/** @param {any} e */
function carriedEntry(e) {
  const path = hashesOf(e?.path);
  const good = path && Number.isSafeInteger(e.index) && e.index >= 0 && typeof e.entry === "string" && Array.isArray(e.disclosures)
    && e.disclosures.every((/** @type {any} */ d) => typeof d === "string");
  return good ? { index: e.index, bytes: utf8(e.entry), path, disclosures: e.disclosures } : null;
}

/** @param {Uint8Array} bytes @returns {Carried | null} */
function readCarried(bytes) {
  try {
    const page = fromUtf8(bytes);
    const begins = page.indexOf(BLOCK_BEGINS);
    const from = begins + BLOCK_BEGINS.length, to = page.indexOf(BLOCK_ENDS, from);
    if (bytes.length > MAX_RECEIPT || begins < 0 || to < 0) return null;
    const block = JSON.parse(page.slice(from, to));
    const entries = Array.isArray(block.entries) ? block.entries.map(carriedEntry) : [null];
    const ascending = entries.every((/** @type {any} */ e, /** @type {number} */ i) => e && (i === 0 || entries[i - 1].index < e.index));
    const continues = block.continues === undefined || block.continues === null ? new Map() : continuations(block.continues);
    const more = block.keys === undefined ? [] : block.keys;
    if (!Array.isArray(more) || !more.every((/** @type {any} */ k) => typeof k === "string")) return null;
    const witnessed = block.witnessed === undefined ? [] : block.witnessed;
    if (!Array.isArray(witnessed) || !witnessed.every((/** @type {any} */ w) => typeof w?.checkpoint === "string" && "hashes" in w)) return null;
    if ((block.v !== 1 && block.v !== 2) || !ascending || !continues || typeof block.checkpoint !== "string" || typeof block.verifier_key !== "string") return null;
    const origin = block.checkpoint.split("\n")[0];
    const keys = [readKey(block.verifier_key), ...more.slice(0, MAX_KEYS).map((k) => readKey(k)).filter((k) => k?.name === origin)].filter((k) => k !== null);
    return { checkpoint: block.checkpoint, keys, sealed: block.v === 2, page, entries, continues, witnessed };
  } catch {
    return null;
  }
}

/** Whether the key signed the page as it stands but for its seal. @param {Carried} carried @param {VerifierKey} key */
function pageHolds({ page }, key) {
  const begins = page.indexOf(SEAL_BEGINS);
  const from = begins + SEAL_BEGINS.length, to = page.indexOf(BLOCK_ENDS, from);
  if (begins < 0 || to < 0) return false;
  const digest = hex(new Sha256().update(utf8(page.slice(0, from))).update(utf8(page.slice(to))).digest());
  return openNote(page.slice(from, to), key) === `counterfoil receipt page\nsha256:${digest}\n`;
}

/** An earlier receipt to compare with; null when it does not check by itself. @param {Uint8Array} bytes @returns {EarlierReceipt | null} */
export function readEarlier(bytes) {
  const carried = readCarried(bytes);
  /** @type {Item[]} */
  const items = [];
  const from = carried && believed(carried.checkpoint, carried.keys, [], items);
  const checkpoint = from && openCheckpoint(carried.checkpoint, from.key);
  if (!carried || !from || !checkpoint) return null;
  const facts = new Facts();
  for (const e of carried.entries) facts.take(checkpoint, e, items);
  settleKeys(from, { of: "checkpoint", note: carried.checkpoint }, facts, items);
  if (worstOf(items) === "broken" || !pageHolds(carried, from.key)) return null;
  const signed = carried.keys.filter((k) => openCheckpoint(carried.checkpoint, k) !== null);
  return { checkpoint, signed, keys: facts.keys, leaves: facts.leaves, continues: carried.continues };
}

/**
 * Checks a receipt. `earlier`: undefined when none is compared with.
 * @param {Uint8Array} bytes @param {Trusted} trusted @param {EarlierReceipt | null} [earlier] @returns {Item[]}
 */
export function checkReceipt(bytes, trusted, earlier) {
  /** @type {Item[]} */
  const items = [];
  const carried = readCarried(bytes);
  if (!carried) return [{ of: "receipt", verdict: "not understood", code: "receipt-unread" }];
  const from = believed(carried.checkpoint, carried.keys, trusted.keys, items);
  if (!from) return items;
  const { key } = from;
  const head = openCheckpoint(carried.checkpoint, key);
  if (!head) return items.push({ of: "checkpoint", verdict: "broken", code: "checkpoint-signature" }), items;
  items.push({ of: "checkpoint", verdict: "unchanged", code: "checkpoint" });
  if (!carried.sealed) items.push({ of: "page", verdict: "claimed", code: "page-unsealed" });
  else if (pageHolds(carried, key)) items.push({ of: "page", verdict: "unchanged", code: "page" });
  else items.push({ of: "page", verdict: "broken", code: "page-changed" });
  const facts = new Facts();
  for (const e of carried.entries) facts.take(head, e, items);
  settleKeys(from, { of: "checkpoint", note: carried.checkpoint }, facts, items);
  pictures(carried.page, facts, items);
  const of = { head, keys: lineOf(from, facts) };
  for (const w of carried.witnessed.slice(0, MAX_WITNESSED)) headSeen(w.checkpoint, hashesOf(w.hashes), of, trusted, items);
  if (earlier !== undefined) compare(earlier, { head, from, facts, continues: carried.continues }, items);
  return items;
}

/** Each picture in the page has to be a copy that an entry binds to its original. @param {string} page @param {Facts} facts @param {Item[]} items */
function pictures(page, facts, items) {
  const bound = new Set([...facts.copies.values()].flatMap((made) => [...made]));
  let number = 0;
  for (let from = page.indexOf(PICTURE_BEGINS); from >= 0; from = page.indexOf(PICTURE_BEGINS, from)) {
    from += PICTURE_BEGINS.length;
    const to = page.indexOf('"', from);
    const jpeg = fromBase64(page.slice(from, to < 0 ? undefined : to));
    number += 1;
    if (jpeg && bound.has(digestOf(jpeg))) items.push({ of: `picture ${number}`, verdict: "unchanged", code: "copy" });
    else items.push({ of: `picture ${number}`, verdict: "broken", code: "copy-unbound" });
    if (to < 0) break;
    from = to;
  }
}
