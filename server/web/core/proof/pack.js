// Checks a pack, as `evidence/src/verify/pack.rs` does: the same items in the same order. Reads in slices. Pure but for the source.
// @ts-check

import { fromUtf8, hex } from "../bytes.js";
import { Sha256, digestOf } from "../sha256.js";
import { Facts, asDigest, compare } from "./entries.js";
import { MAX_ENCODED, MAX_ENTRY, readCanonical } from "./entry.js";
import { MAX_NOTE, MAX_PROOF, openCheckpoint, openNote, originParts, readKey, readProof } from "./note.js";
import { believed, lineOf, settleKeys } from "./keys.js";
import { MAX_RECEIPT, checkReceipt, continuations, readEarlier } from "./receipt.js";
import { stampsIn, witnessedIn } from "./outside.js";
import { listMembers, readAt, sourceOf } from "./zip.js";

/** @import {EarlierReceipt, Item, Trusted} from "./entries.js" */
/** @import {Checkpoint, VerifierKey} from "./note.js" */
/** @import {Member, Source} from "./zip.js" */
/** @typedef {{ shop: string, scope: string, files: { path: string, size: number, sha256: string }[], withheld: string[] }} Manifest */

const MAX_MANIFEST = 8 << 20;
const MAX_RECORD = 128 << 20;
const MAX_SHEET = 1 << 20;
const SLICE = 1 << 20;

/** A source and what is in it. */
export class Archive {
  /** @param {Source} source @param {Member[]} members @param {(done: number) => void} [progress] */
  constructor(source, members, progress) {
    this.source = source;
    this.members = new Map(members.map((m) => [m.name, m]));
    this.progress = progress;
    this.done = 0;
  }

  /** A member's bytes when it is there and not longer than this. @param {string} path @param {number} most */
  async bytes(path, most) {
    const member = this.members.get(path);
    return member && member.size <= most ? readAt(this.source, member.at, member.size) : null;
  }

  /** @param {string} path @param {number} most */
  async text(path, most) {
    const bytes = await this.bytes(path, most);
    try {
      return bytes && fromUtf8(bytes);
    } catch {
      return null;
    }
  }

  /** @param {Member} member */
  async digest(member) {
    const hash = new Sha256();
    for (let done = 0; done < member.size; done += SLICE) {
      const piece = await readAt(this.source, member.at + done, Math.min(SLICE, member.size - done));
      if (!piece) return null;
      hash.update(piece);
      this.done += piece.length;
      this.progress?.(this.done);
    }
    return `sha256:${hex(hash.digest())}`;
  }
}

/**
 * Checks a pack. `earlier`: undefined when none is compared with.
 * @param {Source} source @param {Trusted} trusted @param {EarlierReceipt | null} [earlier] @param {(done: number) => void} [progress]
 * @returns {Promise<Item[]>}
 */
export async function checkPack(source, trusted, earlier, progress) {
  /** @type {Item[]} */
  const items = [];
  const members = await listMembers(source);
  if (typeof members === "string") return [{ of: "archive", verdict: "broken", code: members }];
  const archive = new Archive(source, members, progress);
  items.push({ of: "archive", verdict: "unchanged", code: "archive" });

  const note = (await archive.text("checkpoint.txt", MAX_NOTE)) ?? "";
  const origin = note.split("\n")[0];
  const keys = (await archive.text("keys.txt", MAX_NOTE)) ?? "";
  const own = keys.split("\n").map((k) => readKey(k)).filter((k) => k !== null).filter((k) => k.name === origin);
  const from = believed(note, own, trusted.keys, items);
  if (!from) return items;
  const { key } = from;
  const head = openCheckpoint(note, key);
  if (!head) return items.push({ of: "checkpoint.txt", verdict: "broken", code: "checkpoint-signature" }), items;
  items.push({ of: "checkpoint.txt", verdict: "unchanged", code: "checkpoint" });
  const manifest = await readManifest(archive, key, head, items);
  if (!manifest) return items;

  const seen = await files(archive, manifest, members.map((m) => m.name), items);
  const facts = await record(archive, head, note, items);
  settleKeys(from, { of: "checkpoint.txt", note }, facts, items);
  const line = { head, keys: lineOf(from, facts) };
  await sheet(archive, manifest, facts, items);
  photos(manifest, seen, facts, items);
  await stampsIn(archive, line, trusted, items);
  await witnessedIn(archive, line, trusted, items);
  if (earlier !== undefined) {
    const proofs = await archive.bytes("consistency.json", MAX_MANIFEST);
    const continues = (proofs && continuations(readCanonical(proofs))) ?? new Map();
    compare(earlier, { head, from, facts, continues }, items);
  }
  return items;
}

