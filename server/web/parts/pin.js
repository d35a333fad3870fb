// A photo with its pins. Where pins are set: a tap is a point, a drag is a box; the keyboard sets a point in the middle and moves it.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { picture } from "./picture.js";

/** In ten thousandths of the picture. @typedef {{ x: number, y: number, w?: number, h?: number }} Pin */

const WHOLE = 10_000;
const STEP = 250;
/** Smaller than this a drag is a tap, in ten thousandths. */
const TAP = 150;

/** @param {{ photo: string, name: string, pins: Pin[], does?: (pin: Pin) => unknown }} what */
export function pinned({ photo, name, pins, does }) {
  const marks = pins.map((p) => h("span", {
    class: p.w === undefined ? "pin pin--point" : "pin pin--box",
    "--x": `${p.x / 100}%`, "--y": `${p.y / 100}%`, "--w": `${(p.w ?? 0) / 100}%`, "--h": `${(p.h ?? 0) / 100}%`,
  }));
  if (!does) return h("div", { class: "pinned", "data-key": `pinned-${photo}` }, picture(photo, name), marks);
  /** @type {{x: number, y: number} | null} */
  let from = null;
  const at = (/** @type {PointerEvent} */ e) => {
    const box = /** @type {HTMLElement} */ (e.currentTarget).getBoundingClientRect();
    const part = (/** @type {number} */ v, /** @type {number} */ all) => Math.max(0, Math.min(WHOLE, Math.round((v / all) * WHOLE)));
    return { x: part(e.clientX - box.left, box.width), y: part(e.clientY - box.top, box.height) };
  };
  return h("div", {
    class: "pinned pinned--sets", tabindex: "0", role: "application", "aria-label": t("care.pin-on", { photo: name }), "data-key": `sets-${photo}`, id: "pin-here",
    // A tap selects the picture; dragging what is selected would end the pin.
    ondragstart: (/** @type {Event} */ e) => e.preventDefault(),
    onpointerdown: (/** @type {PointerEvent} */ e) => {
      from = at(e);
      /** @type {HTMLElement} */ (e.currentTarget).setPointerCapture(e.pointerId);
    },
    onpointerup: (/** @type {PointerEvent} */ e) => {
      if (!from) return;
      const to = at(e);
      const [w, tall] = [Math.abs(to.x - from.x), Math.abs(to.y - from.y)];
      does(w < TAP || tall < TAP ? to : { x: Math.min(from.x, to.x), y: Math.min(from.y, to.y), w, h: tall });
      from = null;
    },
    onkeydown: (/** @type {KeyboardEvent} */ e) => {
      const move = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP], Enter: [0, 0] }[e.key];
      if (!move) return;
      e.preventDefault();
      const { x, y } = pins[0] ?? { x: WHOLE / 2, y: WHOLE / 2 };
      const inside = (/** @type {number} */ v) => Math.max(0, Math.min(WHOLE, v));
      does({ x: inside(x + move[0]), y: inside(y + move[1]) });
    },
  }, picture(photo, name, "large"), marks);
}
