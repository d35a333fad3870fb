// What lies on a phone in the model: maps in the place of IndexedDB, with transactions that come one after the other and leave
// nothing behind when they fail or when their page is killed; and a shelf in the place of localStorage.

const KEYS = { entries: "id", files: "digest", file_bytes: "digest", queue: "key", kinds: "digest", words: "language", meta: "key", intakes: "id" };

/** A row as a store gives it back: another one. @param {any} row */
function copy(row) {
  if (row === null || typeof row !== "object") return row;
  if (row instanceof ArrayBuffer) return row.slice(0);
  if (Array.isArray(row)) return row.map(copy);
  const out = {};
  for (const name of Object.keys(row)) out[name] = copy(row[name]);
  return out;
}

/** What lies on a phone: it outlives the pages that open it. */
export class Disk {
  constructor() {
    this.rows = Object.fromEntries(Object.keys(KEYS).map((name) => [name, new Map()]));
    this.key = 0;
    this.last = Promise.resolve();
    this.notes = new Map();
    const { notes } = this;
    this.shelf = {
      get length() { return notes.size; },
      key: (i) => [...notes.keys()][i] ?? null, getItem: (k) => notes.get(k) ?? null, setItem: (k, v) => void notes.set(k, v), removeItem: (k) => void notes.delete(k),
    };
  }
}

/** One page's way to the disk; a page that was killed changes nothing any more. */
export class Page {
  constructor(disk) {
    this.disk = disk;
    this.dead = false;
  }
  read(_stores, work) {
    return this.#run(work);
  }
  write(_stores, work) {
    return this.#run(work);
  }
  /** One transaction after the other; what throws, or is killed on the way, leaves nothing behind. */
  #run(work) {
    const { disk } = this;
    const run = disk.last.then(async () => {
      if (this.dead) return undefined;
      const undo = [];
      try {
        const result = await work(new MapWork(disk, undo));
        if (!this.dead) return result;
      } catch (error) {
        for (const back of undo.reverse()) back();
        throw error;
      }
      for (const back of undo.reverse()) back();
      return undefined;
    });
    disk.last = run.then(() => {}, () => {});
    // A killed page hears of nothing.
    return run.then((r) => (this.dead ? new Promise(() => {}) : r));
  }
}

class MapWork {
  constructor(disk, undo) {
    this.disk = disk;
    this.undo = undo;
  }
  #set(store, key, row) {
    const map = this.disk.rows[store];
    const [had, old] = [map.has(key), map.get(key)];
    this.undo.push(() => (had ? map.set(key, old) : map.delete(key)));
    if (row === undefined) map.delete(key);
    else map.set(key, copy(row));
  }
  async get(store, key) {
    const row = this.disk.rows[store].get(key);
    return row && copy(row);
  }
  async all(store) {
    return copy([...this.disk.rows[store].values()]);
  }
  async keys(store) {
    return [...this.disk.rows[store].keys()];
  }
  async by(store, index, key) {
    return copy([...this.disk.rows[store].values()].filter((r) => (Array.isArray(r[index]) ? r[index].includes(key) : r[index] === key)));
  }
  async put(store, row) {
    this.#set(store, row[KEYS[store]], row);
  }
  async enqueue(row, order) {
    const key = ++this.disk.key;
    this.#set("queue", key, { ...row, key, order: order ?? key });
    return key;
  }
  async remove(store, key) {
    this.#set(store, key, undefined);
  }
  async meta(key) {
    return (await this.get("meta", key))?.value;
  }
  async setMeta(key, value) {
    this.#set("meta", key, value === undefined ? undefined : { key, value });
  }
  async next(name) {
    const value = Number((await this.meta(name)) ?? 0) + 1;
    await this.setMeta(name, value);
    return value;
  }
}
