// What this device lets go of when a customer was erased: everything personal of that intake, whatever waits to be sent of it, the
// signatures' bytes. A device that was away asks which intakes those are.
// @ts-check

import { removeBytes } from "./kept.js";
import { fetchIntake, forget } from "./sync.js";

/** @import {Context} from "./context.js" */
/** @import {QueueRow, Work} from "./store.js" */

/** Erasures that a page let go of already, by their entry: a browser is not asked twice to forget a picture. @type {WeakMap<Context, Set<string>>} */
const done = new WeakMap();

const STORES = /** @type {const} */ (["entries", "queue", "files", "file_bytes", "intakes"]);

/**
 * Lets go of what an erasure reaches back to: of kept entries all disclosures up to `upto`; of what was said here before this device
 * knew of it, everything, since the server does not take it any more.
 * @param {Context} ctx @param {string} shop @param {string} intake @param {{index?: number, said: {id: string, body: any}}} erased
 */
export async function forgetCustomer(ctx, shop, intake, { index = Infinity, said: { id: entry, body } }) {
  const before = done.get(ctx) ?? new Set();
  if (before.has(entry)) return;
  for (const note of ctx.journal.left().filter((n) => n.intake === intake && n.facts.some((f) => f.personal))) ctx.journal.done(note);
  const gone = await ctx.store.write([...STORES], async (w) => {
    const queue = (await w.all("queue")).filter((r) => r.intake === intake);
    const ids = [];
    for (const row of await w.by("entries", "intake", intake)) {
      const reached = row.index === undefined ? (row.said.seen ?? -1) < index : row.index <= body.upto;
      if (row.disclosures.length === 0 || !reached) continue;
      ids.push(row.id);
      if (row.index !== undefined) {
        const { told: _, ...rest } = row;
        await w.put("entries", { ...rest, disclosures: [] });
        continue;
      }
      await w.remove("entries", row.id);
      for (const q of queue.filter((r) => r.id === row.id || r.after === row.id)) {
        await w.remove("queue", q.key);
        if (q.what === "file") await drop(w, q.id, queue);
      }
    }
    for (const file of body.files) await drop(w, file, queue);
    await strip(w, intake);
    return ids;
  });
  for (const id of gone) ctx.entries.delete(id);
  for (const photo of body.photos) await forget(ctx, shop, photo);
  done.set(ctx, before.add(entry));
  ctx.bus.say(`intake:${intake}`);
  ctx.bus.say("list");
  ctx.bus.say("queue");
}

/** A file goes: its bytes, its row, what waits of it. @param {Work} w @param {string} digest @param {QueueRow[]} queue */
async function drop(w, digest, queue) {
  const file = await w.get("files", digest);
  if (file) await removeBytes(w, digest, file.size);
  await w.remove("files", digest);
  for (const row of queue.filter((r) => r.what === "file" && r.id === digest)) await w.remove("queue", row.key);
}

/** The list's row of an intake names nobody any more. @param {Work} w @param {string} intake */
async function strip(w, intake) {
  const row = await w.get("intakes", intake);
  if (!row) return;
  const { owner: _, complaint: __, ...summary } = row.summary ?? {};
  await w.put("intakes", { ...row, summary });
}

/** Asks what was erased since the last time, and lets go of it. @param {Context} ctx */
export async function eraseWhatWasErased(ctx) {
  const session = ctx.session;
  if (!session) return;
  const mark = `erasures:${session.shop}`;
  for (;;) {
    const after = await ctx.store.read(["meta"], (w) => w.meta(mark));
    const { json } = await ctx.transport.send("GET", `/v1/shops/${session.shop}/erasures${after === undefined ? "" : `?after=${after}`}`);
    for (const { intake, index } of /** @type {{intake: string, index: number}[]} */ (json.erasures)) {
      const here = await ctx.store.read(["entries"], (w) => w.by("entries", "intake", intake));
      if (here.length > 0) await fetchIntake(ctx, intake);
      else await ctx.store.write(["intakes"], (w) => strip(w, intake));
      // Also what was fetched before and not let go of: the page was closed in between.
      const rows = await ctx.store.read(["entries"], (w) => w.by("entries", "intake", intake));
      for (const row of rows.filter((r) => r.said.type === "customer-erased")) await forgetCustomer(ctx, session.shop, intake, row);
      await ctx.store.write(["meta"], (w) => w.setMeta(mark, index));
    }
    if (json.next === undefined) return;
  }
}
