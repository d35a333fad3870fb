// What an author says, ready to be sent: the said part, its canonical bytes and digest, and the disclosures of its personal
// members. Pure: time and randomness are arguments.
// @ts-check

import { fromUtf8 } from "./bytes.js";
import { canon } from "./canon.js";
import { SALT_BYTES, disclosure, disclosureDigest } from "./disclosure.js";
import { digestOf } from "./sha256.js";
import { uuid7 } from "./uuid.js";

/** @import {JsonObject, Said} from "./types.js" */

/** Most bytes of a said part, so that the entry stays under 65,535. */
export const MAX_SAID = 60_000;

/**
 * @typedef {{said: Said, text: string, digest: string, disclosures: string[], body: {[name: string]: any}}} Spoken
 *   `text` is the canonical JSON that was hashed; `body` has the personal members in it.
 */

/**
 * @param {object} what
 * @param {string} what.shop
 * @param {{staff: string, device: string}} what.author
 * @param {string} [what.intake]
 * @param {string} what.type
 * @param {JsonObject} what.body
 * @param {JsonObject} [what.personal] members that are salted and disclosed apart
 * @param {number} [what.seen] highest log index of this intake the author saw
 * @param {number} what.now the device's clock, Unix milliseconds
 * @param {number} what.offsetMinutes the device's zone, minutes east of UTC
 * @param {(bytes: number) => Uint8Array} what.random
 * @param {string} [what.id] made before; a new one otherwise
 * @returns {Spoken}
 */
export function say({ shop, author, intake, type, body, personal = {}, seen, now, offsetMinutes, random, id }) {
  if (Object.hasOwn(body, "_sd")) throw new TypeError("_sd is made here");
  const given = Object.entries(personal).filter(([, value]) => value !== undefined);
  const clash = given.find(([name]) => Object.hasOwn(body, name));
  if (clash) throw new TypeError(`"${clash[0]}" is personal and stands in the body too`);

  const disclosures = given.map(([name, value]) => disclosure(random(SALT_BYTES), name, value));
  /** @type {JsonObject} */
  const bound = { ...body };
  if (disclosures.length > 0) bound._sd = disclosures.map(disclosureDigest).sort();

  /** @type {Said} */
  const said = {
    author: { device: author.device, staff: author.staff },
    body: bound,
    clock: { at: new Date(now).toISOString(), offset_minutes: offsetMinutes },
    id: id ?? uuid7(now, random(10)),
    shop,
    type,
    v: 1,
  };
  if (intake !== undefined) said.intake = intake;
  if (seen !== undefined) said.seen = seen;

  const bytes = canon(said);
  if (bytes.length > MAX_SAID) throw new RangeError(`one entry has at most ${MAX_SAID} bytes; this one has ${bytes.length}`);
  return { said, text: fromUtf8(bytes), digest: digestOf(bytes), disclosures, body: { ...body, ...Object.fromEntries(given) } };
}
