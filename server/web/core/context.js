// What one open page holds: the store, the wire, the queue, who is signed in. Built once by app.js.
// @ts-check

import { Bus } from "./bus.js";
import { browser } from "./edge.js";
import { hex } from "./bytes.js";
import { Journal } from "./journal.js";
import { Queue } from "./queue.js";
import { openDatabase } from "./store.js";
import { refreshSoon } from "./sync.js";
import { Transport } from "./transport.js";
import { trouble } from "./trouble.js";
import { tooOld } from "./versions.js";
import { keptWords, speakKept } from "./catalogue.js";

/** @import {Edge} from "./edge.js" */
/** @import {Store} from "./store.js" */
/** @import {Session} from "./app.js" */

/**
 * @typedef {{
 *   edge: Edge, store: Store, bus: Bus, transport: Transport, queue: Queue, journal: Journal,
 *   session: Session | null,
 *   started: boolean,
 *   about: any, askedAt: number, asking?: Promise<any>, contact?: Promise<void>, keeper?: import("./keeper.js").Keeper, lasts?: boolean,
 *   soon: Map<string, () => void>,
 *   entries: Map<string, import("./types.js").Entry & {stamp: string}>,
 *   urls: Map<string, string>, intakeOf: Map<string, string>,
 * }} Context
 *   `about`: what the server said of itself last; `lasts`: the browser's answer to storage that lasts; `soon`: intakes about to be fetched; `entries`: disclosed entries by id; `urls`: object URLs by
 *   file digest; `intakeOf`: intakes by photo.
 */

/** @param {Edge} [edge] @param {Promise<Store>} [opening] @returns {Promise<Context>} */
export async function build(edge = browser(), opening = openDatabase(edge.indexedDB, edge.database)) {
  const store = await opening;
  const { now, after, fetch, upload, client } = edge;
  const bus = new Bus(edge.channel?.());
  const transport = new Transport({ fetch, now, after, client, upload });
  /** @type {Context} */
  const ctx = {
    edge, store, bus, transport, journal: new Journal(edge.shelf, now, edge.random), about: null, askedAt: 0,
    queue: new Queue({
      store, transport, now, after, chance: edge.chance, locks: edge.locks, holder: hex(edge.random(8)),
      session: () => ctx.session,
      held: () => (tooOld(ctx.about) ? trouble("client-too-old").problem : undefined),
      changed: (intake) => {
        bus.say("queue");
        if (intake) bus.say(`intake:${intake}`);
      },
      // A photo's judgement follows its upload as an entry of the server's.
      sent: (row) => (row.what === "file" || row.type === "intake-opened") && refreshSoon(ctx, row.intake),
    }),
    session: null, started: false, soon: new Map(), entries: new Map(), urls: new Map(), intakeOf: new Map(),
  };
  bus.heard = (topic) => {
    if (topic === "queue:new") ctx.queue.drain();
    if (topic === "session") loadSession(ctx);
    if (topic === "language") speakKept(ctx).catch(() => {});
  };
  await loadSession(ctx);
  await keptWords(ctx);
  return ctx;
}

/** Session and newest checkpoint as kept on the device. @param {Context} ctx */
export async function loadSession(ctx) {
  const before = ctx.session?.shop;
  await ctx.store.read(["meta"], async (w) => {
    ctx.session = (await w.meta("session")) ?? null;
    if (ctx.session && ctx.session.shop !== before) ctx.transport.checkpoint = await w.meta(`checkpoint:${ctx.session.shop}`);
  });
}

/** Who is signed in, or a trouble. @param {Context} ctx @returns {Session} */
export function signedIn(ctx) {
  if (!ctx.session) throw trouble("signed-out");
  return ctx.session;
}
