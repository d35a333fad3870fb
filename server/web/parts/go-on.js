// Another phone goes on: a code with the intake's address, for a phone of the shop that is signed in.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { svgElement } from "./svg.js";

/** @param {string} intake @param {() => unknown} again */
export function goOnPart(intake, again) {
  /** @type {{ url: string, qr_svg: string } | null} */
  let code = null;
  return {
    draw() {
      if (!code) {
        return act({
          words: t("act.go-on-phone"), id: "go-on-phone", does: async () => {
            code = (await ask("GET", `/intakes/${intake}/go-on`)).json;
            await again();
          },
        });
      }
      return h("div", { class: "stack stack--close", id: "go-on-code" },
        h("div", { class: "qr", role: "img", "aria-label": t("page.go-on.qr") }, svgElement(code.qr_svg)),
        h("p", null, t("page.go-on.words")),
        h("p", { class: "mono" }, code.url));
    },
  };
}
