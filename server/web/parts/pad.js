// The signature pad: strokes by pointer events, kept as integers, drawn in the ink of the page.

import { h } from "./dom.js";
import { t } from "../core/words.js";

/** @typedef {[number, number, number]} Point x, y in CSS pixels; milliseconds since the first touch */
/** @typedef {{ height: number, strokes: Point[][], v: 1, width: number }} Strokes */

const MOST_POINTS = 20000;

/**
 * @param {(signed: boolean) => void} changed called when the first stroke is there and when the pad is wiped
 * @returns {{ element: HTMLElement, strokes: () => Strokes | null, wipe: () => void }}
 */
export function pad(changed) {
  /** @type {Point[][]} */
  let strokes = [];
  let points = 0;
  let began = 0;
  /** @type {number | null} */
  let pointer = null;

  const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { class: "pad", role: "img", "aria-label": t("sheet.pad") }));
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));

  /** @param {PointerEvent} e @returns {Point} */
  const at = (e) => {
    const box = canvas.getBoundingClientRect();
    const whole = (/** @type {number} */ n, /** @type {number} */ most) => Math.max(0, Math.min(Math.round(most), Math.round(n)));
    return [whole(e.clientX - box.left, box.width), whole(e.clientY - box.top, box.height), Math.max(0, Math.round(e.timeStamp - began))];
  };

  canvas.onpointerdown = (e) => {
    if (pointer !== null || points >= MOST_POINTS) return;
    pointer = e.pointerId;
    canvas.setPointerCapture(e.pointerId);
    if (strokes.length === 0) began = e.timeStamp;
    strokes.push([at(e)]);
    points += 1;
    draw();
  };
  canvas.onpointermove = (e) => {
    if (pointer !== e.pointerId) return;
    const stroke = strokes[strokes.length - 1];
    for (const one of e.getCoalescedEvents?.() ?? [e]) {
      const p = at(one);
      const last = stroke[stroke.length - 1];
      if (points < MOST_POINTS && (p[0] !== last[0] || p[1] !== last[1])) {
        stroke.push(p);
        points += 1;
      }
    }
    draw();
  };
  canvas.onpointerup = canvas.onpointercancel = (e) => {
    if (pointer !== e.pointerId) return;
    pointer = null;
    changed(strokes.length > 0);
  };

  function draw() {
    const box = canvas.getBoundingClientRect();
    const scale = window.devicePixelRatio || 1;
    const [width, height] = [Math.round(box.width * scale), Math.round(box.height * scale)];
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, box.width, box.height);
    pen.strokeStyle = getComputedStyle(canvas).getPropertyValue("--stamp") || "currentColor";
    pen.lineWidth = 2.2;
    pen.lineCap = pen.lineJoin = "round";
    for (const stroke of strokes) {
      pen.beginPath();
      pen.moveTo(stroke[0][0], stroke[0][1]);
      if (stroke.length === 1) pen.lineTo(stroke[0][0] + 0.1, stroke[0][1]);
      for (const [x, y] of stroke.slice(1)) pen.lineTo(x, y);
      pen.stroke();
    }
  }

  new ResizeObserver(draw).observe(canvas);

  return {
    element: canvas,
    strokes: () => {
      if (strokes.length === 0) return null;
      const box = canvas.getBoundingClientRect();
      return { height: Math.round(box.height), strokes, v: 1, width: Math.round(box.width) };
    },
    wipe: () => {
      strokes = [];
      points = 0;
      draw();
      changed(false);
    },
  };
}
