// Asked and looked at: the questions, the walk-round, the safety devices, what was left with it.

import { t } from "../core/words.js";
import { actLink, foot } from "../parts/act.js";
import { askingPart } from "../parts/asking.js";
import { camera } from "../parts/camera.js";
import { h, keep } from "../parts/dom.js";
import { onward } from "../parts/flow.js";
import { onward as onwardIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function asked(at) {
  const [id] = at.ids;
  const lens = camera(id);
  const asking = askingPart(id, lens, () => at.again());

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      const on = onward(view, "asked");
      return {
        title: t("page.asked.title"),
        content: [
          head(view),
          h("h1", null, t("page.asked.title")),
          ...meanwhile(view),
          ...asking.draw(view),
          foot(actLink({ words: on.words, href: on.href, icon: onwardIcon(), heavy: true }), keep(lens.element)),
        ],
      };
    },
  };
}
