// The entries of a receipt or a pack: each proven, read, and what follows from it. Gives the same items, in the same order, as
// `evidence/src/verify/entries.rs`. Pure.
// @ts-check

import { canon } from "../canon.js";
import { digestOf } from "../sha256.js";
import { disclosuresFit, readEntry } from "./entry.js";
import { originParts, readKey, sameLog } from "./note.js";
import { LogKeys } from "./rotation.js";
import { goesOn, included, leafHash, sameBytes } from "./tree.js";

/** @import {Checkpoint, VerifierKey} from "./note.js" */
/** @import {ReadEntry} from "./entry.js" */
/** @import {Believed} from "./keys.js" */

/** @typedef {"unchanged" | "claimed" | "withheld" | "erased" | "missing" | "not understood" | "broken"} Verdict */
/** @typedef {{ of: string, verdict: Verdict, code: string }} Item */
/** @typedef {{ checkpoint: Checkpoint, signed: VerifierKey[], keys: LogKeys, leaves: Map<number, Uint8Array>, continues: Map<number, Uint8Array[]> }} EarlierReceipt */

/** What the reader has from elsewhere, and trusts: keys, those of witnesses, and roots of stamping authorities. @typedef {{ keys: VerifierKey[], witnesses: VerifierKey[], roots: Uint8Array<ArrayBuffer>[] }} Trusted */

/** Verdicts, from the best to the worst. @type {Verdict[]} */
export const VERDICTS = ["unchanged", "claimed", "withheld", "erased", "missing", "not understood", "broken"];

/** What others than the shop say is told even where it is unchanged, and that the log's key changed. @param {Item} item */
export const isTelling = ({ verdict, code }) => verdict === "unchanged" && ["stamp", "witness", "key-followed", "rotation"].includes(code);

/** The worst of a report; nothing looked at is not understood. @param {Item[]} items @returns {Verdict} */
export function worstOf(items) {
  if (items.length === 0) return "not understood";
  return VERDICTS[Math.max(...items.map((i) => VERDICTS.indexOf(i.verdict)))];
}

/** A digest as it is written, or null. @param {any} text @returns {string | null} */
export function asDigest(text) {
  return typeof text === "string" && /^sha256:[0-9a-f]{64}$/.test(text) ? text : null;
}

/** What is said of an entry that is about the log's keys. @type {{[found: string]: [Verdict, string]}} */
const KEY_CHANGES = {
  rotated: ["unchanged", "rotation"], retired: ["unchanged", "rotation-ended"], form: ["not understood", "rotation-form"],
  signature: ["broken", "rotation-signature"], "not theirs": ["broken", "rotation-key"],
};

/** What proven entries say, as far as other checks need it. */
export class Facts {
  /** @type {Map<number, Uint8Array>} */
  leaves = new Map();
  /** @type {Set<string>} */
  said = new Set();
  /** @type {{ photo: string, file: string }[]} */
  photos = [];
  /** @type {Set<string>} */
  erased = new Set();
  /** @type {Set<string>} */
  moved = new Set();
  /** Copies by the digest of their original. @type {Map<string, Set<string>>} */
  copies = new Map();
  /** @type {string | null} */
  sheet = null;
  /** @type {number | null} */
  epochBegins = null;
  keys = new LogKeys();
  /** Details that are not here, told as withheld: the intake, the entry's index, the place in the report. @type {[unknown, number, number][]} */
  #lacking = [];
  #newest = "";

  /**
   * One entry, in ascending order of index.
   * @param {Checkpoint} head @param {{ index: number, bytes: Uint8Array, path: Uint8Array[], disclosures: string[] }} entry @param {Item[]} items
   */
  take(head, { index, bytes, path, disclosures }, items) {
    const of = `entry ${index}`;
    const leaf = leafHash(bytes);
    if (!included(index, head.size, leaf, path, head.root)) return void items.push({ of, verdict: "broken", code: "entry-not-in-log" });
    this.leaves.set(index, leaf);
    const entry = readEntry(bytes);
    if (!entry) return void items.push({ of, verdict: "not understood", code: "entry-form" });
    const origin = originParts(head.origin);
    if (origin && origin.shop !== entry.shop) return void items.push({ of, verdict: "broken", code: "entry-other-shop" });
    if (entry.at < this.#newest) items.push({ of, verdict: "broken", code: "entry-time" });
    else if (entry.v !== 1) items.push({ of, verdict: "not understood", code: "entry-version" });
    else items.push({ of, verdict: "unchanged", code: "entry" });
    this.#newest = entry.at;
    const named = entry.body._sd?.length ?? 0;
    if (named > 0 || disclosures.length > 0) {
      const details = `details of entry ${index}`;
      if (!disclosuresFit(entry.body, disclosures)) items.push({ of: details, verdict: "broken", code: "details-changed" });
      else if (disclosures.length < named) this.#lacking.push([entry.said.intake, index, items.push({ of: details, verdict: "withheld", code: "details-withheld" }) - 1]);
      else items.push({ of: details, verdict: "unchanged", code: "details" });
    }
    this.#learn(entry, index);
    this.#erasedSince(entry, items);
    const change = this.keys.take(head.origin, entry);
    if (change) items.push({ of: `key of the log at entry ${index}`, verdict: KEY_CHANGES[change][0], code: KEY_CHANGES[change][1] });
  }

  /** What an erasure of the customer reaches back to is not withheld: it is gone. @param {ReadEntry} entry @param {Item[]} items */
  #erasedSince({ kind, body, said }, items) {
    const { upto } = body;
    if (kind !== "customer-erased" || !Number.isSafeInteger(upto) || upto < 0) return;
    for (const [intake, index, place] of this.#lacking) {
      if (intake === said.intake && index <= upto) items[place] = { ...items[place], verdict: "erased", code: "details-erased" };
    }
  }

