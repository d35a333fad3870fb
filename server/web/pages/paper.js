// Paper for a day without a phone: blank sheets of each kind and numbered tags, to print and keep at the counter.

import { kinds, session } from "../core/app.js";
import { language, t, text } from "../core/words.js";
import { act, actLink, field } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { nextFree } from "../parts/free.js";
import { notice } from "../parts/notice.js";

/** @returns {import("../parts/page.js").Page} */
export function onPaper() {
  const free = nextFree();
  const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (document.getElementById(id)).value.trim();

  return {
    async draw() {
      const known = await kinds();
      const base = `/v1/shops/${session()?.shop}`;
      const next = await free;
      return {
        title: t("page.blank.title"),
        content: [
          h("h1", null, t("page.blank.title")),
          h("p", null, t("page.blank.words")),
          h("section", { class: "section" },
            h("h2", null, t("page.blank.sheets")),
            h("ul", { class: "steps" }, known.map((k) => h("li", { "data-key": k.digest },
              h("a", { href: `${base}/kinds/${k.digest.replace("sha256:", "")}/paper?language=${language()}` }, h("span", null, text(k.kind.name))))))),
          h("section", { class: "section" },
            h("h2", null, t("page.blank.tags")),
            h("p", { class: "soft" }, t("page.blank.next", { tag: next })),
            field({ id: "tags-from", words: t("page.blank.from"), input: { inputmode: "numeric", maxlength: "9" } }),
            field({ id: "tags-count", words: t("page.blank.count"), input: { inputmode: "numeric", maxlength: "3" } }),
            act({
              words: t("act.print-tags"), id: "print-tags", does: () => {
                const [from, count] = [value("tags-from"), Number(value("tags-count"))];
                if (!/^[0-9]{1,9}$/.test(from) || !(count >= 1 && count <= 100)) return notice(t("page.blank.needs"));
                location.href = `${base}/tags/print?${new URLSearchParams({ from, count: String(count) })}`;
                return undefined;
              },
            })),
          actLink({ words: t("act.was-on-paper"), href: "/take-in?how=on+paper" }),
        ],
      };
    },
  };
}
