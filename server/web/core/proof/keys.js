// The key that is believed: one of the file's own, confirmed by one that was given, or only claimed. Where the log's key changed since
// the reader got theirs, it is followed. As `evidence/src/verify/keys.rs`. Pure.
// @ts-check

import { hex } from "../bytes.js";
import { openCheckpoint, sameLog } from "./note.js";
import { sameBytes } from "./tree.js";

/** @import {Facts, Item, Verdict} from "./entries.js" */
/** @import {VerifierKey} from "./note.js" */
/** @typedef {{ key: VerifierKey, listed: VerifierKey[], follow: { theirs: VerifierKey[], place: number } | null }} Believed */

/** Chooses among the keys that a file holds. @param {string} note @param {VerifierKey[]} listed @param {VerifierKey[]} given @param {Item[]} items @returns {Believed | null} */
export function believed(note, listed, given, items) {
  const say = (/** @type {Verdict} */ verdict, /** @type {string} */ code) => items.push({ of: "key", verdict, code });
  if (listed.length === 0) return say("not understood", "key-unread"), null;
  const signs = (/** @type {VerifierKey} */ k) => openCheckpoint(note, k) !== null;
  const theirs = listed.filter((own) => given.some((k) => sameBytes(k.bytes, own.bytes) && sameLog(k.name, own.name)));
  if (given.length > 0 && theirs.length === 0) return say("broken", "key-other"), null;
  const confirmed = theirs.find(signs);
  if (confirmed) return say("unchanged", "key"), { key: confirmed, listed, follow: null };
  const signer = listed.find(signs) ?? listed[0];
  if (given.length === 0) return say("claimed", "key-claimed"), { key: signer, listed, follow: null };
  // Until an entry shows that the one announced the other.
  return { key: signer, listed, follow: { theirs, place: say("broken", "key-unannounced") - 1 } };
}

/** What the entries say of the keys. @param {Believed} from @param {{ of: string, note: string }} head @param {Facts} facts @param {Item[]} items */
export function settleKeys({ key, listed, follow }, { of, note }, facts, items) {
  if (follow?.theirs.some((g) => facts.keys.leads(g.bytes, key.bytes))) items[follow.place] = { of: "key", verdict: "unchanged", code: "key-followed" };
  if (!facts.keys.signed(note, key.name)) items.push({ of, verdict: "broken", code: "checkpoint-keys" });
  const bound = [key.bytes, ...facts.keys.all()];
  for (const k of listed) if (!bound.some((b) => sameBytes(b, k.bytes))) items.push({ of: `key ${hex(k.id)}`, verdict: "broken", code: "key-unannounced" });
}

/** The believed key, and those that were the log's before or are after. @param {Believed} from @param {Facts} facts */
export function lineOf({ key }, facts) {
  const all = facts.keys.all();
  return all.some((k) => sameBytes(k, key.bytes)) ? all : [key.bytes];
}
