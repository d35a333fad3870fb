// Ed25519 (RFC 8032 5.1), checking only, so that a page from disk needs nothing of the browser's. Strict, as the program's
// check is: S below the order, neither key nor R of small order, no cofactor. Signs nothing and holds no secret, so time may tell.
// @ts-check

import { sha512 } from "./sha512.js";

const P = (1n << 255n) - 19n;
const ORDER = (1n << 252n) + 27742317777372353535851937790883648493n;

/** @param {bigint} x */
const mod = (x) => ((x % P) + P) % P;

/** @param {bigint} base @param {bigint} exponent */
function power(base, exponent) {
  let out = 1n;
  for (let b = mod(base), e = exponent; e > 0n; e >>= 1n, b = (b * b) % P) if (e & 1n) out = (out * b) % P;
  return out;
}

const D = mod(-121665n * power(121666n, P - 2n));
const ROOT_OF_MINUS_ONE = power(2n, (P - 1n) / 4n);

/** Extended coordinates X, Y, Z, T. @typedef {[bigint, bigint, bigint, bigint]} Point */

/** @type {Point} */
const NEUTRAL = [0n, 1n, 1n, 0n];

/** The sum, complete for this curve (RFC 8032 5.1.4). @param {Point} p @param {Point} q @returns {Point} */
function sum([x1, y1, z1, t1], [x2, y2, z2, t2]) {
  const a = mod((y1 - x1) * (y2 - x2)), b = mod((y1 + x1) * (y2 + x2));
  const c = mod(2n * t1 * t2 * D), d = mod(2n * z1 * z2);
  const e = b - a, f = d - c, g = d + c, h = b + a;
  return [mod(e * f), mod(g * h), mod(f * g), mod(e * h)];
}

/** @param {bigint} n @param {Point} point @returns {Point} */
function times(n, point) {
  let out = NEUTRAL;
  for (let p = point, e = n; e > 0n; e >>= 1n, p = sum(p, p)) if (e & 1n) out = sum(out, p);
  return out;
}

/** @param {Point} p @param {Point} q */
const samePoint = ([x1, y1, z1], [x2, y2, z2]) => mod(x1 * z2 - x2 * z1) === 0n && mod(y1 * z2 - y2 * z1) === 0n;

/** @param {Uint8Array} bytes little end first @returns {bigint} */
function little(bytes) {
  let out = 0n;
  for (let i = bytes.length - 1; i >= 0; i--) out = (out << 8n) | BigInt(bytes[i]);
  return out;
}

/** The point of 32 bytes (RFC 8032 5.1.3), or null. @param {Uint8Array} bytes @returns {Point | null} */
function pointOf(bytes) {
  const whole = little(bytes);
  const y = mod(whole & ((1n << 255n) - 1n));
  const above = mod(y * y - 1n), below = mod(D * y * y + 1n);
  let x = mod(above * power(below, 3n) * power(above * power(below, 7n), (P - 5n) / 8n));
  const square = mod(below * x * x);
  if (square === mod(-above)) x = mod(x * ROOT_OF_MINUS_ONE);
  else if (square !== above) return null;
  if ((x & 1n) !== whole >> 255n) x = mod(-x);
  return [x, y, 1n, mod(x * y)];
}

/** @param {Point} p */
const smallOrder = (p) => samePoint(times(8n, p), NEUTRAL);

const BASE = /** @type {Point} */ (pointOf(new Uint8Array([0x58, ...new Array(31).fill(0x66)])));

/** Whether 32 bytes are a key that can be used. @param {Uint8Array} key */
export function usableKey(key) {
  const point = key.length === 32 ? pointOf(key) : null;
  return point !== null && !smallOrder(point);
}

/**
 * Whether a signature is this key's over these bytes.
 * @param {Uint8Array} key 32 bytes
 * @param {Uint8Array} signature
 * @param {Uint8Array} bytes
 */
export function signedBy(key, signature, bytes) {
  if (key.length !== 32 || signature.length !== 64) return false;
  const point = pointOf(key), r = pointOf(signature.subarray(0, 32)), s = little(signature.subarray(32));
  if (!point || !r || s >= ORDER || smallOrder(point) || smallOrder(r)) return false;
  const hashed = new Uint8Array(64 + bytes.length);
  hashed.set(signature.subarray(0, 32));
  hashed.set(key, 32);
  hashed.set(bytes, 64);
  const k = little(sha512(hashed)) % ORDER;
  return samePoint(times(s, BASE), sum(r, times(k, point)));
}
