// Receipt links: unguessable, for a while, revocable; only where customers can reach the shop's address at all.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { svgElement } from "./svg.js";
import { day } from "./times.js";

/** @import {Shop} from "../core/app.js" */

/** @typedef {{ link: string, expires: string, revoked?: string, opened: number, holds: boolean }} Link */

/** @param {string} intake @param {() => unknown} again */
export function linkPart(intake, again) {
  /** @type {Link[] | null} */
  let links = null;
  /** @type {{ url: string, expires: string, qr_svg: string } | null} */
  let made = null;
  let asking = false;

  function fetchLinks() {
    asking = true;
    ask("GET", `/intakes/${intake}/links`).then(({ json }) => ((links = json), again()), () => {});
  }

  async function make() {
    made = (await ask("POST", `/intakes/${intake}/links`, { json: { what: "receipt" } })).json;
    fetchLinks();
    again();
  }

  /** @param {string} link */
  async function revoke(link) {
    await ask("DELETE", `/links/${link}`);
    made = null;
    fetchLinks();
    again();
  }

  return {
    /** @param {Shop | null} shop */
    draw(shop) {
      if (!shop?.public_url) return h("p", { class: "soft" }, t("page.links.none-possible"));
      if (!asking) fetchLinks();
      const holding = (links ?? []).filter((l) => l.holds);
      return h("div", { class: "stack stack--close" },
        made ? h("div", { class: "stack stack--close" },
          h("div", { class: "qr", role: "img", "aria-label": t("page.links.qr") }, svgElement(made.qr_svg)),
          h("p", { class: "mono" }, made.url),
          h("div", { class: "row" }, act({ words: t("act.copy"), does: () => navigator.clipboard.writeText(made?.url ?? "") })))
          : act({ words: t("act.make-link"), does: make }),
        holding.map((l) => h("div", { class: "row", "data-key": l.link },
          h("p", { class: "grow" }, t("page.links.until", { until: day(Date.parse(l.expires), shop.zone), count: l.opened })),
          act({ words: t("act.revoke"), mark: true, does: () => revoke(l.link) }))));
    },
  };
}
