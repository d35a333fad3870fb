// Readings: the number exactly as read, its unit, how it was measured. Never judged and never converted here.

import { say } from "../core/app.js";
import { holds } from "../core/kind.js";
import { t, text } from "../core/words.js";
import { act, field } from "./act.js";
import { h } from "./dom.js";
import { readingWords } from "./facts.js";
import { camera as cameraIcon } from "./icons.js";
import { notice, say as tell } from "./notice.js";
import { picture } from "./picture.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Reading} from "../core/types.js" */

/** A number as a gauge shows it; the server takes no other. */
const AS_READ = /^-?[0-9]{1,9}([.,][0-9]{1,6})?$/;

/**
 * @param {string} id
 * @param {(then: (photo: string) => void) => void} shootFor
 * @param {() => unknown} again
 */
export function readingsPart(id, shootFor, again) {
  /** Photos of a gauge taken and not yet noted, by reading. @type {Map<string, string>} */
  const photos = new Map();

  /** @param {string} of */
  const input = (of) => /** @type {HTMLInputElement} */ (document.getElementById(of));

  /** @param {Reading} r @param {import("../core/types.js").JsonObject} body */
  async function note(r, body) {
    const method = input(`method-${r.id}`).value.trim();
    const photo = photos.get(r.id);
    await say(id, "reading-noted", { reading: r.id, ...body, ...(method ? { method } : {}), ...(photo ? { photo } : {}) });
    photos.delete(r.id);
    for (const of of ["value", "method", "because"]) input(`${of}-${r.id}`).value = "";
    tell(t("page.bench.noted"));
    return again();
  }

  /** @param {Reading} r */
  function taken(r) {
    const [value, unit] = ["value", "unit"].map((of) => input(`${of}-${r.id}`).value.trim());
    if (!AS_READ.test(value)) return notice(t("page.bench.no-number", { typed: value }));
    if (!unit) return notice(t("page.bench.no-unit"));
    return note(r, { value, unit });
  }

  /** @param {Reading} r */
  function notTaken(r) {
    const because = input(`because-${r.id}`).value.trim();
    if (!because) return notice(t("page.bench.needs-reason"));
    return note(r, { not: "not taken", because });
  }

  /** @param {IntakeView} view @param {Reading} r */
  function one(view, r) {
    const noted = view.state.readings.filter((x) => x.reading === r.id);
    const photo = photos.get(r.id);
    return h("div", { class: "question", id: `reading-${r.id}`, "data-key": r.id },
      h("h3", null, text(r.name)),
      r.caution ? h("p", { class: "foot__caution" }, text(r.caution)) : null,
      h("p", { class: "soft" }, text(r.method)),
      noted.length ? h("ul", { class: "sheet__list" }, noted.map((x) => h("li", { "data-key": x.mark.id }, readingWords(x), x.photo ? h("span", { class: "thumb" }, picture(x.photo, text(r.name))) : null))) : h("p", { class: "soft" }, text(r.why)),
      h("div", { class: "pair" },
        field({ id: `value-${r.id}`, words: t("page.bench.value"), input: { inputmode: "decimal", maxlength: "18" } }),
        field({ id: `unit-${r.id}`, words: t("page.bench.unit"), value: r.unit, input: { maxlength: "20" } })),
      field({ id: `method-${r.id}`, words: t("page.bench.method"), input: { maxlength: "200" } }),
      photo ? h("span", { class: "thumb" }, picture(photo, t("page.bench.gauge"))) : null,
      h("div", { class: "row" },
        act({ words: t(photo ? "act.another-photo" : "act.gauge-photo"), icon: cameraIcon(), does: () => shootFor((taken) => photos.set(r.id, taken)) }),
        act({ words: t("act.note-reading"), does: () => taken(r) })),
      h("details", { class: "more" },
        h("summary", null, t("page.bench.not-taken")),
        h("div", { class: "stack stack--close" },
          field({ id: `because-${r.id}`, words: t("page.bench.why-not"), input: { maxlength: "200" } }),
          act({ words: t("act.not-taken"), does: () => notTaken(r) }))));
  }

  return {
    /** @param {IntakeView} view */
    draw(view) {
      const asked = (view.kind?.reading ?? []).filter((r) => holds(r.when, view.state) || view.state.readings.some((x) => x.reading === r.id));
      return asked.length === 0 ? null : h("section", { class: "stack", "data-key": "readings" }, h("h3", null, t("page.bench.readings")), asked.map((r) => one(view, r)));
    },
  };
}
