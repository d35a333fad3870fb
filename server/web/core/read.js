// Reading: what pages show, from the local store. Only lists ask the server first, and do not wait long for it.
// @ts-check

import { check } from "./check.js";
import { signedIn } from "./context.js";
import { rowsToEntries } from "./entries.js";
import { fold, goneOf, isFilm, lostTags } from "./fold.js";
import { kept } from "./kept.js";
import { itemOf } from "./queue.js";
import { finds, query, wordsOf } from "./search.js";
import { until } from "./part.js";
import { buildSheet, shownPhotos } from "./sheet.js";
import { fetchKind } from "./sync.js";
import { Trouble, trouble } from "./trouble.js";
import { wordsFor } from "./write.js";

/** @import {Context} from "./context.js" */
/** @import {EntryRow, FileRow, IntakeRow, QueueRow} from "./store.js" */
/** @import {IntakeView, PhotoStatus, PhotoView, Sheet, Summary} from "./app.js" */
/** @import {Entry, IntakeState, LoadedKind, PhotoFact} from "./types.js" */

/** How long a list waits for the server before it shows what the device has, milliseconds. */
const LIST_PATIENCE = 4_000;
/** And once the server did not answer last time. */
const LIST_IMPATIENCE = 1_500;

/** Intakes of one page of the list. */
const PAGE = 50;

/** Most pieces that one page is put together from. */
const PIECES = 20;

/** Types a browser shows from the original's bytes. */
const SHOWN = ["image/jpeg", "image/png", "image/webp", "image/gif"];

/** @param {Context} ctx @returns {Promise<LoadedKind[]>} */
export async function kinds(ctx) {
  const { shop } = signedIn(ctx);
  return ctx.store.read(["kinds", "meta"], async (w) => {
    const digests = /** @type {string[]} */ ((await w.meta(`kinds:${shop}`)) ?? []);
    const rows = await Promise.all(digests.map((d) => w.get("kinds", d)));
    return rows.filter((r) => r !== undefined);
  });
}

/** @param {Context} ctx @param {string} digest @returns {Promise<LoadedKind | null>} */
export async function kind(ctx, digest) {
  return (await ctx.store.read(["kinds"], (w) => w.get("kinds", digest))) ?? fetchKind(ctx, digest).catch(() => null);
}

/** @param {Context} ctx @param {string} id @returns {Promise<Entry[]>} */
export async function history(ctx, id) {
  return rowsToEntries(ctx, await ctx.store.read(["entries"], (w) => w.by("entries", "intake", id)));
}

/** @param {Context} ctx @param {string} id */
async function load(ctx, id) {
  const found = await ctx.store.read(["entries", "queue", "files"], async (w) => {
    const rows = await w.by("entries", "intake", id);
    const queue = (await w.all("queue")).filter((r) => r.intake === id);
    const state = fold(rowsToEntries(ctx, rows));
    const files = await Promise.all(state.photos.map((p) => w.get("files", p.file)));
    return { rows, queue, state, files };
  });
  const { state, queue, files } = found;
  for (const p of state.photos) ctx.intakeOf.set(p.photo, id);
  // The judgement that rode in the answer to the upload counts until its entry is here.
  state.photos.forEach((p, i) => {
    const rode = files[i]?.judged;
    if (!p.judged && rode?.photo === p.photo) p.judged = rodeAlong(p, rode);
  });
  const loaded = state.kind ? await kind(ctx, state.kind) : null;
  const numbers = new Map(loaded ? shownPhotos(loaded.kind, state).map((p, i) => [p.photo, i + 1]) : []);
  const photos = state.photos.map((p, i) => /** @type {PhotoView} */ ({
    ...p, status: statusOf(ctx, p, files[i], queue), ...(numbers.has(p.photo) ? { number: numbers.get(p.photo) } : {}), ...filmOf(p, files[i]),
  }));
  return { ...found, loaded, photos };
}

/** @param {Context} ctx @param {string} id @returns {Promise<IntakeView | null>} */
export async function intake(ctx, id) {
  const { rows, queue, state, loaded, photos } = await load(ctx, id);
  if (!state.opened) return null;
  return {
    id, state, photos, kind: loaded?.kind ?? null, known: loaded !== null,
    check: loaded ? check(loaded.kind, state, "device") : { gaps: [], left_open: [] },
    unsent: queue.filter((r) => r.state === "waiting" || r.state === "sending").length,
    refused: queue.filter((r) => r.state === "refused").map((r) => itemOf(r, ctx.queue.progress)),
    told: rows.sort((a, b) => (a.index ?? 0) - (b.index ?? 0)).flatMap((r) => r.told ?? []),
  };
}

