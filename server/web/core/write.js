// Writing: what is said and photographed goes into the local store and the queue, in one transaction each, before a page
// goes on. No network is needed.
// @ts-check

import { canon } from "./canon.js";
import { signedIn } from "./context.js";
import { rowsToEntries } from "./entries.js";
import { LONGEST_FILM, MAX_FILM, filmLength } from "./film.js";
import { fold } from "./fold.js";
import { homeSheet } from "./hand-back.js";
import { keep, stands } from "./kept.js";
import { say as speak } from "./said.js";
import { digestOf } from "./sha256.js";
import { buildSheet } from "./sheet.js";
import { isTrouble, trouble } from "./trouble.js";
import { uuid7 } from "./uuid.js";
import { wordsOf } from "./catalogue.js";
import { spoken } from "./words.js";

/** @import {Context} from "./context.js" */
/** @import {Work} from "./store.js" */
/** @import {Earlier, JsonObject, Stage, Written} from "./types.js" */

/** Largest photo the server takes, bytes. */
export const MAX_PHOTO = 64 * 1024 * 1024;
const STORES = /** @type {const} */ (["entries", "queue", "meta"]);

/** @param {Context} ctx @param {string} kindDigest @param {string} tag @param {{how?: string, written?: Written, earlier?: Earlier}} [more] @returns {Promise<string>} */
export async function openIntake(ctx, kindDigest, tag, { how = "at counter", written, earlier } = {}) {
  const { shop } = signedIn(ctx);
  const number = tag.trim();
  if (!/^[A-Za-z0-9-]{1,12}$/.test(number)) throw trouble("tag-shape");
  const kind = await ctx.store.read(["kinds"], (w) => w.get("kinds", kindDigest));
  if (!kind) throw trouble("no-kind");
  const id = uuid7(ctx.edge.now(), ctx.edge.random(10));
  await ctx.store.write([...STORES, "intakes"], async (w) => {
    const here = [...(await w.by("intakes", "shop", shop)).flatMap((i) => [i.tag, ...(i.summary?.tags_before ?? [])]), ...(await openedTags(w, shop))];
    if (here.includes(number)) throw trouble("tag-used-here");
    await give(w, shop, number);
    await put(ctx, w, id, "intake-opened", { kind: kindDigest, kind_id: kind.kind.id, tag: number, how, ...(written ? { written: { ...written } } : {}), ...(earlier ? { earlier } : {}) });
  });
  return told(ctx, id, id);
}

/** How many tags a device remembers to have given out. */
const GIVEN = 100;

/**
 * Notes that a tag was given out here: between the server's answer and the list that names the intake nothing else does.
 * @param {Work} w @param {string} shop @param {string} tag
 */
async function give(w, shop, tag) {
  await w.setMeta(`given:${shop}`, [...(await givenTags(w, shop)), tag].slice(-GIVEN));
}

/** Tags that this device gave out lately. @param {Work} w @param {string} shop @returns {Promise<string[]>} */
export async function givenTags(w, shop) {
  const given = await w.meta(`given:${shop}`);
  return Array.isArray(given) ? given : [];
}

/** Tags of intakes opened here and not on the server yet. @param {Work} w @param {string} shop @returns {Promise<string[]>} */
export async function openedTags(w, shop) {
  const ids = (await w.all("queue")).filter((r) => r.type === "intake-opened" && r.shop === shop && r.state !== "aside").map((r) => r.id);
  const rows = await Promise.all(ids.map((id) => w.get("entries", id)));
  return rows.map((r) => String(r?.said.body.tag ?? ""));
}

/**
 * Another tag for an intake whose opening was refused (the tag was taken): a new opening goes in the old one's place.
 * @param {Context} ctx @param {string} intake @param {string} tag
 */
export async function changeTag(ctx, intake, tag) {
  const number = tag.trim();
  if (!/^[A-Za-z0-9-]{1,12}$/.test(number)) throw trouble("tag-shape");
  await ctx.store.write([...STORES], async (w) => {
    const row = (await w.all("queue")).find((r) => r.intake === intake && r.type === "intake-opened" && r.state === "refused");
    const old = row && (await w.get("entries", row.id));
    if (!row || !old) throw trouble("not-here");
    await w.put("entries", { ...old, aside: true });
    await w.remove("queue", row.key);
    await give(w, row.shop, number);
    await put(ctx, w, intake, "intake-opened", { ...old.said.body, tag: number }, undefined, { order: row.order });
  });
  told(ctx, intake, undefined);
}

/**
 * @param {Context} ctx @param {string} intake @param {string} type @param {JsonObject} body @param {JsonObject} [personal]
 * @returns {Promise<{id: string, digest: string}>}
 */
