// Completeness: what the record still lacks, by the kind's own list. Pure. The server judges the same in
// `server/src/intake/check.rs`; `schema/vectors/check.json` holds both to one answer.
// @ts-check

import { goneOf, newestOf, photoOf } from "./fold.js";
import { holds, own, partOf, wordOf } from "./kind.js";
import { acknowledgedSheet } from "./sheet.js";

/** @import {Checked, Due, Gap, IntakeState, Kind, PhotoFact} from "./types.js" */

/**
 * Who asks: the server judges what it holds, a device what it has.
 * @typedef {"server" | "device"} Mode
 */

const COUNTER = "at counter";
const MACHINE = /** @type {[string, Due][]} */ ([
  ["make", COUNTER], ["model", COUNTER], ["serial", COUNTER], ["engine-numbers", "before opening"],
]);
const ARRANGEMENTS = ["fee", "limit", "deposit", "diagnosis_by", "terms"];

/** @param {Kind} kind @param {IntakeState} state @param {Mode} mode @returns {Checked} */
export function check(kind, state, mode) {
  const checked = checkFacts(kind, state, mode);
  const key = acknowledgement(kind, state, mode);
  // Never left open: it stands for what is.
  if (key) checked.gaps.push({ gap: "acknowledgement", due: COUNTER, key, with: {} });
  return checked;
}

/**
 * The check without the acknowledgement, which itself covers what is left open.
 * @param {Kind} kind @param {IntakeState} state @param {Mode} mode @returns {Checked}
 */
export function checkFacts(kind, state, mode) {
  const found = [
    ...record(state),
    ...views(kind, state, mode),
    ...questions(kind, state),
    ...walkRound(kind, state),
    ...things(kind, state),
    ...readings(kind, state),
    ...ARRANGEMENTS.filter((f) => !own(state.arrangements, f)).map((f) => gap(`arrangement:${f}`, COUNTER, "gap.arrangement", { field: f })),
  ];
  /** @type {Checked} */
  const checked = { gaps: [], left_open: [] };
  for (const g of found) {
    const left = own(state.left_open, g.gap);
    if (!left) checked.gaps.push(g);
    else checked.left_open.push({ ...g, reason: left.reason, ...(left.mark.by === undefined ? {} : { by: left.mark.by }) });
  }
  return checked;
}

/** @param {string} id @param {Due} due @param {string} key @param {{[name: string]: any}} [names] @returns {Gap} */
function gap(id, due, key, names = {}) {
  return { gap: id, due, key, with: names };
}

/** Machine, people, complaint. @param {IntakeState} state @returns {Gap[]} */
function record(state) {
  const found = state.opened?.how === "found" && !state.found ? [gap("found", COUNTER, "gap.found")] : [];
  found.push(...MACHINE.filter(([field]) => !own(state.machine, field)).map(([field, due]) => gap(`machine:${field}`, due, "gap.machine", { field })));
  const owner = state.people.owner;
  if (!owner) found.push(gap("person:owner", COUNTER, "gap.owner"));
  const none = owner?.none ?? [];
  const reachable = owner?.phone !== undefined || owner?.email !== undefined || (none.includes("phone") && none.includes("email"));
  if (!reachable) found.push(gap("person:owner-contact", COUNTER, "gap.owner-contact"));
  if (!state.people.bringer) found.push(gap("person:bringer", COUNTER, "gap.bringer"));
  if (!state.statements.complaint) found.push(gap("statement:complaint", COUNTER, "gap.complaint"));
  return found;
}

/** @param {Kind} kind @param {IntakeState} state @param {Mode} mode @returns {Gap[]} */
function views(kind, state, mode) {
  return kind.view.filter((v) => holds(v.when, state)).flatMap((view) => {
    const photo = newestOf(state, view.id);
    const key = viewKey(photo, mode);
    if (!key) return [];
    const names = { view: view.name, why: view.why };
    return [gap(`view:${view.id}`, view.due, key, key === "gap.view.poor" ? { ...names, reasons: photo?.judged?.reasons ?? [] } : names)];
  });
}

