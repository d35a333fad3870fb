// Pictures: a photo's URL comes a moment later than its tile; once known it stays, so that nothing flickers.

import { filmUrl, photoUrl } from "../core/app.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { film as filmIcon } from "./icons.js";
import { redraw } from "./page.js";

/** @type {Map<string, string>} */
const known = new Map();
const asked = new Set();

/** @param {string} photo @param {"small" | "large"} size */
function ask(photo, size) {
  const key = `${photo}/${size}`;
  if (asked.has(key)) return;
  asked.add(key);
  (size === "large" ? largeUrl(photo) : photoUrl(photo, size)).then((url) => {
    if (!url || known.get(key) === url) return;
    known.set(key, url);
    redraw();
  }).catch(() => {}).finally(() => asked.delete(key));
}

/** @param {string} photo @param {string} alt @param {"small" | "large"} [size] */
export function picture(photo, alt, size = "small") {
  const src = known.get(`${photo}/${size}`);
  if (!src) ask(photo, size);
  return h("img", { src, alt, "data-key": photo, decoding: "async" });
}

/** The line drawing of a view. @param {string} name */
export function drawing(name) {
  return h("img", { class: "drawing", src: new URL(`../drawings/${encodeURIComponent(name)}.svg`, import.meta.url).href, alt: "", "data-key": `drawing-${name}`, decoding: "async" });
}

/** URL of the large picture, or of the small one where there is no large one. @param {string} photo */
export async function largeUrl(photo) {
  return (await photoUrl(photo, "large")) ?? photoUrl(photo, "small");
}

/** In a picture's place: that it is a film, and how long. @param {{ film_ms?: number }} photo */
export function filmMark({ film_ms: ms }) {
  const seconds = ms === undefined ? undefined : Math.ceil(ms / 1000);
  return h("span", { class: "tile__film" }, filmIcon(), seconds === undefined ? t("page.film") : `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`);
}

/** What a tile shows of a photo or a film. @param {import("../core/app.js").PhotoView} photo @param {string} alt */
export const shown = (photo, alt) => (photo.film ? filmMark(photo) : picture(photo.photo, alt));

/** What the large view shows of it. @param {import("../core/app.js").PhotoView} photo */
export const whole = (photo) => (photo.film ? { picture: null, film: filmUrl(photo.photo) } : { picture: largeUrl(photo.photo) });
