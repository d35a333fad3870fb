// SHA-512 (FIPS 180-4), whole messages only: the hash inside Ed25519. Pure.
// @ts-check

const MASK64 = (1n << 64n) - 1n;

/** The first `bits` bits of the fractional part of a root of a prime. @param {bigint} prime @param {bigint} degree */
function fraction(prime, degree) {
  // The root of prime · 2^(64·degree), by bisection; its last 64 bits are the fraction's first 64.
  const scaled = prime << (64n * degree);
  let low = 0n, high = 1n << 70n;
  while (high - low > 1n) {
    const middle = (low + high) >> 1n;
    if (middle ** degree <= scaled) low = middle;
    else high = middle;
  }
  return low & MASK64;
}

/** The first primes. @param {number} count @returns {bigint[]} */
function primes(count) {
  /** @type {bigint[]} */
  const found = [];
  for (let n = 2n; found.length < count; n++) if (found.every((p) => n % p !== 0n)) found.push(n);
  return found;
}

// Constants by their definition (FIPS 180-4 4.2.3 and 5.3.5).
const ROUNDS = primes(80).map((p) => fraction(p, 3n));
const BEGIN = primes(8).map((p) => fraction(p, 2n));

/** @param {bigint} x @param {bigint} by */
const turn = (x, by) => ((x >> by) | (x << (64n - by))) & MASK64;

/** The 64 bytes. @param {Uint8Array} bytes @returns {Uint8Array<ArrayBuffer>} */
export function sha512(bytes) {
  const padded = new Uint8Array(Math.ceil((bytes.length + 17) / 128) * 128);
  padded.set(bytes);
  padded[bytes.length] = 0x80;
  const view = new DataView(padded.buffer);
  view.setBigUint64(padded.length - 8, BigInt(bytes.length) * 8n);
  const state = [...BEGIN];
  for (let at = 0; at < padded.length; at += 128) {
    /** @type {bigint[]} */
    const w = [];
    for (let i = 0; i < 16; i++) w.push(view.getBigUint64(at + 8 * i));
    for (let i = 16; i < 80; i++) {
      const x = w[i - 15], y = w[i - 2];
      const low = turn(x, 1n) ^ turn(x, 8n) ^ (x >> 7n);
      const high = turn(y, 19n) ^ turn(y, 61n) ^ (y >> 6n);
      w.push((w[i - 16] + low + w[i - 7] + high) & MASK64);
    }
    let [a, b, c, d, e, f, g, h] = state;
    for (let i = 0; i < 80; i++) {
      const one = h + (turn(e, 14n) ^ turn(e, 18n) ^ turn(e, 41n)) + ((e & f) ^ (~e & MASK64 & g)) + ROUNDS[i] + w[i];
      const two = (turn(a, 28n) ^ turn(a, 34n) ^ turn(a, 39n)) + ((a & b) ^ (a & c) ^ (b & c));
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) & MASK64, c, b, a, (one + two) & MASK64];
    }
    [a, b, c, d, e, f, g, h].forEach((word, i) => (state[i] = (state[i] + word) & MASK64));
  }
  const out = new DataView(new ArrayBuffer(64));
  state.forEach((word, i) => out.setBigUint64(8 * i, word));
  return new Uint8Array(out.buffer);
}
