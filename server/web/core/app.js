// The one door from pages to the shop's record. Pages call only this file (and words.js for sentences); everything here
// reads and writes the local store, and a queue carries it to the server when there is one. Nothing waits for a network
// unless its description says so.
//
//   await openStore()                               first, once a page; loads session, words, kinds from the device
//   session()                                       who is signed in here, or null (at once, no waiting)
//   await serverInfo()                              GET /v1, or null when it cannot be reached
//   await setUp(form) / signIn(form) / claimPairing(code, label?) / signOut()
//   await shop()                                    {name, zone, currency, settings …} as last seen
//   await kinds() / kind(digest)                    kinds of machine known here
//   await openIntake(kindDigest, tag, {how?, earlier?})   → intake id
//   await changeTag(intake, tag)                    another tag, when the opening was refused because the tag was taken
//   await say(intake, type, body, personal?)        → {id, digest}: the fact is on the device and queued
//   await sayAll(intake, facts)                     several facts, all or none
//   await takePhoto(intake, file, {view, stage, lines, name})   → {photo, file, size}: bytes are on the device and read back
//   await takeFilm(intake, file, {stage, name})     the same for a film of up to 30 seconds
//   await movePhoto(intake, photo, {to, because, view?})   both intakes say it
//   await intake(id)                                → IntakeView or null: state, check (device), photos with status, unsent
//   await heard(id)                                 what the server told the author was read
//   await history(id)                               → its entries in order
//   await fetchIntake(id)                           asks the server for its newest entries (waits for the network)
//   await sheet(id, {language, reader})             → what is shown for signing, with the numbered photos
//   await showHandBack(id, {how, sheet, strokes?, because?, language?, reader?, signer?})
//   await acknowledge(id, {how, sheet, strokes?, because?, language?, reader?, signer?})
//   watch(id, cb) / watchList(cb) / watchQueue(cb)  → a function that stops it; cb() without arguments: read again
//   await photoStatus(photo)                        → {state, percent?, problem?, judged?}
//   await photoUrl(photo, "small" | "large")        → a URL for <img>, or null
//   await filmUrl(photo)                            → a URL for <video>, or null
//   await list({state?, after?}) / search(q)        → {items, after?, from: "server" | "device"}
//   await queueSummary()                            → {waiting, sending, refused, items, reachable, paused?}
//   await tryAgain(key) / setAside(key)             for what was refused
//   await device() / watchDevice(cb)                what this device can be relied on for; loadNewest() takes a newer version
//   await leasedTag()                               the next tag set apart for this device, or null
//   syncNow()                                       nudges the queue (button "try now")
//   await languages() / useLanguage(tag)            languages kept here; chooses the one of this device
//   await wordsIn(tag)                              one language's catalogue, to draw a customer's sheet in
//   await ask(method, path, {json?, ifMatch?, accept?})   an online call below the shop (`/staff`, `/settings` …), for desk pages
//
// What goes wrong is thrown as a `Trouble` (trouble.js) with a `.problem`; `problem.detail` is a sentence that can be shown.
//
// @ts-check

import * as catalogue from "./catalogue.js";
import { build } from "./context.js";
import { device as describe } from "./device.js";
import * as enter from "./enter.js";
import * as write from "./write.js";
import * as read from "./read.js";
import * as sync from "./sync.js";
import * as tags from "./tags.js";

/** @import {JsonObject, LoadedKind, IntakeState, Checked, Entry, Problem, PhotoFact, Judgement, Stage, Sentence} from "./types.js" */

