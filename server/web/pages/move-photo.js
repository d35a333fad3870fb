// A photo of the wrong machine: which machine it shows, which view it is there, and why. Nothing is thrown away; both say it.

import { fetchIntake, intake, movePhoto } from "../core/app.js";
import { t, text } from "../core/words.js";
import { act, field, foot, picks } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { notice } from "../parts/notice.js";
import { picture } from "../parts/picture.js";
import { inShop } from "../parts/similar.js";
import { photoName } from "../parts/tile.js";

/** @import {IntakeView} from "../core/app.js" */

const REASONS = ["wrong-intake", "two-at-once"];
const NO_VIEW = "-";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function movePhotoPage(at) {
  const [id, photo] = at.ids;
  const others = inShop(id);
  /** @type {IntakeView | null} */
  let target = null;
  let shown = "";
  let because = "";

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      const machines = await others;
      const fact = view.photos.find((p) => p.photo === photo);
      const name = fact ? photoName(view, fact) : "";
      return {
        title: t("page.move.title"),
        content: [
          head(view),
          h("h1", null, t("page.move.title")),
          ...meanwhile(view),
          h("p", null, t("page.move.words", { photo: name })),
          h("div", { class: "thumbs" }, h("span", { class: "thumb thumb--whole" }, picture(photo, name, "large"))),
          h("section", { class: "section" },
            h("h2", null, t("page.move.to")),
            machines.length ? picks({
              name: t("page.move.to"), chosen: target?.id,
              choices: machines.map((s) => ({ id: s.id, words: [s.tag, s.make, s.model, s.owner].filter(Boolean).join(", ") })),
              does: choose,
            }) : h("p", { class: "empty" }, t("page.move.none"))),
          target ? h("section", { class: "section" },
            h("h2", null, t("page.move.view", { tag: target.state.tag })),
            picks({
              name: t("page.move.view", { tag: target.state.tag }), chosen: shown,
              choices: [...(target.kind?.view ?? []).map((v) => ({ id: v.id, words: text(v.short) })), { id: NO_VIEW, words: t("page.move.no-view") }],
              does: (v) => {
                shown = v;
                return at.again();
              },
            })) : null,
          h("section", { class: "section" },
            h("h2", null, t("page.move.because")),
            picks({
              name: t("page.move.because"), choices: REASONS.map((r) => ({ id: r, words: t(`page.move.${r}`) })), chosen: REASONS.find((r) => t(`page.move.${r}`) === because),
              does: (r) => {
                because = t(`page.move.${r}`);
                return at.again();
              },
            }),
            field({ id: "because", words: t("page.sheet.other-reason"), value: because, input: { maxlength: "400" }, onchange: (typed) => void (because = typed) })),
          foot(
            act({ words: t("act.move-photo"), heavy: true, id: "move-photo", does: move }),
            h("a", { class: "link", href: `/machine/${id}` }, t("act.back"))),
        ],
      };
    },
  };

  /** @param {string} to */
  async function choose(to) {
    if (!(await intake(to))?.known) await fetchIntake(to);
    target = await intake(to);
    shown = "";
    await at.again();
  }

  async function move() {
    const typed = /** @type {HTMLInputElement} */ (document.getElementById("because")).value.trim() || because;
    if (!target || !shown || !typed) return notice(t("page.move.needs"));
    await movePhoto(id, photo, { to: target.id, because: typed, ...(shown === NO_VIEW ? {} : { view: shown }) });
    return at.go(`/machine/${id}`, true);
  }
}