/** Of a film: how long it is, as far as anybody knows. @param {PhotoFact} photo @param {FileRow | undefined} file @returns {{film?: true, film_ms?: number}} */
function filmOf(photo, file) {
  if (!isFilm(photo)) return {};
  const ms = photo.judged?.measures.duration_ms ?? file?.film_ms;
  return { film: true, ...(ms === undefined ? {} : { film_ms: ms }) };
}

/** @param {PhotoFact} photo @param {any} body @returns {import("./types.js").Judgement} */
function rodeAlong(photo, body) {
  return { reasons: [], measures: {}, claims: {}, renditions: [], alike: [], codes: [], flags: [], ...body, mark: photo.mark };
}

/** @param {Context} ctx @param {PhotoFact | undefined} photo @param {FileRow | undefined} file @param {QueueRow[]} queue @returns {PhotoStatus} */
function statusOf(ctx, photo, file, queue) {
  const known = photo?.judged ?? (photo && file?.judged?.photo === photo.photo ? rodeAlong(photo, file.judged) : undefined);
  const judged = known ? { judged: known } : {};
  const row = queue.find((r) => r.what === "file" && r.id === (photo?.file ?? file?.digest));
  if (row?.state === "refused" || row?.state === "aside") return { state: "refused", ...judged, ...(row.problem ? { problem: row.problem } : {}) };
  if (photo?.received || (!row && file?.stored_at !== undefined)) return { state: "stored and checked", ...judged };
  if (row?.state !== "sending") return { state: "on the phone only", ...judged };
  const share = ctx.queue.progress.get(row.key);
  return { state: "sending", ...judged, ...(share === undefined ? {} : { percent: Math.round(share * 100) }) };
}

/** @param {Context} ctx @param {string} photo @returns {Promise<PhotoStatus>} */
export async function photoStatus(ctx, photo) {
  const { fact, file, queue } = await findPhoto(ctx, photo);
  return statusOf(ctx, fact, file, queue);
}

/** A photo by its id: what its intake says, its file here, its queue. @param {Context} ctx @param {string} photo */
async function findPhoto(ctx, photo) {
  const { files, queue, entries } = await ctx.store.read(["files", "queue", "entries"], async (w) => {
    let intake = ctx.intakeOf.get(photo);
    if (intake === undefined) {
      intake = (await w.all("entries")).find((r) => r.said.type === "photo-taken" && r.said.body.photo === photo)?.intake;
    }
    return { files: await w.by("files", "photos", photo), queue: await w.all("queue"), entries: intake ? await w.by("entries", "intake", intake) : [] };
  });
  const state = fold(rowsToEntries(ctx, entries));
  return { fact: state.photos.find((p) => p.photo === photo), file: files[0], queue };
}

/** @param {Context} ctx @param {string} photo @param {"small" | "large"} size @returns {Promise<string | null>} */
export async function photoUrl(ctx, photo, size) {
  const { fact, file } = await findPhoto(ctx, photo);
  // There is no picture of a film.
  if (fact?.erased || (fact && isFilm(fact))) return null;
  const digest = fact?.file ?? file?.digest;
  // A photo that this device knows nothing of was named by the server's list, which names only what it has small pictures of.
  const rendered = fact ? fact.judged?.renditions.some((r) => r.purpose === size) ?? false : !file;
  const local = digest && file?.bytes_here && (SHOWN.includes(file.mime) || !rendered) ? await localUrl(ctx, digest, file.mime) : null;
  if (local) return local;
  return rendered && ctx.session ? `/v1/shops/${ctx.session.shop}/photos/${photo}/${size}` : null;
}

/** Where a film plays from: the bytes here, else the server, which gives any part of it. @param {Context} ctx @param {string} photo @returns {Promise<string | null>} */
export async function filmUrl(ctx, photo) {
  const { fact, file } = await findPhoto(ctx, photo);
  if (!fact || !isFilm(fact) || fact.erased) return null;
  const local = file?.bytes_here ? await localUrl(ctx, fact.file, file.mime) : null;
  return local ?? (fact.received && ctx.session ? `/v1/shops/${ctx.session.shop}/files/${fact.file.slice("sha256:".length)}` : null);
}

