// A compression reading on its band, drawn only when its method allows a comparison; else what has to be recorded. Both ways of
// reckoning the height are shown where they disagree. Nothing here says that an engine is good or bad.

import { compression, number } from "../core/reading.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";

/** @import {Shop} from "../core/app.js" */
/** @import {Compared, Judged} from "../core/reading.js" */
/** @import {ReadingFact} from "../core/types.js" */

const WIDTH = 300;

/** @param {ReadingFact} x @param {Shop | null} shop @returns {Judged} */
export const judgedOf = (x, shop) => compression(x.value ?? "", x.unit ?? "", x.how ?? {}, shop?.settings["compression-rule"] ?? { good: "150", low: "100", unit: "psi" });

/** @param {ReadingFact} x @param {Shop | null} shop */
export function band(x, shop) {
  const judged = judgedOf(x, shop);
  const notes = [...(judged.spread === undefined ? [] : [t("reading.spread", { spread: judged.spread, unit: x.unit ?? "" })]), ...(judged.notes ?? []).map((n) => t(n))];
  const list = notes.length ? h("ul", { class: "sheet__list soft" }, notes.map((n) => h("li", null, n))) : null;
  if (judged.verdict !== "compared") {
    const record = (judged.record ?? []).map((r) => t(`reading.record.${r.replaceAll("_", "-")}`)).join(", ");
    return h("div", { class: "band", "data-verdict": judged.verdict }, h("p", null, t(judged.why ?? "reading.why.method", { list: record })), list);
  }
  const ways = judged.compared ?? [];
  // One way suffices where they agree; the other is named in its line.
  const shown = ways.some((w) => w.stands !== ways[0].stands) ? ways : ways.slice(0, 1);
  return h("div", { class: "band", "data-verdict": judged.verdict },
    shown.map((w) => one(x, w, judged.against ?? "shop rule")),
    h("p", { class: "soft" }, judged.against === "manual" ? t("reading.against.manual", { page: x.how?.manual?.page ?? "" }) : t("reading.against.rule")), list);
}

/** @param {ReadingFact} x @param {Compared} way @param {string} against */
function one(x, way, against) {
  const read = number(x.value) ?? 0;
  const [low, high] = [number(way.low), number(way.high)];
  const top = Math.max(read, high ?? 0, low ?? 0) * 1.2 || 1;
  const at = (/** @type {number} */ v) => Math.round((v / top) * WIDTH);
  const ends = { low: way.low ?? "", high: way.high ?? "", unit: x.unit ?? "", value: x.value ?? "" };
  const rule = against === "manual" ? "manual" : "rule";
  const open = way.high === undefined ? "-least" : way.low === undefined ? "-most" : "";
  const sentence = t(`reading.stands.${rule}.${way.stands}${rule === "manual" ? open : ""}`, ends);
  const [from, until] = [low === undefined ? 0 : at(low), high === undefined ? WIDTH : at(high)];
  return h("figure", { class: "band__way" },
    h("svg", { viewBox: `0 0 ${WIDTH} 34`, role: "img", "aria-label": sentence, class: "band__draw" },
      h("line", { x1: 0, y1: 22, x2: WIDTH, y2: 22, class: "band__axis" }),
      h("rect", { x: from, y: 15, width: Math.max(2, until - from), height: 14, class: "band__span" }),
      h("path", { d: `M ${at(read) - 6} 2 L ${at(read) + 6} 2 L ${at(read)} 13 Z`, class: "band__read" }),
      h("line", { x1: at(read), y1: 12, x2: at(read), y2: 33, class: "band__read" })),
    h("figcaption", null, `${sentence} ${t(`reading.by.${way.by.replaceAll(" ", "-")}`, { factor: (way.factor / 10000).toFixed(4), sea: way.sea, unit: x.unit ?? "" })}`));
}
