// Signed notes, checkpoints and proof files (C2SP signed-note, tlog-checkpoint, tlog-proof). Pure.
// @ts-check

import { base64, hex, utf8 } from "../bytes.js";
import { sha256 } from "../sha256.js";
import { signedBy, usableKey } from "./ed25519.js";
import { sameBytes } from "./tree.js";

/** @typedef {{ name: string, bytes: Uint8Array, id: Uint8Array }} VerifierKey */
/** @typedef {{ origin: string, size: number, root: Uint8Array }} Checkpoint */
/** @typedef {{ index: number, path: Uint8Array[], checkpoint: string }} ProofFile */

/** Largest note and proof file read, in bytes. */
export const MAX_NOTE = 64 * 1024;
export const MAX_PROOF = 128 * 1024;
const MAX_SIGNATURES = 100;

/** Bytes of base64 with padding, or null when it is not written so. @param {unknown} text @returns {Uint8Array<ArrayBuffer> | null} */
export function fromBase64(text) {
  if (typeof text !== "string" || !/^[A-Za-z0-9+/]*={0,2}$/.test(text) || text.length % 4 !== 0) return null;
  const raw = atob(text);
  const out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return base64(out) === text ? out : null;
}

/** A decimal number as the formats write it, or null. @param {string} text */
export function decimal(text) {
  const n = /^(0|[1-9][0-9]*)$/.test(text) ? Number(text) : NaN;
  return Number.isSafeInteger(n) ? n : null;
}

/** @param {string} name */
const goodName = (name) => name !== "" && !/[+\p{White_Space}\p{Cc}]/u.test(name);

/** @param {string} text */
const plainText = (text) => !/[\0-\x09\x0b-\x1f]/.test(text);

/** @param {string} name @param {Uint8Array} bytes */
export function keyIdOf(name, bytes, kind = 1) {
  return sha256(new Uint8Array([...utf8(name), 10, kind, ...bytes])).subarray(0, 4);
}

/** `name+id+base64`, or null. @param {string} text @param {number} [kind] 1: signs notes; 4: a witness's @returns {VerifierKey | null} */
export function readKey(text, kind = 1) {
  const found = /^([^+]*)\+([^+]*)\+(.*)$/s.exec(text);
  const key = found && fromBase64(found[3]);
  if (!found || !key || key.length !== 33 || key[0] !== kind) return null;
  const bytes = key.subarray(1);
  const id = keyIdOf(found[1], bytes, kind);
  return goodName(found[1]) && found[2] === hex(id) && usableKey(bytes) ? { name: found[1], bytes, id } : null;
}

/** A note's text and its signature lines, unchecked; null when it is none. @param {string} note */
export function readNote(note) {
  if (utf8(note).length > MAX_NOTE || !plainText(note)) return null;
  const end = note.lastIndexOf("\n\n");
  if (end < 0 || !note.endsWith("\n")) return null;
  const written = note.slice(end + 2).slice(0, -1).split("\n");
  if (written.length > MAX_SIGNATURES) return null;
  const lines = [];
  for (const line of written) {
    const found = /^\u2014 ([^ ]*) (.*)$/su.exec(line);
    const bytes = found && fromBase64(found[2]);
    if (!found || !bytes || !goodName(found[1]) || bytes.length < 5) return null;
    lines.push({ name: found[1], bytes });
  }
  return { text: note.slice(0, end + 1), lines };
}

/** The text of a note that this key signed, or null. @param {string} note @param {VerifierKey} key @returns {string | null} */
export function openNote(note, key) {
  const read = readNote(note);
  const own = read?.lines.filter((l) => l.name === key.name && sameBytes(l.bytes.subarray(0, 4), key.id)) ?? [];
  if (!read || own.length === 0) return null;
  return own.every((l) => signedBy(key.bytes, l.bytes.subarray(4), utf8(read.text))) ? read.text : null;
}

/**
 * The cosignatures on a note (C2SP tlog-cosignature), in order; `holds` is null where none of the keys is this witness's.
 * @param {string} note @param {VerifierKey[]} keys @returns {{ name: string, second: string, holds: boolean | null }[]}
 */
export function cosignaturesOn(note, keys) {
  const read = readNote(note);
  if (!read) return [];
  const origin = read.text.split("\n")[0];
  return read.lines.filter((l) => l.bytes.length === 76 && l.name !== origin).map(({ name, bytes }) => {
    const time = new DataView(bytes.buffer, bytes.byteOffset + 4, 8).getBigUint64(0);
    const key = keys.find((k) => k.name === name && sameBytes(k.id, bytes.subarray(0, 4)));
    const holds = key ? time < 2n ** 63n && signedBy(key.bytes, bytes.subarray(12), utf8(`cosignature/v1\ntime ${time}\n${read.text}`)) : null;
    // Times after 9999 are held at that end.
    const second = new Date(Number(time > 253402300799n ? 253402300799n : time) * 1000).toISOString().slice(0, 19);
    return { name, second, holds };
  });
}

/** A checkpoint that the key of its own origin signed, or null. @param {string} note @param {VerifierKey} key @returns {Checkpoint | null} */
export function openCheckpoint(note, key) {
  const lines = openNote(note, key)?.slice(0, -1).split("\n");
  if (lines?.length !== 3 || lines[0] !== key.name) return null;
  const size = decimal(lines[1]), root = fromBase64(lines[2]);
  return size !== null && root?.length === 32 ? { origin: lines[0], size, root } : null;
}

/** Name, shop and epoch of an origin, or null. @param {string} origin */
export function originParts(origin) {
  const found = /^(.+)\/([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})\/(0|[1-9][0-9]*)$/s.exec(origin);
  return found && { name: found[1], shop: found[2], epoch: found[3] };
}

/** Whether two origins are of one shop's log, perhaps in different epochs. @param {string} a @param {string} b */
export function sameLog(a, b) {
  const [x, y] = [originParts(a), originParts(b)];
  return x && y ? x.name === y.name && x.shop === y.shop : a === b;
}

/** A `.tlog-proof`, or null. @param {string} text @returns {ProofFile | null} */
export function readProof(text) {
  const end = text.indexOf("\n\n");
  if (end < 0 || utf8(text).length > MAX_PROOF) return null;
  const lines = text.slice(0, end).split("\n");
  if (lines.shift() !== "c2sp.org/tlog-proof@v1") return null;
  if (lines[0]?.startsWith("extra ")) {
    if (!fromBase64(/** @type {string} */ (lines.shift()).slice(6))?.length) return null;
  }
  const index = lines[0]?.startsWith("index ") ? decimal(/** @type {string} */ (lines.shift()).slice(6)) : null;
  const path = lines.map((l) => fromBase64(l));
  if (index === null || path.length > 63 || path.some((h) => h?.length !== 32)) return null;
  return { index, path: /** @type {Uint8Array[]} */ (path), checkpoint: text.slice(end + 2) };
}
