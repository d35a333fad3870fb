// A tag hanging from its rail: the machine's photo, its number, and in a sentence how it stands.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { nameOf } from "./names.js";
import { drawing as drawn, picture } from "./picture.js";
import { placeName } from "./places.js";
import { stamp } from "./tag.js";
import { daysSince } from "./times.js";

/** @import {Shop, Summary} from "../core/app.js" */

/**
 * @param {{ summary: Summary, kind: string, drawing?: string, shop: Shop | null, place: boolean, said?: string }} what
 *   `place`: name the place too, where no rail does; `said`: why it hangs here.
 */
export function hang({ summary: s, kind, drawing, shop, place, said }) {
  const name = [s.make, s.model].filter(Boolean).join(" ");
  const open = s.state === "open";
  const found = s.state === "found";
  return h("a", { class: "hang", href: found ? `/intake/${s.id}/found` : open ? `/intake/${s.id}` : `/machine/${s.id}`, "data-key": s.id },
    h("span", { class: "hang__string", "aria-hidden": "true" }),
    h("span", { class: "hang__face" },
      s.cover ? h("span", { class: "hang__picture" }, picture(s.cover, "")) : h("span", { class: "hang__picture hang__picture--drawing" }, drawing ? drawn(drawing) : null),
      h("span", { class: "hang__words" },
        h("span", { class: "hang__number" }, s.tag),
        h("span", { class: "hang__long" }, [kind, name].filter(Boolean).join(", ")),
        said ? h("span", { class: "marked" }, said) : null,
        open && s.gaps ? h("span", { class: "marked" }, t("page.gaps.count", { count: s.gaps })) : null,
        h("span", { class: "hang__long" }, standing(s, shop, place)),
        s.unsent ? h("span", { class: "marked" }, t("desk.unsent", { count: s.unsent })) : null,
        s.state === "not taken in" || s.state === "handed back" || found ? stamp(s.state) : null)));
}

/** @param {Summary} s @param {Shop | null} shop @param {boolean} place */
function standing(s, shop, place) {
  const now = Date.now();
  if (s.state === "open") {
    const hours = Math.floor((now - s.opened_at) / 3_600_000);
    const limit = Number(shop?.settings["open-limit"] ?? 24);
    const who = s.opened_by ? nameOf(s.opened_by) : "";
    return hours >= limit ? t("desk.waiting-long", { count: hours, limit: String(limit) }) : who ? t("desk.opened-by", { name: who }) : t("desk.being-taken-in");
  }
  if (s.state === "found") return s.found_place ? t("desk.found-at", { place: s.found_place }) : t("desk.found-outside");
  const home = s.state === "handed back";
  const at = s.handed_back_at ?? s.taken_in_at ?? s.not_taken_in_at ?? s.opened_at;
  const days = daysSince(home ? at : s.moved_at ?? at, now);
  const since = days === 0 ? t("desk.since-today") : t("desk.since", { count: days });
  return [place && !home ? placeName(s.place, shop) : "", s.complaint ? t("sheet.quoted", { text: s.complaint }) : "", since, s.left_open ? t("desk.left-open", { count: s.left_open }) : ""].filter(Boolean).join(", ");
}
