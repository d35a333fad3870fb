// UUIDv7 (RFC 9562 5.7): 48 bits of Unix milliseconds, then random bits. It orders nothing here; the log index does. Pure.
// @ts-check

import { hex } from "./bytes.js";

/**
 * @param {number} now Unix time in milliseconds
 * @param {Uint8Array} random at least 10 random bytes
 * @returns {string} lower case, with hyphens
 */
export function uuid7(now, random) {
  if (random.length < 10) throw new RangeError("a UUID needs 10 random bytes");
  const b = new Uint8Array(16);
  const view = new DataView(b.buffer);
  view.setUint32(0, Math.floor(now / 0x10000));
  view.setUint16(4, now % 0x10000);
  b.set(random.subarray(0, 10), 6);
  b[6] = (b[6] & 0x0f) | 0x70;
  b[8] = (b[8] & 0x3f) | 0x80;
  const h = hex(b);
  return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
}

/** Whether a text is a UUID as written here: lower case, with hyphens. @param {unknown} text @returns {text is string} */
export function isUuid(text) {
  return typeof text === "string" && /^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$/.test(text);
}
