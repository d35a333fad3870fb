// Keeping the device and the server together: the queue's drives, fetching what others wrote, and what happens when a
// network comes back.
// @ts-check

import { fromUtf8, utf8 } from "./bytes.js";
import { canon } from "./canon.js";
import { fetchWords } from "./catalogue.js";
import { disclosureDigest } from "./disclosure.js";
import { about, fetchKinds, fetchShop, leave, refreshSession } from "./enter.js";
import { removeBytes, removeStrays } from "./kept.js";
import { eraseWhatWasErased, forgetCustomer } from "./forget.js";
import { lead } from "./live.js";
import { itemOf } from "./queue.js";
import { digestOf } from "./sha256.js";
import { keepTags } from "./tags.js";
import { trouble } from "./trouble.js";
import { otherBuild } from "./versions.js";
import { sayWhatWasNoted } from "./write.js";

/** @import {Context} from "./context.js" */
/** @import {Work, EntryRow} from "./store.js" */
/** @import {LoadedKind} from "./types.js" */

/** Entries asked for at once. */
const PAGE = 200;
/** Days after which the bytes of a photo that the server holds leave the device, milliseconds. */
const KEEP = 14 * 24 * 3_600_000;
/** Notices within this time are one look, milliseconds: less than a person sees, more than one tap's entries are apart. */
const SOON = 100;
/** Time between two looks at the server when nothing else drives one, milliseconds. */
const PULSE = 60_000;

/** Starts everything that drives the queue, once a page. @param {Context} ctx */
export function start(ctx) {
  if (ctx.started) return;
  ctx.started = true;
  const { page } = ctx.edge;
  page?.on("online", () => nudge(ctx));
  page?.on("visible", () => nudge(ctx));
  // Another person's notes wait until that person is back.
  ctx.bus.on("session", () => sayWhatWasNoted(ctx).catch(() => {}));
  page?.persist().then((lasts) => {
    ctx.lasts = lasts;
    ctx.bus.say("device");
  }, () => {});
  ctx.keeper = page?.keeper();
  ctx.keeper?.on(() => ctx.bus.say("device"));
  sayWhatWasNoted(ctx).catch(() => {});
  lead(ctx);
  const pulse = () => {
    ctx.edge.after(PULSE, () => {
      contact(ctx).then(() => ctx.queue.drain()).finally(pulse);
    });
  };
  pulse();
  tidy(ctx).catch(() => {});
  nudge(ctx);
}

/** Looks for the server and sends what waits. @param {Context} ctx */
export function nudge(ctx) {
  contact(ctx).finally(() => ctx.queue.nudge()).catch(() => {});
}

/** One look at a time: on a slow network more of them would only stand in each other's way. @param {Context} ctx @returns {Promise<void>} */
function contact(ctx) {
  ctx.contact ??= look(ctx).finally(() => {
    ctx.contact = undefined;
  });
  return ctx.contact;
}

/** Asks the server who it is, measures the clock by it, and brings session, kinds, shop and words up to date. @param {Context} ctx */
async function look(ctx) {
  try {
    await about(ctx);
    ctx.bus.say("device");
    if (otherBuild(ctx.about, ctx.edge.client)) ctx.keeper?.look();
    await leave(ctx);
    if (!ctx.session) return await fetchWords(ctx);
    // What waits goes first; what is only looked at comes beside it.
    ctx.queue.nudge();
    await refreshSession(ctx);
    await Promise.allSettled([fetchKinds(ctx), fetchShop(ctx), fetchWords(ctx), keepTags(ctx)]);
  } catch {
    // No network or not signed in any more: the queue finds the same and shows it.
  } finally {
    ctx.bus.say("queue");
  }
}

/** @param {Context} ctx @param {string} digest @returns {Promise<LoadedKind>} */
export async function fetchKind(ctx, digest) {
  if (!ctx.session) throw trouble("signed-out");
  const { json } = await ctx.transport.send("GET", `/v1/shops/${ctx.session.shop}/kinds/${digest.slice("sha256:".length)}`);
  if (json?.digest !== digest) throw trouble("not-the-server");
  await ctx.store.write(["kinds"], (w) => w.put("kinds", { digest, kind: json.kind }));
  return { digest, kind: json.kind };
}

