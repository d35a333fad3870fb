// Going home: what still speaks against it, and the sheet that the collector is shown. Pure. The server judges the same in
// `server/src/intake/hand_back.rs`; `schema/vectors/home.json` holds both to one answer.
// @ts-check

import { canon } from "./canon.js";
import { viewKey } from "./check.js";
import { goneOf } from "./fold.js";
import { holds, own } from "./kind.js";
import { digestOf } from "./sha256.js";

/** @import {Checked, Gap, IntakeState, Kind, PhotoFact, View} from "./types.js" */
/** @import {Mode} from "./check.js" */
/** @import {Shown} from "./sheet.js" */

const BENCH = "at bench";

/** The views that are taken again: those of the counter that were asked for. @param {Kind} kind @param {IntakeState} state @returns {View[]} */
export const homeViews = (kind, state) => kind.view.filter((v) => v.due === "at counter" && holds(v.when, state));

/** The newest photo of a view as the machine left. @param {IntakeState} state @param {string} view @returns {PhotoFact | undefined} */
export const leftOf = (state, view) => state.photos.findLast((p) => !goneOf(p) && p.stage === "left" && p.view === view);

/** The lines to settle: things kept here, old parts kept here, suspect parts. @param {Kind} kind @param {IntakeState} state @returns {string[]} */
export function homeLines(kind, state) {
  const things = (kind.accessory ?? []).filter((a) => own(state.accessories, a.id)?.stays === "kept here" && state.accessories[a.id].count > 0);
  return [
    ...things.map((a) => `accessory:${a.id}`),
    ...(state.services.some((s) => s.old === "kept here") ? ["old:plug"] : []),
    ...state.custody.old_parts.filter((p) => p.fate === "kept here").map((p) => `old:${p.old}`),
    ...state.parts.parts.map((p) => `part:${p.part}`),
  ];
}

/** The old part that a line is about. @param {IntakeState} state @param {string} line */
export const oldPart = (state, line) => (line.startsWith("old:") ? state.custody.old_parts.find((p) => p.old === line.slice(4)) : undefined);

/** @param {string} id @param {string} key @param {{[name: string]: any}} [names] @returns {Gap} */
const ask = (id, key, names = {}) => ({ gap: id, due: BENCH, key, with: names });

/** What still speaks against handing it back; the signature comes last. @param {Kind} kind @param {IntakeState} state @param {Mode} mode @returns {Checked} */
export function homeCheck(kind, state, mode) {
  const { home, custody } = state;
  /** @type {Gap[]} */
  const found = homeViews(kind, state).flatMap((v) => {
    const photo = leftOf(state, v.id);
    const key = viewKey(photo, mode)?.replace("gap.view.", "gap.left-view.");
    return key ? [ask(`left-view:${v.id}`, key, { view: v.name, ...(key.endsWith("poor") ? { reasons: photo?.judged?.reasons ?? [] } : {}) })] : [];
  });
  for (const line of homeLines(kind, state).filter((l) => !own(home.settled, l))) {
    const [group, id] = [line.slice(0, line.indexOf(":")), line.slice(line.indexOf(":") + 1)];
    const what = group === "accessory" ? kind.accessory?.find((a) => a.id === id)?.name : group === "part" ? state.parts.parts.find((p) => p.part === id)?.what : oldPart(state, line)?.what;
    found.push(ask(`settle:${line}`, `gap.settle.${group === "old" && what !== undefined ? "old-part" : group}`, what === undefined ? {} : { what }));
  }
  if (!home.trial) found.push(ask("trial", "gap.trial"));
  for (const [word, kept] of Object.entries(custody.quarantine).sort(([a], [b]) => (a < b ? -1 : 1))) {
    if (!own(home.told, word)) found.push(ask(`told:${word}`, "gap.told", { because: kept.because }));
  }
  for (const s of custody.sent.filter((s) => !own(custody.back, s.sent))) found.push(ask(`out:${s.sent}`, "gap.out", { what: s.what }));
  if (!home.collector) found.push(ask("collector", "gap.collector"));
  /** @type {Checked} */
  const checked = { gaps: [], left_open: [] };
  for (const g of found) {
    const left = own(state.left_open, g.gap);
    if (!left) checked.gaps.push(g);
    else checked.left_open.push({ ...g, reason: left.reason, ...(left.mark.by === undefined ? {} : { by: left.mark.by }) });
  }
  const key = unsigned(kind, state, mode);
  if (key) checked.gaps.push(ask("hand-back-signature", key));
  return checked;
}

/** @param {Kind} kind @param {IntakeState} state @param {Mode} mode @returns {string | null} */
function unsigned(kind, state, mode) {
  const shown = state.home.shown;
  if (!shown) return "gap.hand-back-signature.missing";
  if (homeSheet(kind, state, { language: shown.language, words: shown.words, reader: shown.reader })?.digest !== shown.sheet) return "gap.hand-back-signature.stale";
  const held = (/** @type {string | undefined} */ file) => file === undefined || state.files_received.includes(file);
  return mode === "server" && !(held(shown.sheet) && held(shown.strokes)) ? "gap.hand-back-signature.on-phone" : null;
}

/** The photos as it left, in the kind's order, then what else was photographed then. @param {Kind} kind @param {IntakeState} state @returns {PhotoFact[]} */
export function homePhotos(kind, state) {
  const views = homeViews(kind, state).flatMap((v) => leftOf(state, v.id) ?? []);
  return [...views, ...state.photos.filter((p) => !goneOf(p) && p.stage === "left" && p.view === undefined)];
}

/** The hand-back sheet. The first signature's entry stands in it, and so does what was shown then. @param {Kind} kind @param {IntakeState} state @param {Shown} shown */
export function homeSheet(kind, state, { language, words, reader }) {
  if (!state.opened || !state.intake || !state.shop || !state.kind) return null;
  const { home, custody } = state;
  const photos = homePhotos(kind, state);
  const left = homeViews(kind, state).flatMap((v) => own(state.left_open, `left-view:${v.id}`) ?? []);
  const facts = [
    state.acknowledgement, ...photos, ...Object.values(home.settled), home.trial, ...Object.values(home.told), home.collector, ...Object.values(custody.quarantine),
    ...custody.old_parts, ...custody.work, ...custody.approvals, ...custody.incidents, ...left,
  ];
  const entries = [state.opened.digest, ...(state.taken_in ? [state.taken_in.digest] : []), ...facts.flatMap((f) => f?.digest ?? [])];
  const sheet = {
    entries: [...new Set(entries)].sort(), files: photos.map((p) => p.file), intake: state.intake, kind: state.kind, language,
    ...(reader === undefined ? {} : { reader }), shop: state.shop, v: 1, words,
  };
  const bytes = canon(sheet);
  return { sheet, bytes, digest: digestOf(bytes), photos };
}
