// Signing out while something is on this phone only: said first, and what happens to it.

import { queueSummary, syncNow } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";

/** Whether signing out may go on: nothing waits here, or the person was told. @returns {Promise<boolean>} */
export async function mayLeave() {
  const { waiting, sending, refused } = await queueSummary();
  const count = waiting + sending + refused;
  return count === 0 || asked(count);
}

/** @param {number} count @returns {Promise<boolean>} */
function asked(count) {
  return new Promise((resolve) => {
    let leave = false;
    const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "ask", "aria-label": t("sign-out.title"), id: "leave" },
      h("h2", null, t("sign-out.title")),
      h("p", null, t("sign-out.words", { count })),
      h("div", { class: "stack stack--close" },
        act({ words: t("act.stay"), heavy: true, does: () => (syncNow(), dialog.close()) }),
        act({ words: t("act.sign-out-anyway"), mark: true, does: () => ((leave = true), dialog.close()) }))));
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(leave);
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}
