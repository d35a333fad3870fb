// Suspect parts of one machine: a list, and a new one.

import { say } from "../core/app.js";
import { disagreements } from "../core/part.js";
import { t, valueText } from "../core/words.js";
import { footBack } from "../parts/act.js";
import { askedForm, choicesOf, only } from "../parts/asked-form.js";
import { partWords } from "../parts/care-words.js";
import { h } from "../parts/dom.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { newId } from "../parts/new-id.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function parts(at) {
  const [id] = at.ids;
  const form = askedForm({
    id: "new-part", submit: t("part.say.new"), again: () => at.again(),
    does: async (g) => {
      const part = newId();
      await say(id, "part-noted", { part, ...only(g, ["what", "origin"]) });
      at.go(`/intake/${id}/part/${part}`);
    },
  });
  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      const all = view.state.parts.parts;
      return {
        title: t("part.title"),
        content: [
          head(view),
          h("h1", null, t("part.title")),
          ...meanwhile(view),
          h("p", { class: "soft" }, t("part.before-fitting")),
          all.length ? h("ul", { class: "steps" }, all.map((p) => h("li", { "data-key": p.part }, h("a", { href: `/intake/${id}/part/${p.part}` }, partWords(p)), disagreements(p).map((d) => h("p", { class: "soft" }, valueText(d)))))) : h("p", { class: "empty" }, t("part.none")),
          ["in care", "handed back"].includes(view.state.state) ? h("section", { class: "section" }, h("h2", null, t("part.new")),
            form.draw([
              { id: "what", words: t("part.ask.what"), hint: t("part.ask.what-hint"), most: 120, need: true },
              { id: "origin", words: t("part.ask.origin"), kind: "pick", choices: choicesOf(["in it when it came", "bought by us", "brought by the customer"], (w) => `part.origin.${w}`), need: true },
            ])) : null,
          h("p", null, h("a", { class: "link", href: "/parts" }, t("part.search"))),
          footBack({ words: t("act.to-machine"), href: `/machine/${id}` }),
        ],
      };
    },
  };
}
