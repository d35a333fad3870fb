// Certificates (RFC 5280) as far as a time stamp needs them, as `evidence/src/stamp/certificate.rs`: read, and followed to a root that
// the reader trusts, by the same steps. Signatures are checked by Web Crypto.
// @ts-check

import { fromUtf8, hex } from "../bytes.js";
import { DerReader, TAG, derTime, derTruth, insideOf, onlyDer, smallNumber, wholeBits } from "./der.js";
import { sameBytes } from "./tree.js";

/** @import {Element} from "./der.js" */
/** @typedef {"SHA-256" | "SHA-384" | "SHA-512"} Hashed */
/** @typedef {{ by: "RSA" | "ECDSA", hash: Hashed }} Way */
/** @typedef {Uint8Array<ArrayBuffer>} Bytes */

const MAX_CERTIFICATE = 16 * 1024;
const MAX_STEPS = 6;
const RSA_KEY = "2a864886f70d010101", EC_KEY = "2a8648ce3d0201";
const TIME_STAMPING = "2b06010505070308";
/** @type {{[oid: string]: Hashed}} */
const HASHES = { "608648016503040201": "SHA-256", "608648016503040202": "SHA-384", "608648016503040203": "SHA-512" };
/** @type {{[oid: string]: Way}} */
const WAYS = {
  "2a864886f70d01010b": { by: "RSA", hash: "SHA-256" }, "2a864886f70d01010c": { by: "RSA", hash: "SHA-384" }, "2a864886f70d01010d": { by: "RSA", hash: "SHA-512" },
  "2a8648ce3d040302": { by: "ECDSA", hash: "SHA-256" }, "2a8648ce3d040303": { by: "ECDSA", hash: "SHA-384" },
};
/** @type {{[oid: string]: { name: string, half: number }}} */
const CURVES = { "2a8648ce3d030107": { name: "P-256", half: 32 }, "2b81040022": { name: "P-384", half: 48 } };

/** @param {DerReader} reader */
export const oidOf = (reader) => hex(reader.take(TAG.oid).value);

/** The hash of an algorithm's identifier, or null. @param {string} oid @returns {Hashed | null} */
export const hashNamed = (oid) => HASHES[oid] ?? null;

/** Digests by Web Crypto. @param {Hashed | "SHA-1"} hash @param {Bytes} bytes */
export async function digestBy(hash, bytes) {
  return new Uint8Array(await crypto.subtle.digest(hash, bytes));
}

/** How an identifier says it is signed, or null. @param {Element} identifier @param {Hashed | null} hash where it names none @returns {Way | null} */
export function wayOf(identifier, hash) {
  const oid = oidOf(new DerReader(identifier.value));
  if (oid === RSA_KEY) return hash && { by: "RSA", hash };
  return WAYS[oid] ?? null;
}

/** A certificate. Reading one that is not written so throws. */
export class Certificate {
  authority = false;
  /** @type {number | null} */
  steps = null;
  /** @type {boolean[] | null} */
  usage = null;
  /** @type {{ critical: boolean, list: string[] } | null} */
  purposes = null;
  unknown = false;

  /** @param {Bytes} bytes */
  constructor(bytes) {
    if (bytes.length > MAX_CERTIFICATE) throw new RangeError("too large");
    this.whole = bytes;
    const outer = onlyDer(bytes, TAG.sequence);
    const signed = outer.take(TAG.sequence);
    this.signed = signed.whole;
    this.identifier = outer.take(TAG.sequence);
    this.signature = wholeBits(outer.take(TAG.bits));
    outer.end();
    const inner = new DerReader(signed.value);
    const version = inner.maybe(0xa0);
    const third = version !== null && hex(version.value) === "020102";
    this.serial = inner.take(TAG.integer).value;
    if (!sameBytes(inner.take(TAG.sequence).whole, this.identifier.whole)) throw new RangeError("signed in two ways");
    this.issuer = inner.take(TAG.sequence).whole;
    const validity = inner.inside(TAG.sequence);
    this.from = derTime(validity.any()).at;
    this.until = derTime(validity.any()).at;
    validity.end();
    this.subject = inner.take(TAG.sequence);
    this.key = inner.take(TAG.sequence);
    inner.maybe(0x81);
    inner.maybe(0x82);
    const extensions = inner.maybe(0xa3);
    inner.end();
    if (!extensions) return;
    if (!third) throw new RangeError("only the third version has extensions");
    for (const extension of onlyDer(extensions.value, TAG.sequence).all(64)) this.#extension(extension);
  }

