// Every view that was photographed as it came and as it goes: laid over each other one by one, and what came of it told beside
// each. It takes some seconds a pair; it can be stopped, and what is known stays.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { compare } from "./compare.js";
import { h } from "./dom.js";

/** @typedef {import("./compare.js").Shot} Shot */
/** @typedef {{ id: string, came: Shot, goes: Shot }} Pair */

/** @param {import("./compare.js").Said} said */
function wordsOf(said) {
  if (!said.compared) return t(`compare.no.${said.why ?? "unreadable"}`);
  return said.places.length ? t("compare.places", { count: said.places.length + said.more }) : t("compare.none");
}

/** @param {string} intake @param {() => unknown} again */
export function compareAll(intake, again) {
  /** What was found, by both photos: a newer photo is another pair. @type {Map<string, string>} */
  const found = new Map();
  let at = 0;
  let of = 0;
  let stop = false;
  let fault = "";
  const key = (/** @type {Pair} */ p) => `${p.came.photo} ${p.goes.photo}`;

  /** @param {Pair[]} pairs */
  async function run(pairs) {
    const open = pairs.filter((p) => !found.has(key(p)));
    [at, of, stop, fault] = [0, open.length, false, ""];
    for (const pair of open) {
      if (stop) break;
      at += 1;
      again();
      try {
        found.set(key(pair), wordsOf((await ask("GET", `/intakes/${intake}/compare?${new URLSearchParams({ first: pair.came.photo, second: pair.goes.photo })}`)).json));
      } catch (error) {
        // Said once; the next run asks for it again.
        [stop, fault] = [true, error instanceof Error ? error.message : String(error)];
      }
    }
    of = 0;
    return again();
  }

  return {
    /** Under one view. @param {Pair} pair */
    under: (pair) => h("div", { class: "stack stack--close" },
      found.has(key(pair)) ? h("p", { class: "soft", role: "status" }, found.get(key(pair))) : null,
      act({ words: t("home.lay-over"), id: `over-${pair.id}`, does: () => compare({ intake, first: pair.came, second: pair.goes }) })),
    /** Above all of them. @param {Pair[]} pairs */
    bar(pairs) {
      if (pairs.length < 2) return null;
      if (of) {
        return h("div", { class: "stack stack--close", "data-key": "compare-all" },
          h("label", { for: "compare-progress", role: "status" }, t("home.comparing", { at, of })),
          h("progress", { id: "compare-progress", max: String(of), value: String(at - 1) }),
          act({ words: t("home.compare-stop"), does: () => { stop = true; } }));
      }
      const open = pairs.filter((p) => !found.has(key(p))).length;
      return h("div", { class: "stack stack--close", "data-key": "compare-all" },
        fault ? h("p", { class: "fault" }, fault) : null,
        open ? act({ words: t("home.compare-all", { count: open }), id: "compare-all", does: () => run(pairs) }) : null,
        h("p", { class: "soft" }, t("home.compare-means")));
    },
  };
}
