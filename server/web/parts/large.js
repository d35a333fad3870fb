// One photo, whole and large, in a dialog: the focus is kept in it and returns to the tile.

import { act } from "./act.js";
import { h } from "./dom.js";
import { close } from "./icons.js";
import { t } from "../core/words.js";

/**
 * @param {{ picture: Promise<string | null> | string | null, film?: Promise<string | null>, name: string, under?: import("./dom.js").Children, acts?: Node[] }} what
 */
export async function large({ picture, film, name, under, acts = [] }) {
  const shut = () => dialog.close();
  const img = h("img", { class: "large__picture", alt: name });
  const odd = () => {
    // What cannot be played is kept all the same, and says so.
    none.textContent = t("page.film.odd");
    none.hidden = false;
    if (player) player.hidden = true;
  };
  const none = h("p", { class: "large__picture empty", hidden: true }, t(film ? "page.film.none" : "page.photo.no-picture"));
  const player = film ? h("video", { class: "large__picture", controls: true, playsinline: true, preload: "metadata", "aria-label": name, hidden: true, onerror: odd }) : null;
  const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "large", "aria-label": name },
    img, none, ...(player ? [player] : []),
    h("div", { class: "stack stack--close" }, h("h2", null, name), under ? h("div", null, under) : null),
    acts.length ? h("div", { class: "row" }, ...acts) : null,
    h("div", { class: "row large__shut" }, act({ words: t("act.close"), icon: close(), does: shut }))));
  dialog.addEventListener("close", () => dialog.remove());
  dialog.addEventListener("click", (e) => {
    if (e.target instanceof Element && e.target.closest("[data-shuts]")) shut();
  });
  document.body.append(dialog);
  dialog.showModal();
  img.hidden = true;
  const src = await (film ?? picture);
  const shows = player ?? img;
  none.hidden = Boolean(src);
  if (!src) return;
  shows.hidden = false;
  shows.setAttribute("src", src);
}