/** Fetches an intake a little later, once for many notices. @param {Context} ctx @param {string} intake */
export function refreshSoon(ctx, intake) {
  if (ctx.soon.has(intake)) return;
  ctx.soon.set(intake, ctx.edge.after(SOON, () => {
    ctx.soon.delete(intake);
    fetchIntake(ctx, intake).catch(() => {});
  }));
}

/** Brings an intake's entries after the last one fetched. @param {Context} ctx @param {string} intake */
export async function fetchIntake(ctx, intake) {
  const session = ctx.session;
  if (!session) throw trouble("signed-out");
  const mark = `fetched:${intake}`;
  for (;;) {
    const after = await ctx.store.read(["meta"], (w) => w.meta(mark));
    const query = `limit=${PAGE}${after === undefined ? "" : `&after=${after}`}`;
    const { json } = await ctx.transport.send("GET", `/v1/shops/${session.shop}/intakes/${intake}/entries?${query}`);
    const rows = /** @type {Came[]} */ (json.entries.map(readEntry));
    if (rows.some((r) => r.said.shop !== session.shop || r.said.intake !== intake)) throw trouble("not-the-server");
    if (rows.length > 0) {
      await ctx.store.write(["entries", "meta"], async (w) => {
        for (const row of rows) await merge(w, session.shop, intake, row);
        await w.setMeta(mark, rows[rows.length - 1].index);
        if (ctx.transport.checkpoint) await w.setMeta(`checkpoint:${session.shop}`, ctx.transport.checkpoint);
      });
      for (const row of rows) {
        if (row.said.type === "photo-erased") await forget(ctx, session.shop, String(row.said.body.photo));
        if (row.said.type === "customer-erased") await forgetCustomer(ctx, session.shop, intake, row);
      }
      ctx.bus.say(`intake:${intake}`);
      ctx.bus.say("list");
    }
    if (json.next === undefined) return;
  }
}

/**
 * Lets go of an erased photo: its bytes, what waits to be sent of it, and what the browser keeps of its pictures.
 * @param {Context} ctx @param {string} shop @param {string} photo
 */
export async function forget(ctx, shop, photo) {
  const gone = await ctx.store.write(["files", "file_bytes", "queue"], async (w) => {
    const digests = [];
    for (const file of await w.by("files", "photos", photo)) {
      const photos = file.photos.filter((p) => p !== photo);
      if (photos.length > 0) {
        await w.put("files", { ...file, photos });
        continue;
      }
      await removeBytes(w, file.digest, file.size);
      await w.put("files", { ...file, photos, bytes_here: false });
      for (const row of (await w.all("queue")).filter((r) => r.what === "file" && r.id === file.digest)) await w.remove("queue", row.key);
      digests.push(file.digest);
    }
    return digests;
  });
  for (const digest of gone) ctx.urls.delete(digest);
  ctx.bus.say("queue");
  // The browser may keep a picture for long: asking past it replaces what it keeps by the answer that it was erased.
  for (const size of ["small", "large"]) ctx.edge.fetch(`/v1/shops/${shop}/photos/${photo}/${size}`, { cache: "reload" }).catch(() => {});
}

/** @typedef {{index: number, bytes: string, said: any, kept: any, digest: string, text: string, disclosures: string[]}} Came */

/** Reads an entry as it came: its said digest is computed here, and only disclosures that it binds are taken. @param {any} raw @returns {Came} */
function readEntry({ index, bytes, disclosures }) {
  const { said, kept } = JSON.parse(bytes);
  const text = fromUtf8(canon(said));
  const bound = new Set(said.body._sd ?? []);
  return { index, bytes, said, kept, text, digest: digestOf(utf8(text)), disclosures: disclosures.filter((/** @type {string} */ d) => bound.has(disclosureDigest(d))) };
}

/** @param {Work} w @param {string} shop @param {string} intake @param {Came} came */
async function merge(w, shop, intake, came) {
  const { index, bytes, said, kept, text, digest, disclosures } = came;
  const here = await w.get("entries", said.id);
  // Disclosures are the server's: one that was erased there is erased here too.
  /** @type {EntryRow} */
  const row = { id: said.id, shop, intake, seq: here?.seq ?? 0, said, text, digest, disclosures, index, kept, bytes };
  await w.put("entries", here?.told ? { ...row, told: here.told } : row);
}

