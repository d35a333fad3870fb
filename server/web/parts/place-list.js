// The shop's places in its settings: each renamed, put higher or lower, taken away; a new one added at the end.

import { t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { attempt, notice } from "./notice.js";

const MOST = 60;

/** @param {Record<string, any>} s the settings @param {(changes: Record<string, any>) => Promise<unknown>} change */
export function placeList(s, change) {
  const places = /** @type {string[]} */ (s.places);
  const renamed = /** @type {{old: string, now: string}[]} */ (s["renamed-places"] ?? []);

  /** @param {string} typed @param {string} [but] */
  function wrong(typed, but) {
    if (places.some((p) => p !== but && p.toLowerCase() === typed.toLowerCase())) return t("places.there", { place: typed });
    // What stood there under that name goes by another one now.
    const was = renamed.find((r) => r.old === typed && r.now !== but);
    return was ? t("places.was", { old: typed, place: was.now }) : "";
  }

  /** @param {string} old @param {string} typed */
  async function rename(old, typed) {
    if (!typed || typed === old) return;
    const fault = wrong(typed, old);
    if (fault) return notice(fault);
    const followed = [...renamed.filter((r) => r.old !== old), { old, now: typed }].map((r) => (r.now === old ? { ...r, now: typed } : r)).filter((r) => r.old !== r.now);
    await change({ places: places.map((p) => (p === old ? typed : p)), "renamed-places": followed });
  }

  /** @param {number} from @param {number} to */
  function order(from, to) {
    const next = [...places];
    next.splice(to, 0, ...next.splice(from, 1));
    return change({ places: next });
  }

  const key = (/** @type {string} */ words, /** @type {string} */ label, /** @type {() => unknown} */ does, off = false) =>
    h("button", { type: "button", class: "key key--step", "aria-label": label, title: label, "data-key": label, disabled: off, onclick: () => attempt(does) }, words);
  const rows = places.map((place, i) => h("li", { class: "place", "data-key": `place-${place}` },
    h("label", { class: "hide", for: `place-${i}` }, t("places.name", { place })),
    h("input", { class: "box", id: `place-${i}`, "data-key": `name-${place}`, value: place, maxlength: "80", autocomplete: "off", onchange: (/** @type {Event} */ e) => attempt(() => rename(place, /** @type {HTMLInputElement} */ (e.target).value.trim())) }),
    key("↑", t("places.up", { place }), () => order(i, i - 1), i === 0),
    key("↓", t("places.down", { place }), () => order(i, i + 1), i === places.length - 1),
    key("✕", t("places.remove", { place }), () => change({ places: places.filter((p) => p !== place) }))));
  return h("section", { class: "section", id: "places" },
    h("h2", null, t("page.settings.places")),
    h("p", { class: "soft" }, t("places.words")),
    h("ol", { class: "places" }, rows),
    h("form", {
      class: "row", onsubmit: (/** @type {Event} */ e) => {
        e.preventDefault();
        const input = /** @type {HTMLInputElement} */ (document.getElementById("new-place"));
        const typed = input.value.trim();
        const fault = places.length >= MOST ? t("places.most", { count: MOST }) : typed && wrong(typed);
        if (fault) return notice(fault);
        if (typed) attempt(async () => (await change({ places: [...places, typed] }), (input.value = ""), input.focus()));
      },
    },
    h("div", { class: "field grow" }, h("label", { for: "new-place" }, t("places.new")), h("input", { id: "new-place", maxlength: "80", autocomplete: "off" })),
    h("button", { class: "act places__add" }, t("places.add"))));
}
