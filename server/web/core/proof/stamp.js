// Time from outside (RFC 3161): checks an authority's answer as `evidence/src/stamp/mod.rs` does, to the same outcome.
// @ts-check

import { hex } from "../bytes.js";
import { sha256 } from "../sha256.js";
import { Certificate, digestBy, followed, hashNamed, oidOf, orElse, wayOf } from "./certificate.js";
import { DerReader, TAG, derTime, insideOf, notDer, onlyDer, smallNumber } from "./der.js";
import { fromBase64 } from "./note.js";
import { sameBytes } from "./tree.js";

/** @import {Element} from "./der.js" */
/** @import {Bytes} from "./certificate.js" */
/** @typedef {"form" | "refused" | "way" | "imprint" | "signature" | "authority"} StampFault */
/** @typedef {{ at: number, text: string, known: boolean }} Stamp */

/** Largest answer and largest file of roots read, in bytes. */
export const MAX_ANSWER = 64 * 1024;
const MAX_ROOTS = 1 << 20, MOST_ROOTS = 64, MOST_CERTIFICATES = 16;
const SHA256_OID = "608648016503040201";
const TST_INFO = "2a864886f70d0109100104";
const ATTRIBUTE = { content: "2a864886f70d010903", digest: "2a864886f70d010904", certificate: "2a864886f70d010910020c", certificateV2: "2a864886f70d010910022f" };

/** The roots in a PEM file (RFC 7468), or null when there is none or one that cannot be read. @param {string} pem @returns {Bytes[] | null} */
export function rootsOf(pem) {
  if (pem.length > MAX_ROOTS) return null;
  const parts = pem.split("-----BEGIN CERTIFICATE-----").slice(1);
  const out = parts.map((part) => {
    const end = part.indexOf("-----END CERTIFICATE-----");
    const bytes = end < 0 ? null : fromBase64(part.slice(0, end).replace(/[\t\n\f\r ]/g, ""));
    return bytes && orElse(null, () => new Certificate(bytes)) ? bytes : null;
  });
  return out.length > 0 && out.length <= MOST_ROOTS && !out.includes(null) ? /** @type {Bytes[]} */ (out) : null;
}

/**
 * Checks an answer as it was kept.
 * @param {Bytes} bytes @param {Bytes} stamped @param {Bytes[]} roots @returns {Promise<Stamp | StampFault>}
 */
export async function checkStamp(bytes, stamped, roots) {
  if (bytes.length > MAX_ANSWER) return "form";
  const token = orElse("form", () => readToken(bytes));
  if (typeof token === "string") return /** @type {StampFault} */ (token);
  const info = orElse(null, () => readInfo(token.info));
  if (!info) return "form";
  if (info.algorithm !== SHA256_OID || !sameBytes(info.imprint, sha256(stamped))) return "imprint";
  const signer = await signerOf(token);
  if (typeof signer === "string") return signer;
  if (!signer.stamps) return "authority";
  const given = roots.flatMap((r) => orElse([], () => [new Certificate(r)]));
  const leads = await followed(signer, token.certificates, given, info.at);
  if (leads === "wrongly") return "authority";
  const name = orElse(null, () => signer.name) ?? hex(sha256(signer.whole)).slice(0, 16);
  const sure = info.within > 0 ? ` ±${info.within} s` : "";
  return { at: info.at, text: `${info.when}${sure}, ${name}`, known: leads === "to given" };
}

/** A stamp as it is signed (RFC 5652, 5; RFC 3161, 2.4.2); "refused" when the authority did. @param {Bytes} bytes */
function readToken(bytes) {
  const answer = onlyDer(bytes, TAG.sequence);
  if (smallNumber(answer.inside(TAG.sequence).take(TAG.integer)) > 1) return "refused";
  const content = answer.inside(TAG.sequence);
  answer.end();
  if (oidOf(content) !== "2a864886f70d010702") notDer();
  const data = onlyDer(content.take(0xa0).value, TAG.sequence);
  content.end();
  data.take(TAG.integer);
  data.take(TAG.set);
  const inside = data.inside(TAG.sequence);
  if (oidOf(inside) !== TST_INFO) notDer();
  const wrapped = inside.inside(0xa0);
  const info = wrapped.take(TAG.octets).value;
  wrapped.end();
  inside.end();
  const list = data.maybe(0xa0);
  const certificates = list ? new DerReader(list.value).all(MOST_CERTIFICATES).map((c) => new Certificate(c.whole)) : [];
  data.maybe(0xa1);
  const signers = data.inside(TAG.set);
  data.end();
  const signer = signers.inside(TAG.sequence);
  signers.end();
  signer.take(TAG.integer);
  const by = signer.inside(TAG.sequence);
  const issuer = by.take(TAG.sequence).whole, serial = by.take(TAG.integer).value;
  by.end();
  const hashed = signer.take(TAG.sequence), attributes = signer.take(0xa0), identifier = signer.take(TAG.sequence), signature = signer.take(TAG.octets).value;
  signer.maybe(0xa1);
  signer.end();
  return { info, certificates, issuer, serial, hashed, attributes, identifier, signature };
}

