// The field for a code: six digits large, as a phone's keyboard offers them, or one of the recovery codes.

import { t } from "../core/words.js";

/** @param {boolean} recovery @param {string} [id] @returns {import("./form.js").Field} */
export function codeField(recovery, id = "code") {
  const shared = { required: true, spellcheck: "false", autocapitalize: "none", enterkeyhint: "go" };
  return recovery
    ? { id, words: t("page.code.recovery"), hint: t("page.code.recovery-hint"), input: { ...shared, autocomplete: "off", class: "mono", maxlength: "100" } }
    : { id, words: t("page.code.code"), hint: t("page.code.code-hint"), input: { ...shared, autocomplete: "one-time-code", inputmode: "numeric", class: "mono code", maxlength: "9" } };
}
