// Reads DER (ITU-T X.690), as `evidence/src/stamp/der.rs` does: lengths in their shortest form, tags of one byte, nothing left over.
// What is wrong throws a `RangeError`. Pure.
// @ts-check

/** @typedef {{ tag: number, value: Uint8Array<ArrayBuffer>, whole: Uint8Array<ArrayBuffer> }} Element */

export const TAG = { boolean: 0x01, integer: 0x02, bits: 0x03, octets: 0x04, oid: 0x06, utcTime: 0x17, time: 0x18, sequence: 0x30, set: 0x31 };

/** @returns {never} */
export function notDer() {
  throw new RangeError("this is not DER");
}

/** What is left to be read. */
export class DerReader {
  #left;

  /** @param {Uint8Array<ArrayBuffer>} bytes */
  constructor(bytes) {
    this.#left = bytes;
  }

  get done() {
    return this.#left.length === 0;
  }

  /** The next element. @returns {Element} */
  any() {
    const [tag, first] = this.#left;
    if (this.#left.length < 2 || (tag & 0x1f) === 0x1f) notDer();
    let length = first, head = 2;
    if (first >= 0x80) {
      const more = first & 0x7f;
      if (first < 0x81 || first > 0x83 || this.#left.length < 2 + more) notDer();
      length = this.#left.subarray(2, 2 + more).reduce((n, b) => n * 256 + b, 0);
      if (length < (more === 1 ? 0x80 : 256 ** (more - 1))) notDer();
      head = 2 + more;
    }
    if (this.#left.length < head + length) notDer();
    const whole = this.#left.subarray(0, head + length);
    this.#left = this.#left.subarray(head + length);
    return { tag, value: whole.subarray(head), whole };
  }

  /** The next element, which has this tag. @param {number} tag */
  take(tag) {
    const next = this.any();
    return next.tag === tag ? next : notDer();
  }

  /** The next element when it has this tag; otherwise nothing is read. @param {number} tag */
  maybe(tag) {
    return this.#left[0] === tag ? this.take(tag) : null;
  }

  /** The contents of the next element, to be read in turn. @param {number} tag */
  inside(tag) {
    return new DerReader(this.take(tag).value);
  }

  /** Nothing is left. */
  end() {
    if (!this.done) notDer();
  }

  /** All that are left; at most so many. @param {number} most */
  all(most) {
    const out = [];
    while (!this.done) {
      if (out.length === most) notDer();
      out.push(this.any());
    }
    return out;
  }
}

/** A whole document that is one element of this tag. @param {Uint8Array<ArrayBuffer>} bytes @param {number} tag */
export function onlyDer(bytes, tag) {
  const reader = new DerReader(bytes);
  const inside = reader.inside(tag);
  reader.end();
  return inside;
}

/** The contents of an element, to be read in turn; it has this tag. @param {Element} element @param {number} tag */
export function insideOf(element, tag) {
  return element.tag === tag ? new DerReader(element.value) : notDer();
}

/** The bits of a BIT STRING of whole bytes. @param {Element} element */
export function wholeBits({ value }) {
  return value[0] === 0 ? value.subarray(1) : notDer();
}

/** A whole number that is not negative and below 2^31. @param {Element} element */
export function smallNumber({ value }) {
  const shortest = value.length < 2 || value[0] !== 0 || value[1] >= 0x80;
  if (value.length < 1 || value.length > 4 || value[0] >= 0x80 || !shortest) notDer();
  return value.reduce((n, b) => n * 256 + b, 0);
}

/** @param {Element | null} element nothing is false */
export function derTruth(element) {
  if (element === null) return false;
  const [byte] = element.value;
  if (element.value.length !== 1 || (byte !== 0 && byte !== 0xff)) notDer();
  return byte === 0xff;
}

/** A time in UTC: milliseconds since the Unix epoch, and its fraction as it stands. @param {Element} element */
export function derTime({ tag, value }) {
  const found = /^([0-9]{12}|[0-9]{14})(?:\.([0-9]{1,9}))?Z$/.exec(String.fromCharCode(...value));
  if (!found) return notDer();
  const [, digits, fraction = ""] = found;
  const short = tag === TAG.utcTime && digits.length === 12 && fraction === "";
  if (!short && !(tag === TAG.time && digits.length === 14)) notDer();
  // RFC 5280, 4.1.2.5.1: two digits from 50 on are of the last century.
  const long = short ? `${digits < "50" ? "20" : "19"}${digits}` : digits;
  const [year, month, day, hour, minute, second] = [long.slice(0, 4), ...(long.slice(4).match(/../g) ?? [])];
  const written = `${year}-${month}-${day}T${hour}:${minute}:${second}.${fraction.padEnd(3, "0").slice(0, 3)}Z`;
  const at = Date.parse(written);
  if (Number.isNaN(at) || at < 0 || new Date(at).toISOString() !== written) notDer();
  return { at, fraction, second: written.slice(0, 19) };
}
