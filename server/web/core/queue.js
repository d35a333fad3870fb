// The queue: what was said and photographed goes to the server, in order, once there is one.
//
// 1. An item is marked `sending`, and leaves the queue only after a 2xx whose body repeats our digest, in the transaction
//    that notes the server's part.
// 2. Entries of an intake go in order; a file goes after the entry that names it; `taken-in` and what else the server judges the whole record for wait for everything before them.
// 3. A problem's `retry` decides: same → again later, with growing, scattered waits; later → when the server says;
//    changed, never → refused: kept, shown, and the rest moves on. No status is taken for success by itself.
// 4. One tab sends (Web Locks, else a lease). Sending twice changes nothing, so a lost lock is no harm.
// @ts-check

import { base64, fromHex } from "./bytes.js";
import { digestOf } from "./sha256.js";
import { Trouble, trouble } from "./trouble.js";
import { patienceFor } from "./transport.js";

/** @import {Store, Work, QueueRow, EntryRow} from "./store.js" */
/** @import {Transport} from "./transport.js" */
/** @import {Problem} from "./types.js" */

/** @typedef {"entry" | "file"} Lane */

/**
 * @typedef {{
 *   store: Store, transport: Transport, now: () => number, chance: () => number,
 *   after: (ms: number, run: () => void) => () => void,
 *   session: () => {shop: string, staff: string, device: string} | null,
 *   locks?: LockManager, holder: string,
 *   changed: (intake: string | null) => void, sent: (row: QueueRow) => void,
 * }} Parts
 *   `chance` gives 0 ≤ x < 1; `holder` names this tab; `changed` is told whose items changed, `sent` what the server has now.
 */

const STORES = /** @type {const} */ (["queue", "entries", "files", "file_bytes", "meta"]);
const LOCK = "counterfoil-queue";
/** Longest wait between tries, and the wait after everything was stopped by the server, milliseconds. */
const LONGEST = 60_000;
/** Problems that say nothing about the item: everything waits, nothing is refused. */
const STOPS = ["not-signed-in", "history-behind", "client-too-old", "not-secure"];

export class Queue {
  /** @param {Parts} parts */
  constructor(parts) {
    this.parts = parts;
    /** Why nothing is sent just now. @type {Problem | undefined} */
    this.paused = undefined;
    /** Share sent of a file under way, by queue key. @type {Map<number, number>} */
    this.progress = new Map();
    /** @type {Promise<void> | null} */
    this.running = null;
    this.again = false;
    /** Nothing goes out before this time (server busy, no network). */
    this.holdUntil = 0;
    this.failures = 0;
    /** @type {(() => void) | null} */
    this.timer = null;
  }

  /** Someone is back (signed in, online, tapped "try now"): waits are over. @returns {Promise<void>} */
  nudge() {
    // A run that is under way may still find the old trouble: what it holds back is let go after it.
    if (this.running) return this.running.then(() => this.nudge());
    this.holdUntil = 0;
    this.failures = 0;
    this.paused = undefined;
    return this.drain(true);
  }

  /**
   * Sends what can be sent now. Resolves when nothing more can be; sets a timer for what must wait.
   * @param {boolean} [eager] also what was waiting for another try
   * @returns {Promise<void>}
   */
  drain(eager = false) {
    if (this.running) {
      this.again = true;
      return this.running;
    }
    this.running = this.#single(async () => {
      await this.#recover(eager);
      do {
        this.again = false;
        // Two lanes: a large photo on a weak signal must not hold up what was typed.
        await Promise.all([this.#lane("entry"), this.#lane("file")]);
      } while (this.again);
    }).catch((error) => {
      this.paused = (error instanceof Trouble ? error : trouble("store-failed", { cause: error })).problem;
    }).finally(async () => {
      this.running = null;
      await this.#wake();
    });
    return this.running;
  }

  /** Runs when no other tab does. @param {() => Promise<void>} work @returns {Promise<void>} */
  async #single(work) {
    const { locks, store, holder, now } = this.parts;
    if (locks) {
      await locks.request(LOCK, { ifAvailable: true }, async (lock) => {
        if (lock) await work();
      });
      return;
    }
    if (!(await this.#lease(now() + patienceFor(0)))) return;
    await work();
    await store.write(["meta"], async (w) => {
      if ((await w.meta("lease"))?.holder === holder) await w.setMeta("lease", undefined);
    });
  }

  /** Takes or extends the lease; false when another tab has it. @param {number} until @returns {Promise<boolean>} */
  #lease(until) {
    const { store, holder, now } = this.parts;
    return store.write(["meta"], async (w) => {
      const held = await w.meta("lease");
      if (held && held.holder !== holder && held.until > now()) return false;
      await w.setMeta("lease", { holder, until });
      return true;
    });
  }

