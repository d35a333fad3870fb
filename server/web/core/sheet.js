// The sheet: the exact list of facts and photos shown to the customer. Pure; the server makes the same bytes from the same
// entries in `server/src/intake/sheet.rs`.
// @ts-check

import { canon } from "./canon.js";
import { checkFacts } from "./check.js";
import { afterAcceptance } from "./fold.js";
import { own } from "./kind.js";
import { digestOf } from "./sha256.js";

/** @import {IntakeState, Kind, PhotoFact} from "./types.js" */

/**
 * How a sheet is shown: language tag, digest of that language's catalogue, who read or translated it.
 * @typedef {{language: string, words: string, reader?: string}} Shown
 */

/**
 * The photos shown, in the order they are numbered: those on condition lines first, then the newest of each view in the
 * kind's order, then the rest; each once. A photo replaced by a newer one of its view is left out unless a line shows it.
 * Photos taken after the acceptance come last, so that the numbers on the customer's receipt stay true.
 * @param {Kind} kind @param {IntakeState} state @returns {PhotoFact[]}
 */
export function shownPhotos(kind, state) {
  const later = state.photos.filter((p) => afterAcceptance(state, p.mark));
  const shown = state.photos.filter((p) => !later.includes(p));
  return [...inOrder(kind, state, shown), ...inOrder(kind, state, later)];
}

/** @param {Kind} kind @param {IntakeState} state @param {PhotoFact[]} photos @returns {PhotoFact[]} */
function inOrder(kind, state, photos) {
  const newest = (/** @type {string} */ view) => photos.findLast((p) => p.view === view);
  const all = [
    ...state.lines.flatMap((l) => l.photos.map((id) => photos.find((p) => p.photo === id))),
    ...kind.view.map((v) => newest(v.id)),
    ...photos.filter((p) => p.view === undefined || newest(p.view) === p),
  ];
  return [...new Set(all.filter((p) => p !== undefined))];
}

/**
 * The sheet of an intake as it stands: its canonical bytes, their digest, and what it lists. Null before the opening.
 * @param {Kind} kind @param {IntakeState} state @param {Shown} shown
 */
export function buildSheet(kind, state, { language, words, reader }) {
  if (!state.opened || !state.intake || !state.shop || !state.kind) return null;
  const photos = shownPhotos(kind, state);
  const tables = [
    state.machine, state.people, state.statements, state.answers, state.safety, state.accessories, state.blocks, state.arrangements,
  ];
  // What is left open is decided as a device decides it: what only the server knows must not unmake a signature.
  const left = checkFacts(kind, state, "device").left_open.filter((g) => g.due === "at counter");
  const entries = [
    state.opened.digest,
    ...tables.flatMap((table) => Object.values(table).map((fact) => fact.digest)),
    ...state.lines.map((l) => l.digest),
    ...photos.map((p) => p.digest),
    ...left.flatMap((g) => own(state.left_open, g.gap)?.digest ?? []),
  ];
  const sheet = {
    entries: [...new Set(entries)].sort(),
    files: photos.map((p) => p.file),
    intake: state.intake,
    kind: state.kind,
    language,
    ...(reader === undefined ? {} : { reader }),
    shop: state.shop,
    ...(own(state.arrangements, "terms") ? { terms: state.arrangements.terms.value } : {}),
    v: 1,
    words,
  };
  const bytes = canon(sheet);
  return { sheet, bytes, digest: digestOf(bytes), photos, left_open: left };
}

/** The sheet as the newest acknowledgement says it was shown. @param {Kind} kind @param {IntakeState} state */
export function acknowledgedSheet(kind, state) {
  const ack = state.acknowledgement;
  return ack ? buildSheet(kind, state, { language: ack.language, words: ack.words, reader: ack.reader }) : null;
}
