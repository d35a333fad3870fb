// What is said once the shop has the machine: custody, suspect parts, disputes, going home. Folds into the state as the server's
// `intake/{custody,part,dispute,hand_back}.rs` do. Pure.
// @ts-check

import { put, table } from "./table.js";

/** @import {ApprovalFact, IntakeState, Mark} from "./types.js" */

/** @returns {Pick<IntakeState, "custody" | "home" | "parts" | "disputes">} */
export function noCare() {
  return {
    custody: { findings: [], heard: [], prices: [], approvals: [], work: [], old_parts: [], quarantine: table(), lifted: [], incidents: [], sent: [], back: table(), contacts: [] },
    home: { settled: table(), told: table() },
    parts: { parts: [], pictures: [], observed: [], claims: [], posted: [], ended: [] },
    disputes: { opened: [], points: [], ended: [] },
  };
}

/** The later of the same thing stands in the earlier one's place. @param {any[]} list @param {any} fact @param {string} by */
function replace(list, fact, by) {
  const at = list.findIndex((x) => x[by] === fact[by]);
  if (at < 0) list.push(fact);
  else list[at] = fact;
}

/** Applies one entry; whether its type was one of these. @param {IntakeState} state @param {string} type @param {any} fact @param {Mark} mark @returns {boolean} */
export function applyCare(state, type, fact, mark) {
  const { custody, home, parts, disputes } = state;
  switch (type) {
    case "opened-up":
      custody.opened_up ??= mark;
      return true;
    case "finding-noted":
      replace(custody.findings, fact, "finding");
      return true;
    case "finding-withdrawn":
      custody.findings = custody.findings.filter((f) => f.finding !== fact.finding);
      return true;
    case "words-heard":
      custody.heard.push(fact);
      return true;
    case "price-told":
      custody.prices.push(fact);
      return true;
    case "approval-noted":
      custody.approvals.push(fact);
      return true;
    case "work-noted":
      custody.work.push(fact);
      return true;
    case "old-part-noted":
      replace(custody.old_parts, fact, "old");
      return true;
    case "quarantined":
      put(custody.quarantine, fact.word, fact);
      // Kept from it again: what was told before is not told of this.
      delete home.told[fact.word];
      return true;
    case "quarantine-lifted":
      delete custody.quarantine[fact.word];
      custody.lifted.push(fact);
      return true;
    case "incident-noted":
      custody.incidents.push(fact);
      return true;
    case "sent-out":
      custody.sent.push(fact);
      return true;
    case "came-back":
      put(custody.back, fact.sent, fact);
      return true;
    case "contact-tried":
      custody.contacts.push(fact);
      return true;
    case "hold-set":
      custody.hold = fact;
      return true;
    case "hold-lifted":
      delete custody.hold;
      return true;
    case "thing-settled":
      put(home.settled, fact.line, fact);
      return true;
    case "trial-noted":
      home.trial = fact;
      return true;
    case "quarantine-told":
      put(home.told, fact.word, fact);
      return true;
    case "collector-noted":
      home.collector = fact;
      return true;
    case "hand-back-shown":
      home.shown = fact;
      return true;
    case "handed-back":
      home.handed_back = mark;
      state.state = "handed back";
      return true;
    case "part-noted":
      replace(parts.parts, fact, "part");
      return true;
    case "part-pictured":
      parts.pictures.push(fact);
      return true;
    case "part-observed":
      parts.observed.push(fact);
      return true;
    case "claim-opened":
      parts.claims.push(fact);
      return true;
    case "part-posted":
      parts.posted.push(fact);
      return true;
    case "claim-ended":
      parts.ended.push(fact);
      return true;
    case "dispute-opened":
      disputes.opened.push(fact);
      return true;
    case "dispute-point":
      disputes.points.push(fact);
      return true;
    case "dispute-ended":
      disputes.ended.push(fact);
      return true;
    default:
      return false;
  }
}

/** Up to how much the shop may go: the newest yes, else what was arranged. Undefined: no limit was agreed. @param {IntakeState} state @returns {{minor: number, currency: string} | undefined} */
export function limitOf(state) {
  const yes = state.custody.approvals.findLast((/** @type {ApprovalFact} */ a) => a.answer === "yes" && a.total !== undefined);
  if (yes) return yes.total;
  const arranged = state.arrangements.limit?.value;
  return typeof arranged === "object" && arranged !== null ? arranged : undefined;
}

/** Whether a step that adds this much is within what was agreed; an amount in another currency is not. @param {IntakeState} state @param {{minor: number, currency: string} | undefined} adds */
export function withinLimit(state, adds) {
  const limit = limitOf(state);
  if (!limit || !adds) return true;
  const all = [...state.custody.work.flatMap((w) => w.adds ?? []), adds];
  return all.every((a) => a.currency === limit.currency) && all.reduce((sum, a) => sum + a.minor, 0) <= limit.minor;
}
