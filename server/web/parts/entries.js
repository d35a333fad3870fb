// The entries of an intake as they stand in the log, for the owner: which, when by our clock, who, what.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { slug } from "./facts.js";
import { nameOf } from "./names.js";
import { dayAndTime } from "./times.js";

/** @import {Entry} from "../core/types.js" */

/** @param {Entry[]} entries @param {string} zone @param {ReturnType<typeof import("./outside.js").outsideTime>} outside */
export function entriesList(entries, zone, outside) {
  return h("details", { class: "more" },
    h("summary", null, t("lane.entries-show", { count: entries.length })),
    h("ol", { class: "entries" }, entries.map((e) => ({ ...e, outside: outside.words(e.index, zone) })).map((e) => h("li", { "data-key": e.said.id },
      h("span", { class: "mono" }, e.index ?? t("lane.entry.not-sent")),
      h("span", { class: "soft" }, e.kept ? dayAndTime(Date.parse(e.kept.at), zone) : t("lane.entry.device", { when: dayAndTime(Date.parse(e.said.clock.at), zone) })),
      h("span", null,
        h("b", null, t(`lane.type.${slug(e.said.type)}`)), ` ${nameOf(e.said.author.staff)}`,
        e.outside ? h("span", { class: "soft block" }, e.outside) : null,
        h("details", null, h("summary", { class: "soft" }, t("lane.entry.raw")), h("pre", { class: "mono raw" }, JSON.stringify(shown(e), null, 1))))))));
}

/** What may be shown: a photo's place is nobody's business. @param {Entry} e */
function shown(e) {
  const { gps: _, ...body } = e.body;
  return { digest: e.digest, body };
}
