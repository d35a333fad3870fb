// How a sheet is shown: in which language, and who reads it out or translates it. For the shop, above the paper.

import { languagePicks } from "../pages/language.js";
import { spoken, t } from "../core/words.js";
import { field } from "./act.js";
import { h } from "./dom.js";

/** @param {() => unknown} again */
export function howShown(again) {
  let reader = "";
  /** The customer's language, once somebody chose it. */
  let language = "";

  return {
    /** The language that was chosen; empty: none was. */
    language: () => language,
    /** Who reads or translates; empty: nobody. */
    reader: () => reader,
    /** A name half typed is a name. */
    async settle() {
      const typed = /** @type {HTMLInputElement | null} */ (document.getElementById("reader"))?.value.trim() ?? reader;
      if (typed === reader) return;
      reader = typed;
      await again();
    },
    /** @param {{ language: string, name: string }[]} all @param {string} chosen */
    draw(all, chosen) {
      const other = chosen !== spoken().language;
      return h("details", { class: "more no-print", "data-key": "how-shown", open: other || reader !== "" },
        h("summary", null, `${t("page.sheet.language")}: ${all.find((l) => l.language === chosen)?.name ?? chosen}`),
        h("div", { class: "stack" },
          languagePicks({
            name: t("page.sheet.language"), all, chosen,
            does: (l) => {
              language = l;
              return again();
            },
          }),
          other ? h("p", { class: "soft" }, t("page.sheet.language-reader")) : null,
          field({
            id: "reader", words: `${t("page.sheet.reader")}: ${t("page.sheet.reader-name")}`, value: reader, input: { maxlength: "200" },
            onchange: (name) => {
              reader = name;
              return again();
            },
          })));
    },
  };
}
