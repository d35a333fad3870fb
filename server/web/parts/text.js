// A long text in a dialog, read as it is printed.

import { t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { close } from "./icons.js";

/** @param {string} title @param {string | Promise<string>} text */
export async function showText(title, text) {
  const words = await text;
  const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "large", "aria-label": title },
    h("h2", null, title),
    h("div", { class: "large__text", tabindex: "0" }, words),
    act({ words: t("act.close"), icon: close(), does: () => dialog.close() })));
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}
