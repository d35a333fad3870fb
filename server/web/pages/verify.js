// A receipt or a pack is checked here, by anybody: the file is read on this device and goes nowhere.

import { VERDICTS, isTelling, keysTyped, worstOf } from "../core/proof/entries.js";
import { checkFile } from "../core/proof/pack.js";
import { rootsOf } from "../core/proof/stamp.js";
import { session } from "../core/app.js";
import { t } from "../core/words.js";
import { actLink, field, foot } from "../parts/act.js";
import { h } from "../parts/dom.js";

/** @import {Item} from "../core/proof/entries.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function verify(at) {
  /** @type {File | null} */
  let file = null;
  /** @type {File | null} */
  let earlier = null;
  /** @type {File | null} */
  let pem = null;
  let key = "";
  /** @type {Item[] | null} */
  let items = null;
  let said = "";
  let run = 0;

  async function look() {
    if (!file) return;
    const mine = ++run;
    const size = Math.max(file.size, 1);
    const given = keysTyped(key);
    const roots = pem ? rootsOf(await pem.text()) : [];
    if (mine !== run) return;
    items = null;
    said = !given ? t("verify.no-key") : roots ? t("verify.reading", { percent: 0 }) : t("verify.no-roots");
    await at.again();
    if (!given || !roots) return;
    const progress = (/** @type {number} */ done) => {
      const next = t("verify.reading", { percent: Math.floor((100 * done) / size) });
      if (mine !== run || next === said) return;
      said = next;
      at.again();
    };
    const found = await checkFile(file, { ...given, roots }, earlier, progress).catch(() => null);
    if (mine !== run) return;
    items = found;
    said = found ? "" : t("verify.code.archive-unread");
    await at.again();
    // On a phone what was found lies under the foot: it is what was asked for.
    document.getElementById("verify-worst")?.scrollIntoView({ block: "center" });
  }

  /** @param {string} id @param {string} words @param {string} accept @param {(file: File | null) => void} take */
  function choice(id, words, accept, take) {
    const changed = (/** @type {Event} */ e) => {
      take(/** @type {HTMLInputElement} */ (e.target).files?.[0] ?? null);
      return look();
    };
    return h("p", { class: "field" }, h("label", { for: id }, words), h("input", { id, type: "file", accept, onchange: changed }));
  }

  /** @param {Event} e */
  function dropped(e) {
    e.preventDefault();
    const given = /** @type {DragEvent} */ (e).dataTransfer?.files[0];
    if (!given) return;
    file = given;
    look();
  }

  return {
    draw() {
      return {
        title: t("verify.title"),
        content: [
          h("h1", null, t("verify.title")),
          h("p", null, t("verify.choose")),
          h("div", { class: "stack", ondragover: (/** @type {Event} */ e) => e.preventDefault(), ondrop: dropped },
            choice("verify-file", t("verify.file"), ".zip,.html", (f) => (file = f)),
            choice("verify-earlier", t("verify.earlier"), ".html", (f) => (earlier = f)),
            field({ id: "verify-key", words: t("verify.key"), onchange: (typed) => ((key = typed), look()), input: { autocapitalize: "none", spellcheck: "false", maxlength: "2000" } }),
            choice("verify-roots", t("verify.roots"), ".pem,.crt,.cer", (f) => (pem = f))),
          h("div", { role: "status", class: "stack stack--close" }, said ? h("p", null, said) : null, items && file ? told(file.name, items) : null),
          h("p", { class: "soft" }, t("verify.limits")),
          foot(actLink({ words: t(session() ? "act.desk" : "act.sign-in"), href: "/" })),
        ],
      };
    },
  };
}

/** What was found, the worst first. @param {string} name @param {Item[]} items */
function told(name, items) {
  const worst = worstOf(items);
  const count = items.filter((i) => i.verdict === "unchanged").length;
  const worse = [...VERDICTS].reverse().flatMap((v) => items.filter((i) => i.verdict === v && (v !== "unchanged" || isTelling(i))));
  return h("div", { class: "stack stack--close" },
    h("p", null, h("b", null, name)),
    h("p", { class: `stamp${worst === "broken" || worst === "not understood" ? " stamp--not" : ""}`, id: "verify-worst", "data-verdict": worst }, verdictWord(worst)),
    h("p", null, t("verify.counted", { count, all: items.length })),
    h("ul", { class: "sheet__list" }, worse.map((i) => h("li", null, h("b", null, `${verdictWord(i.verdict)}: `), `${i.of}. ${t(`verify.code.${i.code}`)}`))));
}

/** @param {string} verdict */
const verdictWord = (verdict) => t(`verify.verdict.${verdict.replace(" ", "-")}`);
