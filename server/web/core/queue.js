// The queue: what was said and photographed goes to the server, in order, once there is one.
//
// 1. An item is marked `sending`, and leaves the queue only after a 2xx whose body repeats our digest, in the transaction
//    that notes the server's part.
// 2. Entries of an intake go in order; a file goes after the entry that names it; `taken-in` and what else the server judges the
//    whole record for wait for everything before them but films, which fill nothing: those go when no photo waits, and let one
//    pass between two of their parts.
// 3. A problem's `retry` decides: same → again later, with growing, scattered waits; later → when the server says;
//    changed, never → refused: kept, shown, and the rest moves on. No status is taken for success by itself.
// 4. One tab sends (Web Locks, else a lease). Sending twice changes nothing, so a lost lock is no harm.
// @ts-check

import { base64, fromHex } from "./bytes.js";
import { covering } from "./clock.js";
import { kept } from "./kept.js";
import { FIRST, WHOLE, sendParts } from "./parts.js";
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
 *   session: () => {shop: string, staff: string, device: string} | null, held?: () => Problem | undefined,
 *   locks?: LockManager, holder: string,
 *   changed: (intake: string | null) => void, sent: (row: QueueRow) => void,
 * }} Parts
 *   `chance` gives 0 ≤ x < 1; `held` says why nothing may go at all; `holder` names this tab; `changed` is told whose items changed, `sent` what the server has now.
 */

const STORES = /** @type {const} */ (["queue", "entries", "files", "file_bytes", "meta"]);
const LOCK = "counterfoil-queue";
/** Longest wait between tries, and the wait after everything was stopped by the server, milliseconds. */
const LONGEST = 60_000;
/** Longest wait that a server may ask for. A moment farther off stands there because the clock was set back: it is over. */
const LONGEST_ASKED = 3_600_000;
/** Longest time that a tab has the lease. */
const LONGEST_LEASE = 4 * 3_600_000;
/** Problems that say nothing about the item: everything waits, nothing is refused. */
const STOPS = ["not-signed-in", "code-due", "history-behind", "client-too-old", "not-secure"];

/** Whether a moment is still ahead, by a clock that may have been set. @param {number} until @param {number} now @param {number} longest */
const ahead = (until, now, longest) => until > now && until - now <= longest;

export class Queue {
  /** @param {Parts} parts */
  constructor(parts) {
    this.parts = parts;
    /** Why nothing is sent just now. @type {Problem | undefined} */
    this.paused = undefined;
    /** Share sent of a file under way, by queue key. @type {Map<number, number>} */
    this.progress = new Map();
    /** Bytes a part of a large file, by what the line carried last. */
    this.pace = { part: FIRST };
    /** @type {Promise<void> | null} */
    this.running = null;
    /** Somebody was back while it ran. @type {Promise<void> | undefined} */
    this.nudged = undefined;
    this.again = false;
    /** Something was said while files go: they let it pass. */
    this.fresh = false;
    /** Nothing goes out before this time (server busy, no network). */
    this.holdUntil = 0;
    this.failures = 0;
    /** @type {(() => void) | null} */
    this.timer = null;
  }

  /** Someone is back (signed in, online, tapped "try now"): waits are over. @returns {Promise<void>} */
  nudge() {
    // A run that is under way may still find the old trouble: what it holds back is let go after it.
    if (this.running) {
      this.nudged ??= this.running.then(() => {
        this.nudged = undefined;
        return this.nudge();
      });
      return this.nudged;
    }
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
      this.fresh = true;
      return this.running;
    }
    this.running = this.#single(async () => {
      await this.#recover(eager);
      do {
        this.again = false;
        this.fresh = false;
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
      if (held && held.holder !== holder && ahead(held.until, now(), LONGEST_LEASE)) return false;
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
      this.paused ??= this.parts.held?.();
      if (this.paused || ahead(this.holdUntil, this.parts.now(), LONGEST_ASKED)) return;
      if (lane === "file" && this.fresh) return;
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
      const row = next(lane, await w.all("queue"), who, now());
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
    const measured = covering(entry.measured, transport.measured);
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
    const file = await kept(store, row.id);
    if (!file) throw trouble("file-gone");
    if ((await file.hashed()) !== row.id) throw trouble("file-changed");
    const hex = row.id.slice("sha256:".length);
    const path = `/v1/shops/${row.shop}/files/${hex}`;
    const progress = (/** @type {number} */ share) => {
      this.progress.set(row.key, share);
      changed(row.intake);
    };
    const begins = (/** @type {number} */ bytes) => this.#extend(bytes);
    await begins(Math.min(file.size, WHOLE));
    const answer = file.size > WHOLE
      ? await sendParts(transport, path, file, { pace: this.pace, begins, progress, goesOn: () => this.#first(row) })
      : await transport.put(path, await file.read(0, file.size), { "Content-Digest": `sha-256=:${base64(fromHex(hex))}:` }, progress);
    if (!answer) return this.#back(row, 0);
    if (answer.json?.digest !== row.id) throw trouble("not-the-server");
    await this.#done(row, async (w) => {
      const file = await w.get("files", row.id);
      if (file) await w.put("files", { ...file, stored_at: now(), ...(answer.json.judged ? { judged: answer.json.judged } : {}) });
    });
  }

