// Rows of the store as entries of the fold.
// @ts-check

import { disclose } from "./disclosure.js";

/** @import {Context} from "./context.js" */
/** @import {EntryRow} from "./store.js" */
/** @import {Entry} from "./types.js" */

/**
 * Entries for the fold: those with a log index, then those not sent yet in local order. What the server refused or a person
 * set aside is left out, but for a refused opening, without which the rest could not be shown.
 * @param {Context} ctx
 * @param {EntryRow[]} rows
 * @returns {Entry[]}
 */
export function rowsToEntries(ctx, rows) {
  const standing = rows.filter((r) => !r.aside && (!r.refused || r.said.type === "intake-opened"));
  return standing.sort((a, b) => (a.index ?? Infinity) - (b.index ?? Infinity) || a.seq - b.seq).map((r) => rowToEntry(ctx, r));
}

/** @param {Context} ctx @param {EntryRow} row @returns {Entry} */
export function rowToEntry(ctx, row) {
  const stamp = `${row.digest}/${row.index ?? ""}/${row.disclosures.length}`;
  const held = ctx.entries.get(row.id);
  if (held?.stamp === stamp) return held;
  const { said, digest, index, kept, disclosures } = row;
  const entry = { said, digest, body: disclose(said.body, disclosures), stamp, ...(index === undefined ? {} : { index }), ...(kept ? { kept } : {}) };
  ctx.entries.set(row.id, entry);
  return entry;
}