/**
 * @typedef {{shop: string, staff: string, device: string, roles: string[], name: string, code_due?: boolean}} Session `code_due`: the shop asks for a second factor first
 * @typedef {{name: string, version: string, api: number, client_minimum?: number, now: string, set_up: boolean, secure: boolean, demo?: boolean}} ServerInfo
 * @typedef {{shop: string, name: string, zone: string, currency: string, origin: string, verifier_key: string, both_sign?: {since: string, until: string}, key_overlap_days: number, key_exported: boolean,
 *   address: string, public_url?: string, stopped?: string, settings: {[name: string]: any}}} Shop
 *
 * Where a photo's bytes are: the four things a person can be told. `percent` while sending, if known; `problem` when refused.
 * @typedef {{state: "on the phone only" | "sending" | "stored and checked" | "refused", percent?: number, problem?: Problem, judged?: Judgement}} PhotoStatus
 *
 * @typedef {PhotoFact & {status: PhotoStatus, number?: number, film_ms?: number}} PhotoView   `number`: its number on the sheet; `film_ms`: a film's length
 *
 * One intake as a page shows it. `check` is the device's own completeness check; `unsent` counts entries and files that are
 * not on the server yet (a mark in `state` without `index` is one of them: `state.taken_in` without it means "not yet accepted"); `told` are sentences the server sent the author ("Bo changed the serial meanwhile"), newest last;
 * `known`: whether the kind is on the device (without it `check` is empty).
 * @typedef {{id: string, state: IntakeState, kind: import("./types.js").Kind | null, known: boolean, check: Checked, photos: PhotoView[],
 *   unsent: number, refused: QueueItem[], told: Sentence[]}} IntakeView
 *
 * What is listed. `from_device`: it has something the server does not have yet. Times are Unix milliseconds; `opened` and
 * `revision` are log indices (absent until the server has it); `photos` counts; `cover` is a photo's id for the list.
 * @typedef {{id: string, tag: string, state: string, kind_id: string, opened?: number, revision?: number, opened_at: number, opened_by?: string,
 *   make?: string, model?: string, serial?: string, owner?: string, complaint?: string, gaps?: number, left_open?: number,
 *   photos?: {taken: number, held: number, usable: number}, cover?: string, place?: string, moved_at?: number, diagnosis_by?: string, ready_by?: string, taken_in_at?: number,
 *   signed?: boolean, not_taken_in_at?: number, handed_back_at?: number, reached_at?: number, windows?: {what: string, route: string, until: string}[], tags_before?: string[], found_at?: string, found_place?: string, unsent?: number, from_device?: boolean}} Summary
 *
 * @typedef {{key: number, intake: string, what: "entry" | "file", type?: string, digest: string, photo?: string, size?: number,
 *   state: "waiting" | "sending" | "refused", percent?: number, tries: number, not_before?: number, problem?: Problem}} QueueItem
 *
 * `why`: why the server was not reached; `paused`: why nothing is sent at all just now (not signed in, server behind, no space …), as a problem.
 * @typedef {{waiting: number, sending: number, refused: number, items: QueueItem[], reachable: boolean | null, why?: Problem, paused?: Problem}} QueueSummary
 *
 * `kept`: the app opens without a network; `newer`: a newer version is here and waits; `too_old`: the server no longer works
 * with this one; `lasts`: the browser promised to keep what is stored (absent where it was not asked); `clock`: how far this device's clock is off, when that matters.
 * @typedef {{kept: boolean, newer: boolean, too_old: boolean, lasts?: boolean, used?: number, quota?: number,
 *   measured?: {offset_ms: number, round_trip_ms: number}, clock: {way: "behind" | "ahead", ms: number} | null}} Device
 *
 * `photos` in the order they are numbered; `bytes` are the sheet's canonical JSON.
 * @typedef {{digest: string, bytes: Uint8Array, language: string, words: string, reader?: string, photos: PhotoView[],
 *   left_open: import("./types.js").LetThrough[]}} Sheet
 */

/** @type {Promise<import("./context.js").Context> | null} */
let opening = null;

/** @returns {Promise<import("./context.js").Context>} */
function here() {
  opening ??= build();
  return opening;
}

/** @type {import("./context.js").Context | null} */
let ready = null;

/**
 * Opens the local store, loads session, words and kinds from it, starts the queue and the live stream. Call once a page.
 * @returns {Promise<void>}
 */
export async function openStore() {
  ready = await here();
  sync.start(ready);
}

