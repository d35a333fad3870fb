// The guided first intake: in the demo a strip under the bar says in a sentence what the open page is for, until it is shut.

import { session } from "../core/app.js";
import { t } from "../core/words.js";
import { h, put } from "./dom.js";

const KEY = "counterfoil-guide-shut";
const ID = "[0-9a-f-]{36}";

/** Addresses and what is said there. @type {[RegExp, string][]} */
const STEPS = [
  [/^\/$/, "desk"],
  [/^\/take-in$/, "take-in"],
  [new RegExp(`^/intake/${ID}$`), "shots"],
  [new RegExp(`^/intake/${ID}/told$`), "told"],
  [new RegExp(`^/intake/${ID}/asked$`), "asked"],
  [new RegExp(`^/intake/${ID}/agreed$`), "agreed"],
  [new RegExp(`^/intake/${ID}/gaps$`), "gaps"],
  [new RegExp(`^/intake/${ID}/sheet$`), "sheet"],
  [new RegExp(`^/intake/${ID}/done$`), "done"],
];

const place = () => /** @type {HTMLElement} */ (document.getElementById("guide"));

/** Says what this page is for, in a demo that has a history. @param {string} path */
export function guide(path) {
  const step = STEPS.find(([p]) => p.test(path))?.[1];
  const on = document.documentElement.dataset.guide === "yes" && session() && localStorage.getItem(KEY) === null;
  put(place(), on && step ? strip(step) : null);
}

/** @param {string} step */
function strip(step) {
  return h("aside", { class: "guide", "aria-label": t("guide.title") },
    h("p", null, h("b", null, t("guide.title")), " ", t(`guide.${step}`)),
    h("p", { class: "guide__acts" },
      step === "desk" ? h("a", { class: "link", href: "/take-in" }, t("guide.begin")) : null,
      step === "shots" ? h("a", { class: "link", href: "/demo/pictures", target: "_blank" }, t("guide.pictures")) : null,
      h("button", { type: "button", class: "link", onclick: shut }, t("guide.shut"))));
}

/** For good, on this device. */
function shut() {
  localStorage.setItem(KEY, "yes");
  put(place(), null);
  document.getElementById("page")?.focus({ preventScroll: true });
}
