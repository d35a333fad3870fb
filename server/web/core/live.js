// The live stream: one tab of a device listens to what is appended (ids and revisions only) and fetches what is known here.
// @ts-check

import { about, fetchKinds, fetchShop } from "./enter.js";
import { eraseWhatWasErased } from "./forget.js";
import { catchUp, refreshSoon } from "./sync.js";

/** @import {Context} from "./context.js" */

const LOCK = "counterfoil-stream";
/** Wait after an answer that was no stream, milliseconds. */
const AGAIN = 5_000;

/**
 * Leads the device's stream when no other tab does, for as long as this page lives. Without Web Locks every tab listens.
 * @param {Context} ctx
 */
export function lead(ctx) {
  const { stream, locks } = ctx.edge;
  if (!stream) return;
  const listener = new Listener(ctx, stream);
  if (locks) locks.request(LOCK, () => listener.follow()).catch(() => {});
  else listener.follow();
}

class Listener {
  /** @param {Context} ctx @param {(url: string) => EventSource} open */
  constructor(ctx, open) {
    this.ctx = ctx;
    this.open = open;
    /** @type {EventSource | null} */
    this.source = null;
    this.shop = "";
  }

  /** Never resolves: the lock is held until the page is gone. @returns {Promise<never>} */
  follow() {
    this.ctx.bus.on("session", () => this.#connect());
    this.#connect();
    return new Promise(() => {});
  }

  #connect() {
    const shop = this.ctx.session?.shop ?? "";
    if (shop === this.shop && this.source && this.source.readyState !== 2) return;
    this.source?.close();
    this.source = null;
    this.shop = shop;
    if (!shop) return;
    const source = this.open(`/v1/shops/${shop}/stream`);
    this.source = source;
    // The stream begins (again): whatever was missed is looked up by revision.
    source.addEventListener("hello", () => {
      this.ctx.transport.reachable = true;
      this.ctx.bus.say("queue");
      catchUp(this.ctx).catch(() => {});
      // What has no revision may have changed too while nobody listened: settings, kinds.
      fetchShop(this.ctx).catch(() => {});
      fetchKinds(this.ctx).catch(() => {});
      this.ctx.queue.drain();
    });
    source.addEventListener("behind", () => {
      catchUp(this.ctx).catch(() => {});
    });
    source.addEventListener("entry", (event) => this.#entry(event.data));
    source.onerror = () => {
      // The stream broke: whether the server is there at all is asked, and said, now.
      const { ctx } = this;
      if (ctx.transport.reachable !== false) about(ctx).catch(() => {}).finally(() => ctx.bus.say("queue"));
      // The browser reconnects by itself, except after an answer that was no stream (signed out, a proxy): try again later.
      if (source.readyState === 2 && this.source === source) this.ctx.edge.after(AGAIN, () => this.#connect());
    };
  }

  /** @param {string} data */
  async #entry(data) {
    const { ctx } = this;
    /** @type {{index: number, intake: string | null, type: string}} */
    const { index, intake, type } = JSON.parse(data);
    ctx.bus.say("list");
    if (!intake) {
      if (type === "kind-added" || type === "kind-retired") fetchKinds(ctx).catch(() => {});
      if (type === "setting-changed" || type === "shop-opened") fetchShop(ctx).catch(() => {});
      return;
    }
    if (type === "customer-erased") return eraseWhatWasErased(ctx).catch(() => {});
    const known = await ctx.store.read(["entries", "meta"], async (w) => {
      const here = (await w.by("entries", "intake", intake)).length > 0;
      return here && ((await w.meta(`fetched:${intake}`)) ?? -1) < index;
    });
    if (known) refreshSoon(ctx, intake);
  }
}
