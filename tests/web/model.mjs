// A model of three phones, one server and what is between them, for random interleavings. The phones are the app's own core:
// queue, store rules, journal, sync, fold. Only the disk (maps that undo what throws), the clock and the wire are made here. A
// request waits on the wire until the run picks it; then it may be lost, answered by somebody else, come twice, or come late.

import { webcrypto } from "node:crypto";
import { check } from "../../server/web/core/check.js";
import { build } from "../../server/web/core/context.js";
import { rowsToEntries } from "../../server/web/core/entries.js";
import { fold } from "../../server/web/core/fold.js";
import * as sync from "../../server/web/core/sync.js";
import * as write from "../../server/web/core/write.js";
import { Disk, Page } from "./model-disk.mjs";
import { BO, FakeServer, KIND, KIND_DIGEST, PHONE, RAVI, SHOP } from "./fakes.mjs";

const STAFF = [RAVI, BO, "0193b0e8-0000-7000-8000-0000000000c7"];
const DEVICES = [PHONE, "0193b0e8-0000-7000-8000-0000000000d2", "0193b0e8-0000-7000-8000-0000000000d3"];

/** Numbers from a seed (mulberry32, public domain, from memory). @param {number} seed */
export function chances(seed) {
  let a = seed >>> 0;
  const next = () => {
    a = (a + 0x6d2b79f5) | 0;
    let t = Math.imul(a ^ (a >>> 15), 1 | a);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  return { next, below: (n) => Math.floor(next() * n), one: (list) => list[Math.floor(next() * list.length)], is: (share) => next() < share };
}

/** All that is waiting to happen has happened, but for what waits on the wire. */
const settle = () => new Promise((done) => setImmediate(done));

/** The run of one seed. */
export class Run {
  /** @param {number} seed @param {{ once?: boolean }} how `once: false`: the server does not know what it has already */
  constructor(seed, { once = true } = {}) {
    this.chance = chances(seed);
    this.server = new FakeServer();
    this.server.next = [];
    this.once = once;
    this.time = Date.UTC(2026, 10, 25, 13, 0, 0);
    this.server.now = () => this.time;
    /** Requests on the wire. @type {{phone: any, page: Page, path: string, init: any, resolve: (r: any) => void, reject: (e: unknown) => void}[]} */
    this.wire = [];
    /** Copies that come later, when nobody waits for them. */
    this.late = [];
    this.bad = true;
    /** What every phone said, in its order. @type {{phone: number, id: string, intake: string}[]} */
    this.said = [];
    /** Digests of photos. @type {string[]} */
    this.photos = [];
    this.counts = { lost: 0, unanswered: 0, twice: 0, late: 0, foreign: 0, busy: 0, killed: 0, clocks: 0 };
    this.phones = [0, 1, 2].map((n) => ({ n, disk: new Disk(), skew: 0, timers: new Set(), ctx: /** @type {any} */ (null), page: /** @type {any} */ (null) }));
  }

  async begin() {
    const words = JSON.stringify({ "language.name": "English" });
    for (const p of this.phones) {
      const rows = p.disk.rows;
      rows.meta.set("session", { key: "session", value: { shop: SHOP, staff: STAFF[p.n], device: DEVICES[p.n], roles: ["counter"], name: `P${p.n}` } });
      rows.meta.set(`kinds:${SHOP}`, { key: `kinds:${SHOP}`, value: [KIND_DIGEST] });
      rows.kinds.set(KIND_DIGEST, { digest: KIND_DIGEST, kind: KIND });
      rows.words.set("en", { language: "en", digest: "sha256:0", bytes: new TextEncoder().encode(words).buffer });
      await this.open(p);
    }
  }

  /** A page is opened on what the phone keeps. */
  async open(p) {
    p.page = new Page(p.disk);
    p.timers.clear();
    const page = p.page;
    const { chance } = this;
    p.ctx = await build({
      now: () => this.time + p.skew, offsetMinutes: () => 60, chance: chance.next, languages: () => ["en"], client: "web/model", shelf: p.disk.shelf,
      random: (n) => webcrypto.getRandomValues(new Uint8Array(n)),
      after: (ms, run) => {
        const timer = { at: this.time + ms, run };
        p.timers.add(timer);
        return () => p.timers.delete(timer);
      },
      fetch: (path, init) => new Promise((resolve, reject) => this.wire.push({ phone: p, page, path, init, resolve, reject })),
    }, Promise.resolve(/** @type {any} */ (page)));
    await write.sayWhatWasNoted(p.ctx);
    p.ctx.queue.nudge();
    await settle();
  }

  /** The page is gone; what was on its way to the server may still get there. */
  async kill(p) {
    p.page.dead = true;
    p.timers.clear();
    for (const waiting of this.wire.filter((r) => r.page === p.page)) {
      this.wire.splice(this.wire.indexOf(waiting), 1);
      if (this.chance.is(0.5)) this.late.push(waiting);
    }
    await settle();
    this.counts.killed += 1;
    await this.open(p);
  }

  /** The server does it. @param {{path: string, init: any}} request */
  async serve({ path, init }) {
    if (!this.once && init.method === "POST" && path.endsWith("/entries")) {
      // As a server without memory would: whatever comes is appended.
      const { said, digest, disclosures } = JSON.parse(init.body);
      const index = this.server.log.push({ said, digest, disclosures, kept: { at: "2026-11-25T13:02:12.000Z" } }) - 1;
      return answer(201, { id: said.id, index, digest, kept: this.server.log[index].kept, told: [], checkpoint: this.server.checkpoint() });
    }
    const response = await this.server.fetch(path, init);
    return answer(response.status, JSON.parse(await response.text()), response.headers.get("content-type") ?? "");
  }

  /** One request on the wire meets its fate. */
  async deliver() {
    const { chance, wire, counts } = this;
    if (wire.length === 0) return;
    // Any of them: what was sent first need not come first.
    const [request] = wire.splice(chance.below(wire.length), 1);
    const fate = this.bad ? chance.next() : 1;
    if (fate < 0.15) {
      counts.lost += 1;
      request.reject(new TypeError("lost on the way"));
    } else if (fate < 0.3) {
      counts.unanswered += 1;
      await this.serve(request);
      request.reject(new TypeError("the answer was lost"));
    } else if (fate < 0.33) {
      counts.foreign += 1;
      request.resolve(answer(200, { status: "ok" }));
    } else if (fate < 0.34) {
      counts.busy += 1;
      request.resolve(answer(503, { type: "/problems/busy", title: "busy", status: 503, detail: "Busy.", retry: "same" }, "application/problem+json"));
    } else if (fate < 0.37) {
      counts.foreign += 1;
      request.resolve({ ok: true, status: 200, redirected: false, headers: new Headers({ "Content-Type": "text/html" }), text: async () => "<html>Welcome</html>" });
    } else if (fate < 0.4) {
      counts.foreign += 1;
      request.resolve({ ok: false, status: 502, redirected: false, headers: new Headers({ "Content-Type": "text/html" }), text: async () => "<html>Bad gateway</html>" });
    } else if (fate < 0.46) {
      counts.late += 1;
      this.late.push(request);
      request.reject(new TypeError("given up; it comes later"));
    } else {
      if (fate < 0.55) {
        counts.twice += 1;
        await this.serve(request);
      }
      request.resolve(await this.serve(request));
    }
    await settle();
  }

  async deliverLate() {
    if (this.late.length === 0) return;
    const [request] = this.late.splice(this.chance.below(this.late.length), 1);
    await this.serve(request);
  }

  /** Time goes on for everybody, and what is due happens. */
  async tick(ms) {
    this.time += ms;
    for (const p of this.phones) {
      for (const timer of [...p.timers].filter((t) => t.at <= this.time)) {
        p.timers.delete(timer);
        timer.run();
      }
    }
    await settle();
  }

  /** Somebody does something on a phone. */
  async act(p) {
    const { chance } = this;
    const known = [...new Set([...p.disk.rows.entries.values()].map((r) => r.intake))];
    if (known.length === 0 || (known.length < 3 && chance.is(0.08))) {
      const intake = await write.openIntake(p.ctx, KIND_DIGEST, `${p.n}${String(this.said.length).padStart(4, "0")}`);
      return this.noted(p, intake);
    }
    const intake = chance.one(known);
    if (chance.is(0.25)) {
      const bytes = Uint8Array.from({ length: 24 }, () => chance.below(256));
      const file = /** @type {any} */ ({ size: 24, type: "image/jpeg", name: "a.jpg", arrayBuffer: async () => bytes.slice().buffer });
      const taken = await write.takePhoto(p.ctx, intake, file, { view: "front" });
      this.photos.push(taken.file);
      return this.noted(p, intake);
    }
    const facts = this.facts();
    // Sometimes the tab is closed in the instant of the tap.
    const saying = write.sayAll(p.ctx, intake, facts);
    if (chance.is(0.1)) {
      saying.catch(() => {});
      await this.kill(p);
    } else await saying;
    return this.noted(p, intake);
  }

  facts() {
    const { chance } = this;
    const word = () => chance.one(["Alder", "Fenn", "Birch", "Rowan"]);
    return Array.from({ length: 1 + chance.below(2) }, () => chance.one([
      () => ({ type: "machine-described", body: { field: chance.one(["make", "model", "serial"]), value: word(), from: "typed" } }),
      () => ({ type: "moved", body: { place: chance.one(["rack 1", "rack 2", "yard"]) } }),
      () => ({ type: "statement-made", body: { topic: "complaint", heard_by: RAVI }, personal: { text: word() } }),
      () => ({ type: "condition-noted", body: { line: chance.one(["0193b0e8-0000-7000-8000-0000000000c1", "0193b0e8-0000-7000-8000-0000000000c2"]), part: "hood", word: "cracked", photos: [] } }),
    ])());
  }

  /** What is on the phone now and was not before was said. */
  async noted(p, intake) {
    await settle();
    const before = new Set(this.said.map((s) => s.id));
    const rows = [...p.disk.rows.entries.values()].filter((r) => r.said.author.device === DEVICES[p.n] && !before.has(r.id)).sort((a, b) => a.seq - b.seq);
    if (rows.length === 0) throw new Error(`phone ${p.n} does not hold what was just done on ${intake}`);
    for (const r of rows) this.said.push({ phone: p.n, id: r.id, intake: r.intake });
  }

  /** Random steps, then a network that works, until nobody has anything to send or to fetch. @param {number} steps */
  async play(steps) {
    await this.begin();
    await this.act(this.phones[0]);
    for (let i = 0; i < steps; i += 1) {
      const p = this.chance.one(this.phones);
      const what = this.chance.next();
      if (what < 0.3) await this.act2(p);
      else if (what < 0.72) await this.deliver();
      else if (what < 0.8) await this.tick(this.chance.one([500, 2_000, 20_000]));
      else if (what < 0.86) this.fetch(p);
      else if (what < 0.91) await this.deliverLate();
      else if (what < 0.95) p.ctx.queue.nudge();
      else if (what < 0.98) await this.kill(p);
      else {
        p.skew += this.chance.one([-2, 2, -1 / 24]) * 86_400_000;
        this.counts.clocks += 1;
      }
      await settle();
    }
    this.bad = false;
    for (let round = 0; round < 400 && (this.late.length || this.wire.length || this.left()); round += 1) {
      while (this.late.length) await this.deliverLate();
      if (this.wire.length) await this.deliver();
      else await this.tick(61_000);
    }
    // Everybody looks at everything once more.
    const intakes = [...new Set(this.server.log.map((e) => e.said.intake))];
    for (const p of this.phones) {
      for (const intake of intakes) {
        const fetching = sync.fetchIntake(p.ctx, intake);
        for (let i = 0; i < 50 && this.wire.length === 0; i += 1) await settle();
        while (this.wire.length) await this.deliver();
        await fetching;
      }
    }
  }

  /** Phones that know nothing yet do nothing: they fetch. */
  async act2(p) {
    if (p.disk.rows.entries.size === 0 && this.server.log.length > 0) this.fetch(p);
    else await this.act(p);
  }

  fetch(p) {
    const intakes = [...new Set(this.server.log.map((e) => e.said.intake))];
    if (intakes.length) sync.fetchIntake(p.ctx, this.chance.one(intakes)).catch(() => {});
  }

  left() {
    return this.phones.reduce((n, p) => n + p.disk.rows.queue.size, 0);
  }

  /** What must hold in the end. @returns {string[]} what does not */
  faults() {
    const faults = [];
    if (this.left() > 0) faults.push(`${this.left()} items never left: ${JSON.stringify([...this.phones.flatMap((p) => [...p.disk.rows.queue.values()])].slice(0, 2))}`);
    const log = this.server.log.map((e) => e.said.id);
    const times = new Map();
    for (const id of log) times.set(id, (times.get(id) ?? 0) + 1);
    for (const { id, phone } of this.said) if (times.get(id) !== 1) faults.push(`an entry of phone ${phone} stands ${times.get(id) ?? 0} times in the log`);
    if (log.length !== this.said.length) faults.push(`${log.length} entries in the log for ${this.said.length} that were said`);
    for (const n of [0, 1, 2]) {
      for (const intake of new Set(this.said.map((s) => s.intake))) {
        const mine = this.said.filter((s) => s.phone === n && s.intake === intake).map((s) => s.id);
        const there = log.filter((id) => mine.includes(id));
        if (JSON.stringify(mine) !== JSON.stringify(there)) faults.push(`phone ${n}: another order in the log than it was said in`);
      }
    }
    for (const file of this.photos) if (!this.server.files.has(file.slice(7))) faults.push(`the bytes of ${file} never arrived`);
    const state = (entries) => {
      const folded = fold(entries);
      return JSON.stringify([folded, check(KIND, folded, "device")]);
    };
    for (const intake of new Set(this.server.log.map((e) => e.said.intake))) {
      const of = this.phones.map((p) => state(rowsToEntries(p.ctx, [...p.disk.rows.entries.values()].filter((r) => r.intake === intake))));
      if (new Set(of).size !== 1) faults.push(`the phones differ on ${intake}`);
    }
    if (this.phones.some((p) => p.disk.notes.size > 0)) faults.push("a note of something said was left");
    return [...new Set(faults)];
  }
}

/** @param {number} status @param {any} value */
function answer(status, value, type = "application/json") {
  return { ok: status < 300, status, redirected: false, headers: new Headers({ "Content-Type": type }), text: async () => JSON.stringify(value) };
}
