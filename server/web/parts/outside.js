// Time from outside, by entry: which entries of an intake an authority outside the shop signed to be there, and when. Only the
// server has the stamps; without a signal nothing is said of them.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { h } from "./dom.js";
import { dayAndTime } from "./times.js";

/** @typedef {{ size: number, at: string, authority: string, entries: number[] }} Stamp one, and the entries that it is the first to cover */

/**
 * The stamps of one intake, asked for when a page is drawn first, and again when the intake has grown.
 * @param {string} intake @param {() => unknown} again
 */
export function outsideTime(intake, again) {
  /** @type {Stamp[]} */
  let stamps = [];
  /** @type {number[]} */
  let uncovered = [];
  let asked = "";

  /** The stamp that covers an entry first. @param {number | undefined} index */
  const over = (index) => (index === undefined ? undefined : stamps.find((s) => s.entries.includes(index)));

  return {
    /** Asks where it was not asked yet for what there is now; draws again when something came. @param {{ index?: number }[]} entries */
    ask(entries) {
      const newest = String(Math.max(-1, ...entries.map((e) => e.index ?? -1)));
      if (asked === newest) return;
      asked = newest;
      ask("GET", `/intakes/${intake}/stamps`).then(({ json }) => {
        ({ stamps, uncovered } = json);
        if (stamps.length) again();
      }, () => {
        // Asked for again when the page is opened or the intake changes.
      });
    },
    /** When somebody outside said that an entry was there, as a sentence; empty where nobody did. @param {number | undefined} index @param {string} zone the shop's */
    words(index, zone) {
      const stamp = over(index);
      return stamp ? t("time.stamped", { authority: stamp.authority, time: dayAndTime(Date.parse(stamp.at), zone) }) : "";
    },
    /** All of it as a list; nothing where no authority ever stamped. @param {string} zone the shop's */
    draw(zone) {
      if (stamps.length === 0) return null;
      return h("div", { class: "stack stack--close" },
        h("p", { class: "soft" }, t("lane.outside-means")),
        h("ul", { class: "sheet__list", id: "outside" },
          stamps.map((s) => h("li", { "data-key": String(s.size) }, t("lane.outside-stamp", { authority: s.authority, when: dayAndTime(Date.parse(s.at), zone), list: ranges(s.entries) }))),
          uncovered.length ? h("li", { "data-key": "uncovered" }, t("lane.outside-not", { list: ranges(uncovered) })) : null));
    },
  };
}

/** "3–5, 9": indices that follow each other are put together. @param {number[]} list in order */
export function ranges(list) {
  /** @type {[number, number][]} */
  const out = [];
  for (const i of list) {
    const last = out.at(-1);
    if (last && last[1] === i - 1) last[1] = i;
    else out.push([i, i]);
  }
  return out.map(([a, b]) => (a === b ? String(a) : `${a}–${b}`)).join(", ");
}
