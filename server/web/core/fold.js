// The state of an intake: the fold of its entries in order. Pure; the server folds the same in `server/src/intake/state.rs`.
// @ts-check

import { applyCare, noCare } from "./care.js";
import { put, table } from "./table.js";

/** @import {Entry, IntakeState, Mark, PhotoFact} from "./types.js" */

/** An intake of which nothing was said. @returns {IntakeState} */
export function nothing() {
  return {
    state: "none", machine: table(), people: table(), statements: table(), answers: table(), lines: [], safety: table(), accessories: table(), blocks: table(),
    arrangements: table(), owner_answers: [], tags: [], photos: [], left_open: table(), files_received: [], readings: [], services: [], erasures: [], links: table(), not_understood: 0, ...noCare(),
  };
}

/**
 * Entries in the order that counts: by log index first; what is not sent yet after, in the order given (its local order).
 * @param {Entry[]} entries
 * @returns {Entry[]}
 */
export function inOrder(entries) {
  const local = entries.filter((e) => e.index === undefined);
  const kept = entries.filter((e) => e.index !== undefined);
  return [...kept.sort((a, b) => Number(a.index) - Number(b.index)), ...local];
}

/** Folds entries, in any order, into the state. @param {Entry[]} entries @returns {IntakeState} */
export function fold(entries) {
  const state = nothing();
  for (const entry of inOrder(entries)) apply(state, entry);
  return state;
}

/** @param {Entry} entry @returns {Mark} */
function markOf({ said, digest, index, kept }) {
  /** @type {Mark} */
  const mark = { id: said.id, digest, device_at: said.clock.at };
  if (index !== undefined) mark.index = index;
  if (said.author.staff !== undefined) mark.by = said.author.staff;
  if (kept !== undefined) mark.at = kept.at;
  return mark;
}

