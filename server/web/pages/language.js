// The language of this device: of all its pages, for whoever uses it. Each one stands there by its own name.

import { languages, session, useLanguage } from "../core/app.js";
import { language as spokenHere, t } from "../core/words.js";
import { footBack, picks } from "../parts/act.js";
import { h } from "../parts/dom.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function language(at) {
  const to = at.query.get("to") ?? "/";
  // Only ever back into the app itself.
  const back = /^\/(?!\/)/.test(to) && !to.includes("\\") ? to : "/";
  return {
    async draw() {
      const all = await languages();
      return {
        title: t("page.language.title"),
        content: [
          h("h1", null, t("page.language.title")),
          h("p", { class: "soft" }, t("page.language.words")),
          languagePicks({ name: t("page.language.title"), all, chosen: spokenHere(), does: choose }),
          footBack({ words: t(session() ? "act.desk" : "act.sign-in"), href: back }),
        ],
      };
    },
  };

  /** @param {string} chosen */
  async function choose(chosen) {
    await useLanguage(chosen);
    // The bar and the link to the content speak it too.
    await at.go(location.pathname + location.search, true);
  }
}

/** Languages as equal answers, each in its own words. @param {{ name: string, all: { language: string, name: string }[], chosen: string, does: (language: string) => unknown }} what */
export function languagePicks({ name, all, chosen, does }) {
  const group = picks({ name, chosen, choices: all.map((l) => ({ id: l.language, words: l.name })), does });
  for (const pick of group.querySelectorAll("[data-choice]")) pick.setAttribute("lang", pick.getAttribute("data-choice") ?? "");
  return group;
}
