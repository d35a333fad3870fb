// The log's tree (RFC 6962 2.1, RFC 9162 2.1): leaf and node hashes, and the two checks of a proof. Pure.
// @ts-check

import { Sha256 } from "../sha256.js";

/** @param {Uint8Array} entry */
export function leafHash(entry) {
  return new Sha256().update(Uint8Array.of(0)).update(entry).digest();
}

/** @param {Uint8Array} left @param {Uint8Array} right */
export function nodeHash(left, right) {
  return new Sha256().update(Uint8Array.of(1)).update(left).update(right).digest();
}

/** @param {Uint8Array} a @param {Uint8Array} b */
export function sameBytes(a, b) {
  return a.length === b.length && a.every((byte, i) => byte === b[i]);
}

/** Half of a whole number, rounded down; numbers here may be larger than 32 bits. @param {number} n */
const half = (n) => Math.floor(n / 2);

/**
 * Whether a leaf stands at an index of the tree (RFC 9162 2.1.3.2).
 * @param {number} index @param {number} size @param {Uint8Array} leaf @param {Uint8Array[]} path @param {Uint8Array} root
 */
export function included(index, size, leaf, path, root) {
  if (!(index < size)) return false;
  let fn = index, sn = size - 1, r = leaf;
  for (const p of path) {
    if (sn === 0) return false;
    if (fn % 2 === 1 || fn === sn) {
      r = nodeHash(p, r);
      while (fn % 2 === 0 && fn !== 0) {
        fn = half(fn);
        sn = half(sn);
      }
    } else {
      r = nodeHash(r, p);
    }
    fn = half(fn);
    sn = half(sn);
  }
  return sn === 0 && sameBytes(r, root);
}

/**
 * Whether the tree of `size` begins with the tree of `old` (RFC 9162 2.1.4.2).
 * @param {number} old @param {number} size @param {Uint8Array[]} proof @param {Uint8Array} oldRoot @param {Uint8Array} root
 */
export function goesOn(old, size, proof, oldRoot, root) {
  if (old === 0 || old > size) return false;
  if (old === size) return proof.length === 0 && sameBytes(oldRoot, root);
  let fn = old - 1, sn = size - 1;
  let whole = old;
  while (whole % 2 === 0) whole = half(whole);
  const path = whole === 1 ? [oldRoot, ...proof] : proof;
  if (path.length === 0) return false;
  while (fn % 2 === 1) {
    fn = half(fn);
    sn = half(sn);
  }
  let fr = path[0], sr = path[0];
  for (const c of path.slice(1)) {
    if (sn === 0) return false;
    if (fn % 2 === 1 || fn === sn) {
      fr = nodeHash(c, fr);
      sr = nodeHash(c, sr);
      while (fn % 2 === 0 && fn !== 0) {
        fn = half(fn);
        sn = half(sn);
      }
    } else {
      sr = nodeHash(sr, c);
    }
    fn = half(fn);
    sn = half(sn);
  }
  return sn === 0 && sameBytes(fr, oldRoot) && sameBytes(sr, root);
}