/** @param {Context} ctx @param {string} digest @param {string} mime @returns {Promise<string | null>} */
async function localUrl(ctx, digest, mime) {
  const held = ctx.urls.get(digest);
  if (held) return held;
  const file = ctx.edge.urlOf && (await kept(ctx.store, digest));
  if (!file || !ctx.edge.urlOf) return null;
  const url = ctx.edge.urlOf(await file.blob(mime));
  ctx.urls.set(digest, url);
  return url;
}

/** @param {Context} ctx @param {string} id @param {{language?: string, reader?: string}} shown @returns {Promise<Sheet>} */
export async function sheet(ctx, id, { language, reader }) {
  const words = await wordsFor(ctx, language);
  const { state, loaded, photos } = await load(ctx, id);
  if (!state.opened) throw trouble("not-here");
  const built = loaded && buildSheet(loaded.kind, state, { ...words, reader });
  if (!built) throw trouble("no-kind");
  const numbered = built.photos.map((p) => /** @type {PhotoView} */ (photos.find((v) => v.photo === p.photo)));
  return { digest: built.digest, bytes: built.bytes, ...words, ...(reader === undefined ? {} : { reader }), photos: numbered, left_open: built.left_open };
}

/**
 * @param {Context} ctx @param {{state?: string, after?: string, q?: string}} which
 * @returns {Promise<{items: Summary[], after?: string, from: "server" | "device"}>}
 */
export async function list(ctx, which) {
  const { shop } = signedIn(ctx);
  try {
    /** @type {IntakeRow[]} */
    const rows = [];
    /** @type {any} */
    let json;
    // A search for common words comes in pieces, each so far back, until a page is full or nothing is older.
    let pieces = 0;
    do {
      const piece = { ...which, after: json?.next ?? which.after, limit: String(PAGE - rows.length) };
      const query = new URLSearchParams(Object.entries(piece).filter(([, v]) => v !== undefined && v !== ""));
      ({ json } = await ctx.transport.send("GET", `/v1/shops/${shop}/intakes?${query}`, { patience: ctx.transport.reachable === false ? LIST_IMPATIENCE : LIST_PATIENCE }));
      rows.push(...json.intakes.map((/** @type {any} */ i) => ({ ...i, shop })));
      pieces += 1;
    } while (json.next !== undefined && rows.length < PAGE && pieces < PIECES);
    await ctx.store.write(["intakes"], async (w) => {
      for (const row of rows) await w.put("intakes", row);
    });
    const unsent = which.after ? [] : (await onDevice(ctx, which)).filter((s) => s.from_device);
    const items = [...unsent.filter((s) => !rows.some((r) => r.id === s.id)), ...(await withUnsent(ctx, rows.map(summaryOf)))];
    return { items, from: "server", ...(json.next === undefined ? {} : { after: String(json.next) }) };
  } catch (error) {
    // Offline, or not signed in any more: the device's own list is better than none. A wrong question is still told.
    if (error instanceof Trouble && error.problem.retry === "changed" && error.problem.status !== 401) throw error;
    return { items: which.after ? [] : await onDevice(ctx, which), from: "device" };
  }
}

/** @param {IntakeRow} row @returns {Summary} */
function summaryOf({ id, tag, state, opened, revision, summary }) {
  return { ...summary, id, tag, state, opened, revision };
}

/** What the device knows: the server's newest summaries, and what was opened or changed here. @param {Context} ctx @param {{state?: string, q?: string}} which @returns {Promise<Summary[]>} */
async function onDevice(ctx, { state, q }) {
  const { shop } = signedIn(ctx);
  const { rows, entries, queue } = await ctx.store.read(["intakes", "entries", "queue"], async (w) => ({
    rows: await w.by("intakes", "shop", shop), entries: (await w.all("entries")).filter((r) => r.shop === shop), queue: await w.all("queue"),
  }));
  const waiting = new Set(queue.filter((r) => r.shop === shop && r.state !== "aside").map((r) => r.intake));
  const ids = [...new Set(entries.map((r) => r.intake))].filter((id) => waiting.has(id) || !rows.some((r) => r.id === id));
  /** @param {string} id */
  const folded = (id) => fold(rowsToEntries(ctx, entries.filter((r) => r.intake === id)));
  const local = ids.map((id) => localSummary(id, folded(id), rows.find((r) => r.id === id)));
  const known = rows.filter((r) => !local.some((s) => s.id === r.id)).map(summaryOf);
  const terms = query(q ?? "");
  const here = new Set(entries.map((r) => r.intake));
  const names = terms.length ? await kinds(ctx) : [];
  // What is on the device in full is found by its telephone numbers too; a summary does not have them.
  const found = (/** @type {Summary} */ s) => terms.length === 0 || finds(wordsOf(recordOf(s, here.has(s.id) ? folded(s.id) : null, names)), terms);
  const items = [...local, ...known].filter((s) => s.state !== "none" && (!state || s.state === state) && found(s));
  items.sort((a, b) => (b.opened ?? Infinity) - (a.opened ?? Infinity) || (b.opened_at ?? 0) - (a.opened_at ?? 0));
  return withUnsent(ctx, items);
}