  /** What a tab left `sending` when it was closed waits again. @param {boolean} eager */
  async #recover(eager) {
    await this.parts.store.write(["queue"], async (w) => {
      for (const row of await w.all("queue")) {
        const waits = eager && row.state === "waiting" && row.not_before > 0;
        if (row.state === "sending" || waits) await w.put("queue", { ...row, state: "waiting", not_before: 0 });
      }
    });
  }

  /** @param {Lane} lane */
  async #lane(lane) {
    for (;;) {
      if (this.paused || this.holdUntil > this.parts.now()) return;
      const row = await this.#take(lane);
      if (!row) return;
      this.parts.changed(row.intake);
      try {
        await (lane === "entry" ? this.#sendEntry(row) : this.#sendFile(row));
        this.failures = 0;
        // An entry that is kept may be what a file, or the entry behind it, was waiting for.
        this.again = true;
      } catch (error) {
        await this.#failed(row, error instanceof Trouble ? error : trouble("store-failed", { cause: error }));
      }
      this.progress.delete(row.key);
      this.parts.changed(row.intake);
    }
  }

  /** Marks the next item that may go as sending. @param {Lane} lane @returns {Promise<QueueRow | undefined>} */
  #take(lane) {
    const { store, now, session } = this.parts;
    const who = session();
    if (!who) return Promise.resolve(undefined);
    return store.write(["queue"], async (w) => {
      const rows = (await w.all("queue")).filter((r) => r.shop === who.shop).sort((a, b) => a.order - b.order);
      const row = rows.find((r) => r.what === lane && mayGo(r, rows, who, now()));
      if (!row) return undefined;
      const sending = /** @type {QueueRow} */ ({ ...row, state: "sending", tries: row.tries + 1 });
      await w.put("queue", sending);
      return sending;
    });
  }

  /** @param {QueueRow} row */
  async #sendEntry(row) {
    const { store, transport } = this.parts;
    const entry = await store.read(["entries"], (w) => w.get("entries", row.id));
    if (!entry) throw trouble("file-gone");
    const { said, digest, disclosures } = entry;
    const measured = transport.measured;
    await this.#extend(0);
    const { json } = await transport.send("POST", `/v1/shops/${row.shop}/entries`, {
      json: { said, digest, disclosures, ...(measured ? { measured } : {}) },
    });
    if (json?.digest !== digest || !Number.isSafeInteger(json.index)) throw trouble("not-the-server");
    await this.#done(row, async (w) => {
      const now = await w.get("entries", row.id);
      if (now) await w.put("entries", { ...now, index: json.index, kept: json.kept, told: json.told ?? [], refused: false });
    });
  }

  /** @param {QueueRow} row */
  async #sendFile(row) {
    const { store, transport, now, changed } = this.parts;
    const kept = await store.read(["file_bytes"], (w) => w.get("file_bytes", row.id));
    if (!kept) throw trouble("file-gone");
    if (digestOf(new Uint8Array(kept.bytes)) !== row.id) throw trouble("file-changed");
    const hex = row.id.slice("sha256:".length);
    await this.#extend(kept.bytes.byteLength);
    const answer = await transport.put(
      `/v1/shops/${row.shop}/files/${hex}`, kept.bytes, { "Content-Digest": `sha-256=:${base64(fromHex(hex))}:` },
      (share) => {
        this.progress.set(row.key, share);
        changed(row.intake);
      });
    if (answer.json?.digest !== row.id) throw trouble("not-the-server");
    await this.#done(row, async (w) => {
      const file = await w.get("files", row.id);
      if (file) await w.put("files", { ...file, stored_at: now(), ...(answer.json.judged ? { judged: answer.json.judged } : {}) });
    });
  }

  /** @param {number} bytes */
  async #extend(bytes) {
    if (!this.parts.locks) await this.#lease(this.parts.now() + patienceFor(bytes));
  }

  /** Out of the queue, and what the server said noted, in one transaction. @param {QueueRow} row @param {(w: Work) => Promise<void>} note */
  async #done(row, note) {
    const { store, transport } = this.parts;
    await store.write([...STORES], async (w) => {
      await note(w);
      await w.remove("queue", row.key);
      if (transport.checkpoint) await w.setMeta(`checkpoint:${row.shop}`, transport.checkpoint);
    });
    this.parts.sent(row);
  }

  /** @param {QueueRow} row @param {Trouble} error */
  async #failed(row, { problem }) {
    const { store, now, chance } = this.parts;
    const slug = problem.type.replace(/^.*\/problems\//, "");
    const wait = () => Math.round(Math.min(LONGEST, 1000 * 2 ** Math.min(row.tries - 1, 6)) * (0.5 + chance() / 2));
    const device = slug.startsWith("device/");
    if (STOPS.includes(slug)) {
      this.paused = problem;
      await this.#back(row, 0);
    } else if (problem.retry === "later") {
      this.holdUntil = now() + 1000 * (problem.after_s ?? 5);
      await this.#back(row, 0);
    } else if (problem.retry === "same" && device) {
      // No network: nothing else would come through either.
      this.failures += 1;
      this.holdUntil = now() + Math.round(Math.min(LONGEST, 1000 * 2 ** Math.min(this.failures - 1, 6)) * (0.5 + chance() / 2));
      await this.#back(row, 0);
    } else if (problem.retry === "same") {
      await this.#back(row, now() + wait());
    } else {
      await store.write(["queue", "entries"], async (w) => {
        await w.put("queue", { ...row, state: "refused", problem });
        const entry = row.what === "entry" ? await w.get("entries", row.id) : undefined;
        if (entry) await w.put("entries", { ...entry, refused: true });
      });
    }
  }

  /** Waits again. @param {QueueRow} row @param {number} notBefore */
  #back(row, notBefore) {
    return this.parts.store.write(["queue"], (w) => w.put("queue", { ...row, state: "waiting", not_before: notBefore }));
  }

  /** Sets the one timer for the earliest item that may go again. */
  async #wake() {
    const { store, now, after, session } = this.parts;
    this.timer?.();
    this.timer = null;
    const who = session();
    const rows = await store.read(["queue"], (w) => w.all("queue")).catch(() => []);
    const open = rows.filter((r) => r.shop === who?.shop && (r.state === "waiting" || r.state === "sending"));
    this.parts.changed(null);
    if (!who || open.length === 0 || this.paused?.type === "/problems/not-signed-in") return;
    const first = Math.min(...open.map((r) => r.not_before));
    // A pause by the server is tried again by itself; another tab may hold the lock: look again soon.
    const at = this.paused ? now() + LONGEST : Math.max(first, this.holdUntil, now() + 2_000);
    this.timer = after(at - now(), () => {
      this.timer = null;
      this.paused = undefined;
      this.drain();
    });
  }
}

