// A small form that becomes one entry: words, picks, money, days. What is picked is kept while the page is drawn again; nothing
// is pre-picked. What is missing is named before anything is said.

import { t } from "../core/words.js";
import { act, field, picks } from "./act.js";
import { h } from "./dom.js";
import { readMoney } from "./money.js";
import { notice } from "./notice.js";

/**
 * `need`: it may not be empty; a function of what is given so far, when that decides.
 * @typedef {{ id: string, words: string, kind?: "text" | "long" | "pick" | "money" | "day" | "wall" | "count" | "number", choices?: { id: string, words: string }[],
 *   need?: boolean | ((given: Given) => boolean), hint?: string, value?: string, most?: number, when?: (given: Given) => boolean, more?: string }} Ask   `more`: the name of a part that folds away
 * @typedef {Record<string, any>} Given
 */

/** A number as a gauge shows it; the server takes no other. */
export const AS_READ = /^-?[0-9]{1,9}([.,][0-9]{1,6})?$/;

/** How a kind of answer is typed. @type {Record<string, Record<string, string>>} */
const INPUTS = {
  money: { inputmode: "decimal" }, number: { inputmode: "decimal" }, count: { inputmode: "numeric" }, day: { type: "date" }, wall: { type: "datetime-local" },
};

/**
 * `submit`: the button's words; a function where they are in the language that is spoken when it is drawn.
 * @param {{ id: string, submit: string | (() => string), heavy?: boolean, again: () => unknown, currency?: () => string, does: (given: Given) => unknown }} what
 */
export function askedForm({ id, submit, heavy, again, currency = () => "EUR", does }) {
  /** @type {Given} */
  const picked = {};
  /** @type {Ask[]} */
  let asked = [];
  /** What was typed or picked since the button was tapped: it belongs to the next one. @type {Set<string>} */
  const since = new Set();
  const name = (/** @type {Ask} */ a) => `${id}-${a.id}`;
  const typed = (/** @type {Ask} */ a) => /** @type {HTMLInputElement | null} */ (document.getElementById(name(a)))?.value.trim() ?? "";

  /** Everything given, or a sentence that says what does not fit. @returns {Given | string} */
  function given() {
    /** @type {Given} */
    const out = {};
    for (const a of asked) {
      if (a.kind === "pick") {
        if (picked[a.id] !== undefined) out[a.id] = picked[a.id];
        continue;
      }
      const words = typed(a);
      if (!words) continue;
      if (a.kind === "money") {
        const money = readMoney(words, currency());
        if (!money) return t("page.agreed.no-amount", { typed: words });
        out[a.id] = money;
      } else if (a.kind === "count") {
        if (!/^\d{1,4}$/.test(words)) return t("care.no-count", { typed: words });
        out[a.id] = Number(words);
      } else if (a.kind === "number") {
        if (!AS_READ.test(words)) return t("page.bench.no-number", { typed: words });
        out[a.id] = words;
      } else out[a.id] = a.kind === "wall" ? words.slice(0, 16) : words;
    }
    const lacks = asked.find((a) => out[a.id] === undefined && (!a.when || a.when(out)) && (typeof a.need === "function" ? a.need(out) : a.need));
    return lacks ? t("care.needs", { what: lacks.words }) : out;
  }

  async function send() {
    const all = given();
    if (typeof all === "string") return notice(all);
    since.clear();
    await does(all);
    for (const a of asked.filter((a) => !since.has(a.id))) {
      if (a.kind === "pick") delete picked[a.id];
      const input = /** @type {HTMLInputElement | null} */ (document.getElementById(name(a)));
      // What a card holds stays as typed; what was said once is emptied for the next.
      if (input && a.kind !== "pick" && a.value === undefined) input.value = "";
    }
    return again();
  }

  /** @param {Ask} a */
  function one(a) {
    if (a.when && !a.when(picked)) return null;
    if (a.kind === "pick") {
      return h("div", { class: "field", "data-key": name(a), id: name(a) }, h("p", { class: "label" }, a.words),
        picks({
          name: a.words, three: (a.choices ?? []).length % 3 === 0 && (a.choices ?? []).every((c) => c.words.length <= 10), chosen: picked[a.id], choices: a.choices ?? [],
          does: (choice) => {
            picked[a.id] = choice;
            since.add(a.id);
            return again();
          },
        }));
    }
    const input = { maxlength: String(a.most ?? (a.kind === "long" ? 1000 : 200)), oninput: () => since.add(a.id), ...INPUTS[a.kind ?? "text"] };
    return field({ id: name(a), words: a.kind === "money" ? `${a.words}, ${currency()}` : a.words, hint: a.hint, long: a.kind === "long", value: a.value, input });
  }

  return {
    /** @param {Ask[]} asks */
    draw(asks) {
      asked = asks;
      const folds = [...new Set(asks.flatMap((a) => a.more ?? []))];
      return h("div", { class: "stack stack--close", "data-key": `form-${id}` }, asks.filter((a) => !a.more).map(one),
        folds.map((name) => h("details", { class: "more", "data-key": `fold-${name}` }, h("summary", null, name), h("div", { class: "stack stack--close" }, asks.filter((a) => a.more === name).map(one)))),
        act({ words: typeof submit === "function" ? submit() : submit, heavy, id: `${id}-say`, does: send }));
    },
    /** Sets a pick, e.g. from a page's address. @param {string} of @param {string} choice */
    pick(of, choice) {
      picked[of] = choice;
    },
  };
}

/** Choices of words of the trade; `key` gives the message key of one. @param {string[]} words @param {(slug: string) => string} key */
export const choicesOf = (words, key) => words.map((w) => ({ id: w, words: t(key(w.replaceAll(" ", "-").replaceAll("_", "-"))) }));

/** Leaves out what is not there. @param {Given} given @param {string[]} names @returns {import("../core/types.js").JsonObject} */
export const only = (given, names) => Object.fromEntries(names.filter((n) => given[n] !== undefined && given[n] !== "").map((n) => [n, given[n]]));
