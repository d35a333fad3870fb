// Coming in and going out: set-up, signing in, pairing, the shop's own facts, and online calls of the desk. All of it waits
// for the network.
// @ts-check

import { signedIn } from "./context.js";
import { fetchWords } from "./catalogue.js";
import { removeBytes } from "./kept.js";
import { nudge } from "./sync.js";
import { leaseTags } from "./tags.js";
import { isTrouble } from "./trouble.js";

/** @import {Context} from "./context.js" */
/** @import {Session, ServerInfo, Shop} from "./app.js" */

/** How long the server's word about itself is good for a page, milliseconds. */
const FRESH = 5_000;

/** @param {Context} ctx @returns {Promise<ServerInfo | null>} */
export async function serverInfo(ctx) {
  const age = ctx.edge.now() - ctx.askedAt;
  return ctx.about && age >= 0 && age < FRESH ? ctx.about : about(ctx).catch(() => null);
}

/** Asks the server who it is; whoever asks meanwhile waits for the same answer. @param {Context} ctx @returns {Promise<ServerInfo>} */
export function about(ctx) {
  ctx.asking ??= ctx.transport.about().then(async (said) => {
    ctx.askedAt = ctx.edge.now();
    ctx.about = said;
    const { measured } = ctx.transport;
    // What is said from now on without a network was said by this clock.
    if (measured) await ctx.store.write(["meta"], (w) => w.setMeta("clock", measured)).catch(() => {});
    return said;
  }).finally(() => {
    ctx.asking = undefined;
  });
  return ctx.asking;
}

/** @param {Context} ctx @param {object} form @returns {Promise<Session>} */
export async function setUp(ctx, form) {
  return arrive(ctx, "/v1/set-up", form);
}

/** @param {Context} ctx @param {{sign_in: string, password: string, code?: string, shop?: string}} form @returns {Promise<Session>} */
export async function signIn(ctx, form) {
  return arrive(ctx, "/v1/sessions", { ...form, ...(await device(ctx, form.shop)) });
}

/** @param {Context} ctx @param {string} code @param {string} [label] @returns {Promise<Session>} */
export async function claimPairing(ctx, code, label) {
  const session = await arrive(ctx, "/v1/pairings/claim", { code, ...(label ? { label } : {}), ...(await device(ctx)) });
  // A phone that is paired will take machines in where there is no signal.
  await leaseTags(ctx).catch(() => {});
  return session;
}

/** Gives the password once more; throws where it is another. @param {Context} ctx @param {string} password */
export async function prove(ctx, password) {
  await ctx.transport.send("POST", "/v1/sessions/current/proof", { json: { password } });
}

/** This device's id, if a server gave it one: in this shop, or where it was last. @param {Context} ctx @param {string} [shop] @returns {Promise<{device?: string}>} */
async function device(ctx, shop) {
  const id = await ctx.store.read(["meta"], async (w) => (shop && (await w.meta(`device:${shop}`))) ?? w.meta("device"));
  return id ? { device: id } : {};
}

/** @param {Context} ctx @param {string} path @param {object} json @returns {Promise<Session>} */
async function arrive(ctx, path, json) {
  const answer = (await ctx.transport.send("POST", path, { json })).json;
  const { shop, staff, device, roles, name, code_due } = answer;
  /** @type {Session} */
  const session = { shop, staff, device, roles, name, ...(code_due ? { code_due } : {}) };
  await ctx.store.write(["meta"], async (w) => {
    await w.setMeta("session", session);
    await w.setMeta("device", device);
    await w.setMeta(`device:${shop}`, device);
    await w.setMeta("leave", undefined);
    ctx.transport.checkpoint = await w.meta(`checkpoint:${shop}`);
  });
  ctx.session = session;
  tell(ctx);
  // What the counter needs offline comes along at once; a weak network must not undo the signing in.
  await Promise.allSettled([fetchKinds(ctx), fetchShop(ctx), fetchWords(ctx)]);
  nudge(ctx);
  return session;
}

/** @param {Context} ctx */
function tell(ctx) {
  ctx.bus.say("session");
  ctx.bus.say("queue");
  ctx.bus.say("list");
}

/** @param {Context} ctx */
export async function signOut(ctx) {
  const session = ctx.session;
  if (!session) return;
  await forgetSent(ctx, session.shop);
  await ctx.store.write(["meta"], async (w) => {
    await w.setMeta("session", undefined);
    await w.setMeta("leave", true);
  });
  ctx.session = null;
  ctx.entries.clear();
  tell(ctx);
  await leave(ctx).catch(() => {});
}