/** What the server judges the whole record for: it waits for every entry and file before it. */
const WAITS = ["taken-in", "opened-up", "handed-back"];

/**
 * Whether an item may go now: its turn in its intake, its author signed in here, its wait over.
 * @param {QueueRow} row @param {QueueRow[]} rows of the shop, in order @param {{staff: string, device: string}} who @param {number} now
 * @returns {boolean}
 */
export function mayGo(row, rows, who, now) {
  if (row.state !== "waiting" || row.not_before > now) return false;
  // Only its author may send what was said; bytes may be sent by anyone of the shop.
  if (row.what === "entry" && (row.staff !== who.staff || row.device !== who.device)) return false;
  // What it waits for may be said of another intake: a photo comes only after it was moved.
  if (row.after !== undefined && rows.some((r) => r.id === row.after && r.what === "entry" && r.state !== "aside")) return false;
  const before = rows.filter((r) => r.intake === row.intake && r.order < row.order && r.state !== "aside");
  return before.every((b) => {
    // Without its opening the server knows no such intake: everything of it waits until that is settled.
    if (b.type === "intake-opened") return false;
    if (b.state === "refused") return true;
    if (row.type !== undefined && WAITS.includes(row.type)) return false;
    // What waits for another person to sign in holds up nobody else.
    const theirs = b.what === "entry" && (b.staff !== who.staff || b.device !== who.device);
    return theirs || b.what !== row.what;
  });
}

/** An item as pages see it. @param {QueueRow} row @param {Map<number, number>} progress @returns {import("./app.js").QueueItem} */
export function itemOf(row, progress) {
  const share = progress.get(row.key);
  return {
    key: row.key, intake: row.intake, what: row.what, type: row.type, digest: row.id, tries: row.tries,
    state: row.state === "aside" ? "refused" : row.state,
    ...(row.photo ? { photo: row.photo } : {}),
    ...(row.size ? { size: row.size } : {}),
    ...(row.not_before ? { not_before: row.not_before } : {}),
    ...(row.problem ? { problem: row.problem } : {}),
    ...(row.state === "sending" && share !== undefined ? { percent: Math.round(share * 100) } : {}),
  };
}
