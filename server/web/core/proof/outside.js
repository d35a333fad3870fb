// What others than the shop say of its log, as a pack or a receipt carries it: the same items in the same order as
// `evidence/src/verify/outside.rs`.
// @ts-check

import { utf8 } from "../bytes.js";
import { readCanonical } from "./entry.js";
import { MAX_NOTE, MAX_PROOF, cosignaturesOn, decimal, fromBase64, openCheckpoint, sameLog } from "./note.js";
import { keyUnder } from "./rotation.js";
import { MAX_ANSWER, checkStamp } from "./stamp.js";
import { goesOn } from "./tree.js";

/** @import {Item, Trusted, Verdict} from "./entries.js" */
/** @import {Checkpoint} from "./note.js" */
/** @import {Archive} from "./pack.js" */
/** A pack's head, and the public keys that are the log's or were. @typedef {{ head: Checkpoint, keys: Uint8Array[] }} OfLog */

const MAX_STAMPS = 256;
/** @type {{[fault: string]: [Verdict, string]}} */
const STAMP_FAULTS = {
  form: ["not understood", "stamp-form"], refused: ["not understood", "stamp-form"], way: ["not understood", "stamp-way"],
  imprint: ["broken", "stamp-imprint"], signature: ["broken", "stamp-signature"], authority: ["broken", "stamp-authority"],
};

/** @param {any} list @returns {Uint8Array[] | null} */
export function hashesOf(list) {
  if (!Array.isArray(list)) return null;
  const out = list.map((h) => fromBase64(h));
  return out.every((h) => h?.length === 32) ? /** @type {Uint8Array[]} */ (out) : null;
}

/** Another head of the same log, or null: signed by a key of it, and one goes on from the other. @param {string} note @param {Uint8Array[] | null} hashes @param {OfLog} of */
function agreeing(note, hashes, { head, keys }) {
  const origin = note.split("\n")[0];
  const by = sameLog(origin, head.origin) ? keys.map((k) => keyUnder(origin, k)) : [];
  const other = by.reduce((/** @type {Checkpoint | null} */ found, k) => found ?? openCheckpoint(note, k), null);
  if (!other || !hashes) return null;
  const [old, now] = other.size <= head.size ? [other, head] : [head, other];
  return goesOn(old.size, now.size, hashes, old.root, now.root) ? other : null;
}

/** Every stamp in the pack. @param {Archive} archive @param {OfLog} of @param {Trusted} trusted @param {Item[]} items */
export async function stampsIn(archive, of, trusted, items) {
  const names = [...archive.members.keys()].filter((n) => /^stamps\/.*\.tsr$/s.test(n)).sort();
  if (names.length > MAX_STAMPS) return void items.push({ of: "stamps", verdict: "not understood", code: "record-too-large" });
  for (const name of names) {
    const digits = /^stamps\/([0-9]{8,15})\.tsr$/.exec(name)?.[1];
    const size = Number(digits);
    if (digits === undefined || String(size).padStart(8, "0") !== digits) {
      items.push({ of: name, verdict: "not understood", code: "stamp-form" });
      continue;
    }
    const [verdict, code, said = ""] = await oneStamp(archive, digits, of, trusted);
    items.push({ of: `stamp ${size}${said}`, verdict, code });
  }
}

/** @param {Archive} archive @param {string} digits @param {OfLog} of @param {Trusted} trusted @returns {Promise<[Verdict, string, string?]>} */
async function oneStamp(archive, digits, of, trusted) {
  const note = await archive.text(`stamps/${digits}.txt`, MAX_NOTE), proof = await archive.bytes(`stamps/${digits}.json`, MAX_PROOF);
  if (note === null || proof === null) return ["missing", "stamp-missing"];
  const answer = await archive.bytes(`stamps/${digits}.tsr`, MAX_ANSWER);
  if (answer === null) return ["not understood", "stamp-form"];
  const stamp = await checkStamp(/** @type {Uint8Array<ArrayBuffer>} */ (answer), utf8(note), trusted.roots);
  if (typeof stamp === "string") return STAMP_FAULTS[stamp];
  if (agreeing(note, hashesOf(readCanonical(proof)), of)?.size !== Number(digits)) return ["broken", "stamp-other-log"];
  return stamp.known ? ["unchanged", "stamp", `: ${stamp.text}`] : ["claimed", "stamp-claimed", `: ${stamp.text}`];
}

/** Every witnessed head in the pack. @param {Archive} archive @param {OfLog} of @param {Trusted} trusted @param {Item[]} items */
export async function witnessedIn(archive, of, trusted, items) {
  const names = [...archive.members.keys()].filter((n) => /^witnessed\/.*\.txt$/s.test(n)).sort();
  if (names.length > MAX_STAMPS) return void items.push({ of: "witnessed", verdict: "not understood", code: "record-too-large" });
  for (const name of names) {
    const note = (await archive.text(name, MAX_NOTE)) ?? "";
    const proof = await archive.bytes(name.replaceAll(".txt", ".json"), MAX_PROOF);
    headSeen(note, proof && hashesOf(readCanonical(proof)), of, trusted, items);
  }
}

/** What witnesses say of one head. @param {string} note @param {Uint8Array[] | null} proof @param {OfLog} of @param {Trusted} trusted @param {Item[]} items */
export function headSeen(note, proof, of, trusted, items) {
  const size = decimal(note.split("\n")[1] ?? "");
  if (size === null) return void items.push({ of: "witnessed", verdict: "not understood", code: "witness-form" });
  const what = `witnessed ${size}`;
  if (!proof) return void items.push({ of: what, verdict: "missing", code: "witness-missing" });
  if (!agreeing(note, proof, of)) return void items.push({ of: what, verdict: "broken", code: "witness-other-log" });
  const found = cosignaturesOn(note, trusted.witnesses);
  if (found.length === 0) return void items.push({ of: what, verdict: "not understood", code: "witness-form" });
  for (const { name, second, holds } of found) {
    const which = `${what}: ${second}Z, ${name}`;
    if (holds === null) items.push({ of: which, verdict: "claimed", code: "witness-claimed" });
    else items.push(holds ? { of: which, verdict: "unchanged", code: "witness" } : { of: which, verdict: "broken", code: "witness-signature" });
  }
}
