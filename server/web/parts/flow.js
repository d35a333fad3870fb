// The way through an intake: which page answers what, and the next due thing that the one heavy button names.
//
// Taps of a chainsaw that answers everything due, beyond camera and typing (budget 24):
//
//   page              tap                                                        sum
//   desk              Take a machine in                                            1
//   take in           Chainsaw                                                     2
//                     the next free number, offered as a choice                    3
//   shots             six times the button that names the next view                9
//                     "Their words" (the same button)                             10
//   told              words, make, model, serial, name, phone are typed; the
//                     Return key goes from field to field
//                     "The owner brings it"                                       11
//                     "Next: three questions"                                     12
//   asked             three answers                                               15
//                     walk-round by one sentence                                  16
//                     safety devices by one sentence                              17
//                     things left with it by one sentence                         18
//                     "Next: money and dates"                                     19
//   agreed            the shop's usual, read out as one sentence                  20
//                     "Show it to the customer"                                   21
//   sheet             (signature drawn)  "I was shown this: sign"                 22
//                     "Take it into our care"                                     23
//
// Taps of a machine that was here before (budget 18), after it was found on the desk by typing:
//
//   desk              its tag                                                      1
//   machine           "Same machine again, with tag …"                             2
//   shots             six views                                                    8
//                     "Words, and what is new"                                     9
//   again             what was recorded last time, read out and confirmed         10
//                     two answers that do not last                                12
//                     three blocks by one sentence each                           15
//                     "Show it to the customer"                                   16
//   sheet             sign                                                        17
//                     "Take it into our care"                                     18

import { t, text } from "../core/words.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Gap, View} from "../core/types.js" */

/** Pages of an intake, in order, and the gaps each of them answers. */
export const STEPS = /** @type {const} */ ([
  { id: "shots", path: "", owns: ["view"] },
  { id: "told", path: "/told", owns: ["statement", "machine", "person"] },
  { id: "asked", path: "/asked", owns: ["question", "walk-round", "line-photo", "safety", "accessories"] },
  { id: "agreed", path: "/agreed", owns: ["arrangement"] },
  { id: "sheet", path: "/sheet", owns: ["acknowledgement"] },
]);

/** @typedef {typeof STEPS[number]["id"]} StepId */

/** @param {string} gap */
const group = (gap) => gap.split(":")[0];

/** The page that answers a gap. @param {string} gap */
export const stepOf = (gap) => STEPS.find((s) => s.owns.some((o) => o === group(gap))) ?? STEPS[0];

/** Gaps that the page of the hand-back answers. */
const HOME = ["left-view", "settle", "trial", "told", "out", "collector", "hand-back-signature"];

/** Where to tap for a gap. @param {string} intake @param {string} gap */
export function where(intake, gap) {
  if (HOME.includes(group(gap))) return `/intake/${intake}/home`;
  if (gap === "found") return `/intake/${intake}/found`;
  const step = stepOf(gap);
  return `/intake/${intake}${step.path}${step.id === "sheet" ? "" : `#${encodeURIComponent(anchor(gap))}`}`;
}

/** The element a gap leads to. @param {string} gap */
export const anchor = (gap) => gap.replaceAll(":", "-").replaceAll("_", "-");

/** Whether the counter is done with it for good: the log says that it was taken in, or that it was not. @param {IntakeView} view */
export const settled = (view) => view.state.state === "not taken in" || view.state.taken_in?.index !== undefined;

/** What is due at the counter and not answered. @param {IntakeView} view */
export const atCounter = (view) => view.check.gaps.filter((g) => g.due === "at counter");

/** Gaps of one page. @param {IntakeView} view @param {StepId} id */
export const openIn = (view, id) => atCounter(view).filter((g) => stepOf(g.gap).id === id);

/** What the counter still has to answer before the sheet is shown. @param {IntakeView} view */
export const beforeSheet = (view) => atCounter(view).filter((g) => g.gap !== "acknowledgement");

/**
 * The next page for the heavy button of page `from`, and what it says there.
 * @param {IntakeView} view
 * @param {StepId | "again"} from `again` is the one page of a machine that was here before
 * @returns {{ href: string, words: string }}
 */
export function onward(view, from) {
  const at = STEPS.findIndex((s) => s.id === from);
  const base = `/intake/${view.id}`;
  if (settled(view)) return { href: `/machine/${view.id}`, words: t("act.to-machine") };
  // Nobody is here who could tell or agree: back to what waits for the owner.
  if (view.state.state === "found") return { href: `${base}/found`, words: t("act.next.found") };
  const earlier = view.state.opened?.earlier;
  const known = earlier !== undefined && earlier.again !== "same customer";
  if (from === "shots" && known && beforeSheet(view).length > 0) return { href: `${base}/again`, words: t("act.next.again") };
  // The one page of a known machine answers everything that is usual; what is left after it is listed.
  for (const step of from === "again" ? [] : STEPS.slice(at + 1, -1)) {
    if (openIn(view, step.id).length > 0) return { href: base + step.path, words: t(`act.next.${step.id}`) };
  }
  const left = beforeSheet(view).length;
  if (left > 0) return { href: `${base}/gaps`, words: t("act.next.gaps", { count: left }) };
  return { href: `${base}/sheet`, words: t(view.check.gaps.some((g) => g.gap === "acknowledgement") ? "act.next.sheet" : "act.next.take") };
}

/** The view to shoot next: due at the counter, missing or poor. @param {IntakeView} view @returns {View | undefined} */
export function nextView(view) {
  const open = new Set(openIn(view, "shots").map((g) => g.gap));
  return view.kind?.view.find((v) => open.has(`view:${v.id}`));
}

/** The sentence of a gap; what the check names by id is put into words. @param {Gap} gap */
export function gapSentence(gap) {
  const field = typeof gap.with.field === "string" ? { field: t(`page.field.${gap.with.field.replaceAll("_", "-")}`) } : {};
  return t(gap.key, { ...gap.with, ...field });
}

/** Why a gap is asked for. @param {Gap} gap @param {IntakeView} view */
export function gapWhy(gap, view) {
  const [kind, id] = gap.gap.split(":");
  if (kind === "view") return text(view.kind?.view.find((v) => v.id === id)?.why);
  if (kind === "reading") return text(view.kind?.reading?.find((r) => r.id === id)?.why);
  if (kind === "question") return text(view.kind?.question?.find((q) => q.id === id)?.why);
  return t(`gap.why.${kind}`);
}
