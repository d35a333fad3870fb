// A note of what was just said, made in the same moment as the tap. A tab that is closed then breaks its transaction off: what
// stands here and not in the store is said at the next start, with the time of the tap. Storage that answers at once is
// needed, and only `localStorage` does; it holds a note for the blink until the transaction is complete.
// @ts-check

import { uuid7 } from "./uuid.js";

/** @import {JsonObject} from "./types.js" */

/**
 * @typedef {{type: string, body: JsonObject, personal?: JsonObject}} Fact
 * @typedef {Fact & {id: string, at: number}} NotedFact   `id` of its entry, `at` by the device's clock
 * @typedef {{key: string, shop: string, staff: string, intake: string, facts: NotedFact[]}} Note
 * @typedef {Pick<Storage, "getItem" | "setItem" | "removeItem" | "key" | "length">} Shelf
 */

const PREFIX = "counterfoil-said:";

export class Journal {
  /** @param {Shelf | undefined} shelf @param {() => number} now @param {(bytes: number) => Uint8Array} random */
  constructor(shelf, now, random) {
    this.shelf = shelf;
    this.now = now;
    this.random = random;
  }

  /**
   * Notes facts at once and gives them the ids they will be said under. Without a shelf, or a full one, they are only named.
   * @param {{shop: string, staff: string}} who @param {string} intake @param {Fact[]} facts @returns {Note}
   */
  note({ shop, staff }, intake, facts) {
    const at = this.now();
    const noted = facts.map((f) => ({ ...f, at, id: uuid7(at, this.random(10)) }));
    const note = { key: `${PREFIX}${noted[0]?.id ?? ""}`, shop, staff, intake, facts: noted };
    try {
      if (noted.length > 0) this.shelf?.setItem(note.key, JSON.stringify(note));
    } catch {
      // Full: the store itself is the next to say so.
    }
    return note;
  }

  /** It is in the store, or a person was told that it is not. @param {Note} note */
  done({ key }) {
    try {
      this.shelf?.removeItem(key);
    } catch {
      // Shut off meanwhile: said under the same ids, it is passed over at the next start.
    }
  }

  /** Notes that were left, oldest first. What cannot be read is taken away. @returns {Note[]} */
  left() {
    const { shelf } = this;
    /** @type {Note[]} */
    const notes = [];
    try {
      const keys = Array.from({ length: shelf?.length ?? 0 }, (_, i) => shelf?.key(i) ?? "").filter((k) => k.startsWith(PREFIX));
      for (const key of keys) {
        const note = read(shelf?.getItem(key) ?? "");
        if (note?.key === key) notes.push(note);
        else shelf?.removeItem(key);
      }
    } catch {
      return notes;
    }
    return notes.sort((a, b) => (a.key < b.key ? -1 : 1));
  }
}

/** @param {string} text @returns {Note | null} */
function read(text) {
  try {
    const note = JSON.parse(text);
    const whole = [note.key, note.shop, note.staff, note.intake].every((v) => typeof v === "string") && Array.isArray(note.facts);
    return whole ? note : null;
  } catch {
    return null;
  }
}
