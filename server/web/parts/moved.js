// Photos that show another machine: where they went, where they came from. Both intakes say it.

import { goneOf } from "../core/fold.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { load } from "./intake.js";
import { nameOf } from "./names.js";
import { picture } from "./picture.js";
import { photoName } from "./tile.js";

/** @import {IntakeView, PhotoView} from "../core/app.js" */

/** Photos that show this machine. @param {IntakeView} view @returns {PhotoView[]} */
export const photosHere = (view) => view.photos.filter((p) => !goneOf(p));

/** The newest photo of a view that shows this machine. @param {IntakeView} view @param {string} id @returns {PhotoView | undefined} */
export const newestIn = (view, id) => view.photos.findLast((p) => !goneOf(p) && p.view === id);

/** Tags of the intakes that photos came from or went to. @param {IntakeView} view @returns {Promise<Map<string, string>>} */
export async function tagsBeside(view) {
  const others = new Set(view.photos.flatMap((p) => [p.from, p.moved?.to]).filter((id) => id !== undefined));
  return new Map(await Promise.all([...others].map(async (id) => /** @type {[string, string]} */ ([id, (await load(id).catch(() => null))?.state.tag ?? "?"]))));
}

/** @param {IntakeView} view @param {Map<string, string>} tags */
export function movedPart(view, tags) {
  const lines = view.photos.flatMap((p) => {
    const photo = [p.number, photoName(view, p)].filter(Boolean).join(". ");
    const came = p.from ? [t("page.moved.came", { photo, tag: tags.get(p.from) ?? "?" })] : [];
    const went = p.moved ? [t("page.moved.went", { photo, tag: tags.get(p.moved.to) ?? "?", because: p.moved.because, name: nameOf(p.moved.mark.by) })] : [];
    return [...came, ...went].map((words) => h("li", { "data-key": `${p.photo}-${words}`, class: "row" }, h("span", { class: "thumb" }, picture(p.photo, "")), h("span", { class: "grow" }, words)));
  });
  return lines.length ? h("section", { class: "section", id: "moved" }, h("h2", null, t("page.moved.title")), h("ul", { class: "sheet__list" }, lines)) : null;
}
