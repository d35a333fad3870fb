// SHA-256 (FIPS 180-4), incremental: serves pages without Web Crypto and files too large for one call. Pure.
// @ts-check

import { hex, utf8 } from "./bytes.js";

// Round constants: the first 32 bits of the fractional parts of the cube roots of the first 64 primes (FIPS 180-4 4.2.2).
const K = new Int32Array([
  0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5, 0xd807aa98, 0x12835b01, 0x243185be,
  0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174, 0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa,
  0x5cb0a9dc, 0x76f988da, 0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967, 0x27b70a85,
  0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85, 0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3,
  0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070, 0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f,
  0x682e6ff3, 0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2,
]);
const START = [0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19];
const W = new Int32Array(64);

/** A running SHA-256: `update` any number of times, then `digest` once. */
export class Sha256 {
  #state = new Int32Array(START);
  #tail = new Uint8Array(64);
  #held = 0;
  #length = 0;

  /** Takes more bytes. @param {Uint8Array} bytes @returns {this} */
  update(bytes) {
    this.#length += bytes.length;
    let at = 0;
    if (this.#held > 0) {
      at = Math.min(64 - this.#held, bytes.length);
      this.#tail.set(bytes.subarray(0, at), this.#held);
      this.#held += at;
      if (this.#held < 64) return this;
      blocks(this.#state, this.#tail, 0, 64);
      this.#held = 0;
    }
    const end = at + ((bytes.length - at) & ~63);
    blocks(this.#state, bytes, at, end);
    this.#tail.set(bytes.subarray(end));
    this.#held = bytes.length - end;
    return this;
  }

  /** The 32 bytes. The hash is used up then. @returns {Uint8Array<ArrayBuffer>} */
  digest() {
    const end = new Uint8Array(this.#held < 56 ? 64 : 128);
    end.set(this.#tail.subarray(0, this.#held));
    end[this.#held] = 0x80;
    const view = new DataView(end.buffer);
    // The length is in bits, 64 of them: split, since a double holds 53.
    view.setUint32(end.length - 8, Math.floor(this.#length / 0x20000000));
    view.setUint32(end.length - 4, (this.#length << 3) >>> 0);
    blocks(this.#state, end, 0, end.length);
    const out = new Uint8Array(32);
    const words = new DataView(out.buffer);
    this.#state.forEach((word, i) => words.setInt32(4 * i, word));
    return out;
  }
}

/**
 * @param {Int32Array} state
 * @param {Uint8Array} bytes
 * @param {number} from
 * @param {number} to a multiple of 64 after `from`
 */
function blocks(state, bytes, from, to) {
  // One by one: unpacking the array as a list makes engines lose sight of the integers, at a third of the speed.
  let s0 = state[0], s1 = state[1], s2 = state[2], s3 = state[3], s4 = state[4], s5 = state[5], s6 = state[6], s7 = state[7];
  for (let at = from; at < to; at += 64) {
    for (let i = 0, p = at; i < 16; i++, p += 4) {
      W[i] = (bytes[p] << 24) | (bytes[p + 1] << 16) | (bytes[p + 2] << 8) | bytes[p + 3];
    }
    for (let i = 16; i < 64; i++) {
      const x = W[i - 15];
      const y = W[i - 2];
      const small0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
      const small1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
      W[i] = (((W[i - 16] + small0) | 0) + ((W[i - 7] + small1) | 0)) | 0;
    }
    let a = s0, b = s1, c = s2, d = s3, e = s4, f = s5, g = s6, h = s7;
    for (let i = 0; i < 64; i++) {
      const big1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
      const one = (((((h + big1) | 0) + (g ^ (e & (f ^ g)))) | 0) + ((K[i] + W[i]) | 0)) | 0;
      const big0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
      const two = (big0 + ((a & b) | (c & (a | b)))) | 0;
      h = g; g = f; f = e;
      e = (d + one) | 0;
      d = c; c = b; b = a;
      a = (one + two) | 0;
    }
    s0 = (s0 + a) | 0; s1 = (s1 + b) | 0; s2 = (s2 + c) | 0; s3 = (s3 + d) | 0;
    s4 = (s4 + e) | 0; s5 = (s5 + f) | 0; s6 = (s6 + g) | 0; s7 = (s7 + h) | 0;
  }
  state.set([s0, s1, s2, s3, s4, s5, s6, s7]);
}

/** SHA-256 of bytes. @param {Uint8Array} bytes @returns {Uint8Array<ArrayBuffer>} */
export function sha256(bytes) {
  return new Sha256().update(bytes).digest();
}

/** `sha256:<64 hex>` of bytes or of a text's UTF-8. @param {Uint8Array | string} what @returns {string} */
export function digestOf(what) {
  return `sha256:${hex(sha256(typeof what === "string" ? utf8(what) : what))}`;
}

/**
 * `sha256:<64 hex>` of a Blob, read in slices so that memory stays bounded.
 * @param {Blob} blob
 * @param {number} [slice] bytes a slice
 * @returns {Promise<string>}
 */
export async function digestOfBlob(blob, slice = 1 << 20) {
  const hash = new Sha256();
  for (let at = 0; at < blob.size; at += slice) {
    hash.update(new Uint8Array(await blob.slice(at, at + slice).arrayBuffer()));
  }
  return `sha256:${hex(hash.digest())}`;
}
