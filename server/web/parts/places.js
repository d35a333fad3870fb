// The shop's places: what one is called now, and moving a machine without opening it.

import { fetchIntake, say } from "../core/app.js";
import { t } from "../core/words.js";
import { act, picks } from "./act.js";
import { h } from "./dom.js";
import { close } from "./icons.js";
import { attempt, say as tell } from "./notice.js";

/** @import {Shop, Summary} from "../core/app.js" */

/** What a place is called now: one that was renamed since keeps its machines. @param {string | undefined} place @param {Shop | null} here */
export function placeName(place, here) {
  const renamed = /** @type {{old: string, now: string}[]} */ (here?.settings["renamed-places"] ?? []);
  return renamed.find((r) => r.old === place)?.now ?? place;
}

/** A tag in our care with the button that moves it. @param {HTMLElement} tag @param {Summary} s @param {Shop | null} here @param {() => unknown} then */
export function movable(tag, s, here, then) {
  const places = /** @type {string[]} */ (here?.settings.places ?? []);
  if (s.state !== "in care" || places.length === 0) return tag;
  return h("div", { class: "hang__group", "data-key": `move-${s.id}` }, tag,
    h("button", { type: "button", class: "link hang__move", onclick: () => attempt(() => pickPlace(s, here, then)) }, t("desk.move"), h("span", { class: "hide" }, ` ${s.tag}`)));
}

/** The places, to tap one. @param {{id: string, tag: string, place?: string}} s @param {Shop | null} here @param {() => unknown} then */
export function placePicks(s, here, then) {
  const places = /** @type {string[]} */ (here?.settings.places ?? []);
  return picks({
    name: t("desk.move-tag", { tag: s.tag }), chosen: placeName(s.place, here), choices: places.map((p) => ({ id: p, words: p })),
    does: async (place) => {
      // Only what is on the device can be written to; without a network that is what was opened here.
      await fetchIntake(s.id).catch(() => {});
      await say(s.id, "moved", { place });
      tell(t("desk.moved", { tag: s.tag, place }));
      await then();
    },
  });
}

/** Asks where a machine goes. @param {Summary} s @param {Shop | null} here @param {() => unknown} then */
function pickPlace(s, here, then) {
  const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "ask", "aria-label": t("desk.move-tag", { tag: s.tag }) },
    h("h2", null, t("desk.move-tag", { tag: s.tag })),
    placePicks(s, here, () => (dialog.close(), then())),
    h("div", { class: "row" }, act({ words: t("act.close"), icon: close(), does: () => dialog.close() }))));
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}