/** After a gap in the stream: what is known here and was changed meanwhile is fetched. @param {Context} ctx */
export async function catchUp(ctx) {
  const session = ctx.session;
  if (!session) return;
  const { json } = await ctx.transport.send("GET", `/v1/shops/${session.shop}/intakes?limit=200`);
  const stale = await ctx.store.write(["intakes", "entries", "meta"], async (w) => {
    const ids = [];
    for (const row of json.intakes) {
      await w.put("intakes", { ...row, shop: session.shop });
      const here = (await w.by("entries", "intake", row.id)).length > 0;
      if (here && ((await w.meta(`fetched:${row.id}`)) ?? -1) < row.revision) ids.push(row.id);
    }
    return ids;
  });
  ctx.bus.say("list");
  for (const id of stale) await fetchIntake(ctx, id);
  await eraseWhatWasErased(ctx);
}

/** Takes the bytes of photos off the device that the server has held for a while; what it says of them stays. @param {Context} ctx */
async function tidy(ctx) {
  const old = ctx.edge.now() - KEEP;
  await ctx.store.write(["files", "file_bytes", "queue"], async (w) => {
    const waiting = new Set((await w.all("queue")).map((r) => r.id));
    for (const file of await w.all("files")) {
      if (!file.bytes_here || waiting.has(file.digest) || (file.stored_at ?? Infinity) > old) continue;
      await removeBytes(w, file.digest, file.size);
      await w.put("files", { ...file, bytes_here: false });
    }
    await removeStrays(w);
  });
}

/** @param {Context} ctx @returns {Promise<import("./app.js").QueueSummary>} */
export async function summary(ctx) {
  const rows = (await ctx.store.read(["queue"], (w) => w.all("queue"))).filter((r) => r.state !== "aside" && (!ctx.session || r.shop === ctx.session.shop));
  const count = (/** @type {string} */ state) => rows.filter((r) => r.state === state).length;
  const { paused } = ctx.queue;
  return {
    waiting: count("waiting"), sending: count("sending"), refused: count("refused"),
    items: rows.sort((a, b) => a.order - b.order).map((r) => itemOf(r, ctx.queue.progress)),
    reachable: ctx.transport.reachable, ...(ctx.transport.reachable === false && ctx.transport.why ? { why: ctx.transport.why } : {}), ...(paused ? { paused } : {}),
  };
}

/** @param {Context} ctx @param {number} key */
export async function tryAgain(ctx, key) {
  await ctx.store.write(["queue", "entries"], async (w) => {
    const row = await w.get("queue", key);
    if (!row || row.state === "sending") return;
    const { problem: _, ...rest } = row;
    await w.put("queue", { ...rest, state: "waiting", not_before: 0, tries: 0 });
    const entry = row.what === "entry" ? await w.get("entries", row.id) : undefined;
    if (entry) await w.put("entries", { ...entry, refused: false });
  });
  ctx.bus.say("queue");
  await ctx.queue.nudge();
}

/** @param {Context} ctx @param {number} key */
export async function setAside(ctx, key) {
  const intake = await ctx.store.write(["queue", "entries"], async (w) => {
    const row = await w.get("queue", key);
    if (!row || row.state === "sending") return null;
    const rows = await w.all("queue");
    // Without its opening nothing of an intake can go; without its entry no file can.
    const with_it = rows.filter((r) => r.key === key || r.after === row.id || (row.type === "intake-opened" && r.intake === row.intake));
    for (const r of with_it) {
      await w.put("queue", { ...r, state: "aside" });
      const entry = r.what === "entry" ? await w.get("entries", r.id) : undefined;
      if (entry) await w.put("entries", { ...entry, aside: true });
    }
    return row.intake;
  });
  if (intake) ctx.bus.say(`intake:${intake}`);
  ctx.bus.say("list");
  ctx.bus.say("queue");
  await ctx.queue.nudge();
}
