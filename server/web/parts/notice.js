// What went wrong with something somebody did, as a sentence that stays until it is read.

import { Trouble } from "../core/trouble.js";
import { t } from "../core/words.js";
import { h, put } from "./dom.js";
import { close } from "./icons.js";

const place = () => /** @type {HTMLElement} */ (document.getElementById("notice"));

/** Shows a sentence. @param {string} sentence */
export function notice(sentence) {
  put(place(), h("div", { class: "notice" },
    h("p", null, sentence),
    h("button", { type: "button", class: "notice__close", "aria-label": t("act.close"), onclick: clear }, close())));
}

/** Takes the sentence away. */
export function clear() {
  put(place(), null);
}

/** The sentence of something thrown. @param {unknown} error */
export function sentenceOf(error) {
  if (error instanceof Trouble) return error.problem.detail;
  console.error(error);
  return t("page.unexpected");
}

/** Tells screen readers something that is seen anyway. @param {string} sentence */
export function say(sentence) {
  const el = /** @type {HTMLElement} */ (document.getElementById("say"));
  el.textContent = "";
  // A new text node is announced even when the words are the same as before.
  requestAnimationFrame(() => (el.textContent = sentence));
}

/** Runs what somebody tapped; what goes wrong is said. @template T @param {() => T | Promise<T>} does @returns {Promise<T | undefined>} */
export async function attempt(does) {
  try {
    const result = await does();
    return result;
  } catch (error) {
    notice(sentenceOf(error));
    return undefined;
  }
}
