// Boxes over a photo: drawn by a drag; the keyboard sets one in the middle, moves it, and with Shift makes it larger or smaller.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { picture } from "./picture.js";

/** @typedef {import("../core/types.js").Box} Box   in ten thousandths of the upright picture */

const WHOLE = 10_000;
const STEP = 250;
/** Shortest side that the server takes. */
export const LEAST = 50;
/** Most boxes that the server takes. */
export const MOST = 40;
/** Smaller than this a drag is a slip. */
const SLIP = 150;

const inside = (/** @type {number} */ v, /** @type {number} */ least, /** @type {number} */ most) => Math.max(least, Math.min(most, v));

/** What a key does to the newest box. @param {Box} box @param {[number, number]} move @param {boolean} size @returns {Box} */
export function keyed(box, [right, down], size) {
  const { x, y, w, h: tall } = box;
  if (size) return { x, y, w: inside(w + right, LEAST, WHOLE - x), h: inside(tall + down, LEAST, WHOLE - y) };
  return { x: inside(x + right, 0, WHOLE - w), y: inside(y + down, 0, WHOLE - tall), w, h: tall };
}

/** The box between two places; null for a slip. @param {{x: number, y: number}} a @param {{x: number, y: number}} b @returns {Box | null} */
export function between(a, b) {
  const [w, tall] = [Math.abs(a.x - b.x), Math.abs(a.y - b.y)];
  return w < SLIP || tall < SLIP ? null : { x: Math.min(a.x, b.x), y: Math.min(a.y, b.y), w, h: tall };
}

/** @param {{ photo: string, name: string, boxes: Box[], does: (boxes: Box[]) => unknown }} what */
export function covered({ photo, name, boxes, does }) {
  /** @type {{x: number, y: number} | null} */
  let from = null;
  const at = (/** @type {PointerEvent} */ e) => {
    const frame = /** @type {HTMLElement} */ (e.currentTarget).getBoundingClientRect();
    const part = (/** @type {number} */ v, /** @type {number} */ all) => inside(Math.round((v / all) * WHOLE), 0, WHOLE);
    return { x: part(e.clientX - frame.left, frame.width), y: part(e.clientY - frame.top, frame.height) };
  };
  const marks = boxes.map((b) => h("span", { class: "pin pin--cover", "--x": `${b.x / 100}%`, "--y": `${b.y / 100}%`, "--w": `${b.w / 100}%`, "--h": `${b.h / 100}%` }));
  return h("div", {
    class: "pinned pinned--sets", tabindex: "0", role: "application", "aria-label": t("page.redact.on", { photo: name }), "data-key": `covers-${photo}`, id: "cover-here",
    // A slip selects the picture; dragging what is selected would end the box.
    ondragstart: (/** @type {Event} */ e) => e.preventDefault(),
    onpointerdown: (/** @type {PointerEvent} */ e) => {
      from = at(e);
      /** @type {HTMLElement} */ (e.currentTarget).setPointerCapture(e.pointerId);
    },
    onpointerup: (/** @type {PointerEvent} */ e) => {
      const box = from && between(from, at(e));
      from = null;
      if (box) does([...boxes, box]);
    },
    onkeydown: (/** @type {KeyboardEvent} */ e) => {
      const move = /** @type {{[key: string]: [number, number]}} */ ({ ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] })[e.key];
      const newest = boxes.at(-1);
      if (e.key === "Enter") does([...boxes, { x: 4_000, y: 4_000, w: 2_000, h: 2_000 }]);
      else if (newest && (e.key === "Delete" || e.key === "Backspace")) does(boxes.slice(0, -1));
      else if (newest && move) does([...boxes.slice(0, -1), keyed(newest, move, e.shiftKey)]);
      else return;
      e.preventDefault();
    },
  }, picture(photo, name, "large"), marks);
}
