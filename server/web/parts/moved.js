// Photos that show another machine: where they went, where they came from; both intakes say it. And photos that were erased.

import { fetchIntake, intake } from "../core/app.js";
import { goneOf } from "../core/fold.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { whyErased } from "./facts.js";
import { nameOf } from "./names.js";
import { redraw } from "./page.js";
import { picture } from "./picture.js";
import { photoName } from "./tile.js";
import { dayAndTime } from "./times.js";

/** @import {IntakeView, PhotoView} from "../core/app.js" */

/** Photos that show this machine. @param {IntakeView} view @returns {PhotoView[]} */
export const photosHere = (view) => view.photos.filter((p) => !goneOf(p));

/** The newest photo of a view that shows this machine. @param {IntakeView} view @param {string} id @returns {PhotoView | undefined} */
export const newestIn = (view, id) => view.photos.findLast((p) => !goneOf(p) && p.view === id);

/** Intakes that were looked for once. @type {Set<string>} */
const asked = new Set();

/** Tags of the intakes that photos came from or went to, as far as they are on this device; the others are fetched. @param {IntakeView} view @returns {Promise<Map<string, string>>} */
export async function tagsBeside(view) {
  const others = new Set(view.photos.flatMap((p) => [p.from, p.moved?.to]).filter((id) => id !== undefined));
  return new Map(await Promise.all([...others].map(async (id) => /** @type {[string, string]} */ ([id, await tagOf(id)]))));
}

/** @param {string} id */
async function tagOf(id) {
  const here = await intake(id);
  if (!here && !asked.has(id)) {
    asked.add(id);
    fetchIntake(id).then(redraw, () => asked.delete(id));
  }
  return here?.state.tag ?? "?";
}

/** @param {IntakeView} view @param {Map<string, string>} tags @param {string} zone */
export function movedPart(view, tags, zone) {
  const lines = view.photos.flatMap((p) => {
    const photo = [p.number, photoName(view, p)].filter(Boolean).join(". ");
    const came = p.from ? [t("page.moved.came", { photo, tag: tags.get(p.from) ?? "?" })] : [];
    const went = p.moved ? [t("page.moved.went", { photo, tag: tags.get(p.moved.to) ?? "?", because: p.moved.because, name: nameOf(p.moved.mark.by) })] : [];
    const erased = p.erased ? [t("page.moved.erased", { photo, because: whyErased(p.erased.because), name: nameOf(p.erased.mark.by), when: dayAndTime(Date.parse(p.erased.mark.at ?? p.erased.mark.device_at), zone) })] : [];
    return [...came, ...went, ...erased].map((words) => h("li", { "data-key": `${p.photo}-${words}`, class: "row" }, p.erased ? null : h("span", { class: "thumb" }, picture(p.photo, "")), h("span", { class: "grow" }, words)));
  });
  return lines.length ? h("section", { class: "section", id: "moved" }, h("h2", null, t("page.moved.title")), h("ul", { class: "sheet__list" }, lines)) : null;
}
