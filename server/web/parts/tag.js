// The paper tag at the head of a page, and the word stamped beside it.

import { h } from "./dom.js";
import { t } from "../core/words.js";

/**
 * @param {{ number: string, heading: string, under?: import("./dom.js").Children, level?: "h1" | "p" }} what
 */
export function tag({ number, heading, under, level = "h1" }) {
  return h("header", { class: "tag" },
    h("div", { class: "tag__face" },
      h("span", { class: "tag__number" }, h("span", null, h("span", { class: "hide" }, `${t("page.tag")} `), number)),
      h("div", { class: "tag__words" },
        level === "h1" ? h("h1", { tabindex: "-1" }, heading) : h("p", null, h("b", null, heading)),
        under ? h("p", { class: "soft" }, under) : null)));
}

/** The word for where an intake stands. @param {string} state @param {boolean} [big] */
export function stamp(state, big) {
  const not = state === "not taken in" || state === "open" || state === "found" || state === "held";
  return h("p", { class: `stamp${not ? " stamp--not" : ""}${big ? " stamp--big" : ""}` }, t(`state.${state.replaceAll(" ", "-")}`));
}