export async function say(ctx, intake, type, body, personal) {
  const [entry] = await sayAll(ctx, intake, [{ type, body, ...(personal ? { personal } : {}) }]);
  return entry;
}

/**
 * Several facts at once: all of them, or none. They are noted before anything is waited for, so that closing the tab in the
 * same instant loses none.
 * @param {Context} ctx @param {string} intake @param {import("./journal.js").Fact[]} facts
 * @returns {Promise<{id: string, digest: string}[]>}
 */
export async function sayAll(ctx, intake, facts) {
  const note = ctx.journal.note(signedIn(ctx), intake, facts);
  try {
    return told(ctx, intake, await sayNoted(ctx, note));
  } finally {
    // Kept, or the person is told now that it is not: saying it later behind their back would be worse.
    ctx.journal.done(note);
  }
}

/** @param {Context} ctx @param {import("./journal.js").Note} note @returns {Promise<{id: string, digest: string}[]>} */
function sayNoted(ctx, { intake, facts }) {
  return ctx.store.write([...STORES], async (w) => {
    const said = [];
    for (const { type, body, personal, id, at } of facts) {
      const here = await w.get("entries", id);
      said.push(here ? { id, digest: here.digest } : await put(ctx, w, intake, type, body, personal, { id, at }));
    }
    return said;
  });
}

/** What the server told the author was read. @param {Context} ctx @param {string} intake */
export async function heard(ctx, intake) {
  await ctx.store.write(["entries"], async (w) => {
    for (const { told: _, ...row } of (await w.by("entries", "intake", intake)).filter((r) => r.told)) await w.put("entries", row);
  });
  ctx.bus.say(`intake:${intake}`);
}

/** Says what a tab that was closed had noted and not kept any more. @param {Context} ctx */
export async function sayWhatWasNoted(ctx) {
  const { session } = ctx;
  for (const note of ctx.journal.left()) {
    // What another person said waits for that person.
    if (!session || note.shop !== session.shop || note.staff !== session.staff) continue;
    const kept = await sayNoted(ctx, note).then(() => true, (error) => isTrouble(error, "device/not-here"));
    if (!kept) continue;
    ctx.journal.done(note);
    told(ctx, note.intake, undefined);
  }
}

/**
 * Says one entry inside a transaction: kept and queued, or neither.
 * @param {Context} ctx @param {Work} w @param {string} intake @param {string} type @param {JsonObject} body @param {JsonObject} [personal]
 * @param {{order?: number, after?: string, id?: string, at?: number}} [where] `id` and `at`: noted before
 * @returns {Promise<{id: string, digest: string}>}
 */
async function put(ctx, w, intake, type, body, personal, where = {}) {
  const { shop, staff, device } = signedIn(ctx);
  const rows = await w.by("entries", "intake", intake);
  if (rows.length === 0 && type !== "intake-opened") throw trouble("not-here");
  const indices = rows.flatMap((r) => r.index ?? []);
  const { said, text, digest, disclosures } = speak({
    shop, author: { staff, device }, intake, type, body, personal,
    seen: indices.length > 0 ? Math.max(...indices) : undefined,
    now: where.at ?? ctx.edge.now(), offsetMinutes: ctx.edge.offsetMinutes(), random: ctx.edge.random, ...(where.id ? { id: where.id } : {}),
  });
  if (type === "taken-in") await setAsideRefused(w, intake);
  const seq = await w.next("seq");
  const measured = await w.meta("clock");
  await w.put("entries", { id: said.id, shop, intake, seq, said, text, digest, disclosures, ...(measured ? { measured } : {}) });
  await w.enqueue({ shop, intake, what: "entry", id: said.id, type, staff, device, state: "waiting", tries: 0, not_before: 0, ...(where.after ? { after: where.after } : {}) }, where.order);
  return { id: said.id, digest };
}

/** An acceptance that was refused is over once it is said again. @param {Work} w @param {string} intake */
async function setAsideRefused(w, intake) {
  const old = (await w.all("queue")).filter((r) => r.intake === intake && r.type === "taken-in" && r.state === "refused");
  for (const row of old) {
    await w.put("queue", { ...row, state: "aside" });
    const entry = await w.get("entries", row.id);
    if (entry) await w.put("entries", { ...entry, aside: true });
  }
}

/** @template T @param {Context} ctx @param {string} intake @param {T} result @returns {T} */
function told(ctx, intake, result) {
  ctx.bus.say(`intake:${intake}`);
  ctx.bus.say("list");
  ctx.bus.say("queue");
  ctx.bus.say("queue:new");
  ctx.queue.drain();
  return result;
}

/**
 * @param {Context} ctx @param {string} intake @param {Blob} file @param {{view?: string, stage?: Stage, lines?: string[], name?: string, of_paper?: boolean}} where
 * @returns {Promise<{photo: string, file: string, size: number}>}
 */