/** Who is signed in on this device, or null. At once; call after `openStore`. @returns {Session | null} */
export function session() {
  return ready?.session ?? null;
}

/** The server's word about itself, or null when it cannot be reached. Waits for the network. @returns {Promise<ServerInfo | null>} */
export async function serverInfo() {
  return enter.serverInfo(await here());
}

/**
 * Makes the shop and its owner at first start. Waits for the network.
 * @param {{token: string, shop_name: string, zone: string, currency: string, name: string, sign_in: string, password: string}} form
 * @returns {Promise<Session>}
 */
export async function setUp(form) {
  return enter.setUp(await here(), form);
}

/**
 * Signs in by password; by a code and in a shop where the server asks for them (`/problems/code-asked`, `/problems/which-shop`). Waits for
 * the network. @param {{sign_in: string, password: string, code?: string, shop?: string}} form @returns {Promise<Session>}
 */
export async function signIn(form) {
  return enter.signIn(await here(), form);
}

/** Asks what the session is worth by now, after something of it was changed. Waits for the network. @returns {Promise<void>} */
export async function refreshSession() {
  return enter.refreshSession(await here());
}

/** Gives the password of who is signed in once more, where the server asks for it (`/problems/not-proved`). Waits for the network. @param {string} password @returns {Promise<void>} */
export async function prove(password) {
  return enter.prove(await here(), password);
}

/** Pairs this phone by the code on the desk's screen. Waits for the network. @param {string} code @param {string} [label] @returns {Promise<Session>} */
export async function claimPairing(code, label) {
  return enter.claimPairing(await here(), code, label);
}

/** Signs out. What is not sent stays on the device and goes out when the same shop signs in again. @returns {Promise<void>} */
export async function signOut() {
  return enter.signOut(await here());
}

/** The shop as last seen, or null. @returns {Promise<Shop | null>} */
export async function shop() {
  return enter.shop(await here());
}

/** Kinds of machine known on this device, in the server's order. @returns {Promise<LoadedKind[]>} */
export async function kinds() {
  return read.kinds(await here());
}

/** One kind by its digest, or null. @param {string} digest @returns {Promise<LoadedKind | null>} */
export async function kind(digest) {
  return read.kind(await here(), digest);
}

/**
 * Opens an intake on this device; `earlier`, when the machine or its owner was here before; `how`, when nobody brought it to the counter.
 * @param {string} kindDigest @param {string} tag @param {{how?: "at counter" | "found" | "on paper", written?: import("./types.js").Written, earlier?: import("./types.js").Earlier}} [more] @returns {Promise<string>} the intake's id
 */
export async function openIntake(kindDigest, tag, more) {
  return write.openIntake(await here(), kindDigest, tag, more);
}

/**
 * Several facts in one go: all are kept, or none is.
 * @param {string} intake @param {{type: string, body: JsonObject, personal?: JsonObject}[]} facts @returns {Promise<void>}
 */
export async function sayAll(intake, facts) {
  await write.sayAll(ready ?? (await here()), intake, facts);
}

/** Another tag for an intake whose opening was refused (`/problems/tag-used`). @param {string} intake @param {string} tag @returns {Promise<void>} */
export async function changeTag(intake, tag) {
  return write.changeTag(await here(), intake, tag);
}

/**
 * Says one fact about an intake. `personal` members are salted and go as disclosures; `body` has the others.
 * @param {string} intake
 * @param {string} type e.g. `machine-described`
 * @param {JsonObject} body
 * @param {JsonObject} [personal]
 * @returns {Promise<{id: string, digest: string}>}
 */
export async function say(intake, type, body, personal) {
  return write.say(ready ?? (await here()), intake, type, body, personal);
}

/**
 * Keeps a photo: reads the whole file, stores it, reads it back and compares, says `photo-taken`, queues the bytes.
 * With `lines`, each of these condition lines is noted again with this photo added.
 * @param {string} intake
 * @param {Blob} file a `File` of the camera input
 * @param {{view?: string, stage?: Stage, lines?: string[], name?: string, of_paper?: boolean}} [where]
 * @returns {Promise<{photo: string, file: string, size: number}>}
 */
