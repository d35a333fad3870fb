// Pages that only say something: an address nothing stands at, and the plain-HTTP notice.

import { t } from "../core/words.js";
import { actLink } from "../parts/act.js";
import { h } from "../parts/dom.js";

/** @returns {import("../parts/page.js").Page} */
export function nowhere() {
  return { draw: () => ({ title: t("page.nowhere"), content: [h("h1", null, t("page.nowhere")), h("p", null, t("page.nowhere-words")), actLink({ words: t("act.desk"), href: "/", heavy: true })] }) };
}

/** Opened without HTTPS: the phone would give neither storage that lasts nor its checks. @returns {import("../parts/page.js").Page} */
export function plain() {
  return {
    draw: () => ({
      title: t("page.plain.title"),
      content: [
        h("h1", null, t("page.plain.title")),
        h("p", null, t("page.plain.words")),
        h("p", null, t("page.plain.how")),
        actLink({ words: t("act.trust"), href: "/trust", heavy: true }),
      ],
    }),
  };
}
