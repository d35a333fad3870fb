// A device for the tests: an IndexedDB in memory, a clock and timers that are moved by hand, and a server that is a list.
import { createHash, webcrypto } from "node:crypto";
import { IDBFactory } from "fake-indexeddb";
import { build } from "../../server/web/core/context.js";
import { canonText } from "../../server/web/core/canon.js";

export const SHOP = "0193b0e8-0000-7000-8000-0000000000a1";
export const RAVI = "0193b0e8-0000-7000-8000-0000000000a7";
export const BO = "0193b0e8-0000-7000-8000-0000000000b0";
export const PHONE = "0193b0e8-0000-7000-8000-0000000000d1";
export const KIND = {
  v: 1, id: "small", name: { en: "Small" }, caution: { en: "Off." }, question: [], part: [{ id: "hood", name: { en: "hood" } }], safety: [], accessory: [],
  view: [{ id: "front", due: "at counter", stage: "received", drawing: "x", name: { en: "Front" }, short: { en: "front" }, stand: { en: "There." }, why: { en: "So." } }],
  condition: [{ id: "cracked", photo: true, name: { en: "cracked" } }],
};
export const KIND_DIGEST = `sha256:${"1".repeat(64)}`;
const sha = (bytes) => createHash("sha256").update(bytes).digest("hex");

export const json = (status, value, headers = {}) => new Response(JSON.stringify(value), { status, headers: { "Content-Type": "application/json", ...headers } });
export const problem = (status, slug, retry, headers = {}) =>
  new Response(JSON.stringify({ type: `/problems/${slug}`, title: slug, status, detail: `A sentence about ${slug}.`, retry }), {
    status, headers: { "Content-Type": "application/problem+json", ...headers },
  });
/** What a network's sign-in page answers to anything. */
export const portal = () => new Response("<html>Welcome to the free network</html>", { status: 200, headers: { "Content-Type": "text/html" } });
/** The request never comes back. */
export const lost = () => {
  throw new TypeError("the network failed");
};

/** A server that keeps entries and files, and answers as told to before it does, in turn. */
export class FakeServer {
  constructor() {
    this.log = [];
    this.files = new Map();
    /** Bytes of unfinished files, by digest. */
    this.unfinished = new Map();
    /** Requests seen: `POST entries`, `PUT files` … */
    this.seen = [];
    this.headers = [];
    /** One answer a request, before the server's own; a function that gets what the server would have done. */
    this.next = [];
    this.open = true;
    /** Catalogues by language. */
    this.words = { en: { "gap.owner": "The owner's name", "language.name": "English" } };
  }

  fetch = async (path, { method, body, headers }) => {
    const name = `${method} ${path.replace(`/v1/shops/${SHOP}/`, "").replace(/\?.*/, "").replace(/[0-9a-f]{64}/, "…").replace(/[0-9a-f-]{36}/, "*")}`;
    if (!this.open) throw new TypeError("no network");
    const writes = method !== "GET" && path.startsWith(`/v1/shops/${SHOP}`);
    if (writes) {
      this.seen.push(name);
      this.headers.push(headers);
    }
    const own = () => this.#answer(method, path, body, headers);
    const told = writes ? this.next.shift() : undefined;
    return told ? told(own) : own();
  };