export async function takePhoto(intake, file, where) {
  return write.takePhoto(await here(), intake, file, where ?? {});
}

/**
 * Keeps a film of at most 30 seconds and 256 MB beside the photos, as `takePhoto` does. It fills no view.
 * @param {string} intake
 * @param {Blob} file a `File` that was filmed or chosen
 * @param {{stage?: Stage, name?: string}} [where]
 * @returns {Promise<{photo: string, file: string, size: number}>}
 */
export async function takeFilm(intake, file, where) {
  return write.takeFilm(await here(), intake, file, where ?? {});
}

/**
 * Moves a photo to the intake of the machine that it shows. That intake has to be on this device (`fetchIntake`).
 * @param {string} intake @param {string} photo @param {{to: string, because: string, view?: string}} where @returns {Promise<void>}
 */
export async function movePhoto(intake, photo, where) {
  return write.movePhoto(await here(), intake, photo, where);
}

/** What the server told the author of an intake (`told`) was read: it is not shown again. @param {string} intake @returns {Promise<void>} */
export async function heard(intake) {
  return write.heard(await here(), intake);
}

/** One intake as it stands on this device, or null when it is not here. @param {string} id @returns {Promise<IntakeView | null>} */
export async function intake(id) {
  return read.intake(await here(), id);
}

/** Its entries in order, with said, kept, index and disclosed body. @param {string} id @returns {Promise<Entry[]>} */
export async function history(id) {
  return read.history(await here(), id);
}

/** Brings the newest entries of an intake here. Waits for the network. @param {string} id @returns {Promise<void>} */
export async function fetchIntake(id) {
  return sync.fetchIntake(await here(), id);
}

/**
 * What would be shown for signing now. `language` defaults to the words loaded here.
 * @param {string} id
 * @param {{language?: string, reader?: string}} [shown]
 * @returns {Promise<Sheet>}
 */
export async function sheet(id, shown) {
  return read.sheet(await here(), id, shown ?? {});
}

/**
 * Records that the sheet as it stands was shown, and signed or not. Stores sheet and strokes and queues them. Give `sheet`, the
 * digest of the one on the screen: if it changed meanwhile a `/problems/device/sheet-changed` is thrown; show it again.
 * @param {string} id
 * @param {{how: "signed" | "not now", strokes?: {width: number, height: number, strokes: number[][][]}, because?: string,
 *   language?: string, reader?: string, signer?: string, sheet?: string}} shown
 * @returns {Promise<{id: string, digest: string}>}
 */
export async function acknowledge(id, shown) {
  return write.acknowledge(await here(), id, shown);
}

/**
 * Records that the hand-back sheet as it stands was shown, and signed or not. `sheet`: the digest of the one on the screen.
 * @param {string} id
 * @param {{how: "signed" | "not now", strokes?: {width: number, height: number, strokes: number[][][]}, because?: string, language?: string, reader?: string, signer?: string, sheet?: string}} shown
 * @returns {Promise<{id: string, digest: string}>}
 */
export async function showHandBack(id, shown) {
  return write.showHandBack(await here(), id, shown);
}

/** Languages kept on this device, each by its own name. @returns {Promise<{language: string, name: string}[]>} */
export async function languages() {
  return catalogue.languages(await here());
}

/** Chooses the language of this device, in all its tabs. @param {string} language one of `languages()` @returns {Promise<void>} */
export async function useLanguage(language) {
  return catalogue.useLanguage(await here(), language);
}

/** One language's catalogue as kept here, or null. @param {string} language @returns {Promise<import("./words.js").Catalogue | null>} */
export async function wordsIn(language) {
  return catalogue.wordsOf(await here(), language);
}

