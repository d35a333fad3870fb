// Machines that are easily taken for this one: the same kind in the shop before the first photo, the same serial or the same
// make and model once they are typed. Shown, so that the tag is compared; nothing is decided here.

import { list } from "../core/app.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { picture } from "./picture.js";

/** @import {IntakeView, Summary} from "../core/app.js" */

/** As people compare what is written on plates: letters and digits only. @param {string | undefined} text */
const plain = (text) => (text ?? "").normalize("NFKC").toLowerCase().replace(/[^\p{L}\p{N}]/gu, "");

/**
 * The machines in the shop, looked up once a page and never waited for: a page is drawn without them, and again when they come.
 * @param {string} id the intake they are compared with @param {() => unknown} again
 */
export function similarTo(id, again) {
  /** @type {Summary[] | null} */
  let others = null;
  let asked = false;

  /** @returns {Summary[]} */
  function known() {
    if (!asked) {
      asked = true;
      inShop(id).then((found) => ((others = found), again()), () => {});
    }
    return others ?? [];
  }

  return {
    /** Of the same kind. @param {IntakeView} view */
    ofKind: (view) => known().filter((s) => s.kind_id === view.state.kind_id),
    /** With the same serial, or of the same make and model. @param {IntakeView} view */
    alike(view) {
      const { make, model, serial } = view.state.machine;
      const mine = { serial: plain(serial?.value), name: plain(make?.value) && plain(model?.value) ? `${plain(make?.value)} ${plain(model?.value)}` : "" };
      return known().filter((s) => (mine.serial && plain(s.serial) === mine.serial) || (mine.name && `${plain(s.make)} ${plain(s.model)}` === mine.name));
    },
  };
}

/** Machines that are in the shop, but for one. @param {string} id @returns {Promise<Summary[]>} */
export async function inShop(id) {
  const lists = await Promise.all(["open", "found", "in care"].map((state) => list({ state })));
  return lists.flatMap((l) => l.items).filter((s) => s.id !== id);
}

/** @param {Summary[]} machines @param {string} words */
export function similarPart(machines, words) {
  if (machines.length === 0) return null;
  return h("section", { class: "section quote", id: "similar" },
    h("h2", null, t("page.similar.title")),
    h("p", null, words),
    h("ul", { class: "tiles" }, machines.map((s) => h("li", { "data-key": s.id, class: "tile" },
      h("span", { class: "tile__picture" }, s.cover ? picture(s.cover, t("page.similar.photo", { tag: s.tag })) : null),
      h("span", { class: "tile__words" },
        h("b", { class: "mono" }, s.tag),
        h("span", null, [s.make, s.model, s.serial].filter(Boolean).join(", ")))))));
}
