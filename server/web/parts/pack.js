// What leaves the shop of one intake: the archive for a dispute, for a supplier, or of one view; and where it can be checked.

import { session } from "../core/app.js";
import { t, text } from "../core/words.js";
import { act, actLink } from "./act.js";
import { h } from "./dom.js";
import { paper } from "./icons.js";

/** @import {IntakeView} from "../core/app.js" */

/** @param {IntakeView} view @param {string} id */
export function packPart(view, id) {
  const base = `/v1/shops/${session()?.shop}/intakes/${id}/pack`;
  const views = (view.kind?.view ?? []).filter((v) => view.photos.some((p) => p.view === v.id));
  // The browser shows how far the download is, and ends it.
  const get = (/** @type {string} */ query) => {
    const link = h("a", { href: `${base}?${query}`, download: "" });
    document.body.append(link);
    link.click();
    link.remove();
  };
  const chosen = () => /** @type {HTMLSelectElement} */ (document.getElementById("pack-view")).value;
  return h("div", { class: "stack stack--close" },
    h("div", { class: "row" },
      actLink({ words: t("act.pack-whole"), href: `${base}?customer=shown`, icon: paper(), download: "" }),
      view.photos.some((p) => p.redacted) ? actLink({ words: t("act.pack-covered"), href: `${base}?customer=shown&covered=true`, download: "" }) : null,
      actLink({ words: t("act.pack-withheld"), href: `${base}?customer=withheld`, download: "" })),
    views.length ? h("div", { class: "row" },
      h("span", { class: "field" }, h("label", { for: "pack-view" }, t("pack.one-view")), h("select", { id: "pack-view" }, views.map((v) => h("option", { value: v.id }, text(v.short))))),
      act({ words: t("act.pack-view"), does: () => get(`customer=withheld&view=${encodeURIComponent(chosen())}`) })) : null,
    h("p", { class: "soft" }, t("pack.withheld-words")),
    h("a", { class: "link", href: "/verify" }, t("verify.title")));
}
