// The local store: IndexedDB, a promise a transaction. A promise resolves only when the transaction is complete; request
// errors, transaction errors and aborts all reject it, and a full phone is named as such.
// @ts-check

import { Trouble, trouble } from "./trouble.js";

/** @import {Said, Kept, Sentence, Kind, Problem, Json} from "./types.js" */

/**
 * An entry as kept here. `seq` is its local order; `index`, `kept` and `bytes` come with the server's answer. `refused` stands
 * while its queue item is refused, `aside` when it was set aside: both keep it out of the state.
 * @typedef {{id: string, shop: string, intake: string, seq: number, said: Said, text: string, digest: string, disclosures: string[],
 *   index?: number, kept?: Kept, bytes?: string, told?: Sentence[], measured?: {offset_ms: number, round_trip_ms: number}, refused?: boolean, aside?: boolean}} EntryRow
 *
 *   `measured`: the clock as measured last before it was said.
 *
 * A file: what is known of it. Its bytes stand apart so that reading this stays light.
 * @typedef {{digest: string, shop: string, intake: string, size: number, mime: string, name?: string, of: "photo" | "sheet" | "strokes",
 *   photos: string[], stored_at?: number, bytes_here: boolean, taken_at: number, judged?: any, film_ms?: number}} FileRow
 *   `film_ms`: a film's length as its header says. `judged` is the judgement that rode in the answer to the upload, until its entry is here.
 *
 * @typedef {{digest: string, bytes: ArrayBuffer, size?: number}} BytesRow   `size`: of the whole, where it lies in pieces (`kept.js`)
 *
 * What waits to be sent. `order` is its place; `after` the id of the entry that must be kept first.
 * @typedef {{key: number, order: number, shop: string, intake: string, what: "entry" | "file", id: string, type: string, after?: string,
 *   staff: string, device: string, state: "waiting" | "sending" | "refused" | "aside", tries: number, not_before: number, size?: number, photo?: string, problem?: Problem}} QueueRow
 *
 * @typedef {{digest: string, kind: Kind}} KindRow
 * @typedef {{language: string, digest: string, bytes: ArrayBuffer}} WordsRow
 * @typedef {{key: string, value: any}} MetaRow
 * @typedef {{id: string, shop: string, revision: number, opened: number, tag: string, state: string, summary: any}} IntakeRow
 *
 * @typedef {{entries: EntryRow, files: FileRow, file_bytes: BytesRow, queue: QueueRow, kinds: KindRow, words: WordsRow, meta: MetaRow, intakes: IntakeRow}} Rows
 * @typedef {keyof Rows} StoreName
 */

const VERSION = 1;

/** @param {IDBDatabase} db */
function layOut(db) {
  db.createObjectStore("entries", { keyPath: "id" }).createIndex("intake", "intake");
  db.createObjectStore("files", { keyPath: "digest" }).createIndex("photos", "photos", { multiEntry: true });
  db.createObjectStore("file_bytes", { keyPath: "digest" });
  db.createObjectStore("queue", { keyPath: "key", autoIncrement: true });
  db.createObjectStore("kinds", { keyPath: "digest" });
  db.createObjectStore("words", { keyPath: "language" });
  db.createObjectStore("meta", { keyPath: "key" });
  db.createObjectStore("intakes", { keyPath: "id" }).createIndex("shop", "shop");
}

/** Names what IndexedDB threw. @param {unknown} error @returns {Trouble} */
function named(error) {
  if (error instanceof Trouble) return error;
  const name = error instanceof Error || error instanceof DOMException ? error.name : "";
  return trouble(name === "QuotaExceededError" ? "no-space" : "store-failed", { cause: error });
}

