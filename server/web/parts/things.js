// Safety devices as seen, and what was left with the machine: told one by one, for who does not answer by one sentence.

import { t, text } from "../core/words.js";
import { picks } from "./act.js";
import { h } from "./dom.js";
import { slug } from "./facts.js";

/** @import {IntakeView} from "../core/app.js" */

const SEEN = ["seen", "not with it", "not seen"];
const STAYS = ["kept here", "handed back", "not with it"];

/** @param {IntakeView} view @param {(item: string, seen: string) => unknown} note */
export function safetyPart(view, note) {
  const said = Object.keys(view.state.safety).length;
  return h("details", { class: "more", open: said > 0 },
    h("summary", null, t("page.safety.one-by-one")),
    h("div", { class: "stack" }, (view.kind?.safety ?? []).map((s) => h("div", { class: "question", "data-key": s.id, id: `safety-${s.id}` },
      h("h3", null, text(s.name)),
      picks({
        name: text(s.name), three: true, chosen: view.state.safety[s.id]?.seen,
        choices: SEEN.map((w) => ({ id: w, words: t(`page.safety.${slug(w)}`) })),
        does: (seen) => note(s.id, seen),
      })))));
}

/** @param {IntakeView} view @param {(item: string, count: number, stays: string) => unknown} note */
export function accessoriesPart(view, note) {
  const said = Object.keys(view.state.accessories).length;
  return h("details", { class: "more", open: said > 0 },
    h("summary", null, t("page.stays.one-by-one")),
    h("div", { class: "stack" }, (view.kind?.accessory ?? []).map((a) => {
      const fact = view.state.accessories[a.id];
      const count = fact?.count ?? 0;
      const stays = fact && fact.stays !== "not with it" ? fact.stays : "kept here";
      const name = text(a.name);
      return h("div", { class: "question", "data-key": a.id, id: `accessory-${a.id}` },
        h("h3", null, name),
        picks({
          name, three: true, chosen: fact?.stays,
          choices: STAYS.map((w) => ({ id: w, words: t(`page.stays.${slug(w)}`) })),
          does: (w) => note(a.id, w === "not with it" ? 0 : Math.max(1, count), w),
        }),
        fact && fact.stays !== "not with it" ? h("div", { class: "row" },
          step("−", t("act.one-less", { thing: name }), () => count > 1 && note(a.id, count - 1, stays)),
          h("output", { class: "count" }, count),
          step("+", t("act.one-more", { thing: name }), () => note(a.id, count + 1, stays))) : null);
    })));
}

/** @param {string} sign @param {string} name @param {() => unknown} does */
const step = (sign, name, does) => h("button", { type: "button", class: "key key--step", "aria-label": name, onclick: does }, sign);