/** Ends the session on the server too, now or, without a network, at the next contact. @param {Context} ctx */
export async function leave(ctx) {
  if (ctx.session || !(await ctx.store.read(["meta"], (w) => w.meta("leave")))) return;
  try {
    await ctx.transport.send("DELETE", "/v1/sessions/current");
  } catch (error) {
    if (!isTrouble(error, "not-signed-in")) throw error;
  }
  await ctx.store.write(["meta"], (w) => w.setMeta("leave", undefined));
}

/** Takes customers' data off the device, but for what the server does not have yet. @param {Context} ctx @param {string} shop */
async function forgetSent(ctx, shop) {
  await ctx.store.write(["entries", "files", "file_bytes", "queue", "intakes", "meta"], async (w) => {
    const waiting = new Set((await w.all("queue")).map((r) => r.intake));
    for (const row of await w.all("entries")) {
      if (row.shop !== shop || waiting.has(row.intake)) continue;
      await w.remove("entries", row.id);
      await w.setMeta(`fetched:${row.intake}`, undefined);
    }
    for (const row of await w.all("files")) {
      if (row.shop !== shop || waiting.has(row.intake)) continue;
      await w.remove("files", row.digest);
      await removeBytes(w, row.digest, row.size);
    }
    for (const row of await w.by("intakes", "shop", shop)) await w.remove("intakes", row.id);
  });
}

/** Asks whether the session still stands, and takes over changed roles. @param {Context} ctx */
export async function refreshSession(ctx) {
  const { json } = await ctx.transport.send("GET", "/v1/sessions/current");
  const held = ctx.session;
  if (!held || json.shop !== held.shop || json.staff !== held.staff) return;
  const { code_due: _, ...rest } = held;
  const session = { ...rest, roles: json.roles ?? held.roles, name: json.name ?? held.name, ...(json.code_due ? { code_due: true } : {}) };
  if (JSON.stringify(session) === JSON.stringify(held)) return;
  ctx.session = session;
  await ctx.store.write(["meta"], (w) => w.setMeta("session", session));
  tell(ctx);
}

/** @param {Context} ctx @returns {Promise<Shop | null>} */
export async function shop(ctx) {
  if (!ctx.session) return null;
  const id = ctx.session.shop;
  return (await ctx.store.read(["meta"], (w) => w.meta(`shop:${id}`))) ?? fetchShop(ctx).catch(() => null);
}

/** @param {Context} ctx @returns {Promise<Shop>} */
export async function fetchShop(ctx) {
  const { shop: id } = signedIn(ctx);
  const [facts, settings] = await Promise.all(["", "/settings"].map((p) => ctx.transport.send("GET", `/v1/shops/${id}${p}`)));
  const { checkpoint: _, ...rest } = facts.json;
  const shop = { ...rest, settings: settings.json };
  await ctx.store.write(["meta"], (w) => w.setMeta(`shop:${id}`, shop));
  ctx.bus.say("queue");
  return shop;
}

/** @param {Context} ctx */
export async function fetchKinds(ctx) {
  const { shop: id } = signedIn(ctx);
  const { json } = await ctx.transport.send("GET", `/v1/shops/${id}/kinds`);
  await ctx.store.write(["kinds", "meta"], async (w) => {
    for (const { digest, kind } of json) await w.put("kinds", { digest, kind });
    await w.setMeta(`kinds:${id}`, json.map((/** @type {{digest: string}} */ k) => k.digest));
  });
}

/**
 * @param {Context} ctx @param {string} method @param {string} path @param {{json?: any, ifMatch?: string, accept?: string}} what
 * @returns {Promise<{status: number, json: any, text: string, etag?: string}>}
 */
export async function ask(ctx, method, path, { json, ifMatch, accept }) {
  const { shop: id } = signedIn(ctx);
  const headers = ifMatch ? { "If-Match": ifMatch } : undefined;
  const answer = await ctx.transport.send(method, `/v1/shops/${id}${path}`, { json, headers, accept });
  const etag = answer.headers.get("ETag") ?? undefined;
  if (method !== "GET") fetchShop(ctx).catch(() => {});
  // The counter on this device offers a changed list of kinds at once.
  if (method !== "GET" && /^\/kinds(\/[0-9a-f]+)?$/.test(path)) await fetchKinds(ctx).catch(() => {});
  return { status: answer.status, json: answer.json, text: answer.text, ...(etag ? { etag } : {}) };
}