export async function takePhoto(ctx, intake, file, { view, stage = "received", lines = [], name, of_paper = false }) {
  if (file.size > MAX_PHOTO) throw trouble("photo-too-large");
  return take(ctx, intake, file, { stage, ...(view ? { view } : {}), ...(of_paper ? { of_paper } : {}) }, { name, lines });
}

/**
 * Keeps a film beside the photos. How long it is its own header says; one that does not say is the server's to judge.
 * @param {Context} ctx @param {string} intake @param {Blob} file @param {{stage?: Stage, name?: string}} where
 * @returns {Promise<{photo: string, file: string, size: number}>}
 */
export async function takeFilm(ctx, intake, file, { stage = "received", name }) {
  if (file.size > MAX_FILM) throw trouble("film-too-large");
  const ms = await filmLength(file).catch((cause) => {
    throw trouble("file-gone", { cause, retry: "same" });
  });
  if (ms === undefined) throw trouble("film-kind");
  if (ms !== null && ms > LONGEST_FILM) throw trouble("film-long");
  return take(ctx, intake, file, { stage, film: true }, { name, lines: [], ...(ms === null ? {} : { film_ms: ms }) });
}

/**
 * The bytes first, then what is said of them and their place in the queue, in one transaction.
 * @param {Context} ctx @param {string} intake @param {Blob} file @param {JsonObject} what @param {{name?: string, lines: string[], film_ms?: number}} more
 * @returns {Promise<{photo: string, file: string, size: number}>}
 */
async function take(ctx, intake, file, what, { name, lines, film_ms }) {
  const { shop, staff, device } = signedIn(ctx);
  const { digest, size } = await keep(ctx.store, file);
  const photo = uuid7(ctx.edge.now(), ctx.edge.random(10));
  const fileName = name ?? ("name" in file && typeof file.name === "string" ? file.name : "");
  await ctx.store.write([...STORES, "files", "file_bytes"], async (w) => {
    // Another tab that starts takes strays away.
    if (!(await stands(w, digest, size))) throw trouble("read-back");
    const old = await w.get("files", digest);
    await w.put("files", {
      digest, shop, intake, size, mime: file.type, of: "photo", photos: [...(old?.photos ?? []), photo], bytes_here: true, taken_at: ctx.edge.now(),
      ...(film_ms === undefined ? {} : { film_ms }),
    });
    const body = { photo, file: digest, size, ...what };
    const taken = await put(ctx, w, intake, "photo-taken", body, fileName.trim() ? { file_name: fileName.trim().slice(0, 200) } : undefined);
    await w.enqueue({
      shop, intake, what: "file", id: digest, type: what.film ? "film" : "photo", after: taken.id, staff, device, state: "waiting", tries: 0, not_before: 0, size, photo,
    });
    if (lines.length > 0) await addToLines(ctx, w, intake, photo, lines);
  });
  return told(ctx, intake, { photo, file: digest, size });
}

/**
 * Moves a photo to the machine that it shows: taken away here, come there, both or neither.
 * @param {Context} ctx @param {string} intake @param {string} photo @param {{to: string, because: string, view?: string}} where
 */
export async function movePhoto(ctx, intake, photo, { to, because, view }) {
  await ctx.store.write([...STORES], async (w) => {
    const fact = fold(rowsToEntries(ctx, await w.by("entries", "intake", intake))).photos.find((p) => p.photo === photo);
    if (!fact || fact.moved) throw trouble("not-here");
    const { file, size, stage } = fact;
    const moved = await put(ctx, w, intake, "photo-moved", { photo, to, because });
    await put(ctx, w, to, "photo-came", { photo, from: intake, file, size, stage, ...(view ? { view } : {}) }, undefined, { after: moved.id });
  });
  ctx.intakeOf.set(photo, to);
  told(ctx, intake, undefined);
  told(ctx, to, undefined);
}

/** Notes condition lines again with one more photo. @param {Context} ctx @param {Work} w @param {string} intake @param {string} photo @param {string[]} lines */
async function addToLines(ctx, w, intake, photo, lines) {
  const state = fold(rowsToEntries(ctx, await w.by("entries", "intake", intake)));
  for (const { line, part, word, photos, note } of state.lines.filter((l) => lines.includes(l.line))) {
    if (photos.includes(photo)) continue;
    await put(ctx, w, intake, "condition-noted", { line, part, word, photos: [...photos, photo] }, note === undefined ? undefined : { note });
  }
}

/**
 * @param {Context} ctx @param {string} intake
 * @param {{how: "signed" | "not now", strokes?: {width: number, height: number, strokes: number[][][]}, because?: string, language?: string, reader?: string, signer?: string, sheet?: string}} shown
 * @returns {Promise<{id: string, digest: string}>}
 */