/** @param {any} m @returns {m is Manifest & { v: 1 }} */
function isManifest(m) {
  return typeof m === "object" && m !== null && m.v === 1 && typeof m.shop === "string" && typeof m.intake === "string" && typeof m.scope === "string"
    && Array.isArray(m.withheld) && m.withheld.every(asDigest) && Array.isArray(m.files)
    && m.files.every((/** @type {any} */ f, /** @type {number} */ i) => typeof f?.path === "string" && Number.isSafeInteger(f.size) && f.size >= 0 && asDigest(f.sha256)
      && (i === 0 || m.files[i - 1].path < f.path));
}

/** @param {Archive} archive @param {VerifierKey} key @param {Checkpoint} head @param {Item[]} items @returns {Promise<Manifest | null>} */
async function readManifest(archive, key, head, items) {
  const say = (/** @type {Item["verdict"]} */ verdict, /** @type {string} */ code) => (items.push({ of: "manifest.json", verdict, code }), null);
  const bytes = await archive.bytes("manifest.json", MAX_MANIFEST), seal = await archive.text("manifest.note", MAX_NOTE);
  if (bytes === null || seal === null) return say("missing", "manifest-missing");
  if (openNote(seal, key) !== `counterfoil pack manifest\n${digestOf(bytes)}\n`) return say("broken", "manifest-signature");
  const manifest = readCanonical(bytes);
  if (!isManifest(manifest)) return say("not understood", "manifest-form");
  const named = originParts(head.origin);
  if (named && named.shop !== manifest.shop) return say("broken", "manifest-other-shop");
  say("unchanged", "manifest");
  return manifest;
}

/** Every listed file, then every file that is not listed. @param {Archive} archive @param {Manifest} manifest @param {string[]} order @param {Item[]} items */
async function files(archive, manifest, order, items) {
  /** @type {Map<string, string>} */
  const seen = new Map();
  for (const { path, size, sha256 } of manifest.files) {
    const member = archive.members.get(path);
    if (!member) {
      items.push({ of: path, verdict: "missing", code: "file-missing" });
      continue;
    }
    const found = await archive.digest(member);
    if (found === sha256 && member.size === size) items.push({ of: path, verdict: "unchanged", code: "file" });
    else items.push({ of: path, verdict: "broken", code: "file-changed" });
    if (found) seen.set(path, found);
  }
  const listed = new Set(manifest.files.map((f) => f.path));
  for (const name of order) {
    if (!listed.has(name) && name !== "manifest.json" && name !== "manifest.note") items.push({ of: name, verdict: "broken", code: "file-extra" });
  }
  return seen;
}

