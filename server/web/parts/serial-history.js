// Where this serial was before: other intakes of it, and what was told otherwise then. It informs; a serial may be typed wrongly, and
// machines are sold.

import { search } from "../core/app.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { day } from "./times.js";

/** @import {IntakeView, Summary} from "../core/app.js" */

/** As people compare what is written on plates: letters and digits only. @param {string | undefined} text */
const plain = (text) => (text ?? "").normalize("NFKC").toLowerCase().replace(/[^\p{L}\p{N}]/gu, "");

/**
 * Looked up once a page and never waited for.
 * @param {string} id @param {() => unknown} again
 */
export function serialHistory(id, again) {
  let asked = "";
  /** @type {Summary[]} */
  let found = [];
  return {
    /** @param {IntakeView} view @returns {Summary[]} */
    known(view) {
      const serial = view.state.machine.serial?.value ?? "";
      if (plain(serial).length >= 4 && asked !== serial) {
        asked = serial;
        search(serial).then(({ items }) => {
          found = items.filter((s) => s.id !== id && plain(s.serial) === plain(serial));
          if (found.length) again();
        }, () => {});
      }
      return asked === serial ? found : [];
    },
    /** @param {IntakeView} view @param {Summary[]} items @param {string} zone */
    list: (view, items, zone) => h("ul", { class: "sheet__list" }, items.map((s) => h("li", { "data-key": s.id },
      h("a", { class: "link", href: `/machine/${s.id}` }, t("lane.before.line", { tag: s.tag, day: day(s.opened_at, zone), name: [s.make, s.model].filter(Boolean).join(" ") })),
      differs(view, s).map((w) => h("p", { class: "soft" }, w))))),
  };
}

/** What was told otherwise then. @param {IntakeView} view @param {Summary} s @returns {string[]} */
function differs(view, s) {
  const { machine, people } = view.state;
  const other = (/** @type {string | undefined} */ a, /** @type {string | undefined} */ b) => Boolean(a && b && plain(a) !== plain(b));
  return [
    other(people.owner?.name, s.owner) ? t("lane.before.owner", { name: s.owner ?? "" }) : "",
    s.kind_id !== view.state.kind_id ? t("lane.before.kind") : "",
    other(machine.make?.value, s.make) || other(machine.model?.value, s.model) ? t("lane.before.model", { name: [s.make, s.model].filter(Boolean).join(" ") }) : "",
  ].filter(Boolean);
}
