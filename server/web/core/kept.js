// Bytes of files on this device. A large one lies there in pieces, so that no more than one piece is ever in memory: its first
// piece under its digest, with the size of the whole, the others under `<digest>/<offset>`. The first is written last: where it
// stands, the whole stands.
// @ts-check

import { hex } from "./bytes.js";
import { Sha256 } from "./sha256.js";
import { trouble } from "./trouble.js";

/** @import {Store, Work} from "./store.js" */

/** A file of more bytes lies in pieces of so many. */
export const PIECE = 4 * 1024 * 1024;
/** @param {string} digest @param {number} at */
const keyOf = (digest, at) => (at === 0 ? digest : `${digest}/${at}`);
/** @param {number} size @param {number} step */
const offsets = (size, step = PIECE) => Array.from({ length: Math.max(1, Math.ceil(size / step)) }, (_, i) => i * step);

/** A file whose bytes are here, read a piece at a time. */
export class Kept {
  /** @param {Store} store @param {string} digest @param {ArrayBuffer} first @param {number} size */
  constructor(store, digest, first, size) {
    this.store = store;
    this.digest = digest;
    this.size = size;
    /** Length of a piece: of all of it, as older versions kept it. */
    this.step = first.byteLength;
    this.held = { at: 0, bytes: first };
  }

  /** The piece that begins there. Fails with `file-gone`. @param {number} at @returns {Promise<ArrayBuffer>} */
  async piece(at) {
    if (this.held.at !== at) {
      const row = await this.store.read(["file_bytes"], (w) => w.get("file_bytes", keyOf(this.digest, at)));
      if (!row) throw trouble("file-gone");
      this.held = { at, bytes: row.bytes };
    }
    return this.held.bytes;
  }

  /** @param {number} from @param {number} to @returns {Promise<ArrayBuffer>} */
  async read(from, to) {
    const out = new Uint8Array(to - from);
    for (let at = from; at < to;) {
      const start = at - (at % this.step);
      const some = new Uint8Array(await this.piece(start)).subarray(at - start, to - start);
      if (some.length === 0) throw trouble("file-changed");
      out.set(some, at - from);
      at += some.length;
    }
    return out.buffer;
  }

  /** What the bytes hash to, whatever they should. @returns {Promise<string>} */
  async hashed() {
    const hash = new Sha256();
    for (const at of offsets(this.size, this.step || PIECE)) hash.update(new Uint8Array(await this.piece(at)));
    return `sha256:${hex(hash.digest())}`;
  }

  /** @param {string} mime @returns {Promise<Blob>} */
  async blob(mime) {
    const pieces = [];
    // Each is a Blob of its own: a browser may lay those aside.
    for (const at of offsets(this.size, this.step || PIECE)) pieces.push(new Blob([await this.piece(at)]));
    return new Blob(pieces, { type: mime });
  }
}

/** The bytes under a digest, if they are here. @param {Store} store @param {string} digest @returns {Promise<Kept | undefined>} */
export async function kept(store, digest) {
  const row = await store.read(["file_bytes"], (w) => w.get("file_bytes", digest));
  return row && new Kept(store, digest, row.bytes, row.size ?? row.bytes.byteLength);
}

/**
 * Keeps a file's bytes, reads them back and compares: nothing says that something was taken which the phone does not hold.
 * @param {Store} store @param {Blob} file @returns {Promise<{digest: string, size: number}>}
 */
export async function keep(store, file) {
  const small = file.size <= PIECE;
  const piece = (/** @type {number} */ at) => (small ? file : file.slice(at, at + PIECE)).arrayBuffer().catch((cause) => {
    throw trouble("file-gone", { cause, retry: "same" });
  });
  const only = small ? await piece(0) : undefined;
  const size = only?.byteLength ?? file.size;
  if (size === 0) throw trouble("photo-empty");
  const hash = new Sha256();
  for (const at of offsets(size)) hash.update(new Uint8Array(only ?? (await piece(at))));
  const digest = `sha256:${hex(hash.digest())}`;
  // The same file again: what stands is left alone, whatever goes wrong now.
  const here = await kept(store, digest);
  if (here?.size === size && (await here.hashed().catch(() => "")) === digest) return { digest, size };
  try {
    for (const at of offsets(size).reverse()) {
      const bytes = only ?? (await piece(at));
      await store.write(["file_bytes"], (w) => w.put("file_bytes", { digest: keyOf(digest, at), bytes, ...(only ? {} : { size }) }));
    }
    const back = await kept(store, digest);
    if (!back || (await back.hashed()) !== digest) throw trouble("read-back");
  } catch (error) {
    await store.write(["file_bytes"], (w) => removeBytes(w, digest, size)).catch(() => {});
    throw error;
  }
  return { digest, size };
}

/** Whether every piece stands. @param {Work} w @param {string} digest @param {number} size @returns {Promise<boolean>} */
export async function stands(w, digest, size) {
  const first = await w.get("file_bytes", digest);
  if (!first || size <= first.bytes.byteLength) return first !== undefined;
  const keys = new Set(await w.keys("file_bytes"));
  return offsets(size, first.bytes.byteLength).every((at) => keys.has(keyOf(digest, at)));
}

/** @param {Work} w @param {string} digest @param {number} size */
export async function removeBytes(w, digest, size) {
  for (const at of offsets(size)) await w.remove("file_bytes", keyOf(digest, at));
}

/** Takes away bytes that no file names: a page was killed while it kept them. @param {Work} w */
export async function removeStrays(w) {
  for (const key of await w.keys("file_bytes")) {
    if (!(await w.get("files", String(key).split("/")[0]))) await w.remove("file_bytes", key);
  }
}
