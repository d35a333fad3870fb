// One photo, whole and large, in a dialog: the focus is kept in it and returns to the tile.

import { act } from "./act.js";
import { h } from "./dom.js";
import { close } from "./icons.js";
import { t } from "../core/words.js";

/**
 * @param {{ picture: Promise<string | null> | string | null, film?: string, name: string, under?: import("./dom.js").Children, acts?: Node[] }} what
 */
export async function large({ picture, film, name, under, acts = [] }) {
  const shut = () => dialog.close();
  const img = h("img", { class: "large__picture", alt: name });
  const player = film ? h("video", { class: "large__picture", controls: true, playsinline: true, preload: "metadata", "aria-label": name, src: film }) : null;
  const none = h("p", { class: "large__picture empty", hidden: true }, t("page.photo.no-picture"));
  const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "large", "aria-label": name },
    img, none, ...(player ? [player] : []),
    h("div", { class: "stack stack--close" }, h("h2", null, name), under ? h("div", null, under) : null),
    h("div", { class: "row" }, ...acts, act({ words: t("act.close"), icon: close(), does: shut }))));
  dialog.addEventListener("close", () => dialog.remove());
  dialog.addEventListener("click", (e) => {
    if (e.target instanceof Element && e.target.closest("[data-shuts]")) shut();
  });
  document.body.append(dialog);
  dialog.showModal();
  // A film is played from where it is kept, by ranges; there is no picture of it.
  const src = player ? null : await picture;
  if (src) img.setAttribute("src", src);
  img.hidden = !src;
  none.hidden = Boolean(src ?? player);
}
