// A dispute: each point of the other side beside the evidence that bears on it, and what is missing. It informs and takes no
// side: whether a picture shows what somebody says is for a person to say. Pure.
// @ts-check

import { goneOf, newestOf } from "./fold.js";
import { leftOf } from "./hand-back.js";

/** @import {AccessoryFact, Fact, IntakeState, Kind, LineFact, Mark, PhotoFact, PointFact, ReadingFact} from "./types.js" */

/**
 * What bears on a point. `received` and `left` are photos of the view or part as it came and as it went; `missing` are message keys.
 * @typedef {{received: PhotoFact[], opened: PhotoFact[], left: PhotoFact[], lines: LineFact[], thing?: AccessoryFact, settled?: Fact & {how: string}, readings: ReadingFact[],
 *   money: Fact[], times: {key: string, mark: Mark}[], missing: string[]}} Bears
 */

/** @param {Kind} kind @param {IntakeState} state @param {PointFact} point @returns {Bears} */
export function bearsOn(kind, state, point) {
  const at = point.about.indexOf(":");
  const [group, id] = at < 0 ? [point.about, ""] : [point.about.slice(0, at), point.about.slice(at + 1)];
  /** @type {Bears} */
  const found = { received: [], opened: [], left: [], lines: [], readings: [], money: [], times: times(state), missing: [] };
  const shows = (/** @type {PhotoFact | undefined} */ p) => (p && !goneOf(p) ? [p] : []);
  if (group === "view") {
    found.received = shows(newestOf(state, id));
    found.left = shows(leftOf(state, id));
    if (found.received.length === 0) found.missing.push("dispute.missing.received");
    if (found.left.length === 0) found.missing.push("dispute.missing.left");
  }
  if (group === "part") {
    found.lines = state.lines.filter((l) => l.part === id);
    const photos = found.lines.flatMap((l) => l.photos.flatMap((p) => shows(state.photos.find((x) => x.photo === p))));
    found.received = photos.filter((p) => p.stage === "received");
    found.opened = photos.filter((p) => p.stage === "opened");
    if (found.lines.length === 0) found.missing.push("dispute.missing.line");
  }
  if (group === "accessory") {
    found.thing = state.accessories[id];
    found.settled = state.home.settled[`accessory:${id}`];
    const laidOut = kind.view.find((v) => v.due === "at counter" && /(accessor|left-with|laid|everything)/.test(v.id));
    if (laidOut) {
      found.received = shows(newestOf(state, laidOut.id));
      found.left = shows(leftOf(state, laidOut.id));
    }
    if (!found.thing) found.missing.push("dispute.missing.thing");
  }
  if (group === "suspect") {
    const photos = state.parts.pictures.filter((p) => p.part === id).flatMap((p) => shows(state.photos.find((x) => x.photo === p.photo)));
    found.opened = photos;
    found.readings = state.readings.filter((r) => r.part === id);
    if (photos.length === 0) found.missing.push("dispute.missing.part-photos");
    if (found.readings.length === 0) found.missing.push("dispute.missing.reading");
  }
  if (group === "money") {
    found.money = [...Object.values(state.arrangements), ...state.custody.prices, ...state.custody.approvals, ...state.custody.work];
    if (state.custody.approvals.length === 0) found.missing.push("dispute.missing.approval");
  }
  if (!state.acknowledgement) found.missing.push("dispute.missing.shown");
  else if (state.acknowledgement.how !== "signed") found.missing.push("dispute.missing.signed");
  return found;
}

/** When it came, what was signed, when it was opened and went: what every point stands between. @param {IntakeState} state @returns {{key: string, mark: Mark}[]} */
function times(state) {
  const all = /** @type {[string, Mark | undefined][]} */ ([
    ["dispute.time.opened", state.opened?.mark], ["dispute.time.shown", state.acknowledgement?.mark], ["dispute.time.taken-in", state.taken_in],
    ["dispute.time.opened-up", state.custody.opened_up], ["dispute.time.shown-back", state.home.shown?.mark], ["dispute.time.handed-back", state.home.handed_back],
  ]);
  return all.flatMap(([key, mark]) => (mark ? [{ key, mark }] : []));
}