/** The promise of one request, for use inside a transaction. @template T @param {IDBRequest<T>} request @returns {Promise<T>} */
export function got(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/** One transaction's stores, typed. */
export class Work {
  /** @param {IDBTransaction} tx */
  constructor(tx) {
    this.tx = tx;
  }
  /** @template {StoreName} S @param {S} store @param {IDBValidKey} key @returns {Promise<Rows[S] | undefined>} */
  get(store, key) {
    return got(this.tx.objectStore(store).get(key));
  }
  /** @template {StoreName} S @param {S} store @returns {Promise<Rows[S][]>} */
  all(store) {
    return got(this.tx.objectStore(store).getAll());
  }
  /** @param {StoreName} store @returns {Promise<string[]>} */
  async keys(store) {
    return (await got(this.tx.objectStore(store).getAllKeys())).map(String);
  }
  /** @template {StoreName} S @param {S} store @param {string} index @param {IDBValidKey} key @returns {Promise<Rows[S][]>} */
  by(store, index, key) {
    return got(this.tx.objectStore(store).index(index).getAll(key));
  }
  /** @template {StoreName} S @param {S} store @param {Rows[S]} row @returns {Promise<IDBValidKey>} */
  put(store, row) {
    return got(this.tx.objectStore(store).put(row));
  }
  /** Adds a queue row; its key is given by the store. @param {Omit<QueueRow, "key" | "order">} row @param {number} [order] @returns {Promise<number>} */
  async enqueue(row, order) {
    const store = this.tx.objectStore("queue");
    const key = Number(await got(store.add({ ...row, order: 0 })));
    await got(store.put({ ...row, key, order: order ?? key }));
    return key;
  }
  /** @param {StoreName} store @param {IDBValidKey} key @returns {Promise<undefined>} */
  remove(store, key) {
    return got(this.tx.objectStore(store).delete(key));
  }
  /** A value of `meta`. @param {string} key @returns {Promise<any>} */
  async meta(key) {
    return (await this.get("meta", key))?.value;
  }
  /** @param {string} key @param {Json | undefined} value */
  async setMeta(key, value) {
    await (value === undefined ? this.remove("meta", key) : this.put("meta", { key, value }));
  }
  /** The next number of a local sequence. @param {string} name @returns {Promise<number>} */
  async next(name) {
    const value = Number((await this.meta(name)) ?? 0) + 1;
    await this.setMeta(name, value);
    return value;
  }
}

/** The store over an open database. */
export class Store {
  /** @param {IDBDatabase} db @param {() => Promise<IDBDatabase>} [reopen] where a system takes the connection of a sleeping page away */
  constructor(db, reopen) {
    this.db = db;
    this.reopen = reopen;
    /** Closed by us, or for a newer version: it stays so. */
    this.shut = false;
    /** @type {Promise<void> | undefined} */
    this.reopening = undefined;
    this.#attend();
  }

  #attend() {
    // A newer version in another tab goes first; this page asks for a reload at its next use.
    this.db.onversionchange = () => this.close();
  }

  /** Opens it again, once for all who wait. @param {() => Promise<IDBDatabase>} reopen @returns {Promise<void>} */
  #again(reopen) {
    this.reopening ??= reopen().then((db) => {
      this.db = db;
      this.#attend();
    }).finally(() => {
      this.reopening = undefined;
    });
    return this.reopening;
  }

  /**
   * @template T
   * @param {StoreName[]} stores
   * @param {(work: Work) => Promise<T>} work waits for nothing but its own transaction
   * @returns {Promise<T>}
   */
  read(stores, work) {
    return this.#run(stores, "readonly", work, this.reopen);
  }

  /**
   * Writes; resolves when it is on disk.
   * @template T
   * @param {StoreName[]} stores
   * @param {(work: Work) => Promise<T>} work waits for nothing but its own transaction; throwing undoes it all
   * @returns {Promise<T>}
   */
  write(stores, work) {
    return this.#run(stores, "readwrite", work, this.reopen);
  }

  /**
   * @template T
   * @param {StoreName[]} stores @param {IDBTransactionMode} mode @param {(work: Work) => Promise<T>} work
   * @param {(() => Promise<IDBDatabase>) | undefined} reopen tried once, when the connection is gone
   * @returns {Promise<T>}
   */
  #run(stores, mode, work, reopen) {
    return new Promise((resolve, reject) => {
      /** @type {IDBTransaction} */
      let tx;
      try {
        tx = this.db.transaction(stores, mode, { durability: "strict" });
      } catch (error) {
        if (this.shut || !reopen) reject(trouble("store-blocked", { cause: error }));
        else this.#again(reopen).then(() => this.#run(stores, mode, work, undefined)).then(resolve, reject);
        return;
      }
      /** @type {{value: T} | undefined} */
      let result;
      /** @type {unknown} */
      let failed;
      const fail = () => reject(named(failed ?? tx.error));
      tx.oncomplete = () => (result ? resolve(result.value) : fail());
      tx.onerror = () => {
        failed ??= tx.error;
      };
      tx.onabort = fail;
      work(new Work(tx)).then(
        (value) => {
          result = { value };
        },
        (error) => {
          failed ??= error;
          try {
            tx.abort();
          } catch {
            // It was aborted or is over already: say what failed.
            fail();
          }
        },
      );
    });
  }

  close() {
    this.shut = true;
    this.db.close();
  }
}

/**
 * Opens the store, laying it out at first.
 * @param {IDBFactory | undefined} factory
 * @param {string} [name]
 * @returns {Promise<Store>}
 */
export async function openDatabase(factory, name = "counterfoil") {
  const connect = () => connection(factory, name);
  return new Store(await connect(), connect);
}

/** @param {IDBFactory | undefined} factory @param {string} name @returns {Promise<IDBDatabase>} */
function connection(factory, name) {
  return new Promise((resolve, reject) => {
    if (!factory) {
      reject(trouble("no-store"));
      return;
    }
    try {
      const request = factory.open(name, VERSION);
      request.onupgradeneeded = () => layOut(request.result);
      request.onblocked = () => reject(trouble("store-blocked"));
      request.onerror = () => reject(trouble(request.error?.name === "VersionError" ? "store-newer" : "no-store", { cause: request.error }));
      request.onsuccess = () => resolve(request.result);
    } catch (error) {
      // Some browsers throw at once in private browsing.
      reject(trouble("no-store", { cause: error }));
    }
  });
}
