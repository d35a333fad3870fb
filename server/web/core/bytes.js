// Bytes as text and back: hexadecimal, base64, base64url, UTF-8. Pure.
// @ts-check

const encoder = new TextEncoder();
const decoder = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
const HEX = Array.from({ length: 256 }, (_, i) => i.toString(16).padStart(2, "0"));

/** UTF-8 bytes of a text. @param {string} text @returns {Uint8Array<ArrayBuffer>} */
export function utf8(text) {
  return /** @type {Uint8Array<ArrayBuffer>} */ (encoder.encode(text));
}

/** The text of UTF-8 bytes. Throws a `TypeError` when they are not UTF-8. @param {Uint8Array | ArrayBuffer} bytes @returns {string} */
export function fromUtf8(bytes) {
  return decoder.decode(bytes);
}

/** Lower-case hexadecimal. @param {Uint8Array} bytes @returns {string} */
export function hex(bytes) {
  let out = "";
  for (const b of bytes) out += HEX[b];
  return out;
}

/** Bytes of lower-case hexadecimal. Throws a `TypeError`. @param {string} text @returns {Uint8Array<ArrayBuffer>} */
export function fromHex(text) {
  if (text.length % 2 !== 0 || !/^[0-9a-f]*$/.test(text)) throw new TypeError("this is not lower-case hexadecimal");
  const out = new Uint8Array(text.length / 2);
  for (let i = 0; i < out.length; i++) out[i] = parseInt(text.slice(2 * i, 2 * i + 2), 16);
  return out;
}

/** Base64 with padding (RFC 4648 4). @param {Uint8Array} bytes @returns {string} */
export function base64(bytes) {
  let raw = "";
  for (let i = 0; i < bytes.length; i += 0x8000) raw += String.fromCharCode(...bytes.subarray(i, i + 0x8000));
  return btoa(raw);
}

/** Base64url without padding (RFC 4648 5). @param {Uint8Array} bytes @returns {string} */
export function base64url(bytes) {
  return base64(bytes).replaceAll("+", "-").replaceAll("/", "_").replaceAll("=", "");
}

/** Bytes of base64url without padding. Throws a `TypeError`. @param {string} text @returns {Uint8Array<ArrayBuffer>} */
export function fromBase64url(text) {
  if (!/^[A-Za-z0-9_-]*$/.test(text) || text.length % 4 === 1) throw new TypeError("this is not base64url");
  const raw = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
  const out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  // One byte string has one text: bits that fall off must be zero, or two disclosures would say the same.
  if (base64url(out) !== text) throw new TypeError("this base64url has stray bits");
  return out;
}