/** Applies one entry to the state. @param {IntakeState} state @param {Entry} entry */
export function apply(state, entry) {
  const { said, body, digest } = entry;
  const mark = markOf(entry);
  if (entry.index !== undefined) state.last_index = Math.max(state.last_index ?? 0, entry.index);
  // Older versions are upcast here, a step each; 1 is the first.
  if (said.v !== 1) {
    state.not_understood += 1;
    return;
  }
  // What a body holds was checked by the server, or is made by this device: from here on it is taken at its word.
  const fact = /** @type {any} */ ({ ...body, digest, mark });
  switch (said.type) {
    case "intake-opened":
      if (state.opened) return;
      state.state = body.how === "found" ? "found" : "open";
      state.shop = said.shop;
      state.intake = said.intake;
      state.tag = body.tag;
      state.kind = body.kind;
      state.kind_id = body.kind_id;
      state.opened = { digest, mark, tag: body.tag, how: body.how, ...(body.written ? { written: body.written } : {}), ...(body.earlier ? { earlier: body.earlier } : {}) };
      return;
    case "machine-described":
      return put(state.machine, body.field, fact);
    case "person-named":
      return put(state.people, body.who, fact);
    case "statement-made":
      return put(state.statements, body.topic, fact);
    case "question-answered":
      return put(state.answers, body.question, fact);
    case "condition-noted": {
      const line = { ...fact, photos: body.photos ?? [] };
      const at = state.lines.findIndex((l) => l.line === body.line);
      if (at < 0) state.lines.push(line);
      else state.lines[at] = line;
      return;
    }
    case "condition-withdrawn":
      state.lines = state.lines.filter((l) => l.line !== body.line);
      return;
    case "safety-noted":
      return put(state.safety, body.item, fact);
    case "accessory-noted":
      return put(state.accessories, body.item, fact);
    case "block-answered":
      return put(state.blocks, body.block, fact);
    case "arrangement-made":
      for (const [field, value] of Object.entries(body.values)) put(state.arrangements, field, { value, digest, mark });
      return;
    case "photo-taken":
      if (!state.photos.some((p) => p.photo === body.photo)) state.photos.push(fact);
      return;
    case "photo-received": {
      const photo = photoOf(state, body.photo);
      if (photo && !photo.received) photo.received = { media_type: body.media_type, mark };
      return;
    }
    case "photo-judged": {
      const photo = photoOf(state, body.photo);
      const { verdict, reasons = [], measures = {}, claims = {}, renditions = [], look, alike = [], codes = [], flags = [], by } = body;
      if (photo) photo.judged = { verdict, reasons, measures, claims, renditions, ...(look ? { look } : {}), alike, codes, flags, by, mark };
      return;
    }
    case "file-received":
      if (!state.files_received.includes(body.file)) state.files_received.push(body.file);
      return;
    case "left-open":
      return put(state.left_open, body.gap, fact);
    case "acknowledged":
      state.acknowledgement = fact;
      return;
    case "taken-in":
      state.state = "in care";
      state.taken_in = mark;
      return;
    case "not-taken-in":
      state.state = "not taken in";
      state.not_taken_in = { because: body.because, mark };
      return;
    case "moved":
      state.place = { place: body.place, mark };
      return;
    case "photo-moved": {
      const photo = photoOf(state, body.photo);
      if (photo && !photo.moved) photo.moved = { to: body.to, because: body.because, mark };
      return;
    }
    case "photo-erased": {
      const photo = photoOf(state, body.photo);
      if (photo && !photo.erased) photo.erased = { because: body.because, mark };
      return;
    }
    case "photo-came": {
      // One that was moved away from here and comes back is received and judged anew, as any that comes.
      state.photos = state.photos.filter((p) => p.photo !== body.photo || !p.moved);
      if (!photoOf(state, body.photo)) state.photos.push(fact);
      return;
    }
    case "found-noted":
      state.found = fact;
      return;
    case "owner-answered":
      // Who answers from afar has seen nothing yet, and silence is no agreement.
      if (state.state === "found" && body.how === "came in") state.state = "open";
      state.owner_answers.push(fact);
      return;
    case "tag-replaced":
      state.tag = body.tag;
      state.tags.push(fact);
      return;
    case "reading-noted":
      state.readings.push(fact);
      return;
    case "service-noted":
      state.services.push(fact);
      return;
    case "photo-redacted": {
      const photo = photoOf(state, body.photo);
      if (photo && body.boxes.length > 0) photo.redacted = { boxes: body.boxes, by: body.by, mark };
      else if (photo) delete photo.redacted;
      return;
    }
    case "customer-erased":
      for (const id of body.photos) {
        const photo = photoOf(state, id);
        if (photo && !photo.erased) photo.erased = { because: body.why, mark };
      }
      state.erasures.push(fact);
      return;
    case "link-made":
      return put(state.links, body.link, { what: body.what, expires: body.expires, mark });
    case "link-revoked":
      delete state.links[body.link];
      return;
    default:
      if (!applyCare(state, said.type, fact, mark)) state.not_understood += 1;
  }
}

/** Tags it had before and that were lost, oldest first. @param {IntakeState} state @returns {string[]} */
export function lostTags(state) {
  return state.opened ? [state.opened.tag, ...state.tags.map((t) => t.tag)].slice(0, -1) : [];
}

/** @param {IntakeState} state @param {string} id @returns {PhotoFact | undefined} */
export function photoOf(state, id) {
  return state.photos.find((p) => p.photo === id);
}

/** The newest photo taken for a view that shows this machine; one of how it left shows nothing of how it came. @param {IntakeState} state @param {string} view @returns {PhotoFact | undefined} */
export function newestOf(state, view) {
  return state.photos.findLast((p) => !goneOf(p) && p.stage !== "left" && p.view === view);
}

/** Whether it is a film: its entry says so, or, of one that came from another intake, the server. @param {PhotoFact} photo */
export function isFilm(photo) {
  return photo.film === true || photo.received?.media_type.startsWith("video/") === true;
}

/** The entry that took a photo away from this intake, if one did. It fills nothing then. @param {PhotoFact} photo @returns {Mark | undefined} */
export function goneOf(photo) {
  return photo.moved?.mark ?? photo.erased?.mark;
}

/** Whether a photo was taken away before the customer could have signed for it: it is on no sheet. @param {IntakeState} state @param {PhotoFact} photo */
export function offSheet(state, photo) {
  const gone = goneOf(photo);
  return gone !== undefined && !afterAcceptance(state, gone);
}

/** Whether an entry came after the shop took the machine in: the customer was not shown it. @param {IntakeState} state @param {Mark} mark */
export function afterAcceptance(state, mark) {
  const end = state.taken_in?.index;
  return end !== undefined && (mark.index === undefined || mark.index > end);
}
