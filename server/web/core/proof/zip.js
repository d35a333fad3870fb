// The archive of a pack: a ZIP restricted until only one file holds given members (see `evidence/src/zip.rs`, which writes it). Headers
// are compared byte by byte with what they would be written as; contents are read in slices, wherever they are.
// @ts-check

import { fromUtf8, utf8 } from "../bytes.js";
import { sameBytes } from "./tree.js";

/** @typedef {{ size: number, read: (at: number, length: number) => Promise<Uint8Array> }} Source */
/** @typedef {{ name: string, size: number, at: number }} Member */

const MAX_MEMBERS = 20_000;
const MAX_DIRECTORY = 8 << 20;
const END_LENGTH = 22;

/** A file or blob, read in slices. @param {Blob} blob @returns {Source} */
export function sourceOf(blob) {
  return { size: blob.size, read: async (at, length) => new Uint8Array(await blob.slice(at, at + length).arrayBuffer()) };
}

/** @param {string} path */
export function goodPath(path) {
  const parts = path.split("/");
  return path === "VERIFY.txt" || (path.length <= 120 && parts.length <= 4 && parts.every((p) => /^[a-z0-9_-][a-z0-9._-]*$/.test(p)));
}

/** Numbers, little end first, each of so many bytes. @param {[number, number][]} list @returns {number[]} */
function packed(list) {
  return list.flatMap(([bytes, value]) => Array.from({ length: bytes }, (_, i) => Math.floor(value / 2 ** (8 * i)) % 256));
}

/** @param {string} name @param {number} crc @param {number} size */
function shared(name, crc, size) {
  return packed([[2, 10], [2, 0x0800], [2, 0], [2, 0], [2, 0x21], [4, crc], [4, size], [4, size], [2, name.length], [2, 0]]);
}

/** @param {string} name @param {number} crc @param {number} size */
function localHeader(name, crc, size) {
  return Uint8Array.from([0x50, 0x4b, 3, 4, ...shared(name, crc, size), ...utf8(name)]);
}

/** @param {string} name @param {number} crc @param {number} size @param {number} at */
function centralHeader(name, crc, size, at) {
  const rest = packed([[2, 0], [2, 0], [2, 0], [4, 0], [4, at]]);
  return Uint8Array.from([0x50, 0x4b, 1, 2, ...packed([[2, 10]]), ...shared(name, crc, size), ...rest, ...utf8(name)]);
}

/** @param {number} count @param {number} length @param {number} at */
function endRecord(count, length, at) {
  return Uint8Array.from([0x50, 0x4b, 5, 6, ...packed([[2, 0], [2, 0], [2, count], [2, count], [4, length], [4, at], [2, 0]])]);
}

/** Reads exactly so many bytes, or null. @param {Source} source @param {number} at @param {number} length */
export async function readAt(source, at, length) {
  const bytes = await source.read(at, length);
  return bytes.length === length ? bytes : null;
}

/**
 * The members in their order, or the code of what is wrong.
 * @param {Source} source
 * @returns {Promise<Member[] | string>}
 */
export async function listMembers(source) {
  const endAt = source.size - END_LENGTH;
  if (endAt < 0) return "archive-end";
  const last = await readAt(source, endAt, END_LENGTH);
  if (!last) return "archive-unread";
  const end = new DataView(last.buffer, last.byteOffset, last.length);
  const count = end.getUint16(10, true), length = end.getUint32(12, true), begin = end.getUint32(16, true);
  if (end.getUint32(0) !== 0x504b0506 || end.getUint16(20) !== 0) return "archive-end";
  const fits = begin + length === endAt && length <= MAX_DIRECTORY && count <= MAX_MEMBERS;
  if (!fits || !sameBytes(last, endRecord(count, length, begin))) return "archive-directory";
  const directory = await readAt(source, begin, length);
  if (!directory) return "archive-unread";
  /** @type {Member[]} */
  const members = [];
  const names = new Set();
  let from = 0, at = 0;
  while (from < directory.length) {
    if (from + 46 > directory.length) return "archive-directory";
    const fixed = new DataView(directory.buffer, directory.byteOffset + from, 46);
    const nameLength = fixed.getUint16(28, true);
    if (from + 46 + nameLength > directory.length) return "archive-directory";
    const crc = fixed.getUint32(16, true), size = fixed.getUint32(20, true);
    if (fixed.getUint16(10, true) !== 0 || size !== fixed.getUint32(24, true)) return "archive-packed";
    const name = nameOf(directory.subarray(from + 46, from + 46 + nameLength));
    if (name === null || !goodPath(name)) return "archive-path";
    const local = localHeader(name, crc, size);
    const data = at + local.length;
    if (!sameBytes(directory.subarray(from, from + 46 + nameLength), centralHeader(name, crc, size, at))) return "archive-directory";
    if (data + size > begin) return "archive-directory";
    const header = await readAt(source, at, local.length);
    if (!header) return "archive-unread";
    if (!sameBytes(header, local)) return "archive-directory";
    if (names.has(name)) return "archive-twice";
    names.add(name);
    members.push({ name, size, at: data });
    at = data + size;
    from += 46 + nameLength;
  }
  return at === begin && members.length === count ? members : "archive-directory";
}

/** @param {Uint8Array} bytes */
function nameOf(bytes) {
  try {
    return fromUtf8(bytes);
  } catch {
    return null;
  }
}