/** @param {string} id @param {IntakeState} state @param {IntakeRow | undefined} row @returns {Summary} */
function localSummary(id, state, row) {
  const here = state.photos.filter((p) => !goneOf(p));
  const held = here.filter((p) => p.received).length;
  const optional = {
    make: state.machine.make?.value, model: state.machine.model?.value, serial: state.machine.serial?.value, owner: state.people.owner?.name,
    complaint: state.statements.complaint?.text?.slice(0, 200), place: state.place?.place, tags_before: lostTags(state).length ? lostTags(state) : undefined,
    diagnosis_by: promised(state, "diagnosis_by"), ready_by: promised(state, "ready_by"),
    taken_in_at: at(state.taken_in), handed_back_at: at(state.home.handed_back), reached_at: at(state.custody.contacts.findLast((c) => c.result === "reached")?.mark),
    windows: windowsOf(state).length ? windowsOf(state) : undefined,
    found_at: state.found?.seen_at, found_place: state.found?.place,
    signed: state.acknowledgement && state.acknowledgement.how === "signed", cover: here.find((p) => !isFilm(p))?.photo, opened: row?.opened ?? state.opened?.mark.index, revision: row?.revision ?? state.last_index,
  };
  return {
    ...row?.summary, id, tag: state.tag ?? "", state: state.state, kind_id: state.kind_id ?? "",
    opened_at: state.opened ? Date.parse(state.opened.mark.at ?? state.opened.mark.device_at) : 0,
    photos: { taken: here.length, held, usable: here.filter((p) => p.judged?.verdict === "usable").length },
    ...Object.fromEntries(Object.entries(optional).filter(([, v]) => v !== undefined)),
    from_device: true,
  };
}

/** When an entry was kept, or said where it is not kept yet. @param {import("./types.js").Mark | undefined} mark */
const at = (mark) => mark && Date.parse(mark.at ?? mark.device_at);

/** The windows of open claims whose last day is known. @param {IntakeState} state */
function windowsOf({ parts }) {
  return parts.claims.filter((c) => !parts.ended.some((e) => e.claim === c.claim)).flatMap((c) => {
    const card = parts.parts.find((p) => p.part === c.part);
    const end = card && until(card, c);
    return card && end ? [{ what: card.what, route: c.route, until: end }] : [];
  });
}

/** A day that was promised. @param {IntakeState} state @param {string} what */
function promised(state, what) {
  const value = state.arrangements[what]?.value;
  return typeof value === "string" && /^\d{4}-\d{2}-\d{2}$/.test(value) ? value : undefined;
}

/** @param {Context} ctx @param {Summary[]} items @returns {Promise<Summary[]>} */
async function withUnsent(ctx, items) {
  const queue = await ctx.store.read(["queue"], (w) => w.all("queue"));
  return items.map((s) => ({ ...s, unsent: queue.filter((r) => r.intake === s.id && r.state !== "aside").length }));
}

/** What an intake is found by, from its state where that is here. @param {Summary} s @param {IntakeState | null} state @param {LoadedKind[]} known */
function recordOf(s, state, known) {
  const is = (/** @type {unknown} */ text) => typeof text === "string" && text !== "";
  const people = Object.values(state?.people ?? {});
  const cards = state?.parts.parts ?? [];
  const texts = [...(s.tags_before ?? []), ...cards.map((p) => p.supplier), s.kind_id, ...Object.values(known.find((k) => k.kind.id === s.kind_id)?.kind.name ?? {}), s.owner, s.complaint, state?.statements.complaint?.text, ...people.flatMap((p) => [p.name, p.email])];
  const codes = [...cards.flatMap((p) => [p.lot, p.on_bag, p.on_invoice, p.on_casting, p.invoice]), s.make, s.model, s.serial, ...Object.values(state?.machine ?? {}).map((m) => m.value)];
  return { tag: s.tag, texts: /** @type {string[]} */ (texts.filter(is)), codes: /** @type {string[]} */ (codes.filter(is)), phones: /** @type {string[]} */ (people.map((p) => p.phone).filter(is)) };
}