  /** @param {ReadEntry} entry @param {number} index */
  #learn({ kind, body, server, said }, index) {
    this.said.add(digestOf(canon(said)));
    const photo = typeof body.photo === "string" ? body.photo : null;
    const file = asDigest(body.file);
    if ((kind === "photo-taken" || kind === "photo-came") && photo && file) this.photos.push({ photo, file });
    if (kind === "photo-erased" && photo) this.erased.add(photo);
    if (kind === "customer-erased") for (const p of Array.isArray(body.photos) ? body.photos : []) if (typeof p === "string") this.erased.add(p);
    if (kind === "photo-moved" && photo) this.moved.add(photo);
    // Only the server binds a copy to its original.
    if ((kind === "photo-judged" || kind === "photo-redacted") && server && file) {
      const made = this.copies.get(file) ?? new Set();
      for (const r of Array.isArray(body.renditions) ? body.renditions : []) {
        const copy = asDigest(r?.file);
        if (copy) made.add(copy);
      }
      this.copies.set(file, made);
    }
    if (kind === "acknowledged") this.sheet = asDigest(body.sheet);
    if (kind === "epoch-opened") this.epochBegins = index;
  }
}

/** Keys out of what somebody typed, the log's and those of witnesses; null when a word is none. @param {string} text */
export function keysTyped(text) {
  const words = text.split(/\s+/).filter(Boolean);
  const of = (/** @type {number} */ kind) => words.map((w) => readKey(w, kind)).filter((k) => k !== null);
  const keys = of(1), witnesses = of(4);
  return keys.length + witnesses.length === words.length ? { keys, witnesses } : null;
}

/**
 * What comparing with an earlier receipt shows.
 * @param {EarlierReceipt | null} earlier null when it does not check by itself
 * @param {{ head: Checkpoint, from: Believed, facts: Facts, continues: Map<number, Uint8Array[]> }} later
 * @param {Item[]} items
 */
export function compare(earlier, later, items) {
  /** @type {[Verdict, string]} */
  const [verdict, code] = earlier ? compared(earlier, later) : ["broken", "earlier-broken"];
  items.push({ of: "earlier receipt", verdict, code });
}

/** @param {EarlierReceipt} earlier @param {{ head: Checkpoint, from: Believed, facts: Facts, continues: Map<number, Uint8Array[]> }} later @returns {[Verdict, string]} */
function compared(earlier, { head, from: { key }, facts, continues }) {
  // The same key, or one that became the other: as the later file tells it, or, where an older state was put back since, the earlier one.
  const one = (/** @type {VerifierKey} */ then) => sameBytes(then.bytes, key.bytes) || facts.keys.leads(then.bytes, key.bytes) || earlier.keys.leads(key.bytes, then.bytes);
  if (!earlier.signed.some(one) || !sameLog(earlier.checkpoint.origin, head.origin)) return ["broken", "earlier-other-log"];
  const crossed = originParts(earlier.checkpoint.origin)?.epoch !== originParts(head.origin)?.epoch;
  if (crossed && facts.epochBegins !== null && earlier.checkpoint.size > facts.epochBegins) return ["missing", "earlier-lost"];
  for (const [index, leaf] of earlier.leaves) {
    const other = facts.leaves.get(index);
    if (other && !sameBytes(other, leaf)) return crossed && facts.epochBegins === null ? ["missing", "earlier-epoch"] : ["broken", "rewritten"];
  }
  const forward = earlier.checkpoint.size <= head.size;
  const [old, now] = forward ? [earlier.checkpoint, head] : [head, earlier.checkpoint];
  const proof = old.size === now.size ? [] : (forward ? continues : earlier.continues).get(old.size);
  if (!proof) return ["missing", "earlier-no-proof"];
  if (goesOn(old.size, now.size, proof, old.root, now.root)) return ["unchanged", crossed ? "earlier-crossed" : "earlier"];
  return crossed && facts.epochBegins === null ? ["missing", "earlier-epoch"] : ["broken", "rewritten"];
}
