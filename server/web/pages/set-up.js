// First start: the shop and its owner. The token in the address comes from whoever started the server.

import { setUp as make } from "../core/app.js";
import { language, t } from "../core/words.js";
import { formPage } from "../parts/form.js";
import { h } from "../parts/dom.js";

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function setUp(at) {
  const token = at.hash;
  if (token) history.replaceState(null, "", "/set-up");
  const guess = new Intl.DateTimeFormat().resolvedOptions().timeZone;
  const zones = zonesKnown(guess);
  return formPage({
    title: t("page.set-up.title"),
    words: t("page.set-up.words"),
    before: () => (token ? null : h("p", { class: "fault" }, t("page.set-up.no-token"))),
    fields: [
      ...(token ? [] : [{ id: "token", words: t("page.set-up.token"), input: { required: true, autocapitalize: "none", spellcheck: "false", class: "mono" } }]),
      { id: "shop_name", words: t("page.set-up.shop"), hint: t("page.set-up.shop-hint"), input: { required: true, maxlength: "200", autocapitalize: "words", autocomplete: "organization" } },
      { id: "zone", words: t("page.set-up.zone"), hint: t("page.set-up.zone-hint", { zone: guess }), choices: zones.map((z) => ({ id: z, words: z })), value: zones.includes(guess) ? guess : undefined },
      { id: "currency", words: t("page.set-up.currency"), hint: t("page.set-up.currency-hint"), choices: currencies() },
      { id: "name", words: t("page.set-up.name"), input: { required: true, maxlength: "200", autocapitalize: "words", autocomplete: "name" } },
      { id: "sign_in", words: t("page.set-up.sign-in"), hint: t("page.set-up.sign-in-hint"), input: { required: true, maxlength: "100", autocapitalize: "none", autocomplete: "username", spellcheck: "false" } },
      { id: "password", words: t("page.set-up.password"), hint: t("page.set-up.password-hint"), input: { type: "password", required: true, minlength: "10", maxlength: "200", autocomplete: "new-password" } },
    ],
    button: t("act.set-up"),
    does: async (f) => {
      await make({ token: token || f.token, shop_name: f.shop_name, zone: f.zone, currency: f.currency, name: f.name, sign_in: f.sign_in, password: f.password });
      at.go("/settings", true);
    },
  });
}

/** @param {string} guess */
function zonesKnown(guess) {
  const known = Intl.supportedValuesOf?.("timeZone") ?? [];
  return [...new Set([...known, guess, "UTC"])].sort();
}

function currencies() {
  const codes = Intl.supportedValuesOf?.("currency") ?? ["EUR", "USD", "GBP"];
  const names = new Intl.DisplayNames([language()], { type: "currency" });
  return codes.map((id) => ({ id, words: `${id}, ${names.of(id)}` }));
}
