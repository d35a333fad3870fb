// Parts by supplier, lot or number, with the readings of a lot side by side. Asks the server: only it knows every machine.

import { ask, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { field, footBack } from "../parts/act.js";
import { band } from "../parts/band.js";
import { partWords } from "../parts/care-words.js";
import { h } from "../parts/dom.js";
import { readingWords } from "../parts/facts.js";
import { attempt } from "../parts/notice.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function partsSearch(at) {
  const q = at.query.get("q") ?? "";
  return {
    async draw() {
      const here = await shop();
      const found = q ? (await ask("GET", `/parts?${new URLSearchParams({ q })}`)).json : { parts: [] };
      return {
        title: t("part.search"),
        wide: true,
        content: [
          h("h1", null, t("part.search")),
          field({ id: "q", words: t("part.search-words"), hint: t("part.search-hint"), value: q, input: { type: "search", maxlength: "120" }, onchange: (words) => attempt(() => at.go(words ? `/parts?${new URLSearchParams({ q: words })}` : "/parts")) }),
          q && found.parts.length === 0 ? h("p", { class: "empty", role: "status" }, t("part.search-none")) : null,
          found.parts.length ? h("p", { role: "status" }, t("part.search-found", { count: found.parts.length })) : null,
          h("div", { class: "side-by-side" }, found.parts.map((/** @type {any} */ p) => h("section", { class: "question", "data-key": p.card.part },
            h("h2", null, h("a", { class: "link", href: `/intake/${p.intake}/part/${p.card.part}` }, `${p.tag} ${p.card.what}`)),
            h("p", { class: "soft" }, partWords(p.card)),
            p.readings.length ? h("ul", { class: "sheet__list" }, p.readings.map((/** @type {any} */ r) => h("li", null, readingWords(r), r.reading === "compression" && r.value ? band(r, here) : null))) : h("p", { class: "soft" }, t("part.no-reading"))))),
          footBack({ words: t("act.desk"), href: "/" }),
        ],
      };
    },
  };
}
