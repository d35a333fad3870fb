// Icons, drawn with one line width. They stand beside words, never instead of them.

import { h } from "./dom.js";

/** @param {...string} paths */
const icon = (...paths) =>
  h("svg", { viewBox: "0 0 24 24", fill: "none", stroke: "currentColor", "stroke-width": "1.8", "stroke-linejoin": "round", "stroke-linecap": "round", "aria-hidden": "true" },
    ...paths.map((d) => h("path", { d })));

export const camera = () => icon("M3 7h4l2-3h6l2 3h4v13H3z", "M12 9.2a4 4 0 1 0 0 8 4 4 0 0 0 0-8z");
export const film = () => icon("M3 5h18v14H3z", "M10 9l5 3-5 3z");
export const pen = () => icon("M4 20l1-5L16 4l4 4L9 19z", "M14 6l4 4");
export const onward = () => icon("M4 12h15", "M13 6l6 6-6 6");
export const menu = () => icon("M4 7h16", "M4 12h16", "M4 17h16");
export const share = () => icon("M12 3v12", "M8 7l4-4 4 4", "M5 12v9h14v-9");
export const paper = () => icon("M6 3h9l4 4v14H6z", "M9 11h7", "M9 15h7");
export const scan = () => icon("M4 8V4h4", "M16 4h4v4", "M20 16v4h-4", "M8 20H4v-4", "M7 12h10");
export const close = () => icon("M5 5l14 14", "M19 5L5 19");