  #answer(method, path, body, headers) {
    if (path === "/v1") return json(200, { name: "counterfoil", version: "0", api: 1, now: new Date(this.now() + 312).toISOString(), set_up: true, secure: true });
    if (path === "/v1/sessions") return json(201, { shop: SHOP, staff: RAVI, device: PHONE, roles: ["counter"], name: "Ravi" });
    if (path === "/v1/sessions/current") return method === "DELETE" ? new Response(null, { status: 204 }) : json(200, { shop: SHOP, staff: RAVI, device: PHONE, roles: ["counter"], name: "Ravi" });
    if (path.endsWith("/kinds")) return json(200, [{ digest: KIND_DIGEST, kind: KIND }]);
    if (path.endsWith("/words")) return json(200, Object.entries(this.words).map(([language, texts]) => ({ language, name: language, digest: `sha256:${sha(JSON.stringify(texts))}` })));
    if (path.includes("/words/")) {
      this.wordsSent = (this.wordsSent ?? 0) + 1;
      const texts = this.words[path.split("/").at(-1)];
      return texts ? json(200, texts) : problem(404, "not-found", "changed");
    }
    if (path.endsWith("/settings")) return json(200, { may_leave_open: {} });
    if (path === `/v1/shops/${SHOP}`) return json(200, { shop: SHOP, name: "Tarn Street Engines", checkpoint: this.checkpoint() });
    if (path.endsWith("/entries") && method === "POST") return this.#append(JSON.parse(body));
    if (path.includes("/entries?")) return this.#read(path);
    if (path.includes("/erasures")) return json(200, { erasures: (this.erasures ?? []).filter((e) => e.index > Number(new URL(path, "http://x").searchParams.get("after") ?? -1)) });
    if (path.includes("/intakes?")) return json(200, this.listed?.(new URL(path, "http://x").searchParams) ?? { intakes: [] });
    if (path.includes("/parts")) return this.#parts(method, path, new Uint8Array(body ?? []), headers);
    if (path.includes("/files/")) return this.#file(path, new Uint8Array(body), headers);
    return problem(404, "not-found", "changed");
  }

  #append({ said, digest, disclosures }) {
    const real = `sha256:${sha(canonText(said))}`;
    if (real !== digest) return problem(422, "not-valid", "changed");
    const held = this.log.findIndex((e) => e.said.id === said.id);
    if (held >= 0 && this.log[held].digest !== digest) return problem(409, "id-used", "never");
    const index = held >= 0 ? held : this.log.push({ said, digest, disclosures, kept: { at: "2026-11-25T13:02:12.000Z" } }) - 1;
    return json(held >= 0 ? 200 : 201, { id: said.id, index, digest, kept: this.log[index].kept, told: [], checkpoint: this.checkpoint() });
  }

  #file(path, bytes, headers) {
    const hex = path.slice(-64);
    if (sha(bytes) !== hex || headers["Content-Digest"] !== `sha-256=:${Buffer.from(hex, "hex").toString("base64")}:`) return problem(400, "wrong-bytes", "same");
    if (!this.log.some((e) => canonText(e.said.body).includes(hex))) return problem(404, "not-named", "changed");
    this.files.set(hex, bytes);
    return json(200, { digest: `sha256:${hex}`, size: bytes.length, index: this.log.length });
  }

  /** Parts one after the other, from 256 KB to 4 MB, the last as it comes; the last one is answered as the whole would be. */
  #parts(method, path, bytes, headers) {
    const [, hex, from] = /files\/([0-9a-f]{64})\/parts(?:\/(\d+))?$/.exec(path) ?? [];
    const taken = this.log.find((e) => e.said.type === "photo-taken" && e.said.body.file === `sha256:${hex}`);
    if (!taken) return problem(404, "not-named", "changed");
    const { size } = taken.said.body;
    const here = () => this.unfinished.get(hex) ?? new Uint8Array();
    const told = () => ({ digest: `sha256:${hex}`, size, offset: this.files.has(hex) ? size : here().length, shortest: 256 * 1024, longest: 4 * 1024 * 1024, kept_s: 345_600 });
    if (method === "GET") return json(200, told());
    const at = Number(from);
    if (headers["Content-Digest"] !== `sha-256=:${createHash("sha256").update(bytes).digest("base64")}:`) return problem(400, "wrong-bytes", "same");
    if (bytes.length > told().longest || (bytes.length < told().shortest && at + bytes.length !== size)) return problem(422, "not-valid", "changed");
    if (this.files.has(hex)) return json(200, { digest: `sha256:${hex}`, size, index: this.log.length });
    if (at !== here().length) return json(409, { type: "/problems/parts-elsewhere", title: "elsewhere", status: 409, detail: "Elsewhere.", retry: "changed", offset: here().length }, { "Content-Type": "application/problem+json" });
    const grown = new Uint8Array(at + bytes.length);
    grown.set(here());
    grown.set(bytes, at);
    this.unfinished.set(hex, grown);
    if (grown.length < size) return json(202, told());
    this.unfinished.delete(hex);
    if (sha(grown) !== hex) return problem(400, "wrong-bytes", "same");
    this.files.set(hex, grown);
    return json(200, { digest: `sha256:${hex}`, size, index: this.log.length });
  }

  #read(path) {
    const url = new URL(path, "http://x");
    const intake = url.pathname.split("/")[5];
    const after = Number(url.searchParams.get("after") ?? -1);
    const entries = this.log.map((e, index) => ({ index, e })).filter(({ index, e }) => index > after && e.said.intake === intake)
      .map(({ index, e }) => ({ index, bytes: canonText({ kept: e.kept, said: e.said, v: 1 }), disclosures: e.disclosures }));
    return json(200, { entries, checkpoint: this.checkpoint() });
  }

  checkpoint() {
    return `tarn/${SHOP}/1\n${this.log.length}\nAAAA\n\n— tarn AAAA\n`;
  }
}

/** A device with its own store. `timers` are run by `tick`, never by waiting. */
export async function device({ server = new FakeServer(), factory = new IDBFactory(), signedIn = true, edge: more = {} } = {}) {
  let time = Date.UTC(2026, 10, 25, 13, 2, 11);
  server.now = () => time;
  const timers = new Set();
  const edge = {
    indexedDB: factory, now: () => time, offsetMinutes: () => 60, chance: () => 0.5, languages: () => ["en-GB", "de"], client: "web/test",
    random: (n) => webcrypto.getRandomValues(new Uint8Array(n)),
    after: (ms, run) => {
      const timer = { at: time + ms, run };
      timers.add(timer);
      return () => timers.delete(timer);
    },
    fetch: server.fetch, urlOf: (blob) => `blob:${blob.size}`,
    ...more,
  };
  const ctx = await build(edge);
  const dev = {
    ctx, server, factory, timers,
    now: () => time,
    /** Moves the clock and runs what is due. */
    tick: async (ms) => {
      time += ms;
      for (const timer of [...timers].filter((t) => t.at <= time)) {
        timers.delete(timer);
        timer.run();
      }
      await dev.rest();
    },
    /** Until the queue has nothing more to do now. */
    rest: async () => {
      while (ctx.queue.running) await ctx.queue.running;
    },
    queue: () => ctx.store.read(["queue"], (w) => w.all("queue")),
    meta: (key) => ctx.store.read(["meta"], (w) => w.meta(key)),
  };
  if (signedIn) {
    const session = { shop: SHOP, staff: RAVI, device: PHONE, roles: ["counter"], name: "Ravi" };
    ctx.session = session;
    await ctx.store.write(["meta", "kinds"], async (w) => {
      await w.setMeta("session", session);
      await w.setMeta(`kinds:${SHOP}`, [KIND_DIGEST]);
      await w.put("kinds", { digest: KIND_DIGEST, kind: KIND });
    });
  }
  return dev;
}
