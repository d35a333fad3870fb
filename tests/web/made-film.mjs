// Films that show nothing: headers as a phone writes them (ISO/IEC 14496-12, laid out from memory) around bytes of our own.

const u32 = (/** @type {number} */ n) => [(n >>> 24) & 255, (n >>> 16) & 255, (n >>> 8) & 255, n & 255];
const latin = (/** @type {string} */ s) => [...s].map((c) => c.charCodeAt(0));

/** @param {string} name @param {Uint8Array | number[]} body @returns {Uint8Array<ArrayBuffer>} */
export function box(name, body) {
  const out = new Uint8Array(body.length + 8);
  out.set([...u32(out.length), ...latin(name)]);
  out.set(body, 8);
  return out;
}

/** @param {...Uint8Array} all @returns {Uint8Array<ArrayBuffer>} */
export function joined(...all) {
  const out = new Uint8Array(all.reduce((n, b) => n + b.length, 0));
  let at = 0;
  for (const b of all) {
    out.set(b, at);
    at += b.length;
  }
  return out;
}

/** The movie's own header, its length in the units of `scale`; `long`: in 64 bits. @param {number} length @param {{ scale?: number, long?: boolean }} [how] */
export function header(length, { scale = 1000, long = false } = {}) {
  const body = new Uint8Array(long ? 112 : 100);
  if (long) body[0] = 1;
  body.set(u32(scale), long ? 20 : 12);
  body.set(u32(length), long ? 28 : 16);
  return box("mvhd", body);
}

/** A film. @param {{ ms?: number, bytes?: number, brand?: string, seed?: number, moov?: Uint8Array, first?: boolean }} [how] `bytes`: of what it shows; `first`: its header stands before them */
export function film({ ms = 12_500, bytes = 1_000, brand = "mp42", seed = 7, moov, first = false } = {}) {
  const shown = new Uint8Array(bytes);
  // Other bytes at every place, so that a part in the wrong place is another file.
  for (let i = 0, x = seed; i < bytes; i += 1) shown[i] = (x = (Math.imul(x, 1_103_515_245) + 12_345) >>> 0) >>> 16;
  const track = new Uint8Array(84);
  track.set([...u32(1280 * 65_536), ...u32(720 * 65_536)], 76);
  const head = moov ?? box("moov", joined(header(ms), box("trak", box("tkhd", track))));
  const data = box("mdat", shown);
  return joined(box("ftyp", latin(`${brand}\0\0\0\0isom`)), ...(first ? [head, data] : [data, head]));
}
