// Where this serial was before: other intakes of it, and what was told otherwise then. It informs; a serial may be typed wrongly, and
// machines are sold.

import { ask, search } from "../core/app.js";
import { familyIn } from "../core/label.js";
import { t, text } from "../core/words.js";
import { h } from "./dom.js";
import { day } from "./times.js";

/** @import {IntakeView, Summary} from "../core/app.js" */

/** As people compare what is written on plates: letters and digits only. @param {string | undefined} text */
const plain = (text) => (text ?? "").normalize("NFKC").toLowerCase().replace(/[^\p{L}\p{N}]/gu, "");

/** Other intakes whose engine is asked for: each is one request. */
const MOST = 5;

/**
 * Looked up once a page and never waited for.
 * @param {string} id @param {() => unknown} again
 */
export function serialHistory(id, again) {
  let asked = "";
  /** @type {Summary[]} */
  let found = [];
  /** Engine numbers noted then, by intake. @type {Map<string, string>} */
  const engines = new Map();
  return {
    /** @param {IntakeView} view @returns {Summary[]} */
    known(view) {
      const serial = view.state.machine.serial?.value ?? "";
      if (plain(serial).length >= 4 && asked !== serial) {
        asked = serial;
        search(serial).then(({ items }) => {
          found = items.filter((s) => s.id !== id && plain(s.serial) === plain(serial));
          for (const s of found.slice(0, MOST)) ask("GET", `/intakes/${s.id}`).then(({ json }) => {
            const then = json?.intake?.machine?.["engine-numbers"]?.value;
            if (typeof then === "string") engines.set(s.id, then);
            again();
          }, () => {});
          if (found.length) again();
        }, () => {});
      }
      return asked === serial ? found : [];
    },
    /** @param {IntakeView} view @param {Summary[]} items @param {string} zone */
    list: (view, items, zone) => h("ul", { class: "sheet__list" }, items.map((s) => h("li", { "data-key": s.id },
      h("a", { class: "link", href: `/machine/${s.id}` }, t("lane.before.line", { tag: s.tag, day: day(s.opened_at, zone), name: [s.make, s.model].filter(Boolean).join(" ") })),
      differs(view, s, engines.get(s.id)).map((w) => h("p", { class: "soft" }, w))))),
  };
}

/**
 * What the emission label says of the year, beside what was told: a person compares.
 * @param {IntakeView} view @param {number} thisYear @returns {string[]}
 */
export function labelWords(view, thisYear) {
  const { machine, answers } = view.state;
  const label = Object.values(machine).map((m) => familyIn(m.value, thisYear)).find((f) => f);
  if (!label) return [];
  const bought = view.kind?.question?.find((q) => q.id === "bought");
  const choice = bought?.choices?.find((c) => c.id === answers.bought?.choice);
  const told = choice ? t("lane.label.told", { answer: text(choice.name) }) : t("lane.label.nothing-told");
  return [t("lane.label", { family: label.family, year: String(label.year), cc: label.cc }), told];
}

/** What was told otherwise then. @param {IntakeView} view @param {Summary} s @param {string | undefined} engine @returns {string[]} */
function differs(view, s, engine) {
  const { machine, people } = view.state;
  const other = (/** @type {string | undefined} */ a, /** @type {string | undefined} */ b) => Boolean(a && b && plain(a) !== plain(b));
  return [
    other(people.owner?.name, s.owner) ? t("lane.before.owner", { name: s.owner ?? "" }) : "",
    s.kind_id !== view.state.kind_id ? t("lane.before.kind") : "",
    other(machine["engine-numbers"]?.value, engine) ? t("lane.before.engine", { numbers: engine ?? "" }) : "",
    other(machine.make?.value, s.make) || other(machine.model?.value, s.model) ? t("lane.before.model", { name: [s.make, s.model].filter(Boolean).join(" ") }) : "",
  ].filter(Boolean);
}
