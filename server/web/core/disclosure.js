// Personal members, kept apart from the entry that binds them (RFC 9901, SD-JWT, section 4.2). Pure.
// To withhold one is to leave its disclosure out; to erase it is to delete the disclosure.
// @ts-check

import { base64url, fromBase64url, fromUtf8, utf8 } from "./bytes.js";
import { sha256 } from "./sha256.js";

/** @import {Json, JsonObject} from "./types.js" */

/** Bytes of a salt: 128 bits. */
export const SALT_BYTES = 16;

/**
 * The disclosure's text: base64url of the JSON array salt, name, value.
 * @param {Uint8Array} salt at least 16 random bytes
 * @param {string} name
 * @param {Json} value
 * @returns {string}
 */
export function disclosure(salt, name, value) {
  if (salt.length < SALT_BYTES) throw new RangeError("a salt has at least 128 bits");
  return base64url(utf8(JSON.stringify([base64url(salt), name, value])));
}

/** The digest of a disclosure's text, as it stands in `_sd`. @param {string} text @returns {string} */
export function disclosureDigest(text) {
  return base64url(sha256(utf8(text)));
}

/** Name and value of a disclosure. Throws a `TypeError`. @param {string} text @returns {{salt: string, name: string, value: any}} */
export function readDisclosure(text) {
  const list = JSON.parse(fromUtf8(fromBase64url(text)));
  if (!Array.isArray(list) || list.length !== 3 || typeof list[0] !== "string" || typeof list[1] !== "string") {
    throw new TypeError("a disclosure is salt, name and value");
  }
  if (list[0].length < 22) throw new TypeError("a salt has at least 128 bits");
  return { salt: list[0], name: list[1], value: list[2] };
}

/**
 * A body with the members that are disclosed put back and `_sd` taken out. Throws a `TypeError` when a disclosure belongs to
 * no digest of the body, stands twice, or its name is taken.
 * @param {JsonObject} body
 * @param {string[]} disclosures
 * @returns {{[name: string]: any}}
 */
export function disclose(body, disclosures) {
  const { _sd: named = [], ...out } = body;
  const left = new Set(/** @type {string[]} */ (named));
  for (const text of disclosures) {
    if (!left.delete(disclosureDigest(text))) throw new TypeError("a disclosure belongs to no digest of this entry");
    const { name, value } = readDisclosure(text);
    if (name === "_sd" || Object.hasOwn(out, name)) throw new TypeError("a disclosed member has a name that is taken");
    Object.defineProperty(out, name, { value, enumerable: true, writable: true, configurable: true });
  }
  return out;
}