export async function acknowledge(ctx, intake, { how, strokes, because, language, reader, signer, sheet: seen }) {
  const words = await wordsFor(ctx, language);
  const result = await ctx.store.write([...STORES, "files", "file_bytes", "kinds"], async (w) => {
    const state = fold(rowsToEntries(ctx, await w.by("entries", "intake", intake)));
    const kind = state.kind ? await w.get("kinds", state.kind) : undefined;
    if (!state.opened) throw trouble("not-here");
    const sheet = kind && buildSheet(kind.kind, state, { ...words, reader });
    if (!sheet) throw trouble("no-kind");
    // Somebody else, or new words, changed it while the customer read: what is signed is what was shown, or nothing.
    if (seen !== undefined && seen !== sheet.digest) throw trouble("sheet-changed");
    const drawn = drawnOf(strokes);
    const optional = { strokes: drawn && digestOf(drawn), because, reader };
    const body = /** @type {JsonObject} */ (Object.fromEntries(
      Object.entries({ how, sheet: sheet.digest, language: words.language, words: words.words, ...optional }).filter(([, v]) => v !== undefined)));
    const entry = await put(ctx, w, intake, "acknowledged", body, signer === undefined ? undefined : { signer });
    await sideFiles(ctx, w, intake, entry.id, { sheet: sheet.bytes, strokes: drawn });
    return entry;
  });
  return told(ctx, intake, result);
}

/** A signature's strokes as the bytes that are kept. @param {{width: number, height: number, strokes: number[][][]} | undefined} strokes */
const drawnOf = (strokes) => strokes && canon({
  height: Math.round(strokes.height), width: Math.round(strokes.width), v: 1, strokes: strokes.strokes.map((s) => s.map((p) => p.map(Math.round))),
});

/** Keeps and queues the files of a signature, after the entry that names them. @param {Context} ctx @param {Work} w @param {string} intake @param {string} after @param {{sheet: Uint8Array<ArrayBuffer>, strokes?: Uint8Array<ArrayBuffer>}} files */
async function sideFiles(ctx, w, intake, after, files) {
  const { shop, staff, device } = signedIn(ctx);
  for (const [of, bytes] of /** @type {const} */ ([["sheet", files.sheet], ["strokes", files.strokes]])) {
    if (!bytes) continue;
    const digest = digestOf(bytes);
    await w.put("file_bytes", { digest, bytes: bytes.buffer });
    await w.put("files", { digest, shop, intake, size: bytes.length, mime: "application/json", of, photos: [], bytes_here: true, taken_at: ctx.edge.now() });
    await w.enqueue({ shop, intake, what: "file", id: digest, type: of, after, staff, device, state: "waiting", tries: 0, not_before: 0, size: bytes.length });
  }
}

/**
 * @param {Context} ctx @param {string} intake
 * @param {{how: "signed" | "not now", strokes?: {width: number, height: number, strokes: number[][][]}, because?: string, language?: string, reader?: string, signer?: string, sheet?: string}} shown
 * @returns {Promise<{id: string, digest: string}>}
 */
export async function showHandBack(ctx, intake, { how, strokes, because, language, reader, signer, sheet: seen }) {
  const words = await wordsFor(ctx, language);
  const result = await ctx.store.write([...STORES, "files", "file_bytes", "kinds"], async (w) => {
    const state = fold(rowsToEntries(ctx, await w.by("entries", "intake", intake)));
    const kind = state.kind ? await w.get("kinds", state.kind) : undefined;
    if (!state.opened) throw trouble("not-here");
    const sheet = kind && homeSheet(kind.kind, state, { ...words, reader });
    if (!sheet) throw trouble("no-kind");
    if (seen !== undefined && seen !== sheet.digest) throw trouble("sheet-changed");
    const drawn = drawnOf(strokes);
    const body = { how, sheet: sheet.digest, language: words.language, words: words.words, ...(drawn ? { strokes: digestOf(drawn) } : {}), ...(because ? { because } : {}), ...(reader ? { reader } : {}) };
    const entry = await put(ctx, w, intake, "hand-back-shown", body, signer === undefined ? undefined : { signer });
    await sideFiles(ctx, w, intake, entry.id, { sheet: sheet.bytes, strokes: drawn });
    return entry;
  });
  return told(ctx, intake, result);
}

/** Language and digest of the catalogue a sheet is shown in. @param {Context} ctx @param {string} [language] @returns {Promise<{language: string, words: string}>} */
export async function wordsFor(ctx, language) {
  const catalogue = language && language !== spoken().language ? await wordsOf(ctx, language) : spoken();
  if (!catalogue?.digest) throw trouble("no-words");
  return { language: catalogue.language, words: catalogue.digest };
}
