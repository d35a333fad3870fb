// What every page of an intake shares: loading it, its tag at the head, and what happened to it meanwhile.

import { fetchIntake, heard, intake, tryAgain, watch, watchQueue } from "../core/app.js";
import { t, text, valueText } from "../core/words.js";
import { trouble } from "../core/trouble.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { machineName, serial, tagBefore } from "./facts.js";
import { where } from "./flow.js";
import { freshNames } from "./names.js";
import { tag } from "./tag.js";

/** @import {IntakeView} from "../core/app.js" */

/** The intake, from the device; from the server once where the device does not have it. @param {string} id @returns {Promise<IntakeView>} */
export async function load(id) {
  const here = await intake(id);
  if (here?.known) return here;
  await fetchIntake(id);
  const fetched = await intake(id);
  if (!fetched) throw trouble("not-here");
  return fetched;
}

/** Draws again when the intake, the queue or the names change. @param {string} id @returns {(again: () => void) => (() => void)[]} */
export const watching = (id) => (again) => {
  freshNames(again);
  return [watch(id, again), watchQueue(again)];
};

/** @param {IntakeView} view @param {{ level?: "h1" | "p", heading?: string }} [how] */
export function head(view, { level = "p", heading } = {}) {
  const name = [view.state.machine.make?.value, view.state.machine.model?.value].filter(Boolean).join(" ");
  return tag({
    number: view.state.tag ?? "", level,
    heading: heading ?? (text(view.kind?.name) || machineName(view)),
    under: [name, serial(view), tagBefore(view)].filter(Boolean).join(", "),
  });
}

/** Leads from a page of the counter to the machine's own, and what is drawn meanwhile. @param {IntakeView} view @param {import("./page.js").At} at @returns {import("./page.js").Drawn} */
export function toMachine(view, at) {
  queueMicrotask(() => at.go(`/machine/${view.id}`, true));
  return { title: view.state.tag ?? "", content: head(view, { level: "h1" }) };
}

/** What others changed meanwhile, and what the server refused. @param {IntakeView} view */
export function meanwhile(view) {
  const told = view.told.length === 0 ? [] : [h("section", { class: "quote stack stack--close", "data-key": "told" },
    view.told.map((s) => h("p", { role: "status" }, valueText(s))),
    h("div", { class: "row" }, act({ words: t("act.heard"), does: () => heard(view.id) })))];
  const refused = view.refused.map((item) => refusal(view, item));
  return [...told, ...refused];
}

/** Whether an opening was refused because its tag hangs, or was lost, elsewhere. @param {import("../core/app.js").QueueItem} item */
export const needsOtherTag = (item) => item.type === "intake-opened" && /\/tag-(used|lost)$/.test(item.problem?.type ?? "");

/** @param {IntakeView} view @param {import("../core/app.js").QueueItem} item */
function refusal(view, item) {
  const gaps = item.problem?.gaps ?? [];
  const otherTag = needsOtherTag(item);
  return h("section", { class: "fault stack stack--close", "data-key": `refused-${item.key}` },
    h("h2", null, t(`page.refused.${item.type === "taken-in" ? "taken-in" : item.what}`)),
    h("p", null, item.problem?.detail ?? t("page.unexpected")),
    gaps.length > 0 ? h("ul", { class: "steps" }, gaps.map((g) => h("li", null, h("a", { href: where(view.id, g.gap) }, valueText(g))))) : null,
    h("div", { class: "row" },
      otherTag ? h("a", { class: "link", href: `/intake/${view.id}/tag` }, t("act.other-tag")) : null,
      act({ words: t("act.again"), does: () => tryAgain(item.key) }),
      h("a", { class: "link", href: "/unsent" }, t("act.unsent"))));
}
