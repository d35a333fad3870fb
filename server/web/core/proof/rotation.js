// A change of a log's key, as `evidence/src/rotation.rs` reads it: an entry carries a note in which the key so far and the next one
// sign which comes next; for a while both sign every head, until an entry lets the old one go. Pure.
// @ts-check

import { keyIdOf, openNote, readKey, sameLog } from "./note.js";
import { sameBytes } from "./tree.js";

/** @import {ReadEntry} from "./entry.js" */
/** @import {VerifierKey} from "./note.js" */

/** Most changes of key that are followed in one file. */
const MAX_CHANGES = 256;

/** The same key under the name of another log. @param {string} name @param {Uint8Array} bytes @returns {VerifierKey} */
export const keyUnder = (name, bytes) => ({ name, bytes, id: keyIdOf(name, bytes) });

/** @param {any} text */
const keyIn = (text) => (typeof text === "string" ? readKey(text) : null);

/** The keys of a log one after the other, as its entries say. */
export class LogKeys {
  /** @type {{ old: Uint8Array, new: Uint8Array }[]} */
  #changes = [];
  /** The old one of two that both sign. @type {Uint8Array | null} */
  #leaving = null;

  /** Takes the next entry, in ascending order; null where it is about something else. @param {string} origin @param {ReadEntry} entry @returns {"rotated" | "retired" | "form" | "signature" | "not theirs" | null} */
  take(origin, entry) {
    if (entry.kind === "key-rotated") return this.#rotated(origin, entry);
    return entry.kind === "key-retired" ? this.#retired(entry) : null;
  }

  /** @param {string} origin @param {ReadEntry} entry */
  #rotated(origin, { body, server }) {
    const before = keyIn(body.old), next = keyIn(body.new);
    if (!before || !next || typeof body.note !== "string" || !server) return "form";
    if (before.name !== next.name || !sameLog(before.name, origin) || this.#changes.length >= MAX_CHANGES) return "form";
    if ([before, next].some((k) => openNote(body.note, k) !== `counterfoil next log key\n${body.new}\n`)) return "signature";
    const last = this.#changes.at(-1);
    const known = this.#changes.some((c) => sameBytes(c.old, next.bytes) || sameBytes(c.new, next.bytes));
    // A key that was let go comes back no more, and announces nothing.
    if (sameBytes(before.bytes, next.bytes) || known || (last && !sameBytes(last.new, before.bytes))) return "not theirs";
    this.#changes.push({ old: before.bytes, new: next.bytes });
    this.#leaving = before.bytes;
    return "rotated";
  }

  /** @param {ReadEntry} entry */
  #retired({ body, server }) {
    const before = keyIn(body.old);
    if (!before || !server) return "form";
    // Where the file does not hold the change before it, nothing is known of the key.
    if (!this.#leaving || !sameBytes(this.#leaving, before.bytes)) return "not theirs";
    this.#leaving = null;
    return "retired";
  }

  /** Every public key that a change names, the oldest first. @returns {Uint8Array[]} */
  all() {
    return this.#changes.length ? [this.#changes[0].old, ...this.#changes.map((c) => c.new)] : [];
  }

  /** Whether one key announced the other, through as many changes as it takes. @param {Uint8Array} from @param {Uint8Array} to */
  leads(from, to) {
    const at = (/** @type {Uint8Array} */ key) => this.all().findIndex((k) => sameBytes(k, key));
    return at(from) >= 0 && at(from) < at(to);
  }

  /** Whether a head is signed by all keys that have to and by none that was let go. @param {string} note @param {string} origin */
  signed(note, origin) {
    const by = (/** @type {Uint8Array} */ key) => openNote(note, keyUnder(origin, key)) !== null;
    const last = this.#changes.at(-1);
    const signing = last ? [last.new, ...(this.#leaving ? [this.#leaving] : [])] : [];
    const gone = this.#changes.map((c) => c.old).filter((k) => !this.#leaving || !sameBytes(this.#leaving, k));
    return signing.every(by) && !gone.some(by);
  }
}