/** The entries, each with its proof and its disclosures. @param {Archive} archive @param {Checkpoint} head @param {string} note @param {Item[]} items */
async function record(archive, head, note, items) {
  const facts = new Facts();
  const inside = [...archive.members.values()].filter((m) => /^(entries|proofs|details)\//.test(m.name));
  if (inside.reduce((sum, m) => sum + m.size, 0) > MAX_RECORD) {
    items.push({ of: "entries", verdict: "not understood", code: "record-too-large" });
    return facts;
  }
  for (const name of inside.map((m) => m.name).filter((n) => n.startsWith("entries/")).sort()) {
    const digits = /^entries\/([0-9]{8,15})\.json$/.exec(name)?.[1];
    const index = digits === undefined ? NaN : Number(digits);
    if (digits === undefined || String(index).padStart(8, "0") !== digits) {
      items.push({ of: name, verdict: "not understood", code: "entry-name" });
      continue;
    }
    const of = `entry ${index}`;
    const bytes = await archive.bytes(name, MAX_ENTRY);
    if (!bytes) {
      items.push({ of, verdict: "not understood", code: "entry-form" });
      continue;
    }
    const text = await archive.text(`proofs/${digits}.tlog-proof`, MAX_PROOF);
    if (text === null) {
      items.push({ of, verdict: "missing", code: "proof-missing" });
      continue;
    }
    const proof = readProof(text);
    if (proof?.index !== index || proof.checkpoint !== note) {
      items.push({ of, verdict: "broken", code: "proof-other" });
      continue;
    }
    const details = (await archive.text(`details/${digits}.txt`, 64 * MAX_ENCODED)) ?? "";
    const disclosures = (details.endsWith("\n") ? details.slice(0, -1) : details).split("\n").map((l) => (l.endsWith("\r") ? l.slice(0, -1) : l));
    facts.take(head, { index, bytes, path: proof.path, disclosures: details === "" ? [] : disclosures }, items);
  }
  return facts;
}

/** A sheet's lists, or null when it is not written as sheets are. @param {Uint8Array} bytes @returns {{ entries: string[], files: string[] } | null} */
function readSheet(bytes) {
  const s = readCanonical(bytes);
  if (typeof s !== "object" || s === null || s.v !== 1) return null;
  const known = ["entries", "files", "intake", "kind", "language", "reader", "shop", "terms", "v", "words"];
  const id = /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/;
  const text = (/** @type {any} */ t) => typeof t === "string" && t.trim() !== "";
  const good = Object.keys(s).every((k) => known.includes(k)) && Array.isArray(s.entries) && Array.isArray(s.files) && [...s.entries, ...s.files].every(asDigest)
    && s.entries.every((/** @type {string} */ d, /** @type {number} */ i) => i === 0 || s.entries[i - 1] < d)
    && asDigest(s.kind) && asDigest(s.words) && (s.terms === undefined || asDigest(s.terms))
    && [s.intake, s.shop].every((i) => typeof i === "string" && id.test(i)) && text(s.language) && (s.reader === undefined || text(s.reader));
  return good ? s : null;
}

/** The sheet that was signed. @param {Archive} archive @param {Manifest} manifest @param {Facts} facts @param {Item[]} items */
async function sheet(archive, manifest, facts, items) {
  if (facts.sheet === null) return;
  const say = (/** @type {Item["verdict"]} */ verdict, /** @type {string} */ code) => void items.push({ of: "sheet.json", verdict, code });
  const bytes = await archive.bytes("sheet.json", MAX_SHEET);
  if (!bytes) return say("missing", "sheet-missing");
  if (digestOf(bytes) !== facts.sheet) return say("broken", "sheet-changed");
  const read = readSheet(bytes);
  if (!read) return say("not understood", "sheet-form");
  say("unchanged", "sheet");
  const whole = manifest.scope === "intake";
  const lacking = (/** @type {string} */ of, /** @type {string} */ code) => items.push({ of, verdict: whole ? "missing" : "withheld", code: whole ? code : "sheet-part" });
  for (const d of read.entries) if (!facts.said.has(d)) lacking(d, "sheet-entry");
  for (const d of read.files) if (!facts.photos.some((p) => p.file === d)) lacking(d, "sheet-photo");
}

/** Every photo that an entry names; then every picture that none names. @param {Manifest} manifest @param {Map<string, string>} seen @param {Facts} facts @param {Item[]} items */
function photos(manifest, seen, facts, items) {
  const under = (/** @type {string} */ folder) => new Set([...seen].filter(([p]) => p.startsWith(folder)).map(([, d]) => d));
  const here = under("originals/"), copies = under("copies/");
  for (const { photo, file } of facts.photos) {
    const copied = [...(facts.copies.get(file) ?? [])].some((c) => copies.has(c));
    const say = (/** @type {Item["verdict"]} */ verdict, /** @type {string} */ code) => items.push({ of: `photo ${photo}`, verdict, code });
    if (here.has(file)) say("unchanged", "photo");
    else if (facts.erased.has(photo)) say("erased", "photo-erased");
    else if (facts.moved.has(photo)) say("withheld", "photo-moved");
    else if (manifest.withheld.includes(file) && copied) say("withheld", "photo-withheld");
    else say("missing", "photo-missing");
  }
  const bound = new Set([...facts.copies.values()].flatMap((made) => [...made]));
  for (const [path, digest] of seen) {
    if (path.startsWith("originals/") && !facts.photos.some((p) => p.file === digest)) items.push({ of: path, verdict: "broken", code: "original-unnamed" });
    if (path.startsWith("copies/") && !bound.has(digest)) items.push({ of: path, verdict: "broken", code: "copy-unbound" });
  }
}

/**
 * Checks whatever a file is: a pack or a receipt.
 * @param {Blob} file @param {Trusted} trusted @param {Blob | null} earlier @param {(done: number) => void} [progress] @returns {Promise<Item[]>}
 */
export async function checkFile(file, trusted, earlier, progress) {
  const whole = async (/** @type {Blob} */ b) => new Uint8Array(b.size <= MAX_RECEIPT ? await b.arrayBuffer() : new ArrayBuffer(0));
  const before = earlier ? readEarlier(await whole(earlier)) : undefined;
  const first = new Uint8Array(await file.slice(0, 2).arrayBuffer());
  if (first[0] === 0x50 && first[1] === 0x4b) return checkPack(sourceOf(file), trusted, before, progress);
  return checkReceipt(await whole(file), trusted, before);
}
