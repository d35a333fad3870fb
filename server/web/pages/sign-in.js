// Signing in by name and password, on the desk or on a phone that is not paired.

import { serverInfo, signIn as enter } from "../core/app.js";
import { t } from "../core/words.js";
import { formPage } from "../parts/form.js";
import { h } from "../parts/dom.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function signIn(at) {
  const to = at.query.get("to") ?? "/";
  // Only ever back into the app itself.
  const back = /^\/(?!\/)/.test(to) && !to.includes("\\") ? to : "/";
  return formPage({
    title: t("page.sign-in.title"),
    before: async () => {
      const info = await serverInfo();
      return info ? null : h("p", { class: "fault" }, t("page.sign-in.unreachable"));
    },
    fields: [
      { id: "sign_in", words: t("page.sign-in.name"), input: { autocomplete: "username", autocapitalize: "none", spellcheck: "false", required: true, maxlength: "100" } },
      { id: "password", words: t("page.sign-in.password"), input: { type: "password", autocomplete: "current-password", required: true, maxlength: "200" } },
    ],
    button: t("act.sign-in"),
    after: h("div", { class: "stack" },
      h("p", { class: "soft" }, t("page.sign-in.phone")),
      h("p", null, h("a", { class: "link", href: `/language?to=${encodeURIComponent(location.pathname + location.search)}` }, t("act.language")))),
    does: async (form) => {
      await enter({ sign_in: form.sign_in, password: form.password });
      at.go(back, true);
    },
  });
}
