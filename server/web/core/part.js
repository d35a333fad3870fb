// A suspect part: how its days and numbers agree, until when a claim can be made, and what it still lacks. Observations, never
// accusations. Pure. The server reckons the same in `server/src/intake/part.rs`; `schema/vectors/parts.json` holds both to it.
// @ts-check

import { goneOf, photoOf } from "./fold.js";

/** @import {ClaimFact, IntakeState, PartFact, Sentence} from "./types.js" */

/** Guided views before a part is fitted. */
export const BEFORE = ["bag-label", "face-1", "face-2", "face-3", "face-4", "flange", "bore", "ring-gap"];
/** Guided views after it failed. */
export const AFTER = ["plug-in-head", "nose-side-light", "nose-turned", "body", "piston-exhaust", "piston-intake", "crown", "pin"];
/** What is looked at on a part. */
export const ABOUT = ["makers-mark", "casting-number", "ports", "faces", "bore", "rings", "insulator", "piston"];

/** A day that there is. @param {string | undefined} text */
export function isDay(text) {
  if (text === undefined || !/^\d{4}-\d{2}-\d{2}$/.test(text)) return false;
  const day = new Date(`${text}T00:00:00Z`);
  return !Number.isNaN(day.getTime()) && day.toISOString().startsWith(text);
}

/** @param {string} key @param {{[name: string]: any}} [names] @returns {Sentence} */
const said = (key, names = {}) => ({ key, with: names });

/** What of a card does not agree with itself: questions to a person, nobody's fault. @param {PartFact} card @returns {Sentence[]} */
export function disagreements(card) {
  const days = /** @type {const} */ (["made", "bought", "fitted", "failed"]).filter((n) => isDay(card[n]));
  const out = days.slice(1).flatMap((later, i) => (String(card[days[i]]) > String(card[later]) ? [said("part.order", { earlier: days[i], later })] : []));
  if (card.count !== undefined && card.count_fitted !== undefined && card.count_fitted > card.count) out.push(said("part.more-fitted", { fitted: card.count_fitted, bought: card.count }));
  const plain = (/** @type {string} */ t) => t.replace(/[^\p{L}\p{N}]/gu, "").toUpperCase();
  const numbers = /** @type {[string, string][]} */ ([["bag", card.on_bag], ["invoice", card.on_invoice], ["casting", card.on_casting]].filter(([, t]) => t !== undefined));
  numbers.forEach(([a, one], i) => numbers.slice(i + 1).forEach(([b, other]) => {
    if (plain(one) !== plain(other)) out.push(said("part.numbers-differ", { a, one, b, other }));
  }));
  return out;
}

/** The last day of a claim's window; undefined while the day it runs from is not known. @param {PartFact} card @param {ClaimFact} claim @returns {string | undefined} */
export function until(card, claim) {
  const from = card[claim.from];
  if (from === undefined || !isDay(from)) return undefined;
  return new Date(Date.parse(`${from}T00:00:00Z`) + claim.days * 86_400_000).toISOString().slice(0, 10);
}

/** What a claim still lacks on its way, in order. @param {IntakeState} state @param {PartFact} card @param {"return" | "warranty"} route @returns {Sentence[]} */
export function missing(state, card, route) {
  const fields = /** @type {const} */ (["supplier", "invoice", "on_bag", "bought"]);
  const after = route === "warranty" ? /** @type {const} */ (["fitted", "failed"]) : [];
  const out = [...fields, ...after, /** @type {const} */ ("count")].filter((f) => card[f] === undefined).map((field) => said("part.missing.field", { field }));
  const pictured = (/** @type {string} */ view) => state.parts.pictures.some((p) => {
    const photo = photoOf(state, p.photo);
    return p.part === card.part && p.view === view && photo !== undefined && !goneOf(photo);
  });
  // A part that was fitted cannot go back as unused, and says so.
  if (route === "return" && card.fitted !== undefined) out.push(said("part.missing.unused"));
  if (!BEFORE.some(pictured)) out.push(said("part.missing.before"));
  if (route === "warranty") {
    if (!AFTER.some(pictured)) out.push(said("part.missing.after"));
    if (!state.readings.some((r) => r.part === card.part && r.value !== undefined)) out.push(said("part.missing.reading"));
    if (state.custody.findings.length === 0) out.push(said("part.missing.elsewhere"));
  }
  if (!state.parts.observed.some((o) => o.part === card.part && o.about === "makers-mark")) out.push(said("part.missing.makers-mark"));
  return out;
}