/** The certificate whose key signed a token. @param {Exclude<ReturnType<typeof readToken>, string>} token @returns {Promise<Certificate | StampFault>} */
async function signerOf(token) {
  const oid = orElse(null, () => oidOf(new DerReader(token.hashed.value)));
  if (oid === null) return "form";
  const hash = hashNamed(oid);
  if (!hash || !globalThis.crypto?.subtle) return "way";
  const attributes = orElse(null, () => readAttributes(token.attributes.value));
  if (!attributes) return "form";
  const signer = token.certificates.find((c) => sameBytes(c.issuer, token.issuer) && sameBytes(c.serial, token.serial));
  if (!signer || !sameBytes(attributes.digest, await digestBy(hash, token.info)) || attributes.certificates.length === 0) return "signature";
  for (const { by, digest } of attributes.certificates) {
    const used = by === null ? "SHA-1" : hashNamed(by);
    if (!used || !sameBytes(digest, await digestBy(used, signer.whole))) return "signature";
  }
  if (attributes.content !== TST_INFO) return "signature";
  // RFC 5652, 5.4: what is signed is the attributes as a SET.
  const set = token.attributes.whole.slice();
  set[0] = TAG.set;
  const way = orElse(null, () => wayOf(token.identifier, hash));
  const made = way && (await signer.made(way, set, token.signature));
  return made === null ? "way" : made ? signer : "signature";
}

/** The signed attributes that count. @param {Bytes} bytes */
function readAttributes(bytes) {
  /** @type {string | null} */
  let content = null;
  /** @type {Bytes | null} */
  let digest = null;
  /** @type {{ by: string | null, digest: Bytes }[]} */
  const certificates = [];
  for (const attribute of new DerReader(bytes).all(64)) {
    const inner = insideOf(attribute, TAG.sequence);
    const oid = oidOf(inner);
    const values = inner.inside(TAG.set);
    inner.end();
    if (!Object.values(ATTRIBUTE).includes(oid)) continue;
    const value = values.any();
    values.end();
    // RFC 5652, 11: once each.
    if (oid === ATTRIBUTE.content && content === null && value.tag === TAG.oid) content = hex(value.value);
    else if (oid === ATTRIBUTE.digest && digest === null && value.tag === TAG.octets) digest = value.value;
    else if (oid === ATTRIBUTE.certificate) certificates.push({ by: null, digest: firstNamed(value).take(TAG.octets).value });
    else if (oid === ATTRIBUTE.certificateV2) {
      const id = firstNamed(value);
      // RFC 5816, 2.2.1: SHA-256 where nothing is said.
      const algorithm = id.maybe(TAG.sequence);
      certificates.push({ by: algorithm ? oidOf(new DerReader(algorithm.value)) : SHA256_OID, digest: id.take(TAG.octets).value });
    } else notDer();
  }
  return content !== null && digest !== null ? { content, digest, certificates } : notDer();
}

/** The first certificate that an attribute names. @param {Element} value */
function firstNamed(value) {
  return insideOf(value, TAG.sequence).inside(TAG.sequence).inside(TAG.sequence);
}

/** What is stamped, and when (RFC 3161, 2.4.2, TSTInfo). @param {Bytes} bytes */
function readInfo(bytes) {
  const info = onlyDer(bytes, TAG.sequence);
  if (smallNumber(info.take(TAG.integer)) !== 1) notDer();
  info.take(TAG.oid);
  const stamped = info.inside(TAG.sequence);
  const algorithm = oidOf(stamped.inside(TAG.sequence));
  const imprint = stamped.take(TAG.octets).value;
  stamped.end();
  info.take(TAG.integer);
  const { at, fraction, second } = derTime(info.take(TAG.time));
  const accuracy = info.maybe(TAG.sequence);
  const within = accuracy ? accuracyInSeconds(accuracy.value) : 0;
  info.maybe(TAG.boolean);
  info.maybe(TAG.integer);
  info.maybe(0xa0);
  info.maybe(0xa1);
  info.end();
  return { algorithm, imprint, at, within, when: fraction === "" ? `${second}Z` : `${second}.${fraction}Z` };
}

/** Seconds, milliseconds and microseconds, each if said; rounded up to seconds. @param {Bytes} bytes */
function accuracyInSeconds(bytes) {
  const parts = new DerReader(bytes);
  const [seconds, millis, micros] = [TAG.integer, 0x80, 0x81].map((tag) => {
    const part = parts.maybe(tag);
    return part ? smallNumber(part) : 0;
  });
  parts.end();
  if (millis >= 1000 || micros >= 1000) notDer();
  return seconds + (millis + micros > 0 ? 1 : 0);
}
