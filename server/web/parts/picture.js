// Pictures: a photo's URL comes a moment later than its tile; once known it stays, so that nothing flickers.

import { photoUrl, session } from "../core/app.js";
import { h } from "./dom.js";
import { redraw } from "./page.js";

/** @type {Map<string, string>} */
const known = new Map();
const asked = new Set();

/** @param {string} photo @param {"small" | "large"} size */
function ask(photo, size) {
  const key = `${photo}/${size}`;
  if (asked.has(key)) return;
  asked.add(key);
  photoUrl(photo, size).then((url) => {
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

/** Where a film is played from; nothing for a photo, or before the server holds it. @param {{ file: string, received?: { media_type: string } }} photo */
export function filmUrl(photo) {
  if (!photo.received?.media_type.startsWith("video/")) return undefined;
  return `/v1/shops/${session()?.shop}/files/${photo.file.replace("sha256:", "")}`;
}