/** What is wrong with the newest photo of a view. @param {PhotoFact | undefined} photo @param {Mode} mode @returns {string | null} */
export function viewKey(photo, mode) {
  if (!photo) return "gap.view.missing";
  const verdict = photo.judged?.verdict;
  if (verdict === "usable") return null;
  if (verdict === "poor") return "gap.view.poor";
  // A device may not know yet; for acceptance a photo that was not judged fills nothing.
  if (mode === "device") return null;
  if (verdict) return "gap.view.not-judged";
  return photo.received ? "gap.view.waiting" : "gap.view.on-phone";
}

/** @param {Kind} kind @param {IntakeState} state @returns {Gap[]} */
function questions(kind, state) {
  const block = own(state.blocks, "questions") !== undefined;
  return (kind.question ?? [])
    .filter((q) => holds(q.when, state) && !own(state.answers, q.id) && !(block && q.due === COUNTER))
    .map((q) => gap(`question:${q.id}`, q.due, "gap.question", { question: q.name }));
}

/** @param {Kind} kind @param {IntakeState} state @returns {Gap[]} */
function walkRound(kind, state) {
  const open = (kind.part ?? []).filter((p) => !state.lines.some((l) => l.part === p.id)).length;
  // A photo that shows another machine shows nothing here.
  const shows = (/** @type {string} */ id) => {
    const photo = photoOf(state, id);
    return !photo || goneOf(photo) === undefined;
  };
  const bare = state.lines.filter((l) => !l.photos.some(shows) && wordOf(kind, l.word)?.photo === true);
  return [
    ...count(state, "walk-round", open),
    ...bare.map((l) => gap(`line-photo:${l.line}`, COUNTER, "gap.line-photo", {
      part: partOf(kind, l.part)?.name ?? l.part,
      word: wordOf(kind, l.word)?.name ?? l.word,
    })),
  ];
}

/** Safety devices and accessories. @param {Kind} kind @param {IntakeState} state @returns {Gap[]} */
function things(kind, state) {
  return [
    ...count(state, "safety", (kind.safety ?? []).filter((s) => !own(state.safety, s.id)).length),
    ...count(state, "accessories", (kind.accessory ?? []).filter((a) => !own(state.accessories, a.id)).length),
  ];
}

/** @param {Kind} kind @param {IntakeState} state @returns {Gap[]} */
function readings(kind, state) {
  return (kind.reading ?? [])
    .filter((r) => holds(r.when, state) && !state.readings.some((x) => x.reading === r.id))
    .map((r) => gap(`reading:${r.id}`, r.due, "gap.reading", { reading: r.name, why: r.why }));
}

/** @param {IntakeState} state @param {string} block @param {number} open @returns {Gap[]} */
function count(state, block, open) {
  return open > 0 && !own(state.blocks, block) ? [gap(block, COUNTER, `gap.${block}`, { count: open })] : [];
}

/** @param {Kind} kind @param {IntakeState} state @param {Mode} mode @returns {string | null} */
function acknowledgement(kind, state, mode) {
  // What the bench says later is on no sheet: the signature stands for what was shown.
  if (state.taken_in?.index !== undefined) return null;
  const ack = state.acknowledgement;
  if (!ack) return "gap.acknowledgement.missing";
  if (acknowledgedSheet(kind, state)?.digest !== ack.sheet) return "gap.acknowledgement.stale";
  const held = (/** @type {string | undefined} */ file) => file === undefined || state.files_received.includes(file);
  if (mode === "server" && !(held(ack.sheet) && held(ack.strokes))) return "gap.acknowledgement.on-phone";
  return null;
}

/**
 * Whether a list of patterns lets a gap be left open: `*` at the end matches any rest, a leading `!` takes back.
 * The acknowledgement never is.
 * @param {string[]} patterns
 * @param {string} gapId
 * @returns {boolean}
 */
export function mayLeaveOpen(patterns, gapId) {
  const hit = (/** @type {string} */ p) => (p.endsWith("*") ? gapId.startsWith(p.slice(0, -1)) : p === gapId);
  return gapId !== "acknowledgement" && patterns.some((p) => !p.startsWith("!") && hit(p)) && !patterns.some((p) => p.startsWith("!") && hit(p.slice(1)));
}
