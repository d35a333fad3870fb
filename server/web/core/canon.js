// Canonical JSON, restricted so that RFC 8785 is trivial: plain lower-case keys, whole numbers within ±(2^53−1), no null,
// no floats. Its UTF-8 bytes are what is hashed. Pure; the server's `evidence/src/canon.rs` gives the same bytes.
// @ts-check

import { utf8 } from "./bytes.js";

/** Deepest nesting allowed. */
export const MAX_DEPTH = 16;
const KEY = /^[a-z_][a-z0-9_]*$/;

/** Why a value cannot be written canonically: a JSON pointer (RFC 6901) and a sentence. */
export class NotCanonical extends TypeError {
  /** @param {string} pointer @param {string} sentence */
  constructor(pointer, sentence) {
    super(`at ${pointer || "/"}: ${sentence}`);
    this.name = "NotCanonical";
    this.pointer = pointer;
  }
}

/**
 * The canonical text of a value. Members that are `undefined` are left out.
 * @param {unknown} value
 * @returns {string}
 */
export function canonText(value) {
  return write(value, "", 0);
}

/** The canonical bytes of a value. @param {unknown} value @returns {Uint8Array<ArrayBuffer>} */
export function canon(value) {
  return utf8(canonText(value));
}

/** @param {unknown} value @param {string} at @param {number} depth @returns {string} */
function write(value, at, depth) {
  if (depth > MAX_DEPTH) throw new NotCanonical(at, "this is nested too deeply");
  switch (typeof value) {
    case "boolean":
      return value ? "true" : "false";
    case "number":
      if (!Number.isSafeInteger(value)) throw new NotCanonical(at, "a number is whole and within plus or minus 2^53 - 1");
      return Object.is(value, -0) ? "0" : String(value);
    case "string":
      // A lone surrogate has no UTF-8; JSON.stringify would escape it and the server could not read it back.
      if (/[\ud800-\udfff]/u.test(value)) throw new NotCanonical(at, "this text has half a character");
      return JSON.stringify(value);
    case "object":
      break;
    default:
      throw new NotCanonical(at, "this is not JSON");
  }
  if (value === null) throw new NotCanonical(at, "null is not written; leave the member out");
  if (Array.isArray(value)) return `[${value.map((v, i) => write(v, `${at}/${i}`, depth + 1)).join(",")}]`;
  const object = /** @type {{[name: string]: unknown}} */ (value);
  const parts = [];
  for (const key of Object.keys(object).sort()) {
    if (object[key] === undefined) continue;
    const below = `${at}/${key.replaceAll("~", "~0").replaceAll("/", "~1")}`;
    if (!KEY.test(key)) throw new NotCanonical(below, "a key is lower-case letters, digits and _");
    parts.push(`${JSON.stringify(key)}:${write(object[key], below, depth + 1)}`);
  }
  return `{${parts.join(",")}}`;
}
