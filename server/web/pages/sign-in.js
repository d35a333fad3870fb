// Signing in by name and password, on the desk or on a phone that is not paired. Where both are right in several shops, or a code is
// asked for as well, the same form asks for that next.

import { serverInfo, signIn as enter } from "../core/app.js";
import { isTrouble, Trouble } from "../core/trouble.js";
import { t } from "../core/words.js";
import { act } from "../parts/act.js";
import { codeField } from "../parts/code-field.js";
import { formPage } from "../parts/form.js";
import { h } from "../parts/dom.js";
import { clear } from "../parts/notice.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function signIn(at) {
  const to = at.query.get("to") ?? "/";
  // Only ever back into the app itself.
  const back = /^\/(?!\/)/.test(to) && !to.includes("\\") ? to : "/";
  /** What was right, once something else is asked for. @type {{ sign_in: string, password: string, shop?: string } | null} */
  let right = null;
  /** What is asked for beside it. @type {"" | "shop" | "code"} */
  let asked = "";
  /** @type {{ shop: string, name: string }[]} */
  let shops = [];
  let recovery = false;

  /** @param {() => void} change */
  async function other(change) {
    change();
    clear();
    await at.again();
    const first = /** @type {HTMLInputElement | HTMLSelectElement | null} */ (document.querySelector("#form :is(input, select)"));
    if (!first) return;
    first.value = "";
    first.focus();
  }

  /** The fields of what is asked for beside name and password. */
  function next() {
    return asked === "code" ? codeField(recovery)
      : { id: "shop", words: t("page.sign-in.which"), choices: shops.map(({ shop, name }) => ({ id: shop, words: name })) };
  }

  return formPage({
    title: t("page.sign-in.title"),
    before: async () => {
      const info = await serverInfo();
      return info ? null : h("p", { class: "fault" }, t("page.sign-in.unreachable"));
    },
    fields: () => right ? [next()] : [
      { id: "sign_in", words: t("page.sign-in.name"), input: { autocomplete: "username", autocapitalize: "none", spellcheck: "false", required: true, maxlength: "100" } },
      { id: "password", words: t("page.sign-in.password"), input: { type: "password", autocomplete: "current-password", required: true, maxlength: "200" } },
    ],
    button: t("act.sign-in"),
    after: () => right ? h("div", { class: "stack" },
      ...(asked === "code" ? [
        h("p", null, act({ words: t(recovery ? "page.code.use-program" : "page.code.use-recovery"), does: () => other(() => (recovery = !recovery)) })),
        h("p", { class: "soft" }, t("page.code.lost")),
      ] : []),
      h("p", null, h("button", { type: "button", class: "link", onclick: () => other(() => (right = null)) }, t("page.sign-in.other"))))
    : h("div", { class: "stack" },
      h("p", { class: "soft" }, t("page.sign-in.phone")),
      h("p", null, h("a", { class: "link", href: `/language?to=${encodeURIComponent(location.pathname + location.search)}` }, t("act.language")))),
    does: async (form) => {
      const was = right ?? { sign_in: form.sign_in, password: form.password };
      const now = form.shop ? { ...was, shop: form.shop } : was;
      try {
        await enter({ ...now, ...(form.code ? { code: form.code } : {}) });
      } catch (error) {
        const wants = isTrouble(error, "which-shop") ? "shop" : isTrouble(error, "code-asked") ? "code" : "";
        if (!wants || (right && wants === asked)) throw error;
        return other(() => {
          if (wants === "shop") shops = /** @type {any} */ (/** @type {Trouble} */ (error).problem).shops;
          right = now;
          asked = wants;
        });
      }
      at.go(back, true);
    },
  });
}
