// Money, dates and terms: the shop's usual as one sentence that is read before it is tapped, or each typed. Nothing is ticked
// beforehand.

import { ask, say, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, field, foot, picks, toggle } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { ARRANGED, arrangement, slug } from "../parts/facts.js";
import { onward } from "../parts/flow.js";
import { onward as onwardIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { readMoney, typedMoney } from "../parts/money.js";
import { notice } from "../parts/notice.js";
import { showText } from "../parts/text.js";
import { dateIn, later } from "../parts/times.js";

/** @import {IntakeView, Shop} from "../core/app.js" */

const WORDS = /** @type {Record<string, string[]>} */ ({
  over_limit: ["ask first", "do not go over"],
  old_parts: ["give back", "dispose", "keep for supplier"],
});

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function agreed(at) {
  const [id] = at.ids;
  /** @type {IntakeView} */
  let view;
  /** @type {Shop} */
  let here;

  /** @param {Record<string, any>} values */
  const arrange = (values) => say(id, "arrangement-made", { values });

  return {
    watch: watching(id),
    async draw() {
      const [loaded, s] = await Promise.all([load(id), shop()]);
      view = loaded;
      here = s ?? /** @type {any} */ ({ currency: "EUR", zone: "UTC", settings: {} });
      const usual = usualValues(here, Date.now());
      const sentence = ARRANGED.filter((f) => f in usual).map((f) => arrangement(f, usual[f])).join(" ");
      const same = Object.entries(usual).every(([f, v]) => JSON.stringify(view.state.arrangements[f]?.value) === JSON.stringify(v));
      const on = onward(view, "agreed");
      const hasUsual = Object.keys(usual).some((f) => f !== "terms");
      return {
        title: t("page.agreed.title"),
        content: [
          head(view),
          h("h1", null, t("page.agreed.title")),
          ...meanwhile(view),
          hasUsual ? h("section", { class: "stack stack--close" },
            h("h2", null, t("page.agreed.usual")),
            toggle({ id: "usual", sentence: true, on: same, words: sentence, does: () => (same ? undefined : arrange(usual)) }))
            : h("p", { class: "soft" }, t("page.agreed.no-usual")),
          h("section", { class: "section" },
            h("h2", null, t(hasUsual ? "page.agreed.other" : "page.agreed.each")),
            money("fee"), money("limit"), words("over_limit"), money("deposit"), date("diagnosis_by"), date("ready_by"), words("old_parts"), terms()),
          foot(actLink({ words: on.words, href: on.href, icon: onwardIcon(), heavy: true })),
        ],
      };
    },
  };

  /** @param {string} f */
  function now(f) {
    return view.state.arrangements[f]?.value;
  }

  /** What stands, as the sentence that is printed. @param {string} f */
  function stands(f) {
    return now(f) === undefined ? h("p", { class: "soft" }, t("page.agreed.open")) : h("p", null, arrangement(f, now(f)));
  }

  /** @param {string} f */
  function money(f) {
    const value = now(f);
    const id = `arrangement-${slug(f)}`;
    return h("div", { class: "question", id, "data-key": f },
      field({
        id: `${id}-typed`, words: `${t(`page.field.${slug(f)}`)}, ${here.currency}`, value: typeof value === "object" ? typedMoney(value) : "",
        input: { inputmode: "decimal", maxlength: "14" },
        onchange: (typed) => {
          if (!typed) return undefined;
          const read = readMoney(typed, here.currency);
          return read ? arrange({ [f]: read }) : notice(t("page.agreed.no-amount", { typed }));
        },
      }),
      toggle({ words: t(`page.arranged.${slug(f)}.none`), on: value === "none", does: () => arrange({ [f]: "none" }) }));
  }

  /** @param {string} f */
  function date(f) {
    const value = now(f);
    const id = `arrangement-${slug(f)}`;
    return h("div", { class: "question", id, "data-key": f },
      field({
        id: `${id}-typed`, words: t(`page.field.${slug(f)}`), value: value && value !== "no promise" ? value : "",
        input: { type: "date", min: dateIn(Date.now(), here.zone) }, onchange: (typed) => typed && arrange({ [f]: typed }),
      }),
      toggle({ words: t(`page.arranged.${slug(f)}.no-promise`), on: value === "no promise", does: () => arrange({ [f]: "no promise" }) }));
  }

  /** @param {string} f */
  function words(f) {
    return h("div", { class: "question", id: `arrangement-${slug(f)}`, "data-key": f },
      h("h3", null, t(`page.field.${slug(f)}`)),
      picks({
        name: t(`page.field.${slug(f)}`), chosen: now(f),
        choices: WORDS[f].map((w) => ({ id: w, words: t(`page.arranged.${slug(f)}.${slug(w)}`) })), does: (w) => arrange({ [f]: w }),
      }));
  }

  function terms() {
    const digest = here.settings.terms_digest;
    const text = String(here.settings.terms ?? "");
    const old = now("terms") !== undefined && now("terms") !== digest;
    return h("div", { class: "question", id: "arrangement-terms", "data-key": "terms" },
      h("h3", null, t("page.field.terms")),
      text.trim() ? null : h("p", { class: "soft" }, t("page.agreed.no-terms")),
      old ? h("p", { class: "soft" }, t("page.agreed.older-terms")) : stands("terms"),
      digest ? toggle({ words: t(text.trim() ? "page.agreed.these-terms" : "page.agreed.without-terms"), on: now("terms") === digest, does: () => arrange({ terms: digest }) }) : null,
      text.trim() ? act({ words: t("act.read-terms"), does: () => showText(t("page.field.terms"), old ? termsOf(now("terms")) : text) }) : null);
  }
}

/** The text of terms by digest, from the server. @param {string} digest */
async function termsOf(digest) {
  const { text } = await ask("GET", `/terms/${digest.replace("sha256:", "")}`, { accept: "text/plain" });
  return text;
}

/** The shop's usual values as they would be recorded today. @param {Shop} shop @param {number} at @returns {Record<string, any>} */
export function usualValues({ settings, currency, zone }, at) {
  const usual = settings.usual ?? {};
  const today = dateIn(at, zone);
  /** @type {Record<string, any>} */
  const values = {};
  for (const f of ["fee", "limit", "deposit"]) if (f in usual) values[f] = usual[f] === "none" ? "none" : { currency, minor: usual[f] };
  for (const f of ["over_limit", "old_parts"]) if (f in usual) values[f] = usual[f];
  if ("diagnosis_days" in usual) values.diagnosis_by = later(today, usual.diagnosis_days);
  if ("ready_days" in usual) values.ready_by = later(today, usual.ready_days);
  if (settings.terms_digest && Object.keys(values).length > 0) values.terms = settings.terms_digest;
  return values;
}
