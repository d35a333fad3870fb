// Buttons and answers: one heavy act a page, equal picks, and the foot that holds the act at the thumb.

import { h } from "./dom.js";
import { attempt } from "./notice.js";

/**
 * @param {{ words: string, icon?: Node, does: (e: Event) => unknown, heavy?: boolean, mark?: boolean, off?: string, id?: string }} what
 *   `off` is the sentence that says why the act is not possible now; it stays reachable and says so.
 */
export function act({ words, icon, does, heavy, mark, off, id }) {
  return h("button", {
    type: "button", id,
    class: `act${heavy ? " act--heavy" : ""}${mark ? " act--mark" : ""}`,
    "aria-disabled": off ? "true" : undefined,
    title: off,
    onclick: off ? () => {} : once(does),
  }, icon, h("span", null, words));
}

/** Runs one call at a time: a second tap while the first is under way does nothing. @param {(e: Event) => unknown} does */
export function once(does) {
  let busy = false;
  return async (/** @type {Event} */ e) => {
    if (busy) return;
    busy = true;
    try {
      await attempt(() => does(e));
    } finally {
      busy = false;
    }
  };
}

/** A link that looks like an act. @param {{ words: string, href: string, icon?: Node, heavy?: boolean, download?: string }} what */
export function actLink({ words, href, icon, heavy, download }) {
  return h("a", { class: `act${heavy ? " act--heavy" : ""}`, href, download }, icon, h("span", null, words));
}

/**
 * One of several equal answers; none is chosen before somebody taps.
 * @param {{ name: string, choices: { id: string, words: string }[], chosen?: string, does: (id: string) => unknown, three?: boolean }} what
 */
export function picks({ name, choices, chosen, does, three }) {
  return h("div", { class: `picks${three ? " picks--three" : ""}`, role: "radiogroup", "aria-label": name, onkeydown: arrows },
    choices.map((c, i) => h("button", {
      type: "button", class: "pick", role: "radio",
      "data-key": c.id, "data-choice": c.id,
      "aria-checked": c.id === chosen ? "true" : "false",
      tabindex: c.id === chosen || (!chosen && i === 0) || !choices.some((x) => x.id === chosen) && i === 0 ? "0" : "-1",
      onclick: () => attempt(() => does(c.id)),
    }, c.words)));
}

/** Arrow keys move between the answers of a group; space and return choose. @param {Event} event */
function arrows(event) {
  const e = /** @type {KeyboardEvent} */ (event);
  const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[e.key];
  const group = /** @type {HTMLElement} */ (e.currentTarget);
  if (!step) return;
  e.preventDefault();
  const all = /** @type {HTMLElement[]} */ ([...group.querySelectorAll("[role=radio]")]);
  const at = all.indexOf(/** @type {HTMLElement} */ (document.activeElement));
  all[(at + step + all.length) % all.length].focus();
}

/** An answer that is on or off. @param {{ words: string, on: boolean, does: () => unknown, sentence?: boolean, id?: string }} what */
export function toggle({ words, on, does, sentence, id }) {
  return h("button", { type: "button", id, class: `pick${sentence ? " pick--sentence" : ""}`, "aria-pressed": on ? "true" : "false", onclick: once(does) }, h("span", null, words));
}

/** @param {...import("./dom.js").Children} children */
export function foot(...children) {
  return h("div", { class: "foot" }, ...children);
}

/** The foot of a page whose own acts stand in it: only the way back. @param {{ words: string, href: string }} what */
export function footBack(what) {
  return h("div", { class: "foot foot--back" }, actLink(what));
}

/**
 * A labelled field. Return moves to the next field of the page, so that one hand can fill it.
 * @param {{ id: string, words: string, value?: string, hint?: string, long?: boolean, input?: Record<string, unknown>, onchange?: (value: string) => unknown, fault?: string }} what
 */
export function field({ id, words, value, hint, long, input, onchange, fault }) {
  const described = [hint ? `${id}-hint` : "", fault ? `${id}-fault` : ""].filter(Boolean).join(" ") || undefined;
  return h("div", { class: "field", "data-key": `field-${id}` },
    h("label", { for: id }, words),
    hint ? h("p", { class: "soft", id: `${id}-hint` }, hint) : null,
    h(long ? "textarea" : "input", {
      id, name: id, value, autocomplete: "off", ...(long ? { rows: "3" } : { type: "text", enterkeyhint: "next", onkeydown: onward }),
      "aria-describedby": described, "aria-invalid": fault ? "true" : undefined,
      onchange: onchange ? (/** @type {Event} */ e) => attempt(() => onchange(/** @type {HTMLInputElement} */ (e.target).value.trim())) : undefined,
      ...input,
    }),
    fault ? h("p", { class: "fault", id: `${id}-fault` }, fault) : null);
}

/** @param {Event} event */
function onward(event) {
  const e = /** @type {KeyboardEvent} */ (event);
  const here = /** @type {HTMLInputElement} */ (e.target);
  if (e.key !== "Enter" || here.form) return;
  e.preventDefault();
  const all = /** @type {HTMLElement[]} */ ([...document.querySelectorAll("main input:not([type=file]), main textarea, main [data-onward]")]);
  const next = all[all.indexOf(here) + 1];
  if (next) next.focus();
  else here.blur();
}