  /** @param {Element} extension */
  #extension(extension) {
    const inner = insideOf(extension, TAG.sequence);
    const oid = oidOf(inner);
    const critical = derTruth(inner.maybe(TAG.boolean));
    const value = inner.take(TAG.octets).value;
    inner.end();
    if (oid === "551d0f") {
      const bits = new DerReader(value).take(TAG.bits).value;
      if (bits.length < 2) throw new RangeError("no usage");
      this.usage = Array.from({ length: 6 }, (_, i) => (bits[1] & (0x80 >> i)) !== 0);
    } else if (oid === "551d13") {
      const inside = onlyDer(value, TAG.sequence);
      this.authority = derTruth(inside.maybe(TAG.boolean));
      const steps = inside.maybe(TAG.integer);
      this.steps = steps && smallNumber(steps);
      inside.end();
    } else if (oid === "551d25") {
      const list = onlyDer(value, TAG.sequence).all(64);
      if (list.some((p) => p.tag !== TAG.oid)) throw new RangeError("no purpose");
      this.purposes = { critical, list: list.map((p) => hex(p.value)) };
    } else if (critical) {
      this.unknown = true;
    }
  }

  /** What its subject is called, without characters that steer, or null. @returns {string | null} */
  get name() {
    const named = new DerReader(this.subject.value).all(64).filter((s) => s.tag === TAG.set).flatMap((s) => orElse([], () => new DerReader(s.value).all(8)))
      .flatMap((a) => orElse([], () => {
        const inner = new DerReader(a.value);
        const oid = oidOf(inner), text = inner.any();
        return oid === "550403" && [0x0c, 0x13, 0x16].includes(text.tag) ? [fromUtf8(text.value)] : [];
      }));
    const last = named.at(-1);
    return last !== undefined && [...last].length <= 64 ? last.replace(/\p{Cc}/gu, "\ufffd") : null;
  }

  /** RFC 3161, 2.3: stamping is its only purpose, and that is critical; where its key's usage is said, it may sign. */
  get stamps() {
    const only = this.purposes?.critical === true && this.purposes.list.length === 1 && this.purposes.list[0] === TIME_STAMPING;
    return only && (this.usage === null || this.usage[0] || this.usage[1]);
  }

  /**
   * Whether its key made a signature; null when it signs in a way that cannot be checked here.
   * @param {Way} way @param {Bytes} signed @param {Bytes} signature @returns {Promise<boolean | null>}
   */
  async made(way, signed, signature) {
    try {
      const spki = new DerReader(this.key.value);
      const identifier = spki.inside(TAG.sequence);
      const bits = wholeBits(spki.take(TAG.bits));
      const kind = oidOf(identifier);
      if (kind === RSA_KEY && way.by === "RSA") {
        const modulus = onlyDer(bits, TAG.sequence).take(TAG.integer).value;
        const length = 8 * modulus.length - (modulus[0] === 0 ? 8 + Math.clz32(modulus[1]) - 24 : Math.clz32(modulus[0]) - 24);
        if (!(length >= 2048 && length <= 8192)) return null;
        const algorithm = { name: "RSASSA-PKCS1-v1_5", hash: way.hash };
        return await verifiedBy(this.key.whole, algorithm, algorithm, signature, signed);
      }
      const curve = kind === EC_KEY && way.by === "ECDSA" ? CURVES[oidOf(identifier)] : undefined;
      if (!curve) return null;
      const raw = orElse(null, () => halves(signature, curve.half));
      if (!raw) return false;
      return await verifiedBy(this.key.whole, { name: "ECDSA", namedCurve: curve.name }, { name: "ECDSA", hash: way.hash }, raw, signed);
    } catch {
      return null;
    }
  }

  /** @param {Certificate} other */
  async issuedBy(other) {
    if (!sameBytes(this.issuer, other.subject.whole)) return false;
    const way = orElse(null, () => wayOf(this.identifier, null));
    return way !== null && (await other.made(way, this.signed, this.signature)) === true;
  }

  /** @param {number} at */
  holdsAt(at) {
    return this.from <= at && at <= this.until && !this.unknown;
  }

  /** Whether it may issue what stands so many steps below it. @param {number} below */
  issues(below) {
    return this.authority && (this.steps === null || below <= this.steps) && (this.usage === null || this.usage[5])
      && (this.purposes === null || this.purposes.list.includes(TIME_STAMPING));
  }
}

/** A key that cannot be taken in is one whose signatures do not hold. @param {Bytes} key @param {any} kind @param {any} how @param {Bytes} signature @param {Bytes} signed */
async function verifiedBy(key, kind, how, signature, signed) {
  if (!globalThis.crypto?.subtle) return null;
  try {
    return await crypto.subtle.verify(how, await crypto.subtle.importKey("spki", key, kind, false, ["verify"]), signature, signed);
  } catch {
    return false;
  }
}

/** What a reading gives, or something else where it throws. @template T @template E @param {E} otherwise @param {() => T} read @returns {T | E} */
export function orElse(otherwise, read) {
  try {
    return read();
  } catch {
    return otherwise;
  }
}

/** The two numbers of an ECDSA signature, side by side as Web Crypto wants them. @param {Bytes} signature @param {number} half */
function halves(signature, half) {
  const pair = onlyDer(signature, TAG.sequence);
  const out = new Uint8Array(2 * half);
  for (const end of [half, 2 * half]) {
    const { value } = pair.take(TAG.integer);
    const shortest = value.length > 0 && value[0] < 0x80 && (value[0] !== 0 || (value.length > 1 && value[1] >= 0x80));
    const digits = value[0] === 0 ? value.subarray(1) : value;
    if (!shortest || digits.length > half) return null;
    out.set(digits, end - digits.length);
  }
  pair.end();
  return out;
}

/**
 * Where a certificate leads, over others beside it, as things stood at a time.
 * @param {Certificate} from @param {Certificate[]} beside @param {Certificate[]} given @param {number} at
 * @returns {Promise<"to given" | "nowhere" | "wrongly">}
 */
export async function followed(from, beside, given, at) {
  const issuer = async (/** @type {Certificate} */ c, /** @type {Certificate[]} */ among) => {
    for (const other of among) if (await c.issuedBy(other)) return other;
    return null;
  };
  let current = from;
  for (let below = 0; below < MAX_STEPS; below++) {
    const here = current;
    if (!here.holdsAt(at) || (below > 0 && !here.issues(below - 1))) return "wrongly";
    if (given.some((g) => sameBytes(g.whole, here.whole))) return "to given";
    const root = await issuer(here, given);
    if (root) return root.holdsAt(at) && root.issues(below) ? "to given" : "wrongly";
    const next = await issuer(here, beside.filter((c) => !sameBytes(c.whole, here.whole)));
    if (!next) return "nowhere";
    current = next;
  }
  return "nowhere";
}
