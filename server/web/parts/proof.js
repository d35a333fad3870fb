// The password once more, where the server asks for it: one field over the page, then what was asked for goes on by itself.

import { prove } from "../core/app.js";
import { isTrouble } from "../core/trouble.js";
import { t } from "../core/words.js";
import { act, field } from "./act.js";
import { h, put } from "./dom.js";
import { sentenceOf } from "./notice.js";

/**
 * Does what may ask for the password. False: somebody thought better of it, and nothing was done.
 * @param {() => Promise<unknown>} does @returns {Promise<boolean>}
 */
export async function proved(does) {
  try {
    await does();
    return true;
  } catch (error) {
    if (!isTrouble(error, "not-proved")) throw error;
  }
  if (!(await given())) return false;
  await does();
  return true;
}

/** Asks until the password is the right one. @returns {Promise<boolean>} */
function given() {
  return new Promise((resolve) => {
    let done = false;
    let busy = false;
    const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "ask", "aria-label": t("proof.title"), id: "proof" }));

    /** @param {string} [fault] */
    const draw = (fault) => put(dialog, [
      h("h2", null, t("proof.title")),
      h("p", null, t("proof.words")),
      h("form", { class: "stack", onsubmit: submit },
        field({ id: "proof-password", words: t("page.sign-in.password"), fault, input: { type: "password", autocomplete: "current-password", required: true, maxlength: "200", enterkeyhint: "go" } }),
        h("button", { class: "act act--heavy" }, t("proof.go-on")),
        act({ words: t("act.cancel"), does: () => dialog.close() })),
    ]);
    const input = () => /** @type {HTMLInputElement} */ (dialog.querySelector("#proof-password"));

    /** @param {Event} e */
    async function submit(e) {
      e.preventDefault();
      if (busy) return;
      busy = true;
      try {
        await prove(input().value);
        done = true;
        dialog.close();
      } catch (error) {
        draw(sentenceOf(error));
        input().select();
      } finally {
        busy = false;
      }
    }

    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(done);
    });
    draw();
    document.body.append(dialog);
    dialog.showModal();
    input().focus();
  });
}
