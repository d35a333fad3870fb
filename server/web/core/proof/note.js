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
function decimal(text) {
  const n = /^(0|[1-9][0-9]*)$/.test(text) ? Number(text) : NaN;
  return Number.isSafeInteger(n) ? n : null;
}

/** @param {string} name */
const goodName = (name) => name !== "" && !/[+\p{White_Space}\p{Cc}]/u.test(name);

/** @param {string} text */
const plainText = (text) => !/[\0-\x09\x0b-\x1f]/.test(text);

/** `name+id+base64`, or null. @param {string} text @returns {VerifierKey | null} */
export function readKey(text) {
  const found = /^([^+]*)\+([^+]*)\+(.*)$/s.exec(text);
  const key = found && fromBase64(found[3]);
  if (!found || !key || key.length !== 33 || key[0] !== 1) return null;
  const id = sha256(new Uint8Array([...utf8(found[1]), 10, ...key])).subarray(0, 4);
  const bytes = key.subarray(1);
  return goodName(found[1]) && found[2] === hex(id) && usableKey(bytes) ? { name: found[1], bytes, id } : null;
}

/** The text of a note that this key signed, or null. @param {string} note @param {VerifierKey} key @returns {string | null} */
export function openNote(note, key) {
  if (utf8(note).length > MAX_NOTE || !plainText(note)) return null;
  const end = note.lastIndexOf("\n\n");
  if (end < 0 || !note.endsWith("\n")) return null;
  const text = note.slice(0, end + 1);
  const lines = note.slice(end + 2).slice(0, -1).split("\n");
  if (lines.length > MAX_SIGNATURES) return null;
  let signed = false;
  for (const line of lines) {
    const found = /^\u2014 ([^ ]*) (.*)$/su.exec(line);
    const bytes = found && fromBase64(found[2]);
    if (!found || !bytes || !goodName(found[1]) || bytes.length < 5) return null;
    if (found[1] !== key.name || !sameBytes(bytes.subarray(0, 4), key.id)) continue;
    if (!signedBy(key.bytes, bytes.subarray(4), utf8(text))) return null;
    signed = true;
  }
  return signed ? text : null;
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
