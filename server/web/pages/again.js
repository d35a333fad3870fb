// Here before: one page for everything a known machine still needs. What was recorded last time is read out and confirmed by
// one tap; nothing of it is taken over before.

import { say, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { actLink, field, foot } from "../parts/act.js";
import { askingPart } from "../parts/asking.js";
import { before, beforePart } from "../parts/before.js";
import { camera } from "../parts/camera.js";
import { h, keep } from "../parts/dom.js";
import { onward } from "../parts/flow.js";
import { onward as onwardIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { attempt } from "../parts/notice.js";

/** @import {IntakeView} from "../core/app.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function again(at) {
  const [id] = at.ids;
  const lens = camera(id);
  const asking = askingPart(id, lens, () => at.again());
  /** @type {IntakeView} */
  let view;

  /** Says what stands in the field and is not said yet. */
  async function flush() {
    const words = /** @type {HTMLTextAreaElement | null} */ (document.getElementById("complaint"))?.value.trim();
    if (words && words !== view.state.statements.complaint?.text) {
      await say(id, "statement-made", { topic: "complaint", heard_by: session()?.staff ?? "" }, { text: words });
    }
  }

  return {
    watch: watching(id),
    leave: () => attempt(flush),
    async draw() {
      const [loaded, here] = await Promise.all([load(id), shop()]);
      view = loaded;
      const earlier = view.state.opened?.earlier;
      const was = earlier ? before(view, await load(earlier.intake), here) : null;
      const on = onward(view, "again");
      return {
        title: t("page.again.title"),
        focus: view.state.statements.complaint ? undefined : "complaint",
        content: [
          head(view),
          h("h1", null, t("page.again.title")),
          ...meanwhile(view),
          h("section", { class: "section", id: "statement-complaint" },
            h("h2", { class: "hide" }, t("page.told.words")),
            field({
              id: "complaint", words: t("page.told.words"), hint: t("page.told.words-hint"), long: true, value: view.state.statements.complaint?.text ?? "",
              input: { autocapitalize: "sentences", maxlength: "4000" }, onchange: () => flush(),
            })),
          was ? beforePart(view, was) : null,
          h("ul", { class: "steps" },
            h("li", null, h("a", { href: `/intake/${id}/told` }, h("span", null, t("page.again.changed")), h("span", { class: "soft" }, t("page.step.told")))),
            h("li", null, h("a", { href: `/intake/${id}/agreed` }, h("span", null, t("page.again.other-money")), h("span", { class: "soft" }, t("page.step.agreed"))))),
          ...asking.draw(view, { lasting: false }),
          foot(actLink({ words: on.words, href: on.href, icon: onwardIcon(), heavy: true }), keep(lens.element)),
        ],
      };
    },
  };
}
