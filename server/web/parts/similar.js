// Machines that are easily taken for this one: the same kind in the shop before the first photo, the same serial or the same
// make and model once they are typed. Shown, so that the tag is compared; nothing is decided here.

import { list } from "../core/app.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { picture } from "./picture.js";

/** @import {IntakeView, Summary} from "../core/app.js" */

/** As people compare what is written on plates: letters and digits only. @param {string | undefined} text */
const plain = (text) => (text ?? "").normalize("NFKC").toLowerCase().replace(/[^\p{L}\p{N}]/gu, "");

/** Machines in the shop, but for this one. @param {string} id @returns {Promise<Summary[]>} */
async function others(id) {
  const lists = await Promise.all(["open", "found", "in care"].map((state) => list({ state })));
  return lists.flatMap((l) => l.items).filter((s) => s.id !== id);
}

/** Machines of the same kind that are here. @param {IntakeView} view @returns {Promise<Summary[]>} */
export async function ofKind(view) {
  return (await others(view.id)).filter((s) => s.kind_id === view.state.kind_id);
}

/** Machines with the same serial, or of the same make and model. @param {IntakeView} view @returns {Promise<Summary[]>} */
export async function alike(view) {
  const { make, model, serial } = view.state.machine;
  const mine = { serial: plain(serial?.value), name: plain(make?.value) && plain(model?.value) ? `${plain(make?.value)} ${plain(model?.value)}` : "" };
  if (!mine.serial && !mine.name) return [];
  return (await others(view.id)).filter((s) => (mine.serial && plain(s.serial) === mine.serial) || (mine.name && `${plain(s.make)} ${plain(s.model)}` === mine.name));
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
