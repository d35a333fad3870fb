// A film: what its container says of itself, read before it is kept, so that a film that is too long is told while the machine
// is still there. Only headers are read, wherever in the file they stand. The server reads the same in `server/src/photo/film.rs`.
// @ts-check

/** Largest film the server takes, bytes. */
export const MAX_FILM = 256 * 1024 * 1024;
/** The longest film, milliseconds: 30 seconds, and the one that a phone takes to stop (common practice, no source). */
export const LONGEST_FILM = 31_000;
/** Most of the movie box that is read, bytes; a phone's for 30 seconds has some 30 KB. */
const MAX_MOOV = 4 * 1024 * 1024;
/** Most boxes of one level that are looked at. */
const MAX_BOXES = 4096;
/** Brands of films (ISO/IEC 14496-12 4.3); `qt  ` is QuickTime's own. A picture's file may name one too, but not first. */
const BRANDS = ["isom", "iso2", "iso4", "iso5", "iso6", "mp41", "mp42", "avc1", "M4V ", "M4VH", "MSNV", "3gp4", "3gp5", "3gp6", "qt  "];

/**
 * A film's length in milliseconds, `null` where its header does not say, as in one that was recorded in pieces;
 * `undefined`: this is no film that is kept.
 * @param {Blob} file @returns {Promise<number | null | undefined>} rejects with what reading the file threw
 */
export async function filmLength(file) {
  const read = async (/** @type {number} */ from, /** @type {number} */ to) => new DataView(await file.slice(from, Math.min(to, file.size)).arrayBuffer());
  let known = false;
  for (let at = 0, boxes = 0; at < file.size && boxes < MAX_BOXES; boxes += 1) {
    const box = boxOf(await read(at, at + 16), file.size - at);
    if (!box) break;
    if (at === 0) {
      if (box.name !== "ftyp" || box.size < 16 || box.size > 1024) return undefined;
      const brand = await read(box.header, box.header + 4);
      if (brand.byteLength < 4 || !BRANDS.includes(name(brand, 0))) return undefined;
      known = true;
    } else if (box.name === "moov") {
      return lengthIn(await read(at + box.header, at + Math.min(box.size, box.header + MAX_MOOV)));
    }
    at += box.size;
  }
  return known ? null : undefined;
}

/** By the movie's own header (14496-12 8.2.2). @param {DataView} moov @returns {number | null} */
function lengthIn(moov) {
  for (let at = 0, boxes = 0; at + 8 <= moov.byteLength && boxes < MAX_BOXES; boxes += 1) {
    const left = moov.byteLength - at;
    const box = boxOf(new DataView(moov.buffer, moov.byteOffset + at, left), left);
    if (!box || box.size > left) return null;
    const body = at + box.header;
    const long = box.name === "mvhd" && body < moov.byteLength && moov.getUint8(body) === 1;
    if (box.name === "mvhd") {
      if (box.size - box.header < (long ? 32 : 20)) return null;
      const scale = moov.getUint32(body + (long ? 20 : 12));
      const length = long ? Number(moov.getBigUint64(body + 24)) : moov.getUint32(body + 16);
      // All ones stand for "not known"; so does nothing at all.
      const known = scale > 0 && length > 0 && length !== 0xffff_ffff && length < 2 ** 63;
      return known ? Math.floor((length * 1000) / scale) : null;
    }
    at += box.size;
  }
  return null;
}

/** A box's name, the length of its header, its whole length. @param {DataView} view @param {number} left bytes from here to the end */
function boxOf(view, left) {
  if (view.byteLength < 8) return undefined;
  const short = view.getUint32(0);
  const header = short === 1 ? 16 : 8;
  if (view.byteLength < header) return undefined;
  const size = short === 0 ? left : short === 1 ? Number(view.getBigUint64(8)) : short;
  return size >= header ? { name: name(view, 4), header, size } : undefined;
}

/** @param {DataView} view @param {number} at */
const name = (view, at) => String.fromCharCode(...[0, 1, 2, 3].map((i) => view.getUint8(at + i)));