/** Calls back when an intake changes, in this tab or another, by hand or by the stream. @param {string} id @param {() => void} changed @returns {() => void} stops it */
export function watch(id, changed) {
  return listen(`intake:${id}`, changed);
}

/** Calls back when the list of intakes changes. @param {() => void} changed @returns {() => void} */
export function watchList(changed) {
  return listen("list", changed);
}

/** Calls back when the queue, the session or the connection changes. @param {() => void} changed @returns {() => void} */
export function watchQueue(changed) {
  return listen("queue", changed);
}

/** @param {string} topic @param {() => void} changed */
function listen(topic, changed) {
  let stopped = false;
  let stop = () => {};
  here().then((ctx) => {
    if (!stopped) stop = ctx.bus.on(topic, changed);
  }, () => {});
  return () => {
    stopped = true;
    stop();
  };
}

/** Where a photo's bytes are. @param {string} photo @returns {Promise<PhotoStatus>} */
export async function photoStatus(photo) {
  return read.photoStatus(await here(), photo);
}

/**
 * A URL for an `<img>`: of the bytes on this device, else of the server's rendition; null when there is neither.
 * URLs of local bytes live until the page is left.
 * @param {string} photo
 * @param {"small" | "large"} size
 * @returns {Promise<string | null>}
 */
export async function photoUrl(photo, size) {
  return read.photoUrl(await here(), photo, size);
}

/** A URL for a `<video>`: of the bytes on this device, else of the server's original, by ranges; null when there is neither. @param {string} photo @returns {Promise<string | null>} */
export async function filmUrl(photo) {
  return read.filmUrl(await here(), photo);
}

/** Intakes: the server's when it answers, else those known here. @param {{state?: string, after?: string}} [which] @returns {Promise<{items: Summary[], after?: string, from: "server" | "device"}>} */
export async function list(which) {
  return read.list(await here(), which ?? {});
}

/** Intakes by tag, name, make, model or serial; `after` where there may be more. @param {string} q @returns {Promise<{items: Summary[], after?: string, from: "server" | "device"}>} */
export async function search(q) {
  return read.list(await here(), { q });
}

/** What is not on the server yet. @returns {Promise<QueueSummary>} */
export async function queueSummary() {
  return sync.summary(await here());
}

/** Tries a refused item again. @param {number} key @returns {Promise<void>} */
export async function tryAgain(key) {
  return sync.tryAgain(await here(), key);
}

/** Sets a refused item aside: it stays on the device and is not sent; what stood behind it moves on. @param {number} key @returns {Promise<void>} */
export async function setAside(key) {
  return sync.setAside(await here(), key);
}

/** What this device can be relied on for just now. @returns {Promise<Device>} */
export async function device() {
  return describe(await here());
}

/** Calls back when what `device` says may have changed. @param {() => void} changed @returns {() => void} */
export function watchDevice(changed) {
  return listen("device", changed);
}

/** Loads the page anew with the newest version there is; what is not sent stays. @returns {Promise<void>} */
export async function loadNewest() {
  const ctx = await here();
  await (ctx.keeper?.take() ?? location.reload());
}

/** The next tag set apart for this device, or null where it has none. Asks the server for more, and does not wait long. @returns {Promise<string | null>} */
export async function leasedTag() {
  const ctx = await here();
  await tags.leaseTags(ctx).catch(() => {});
  return (await tags.freeTags(ctx))[0] ?? null;
}

/** Nudges the queue and the stream. */
export function syncNow() {
  if (ready) sync.nudge(ready);
}

/**
 * An online call below the shop, for desk pages (`ask("GET", "/staff")`). Throws a `Trouble`.
 * @param {string} method
 * @param {string} path begins with `/`; below `/v1/shops/{shop}`
 * @param {{json?: any, ifMatch?: string, accept?: string}} [what] `accept`: another type than JSON, e.g. `text/plain` for terms
 * @returns {Promise<{status: number, json: any, text: string, etag?: string}>}
 */
export async function ask(method, path, what) {
  return enter.ask(await here(), method, path, what ?? {});
}