  /** Whether it is still what would go first: a photo passes a film, and what was stopped stops. @param {QueueRow} row @returns {Promise<boolean>} */
  async #first(row) {
    const { store, now, session, held } = this.parts;
    const who = session();
    this.paused ??= held?.();
    if (!who || this.paused || this.fresh) return false;
    const rows = await store.read(["queue"], (w) => w.all("queue"));
    return next("file", rows.map((r) => (r.key === row.key ? { ...r, state: /** @type {const} */ ("waiting"), not_before: 0 } : r)), who, now())?.key === row.key;
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
      this.holdUntil = now() + Math.min(LONGEST_ASKED, 1000 * (problem.after_s ?? 5));
      await this.#back(row, 0);
    } else if (problem.retry === "same" && device) {
      // No network: nothing else would come through either.
      this.failures += 1;
      this.holdUntil = now() + Math.round(Math.min(LONGEST, 1000 * 2 ** Math.min(this.failures - 1, 6)) * (0.5 + chance() / 2));
      await this.#back(row, 0);
    } else if (problem.retry === "same" || settles(problem)) {
      await this.#back(row, now() + wait());
    } else {
      await store.write(["queue", "entries"], async (w) => {
        // What was erased meanwhile is not kept either.
        if (!(await w.get("queue", row.key))) return;
        await w.put("queue", { ...row, state: "refused", problem });
        const entry = row.what === "entry" ? await w.get("entries", row.id) : undefined;
        if (entry) await w.put("entries", { ...entry, refused: true });
      });
    }
  }

  /** Waits again. @param {QueueRow} row @param {number} notBefore */
  #back(row, notBefore) {
    return this.parts.store.write(["queue"], async (w) => {
      // What was erased meanwhile is not sent any more.
      if (await w.get("queue", row.key)) await w.put("queue", { ...row, state: "waiting", not_before: notBefore });
    });
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
    this.timer = after(Math.min(at - now(), LONGEST_ASKED), () => {
      this.timer = null;
      this.paused = undefined;
      this.drain();
    });
  }
}

/** Whether all that was missing is the server's own look at photos it holds: that comes by itself. @param {Problem} problem */
const settles = ({ gaps = [] }) => gaps.length > 0 && gaps.every((g) => g.key === "gap.view.waiting");

/**
 * The next item of a lane that may go: films after all photos.
 * @param {Lane} lane @param {QueueRow[]} all @param {{shop: string, staff: string, device: string}} who @param {number} now
 * @returns {QueueRow | undefined}
 */
function next(lane, all, who, now) {
  const rows = all.filter((r) => r.shop === who.shop).sort((a, b) => a.order - b.order);
  const may = rows.filter((r) => r.what === lane && mayGo(r, rows, who, now));
  return may.find((r) => r.type !== "film") ?? may[0];
}

/** What the server judges the whole record for: it waits for every entry and file before it. */
const WAITS = ["taken-in", "opened-up", "handed-back"];

/**
 * Whether an item may go now: its turn in its intake, its author signed in here, its wait over.
 * @param {QueueRow} row @param {QueueRow[]} rows of the shop, in order @param {{staff: string, device: string}} who @param {number} now
 * @returns {boolean}
 */
export function mayGo(row, rows, who, now) {
  if (row.state !== "waiting" || ahead(row.not_before, now, LONGEST)) return false;
  // Only its author may send what was said; bytes may be sent by anyone of the shop.
  if (row.what === "entry" && (row.staff !== who.staff || row.device !== who.device)) return false;
  // What it waits for may be said of another intake: a photo comes only after it was moved.
  if (row.after !== undefined && rows.some((r) => r.id === row.after && r.what === "entry" && r.state !== "aside")) return false;
  const before = rows.filter((r) => r.intake === row.intake && r.order < row.order && r.state !== "aside");
  return before.every((b) => {
    // Without its opening the server knows no such intake: everything of it waits until that is settled.
    if (b.type === "intake-opened") return false;
    if (b.state === "refused") return true;
    // A film fills nothing: no photo and no acceptance waits for it.
    if (b.what === "file" && b.type === "film" && row.type !== "film") return true;
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
