// What is due today: promised days that have come, intakes that stand open too long, machines that nobody gave a place.

import { kinds, list, shop, watchList } from "../core/app.js";
import { dueOf } from "../core/due.js";
import { t, text } from "../core/words.js";
import { field, footBack } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { hang } from "../parts/hang.js";
import { freshNames } from "../parts/names.js";
import { attempt } from "../parts/notice.js";
import { dateIn, plainDay } from "../parts/times.js";
import { fetchDue } from "../parts/due.js";

/** @import {Summary} from "../core/app.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function due(at) {
  return {
    watch(again) {
      freshNames(again);
      return [watchList(again)];
    },
    async draw() {
      const [here, known] = await Promise.all([shop(), kinds()]);
      const today = dateIn(Date.now(), here?.zone ?? "UTC");
      const asked = at.query.get("on") ?? "";
      const on = /^\d{4}-\d{2}-\d{2}$/.test(asked) ? asked : today;
      const found = await fetchDue(on).catch(async () => {
        const [open, care, home] = await Promise.all([list({ state: "open" }), list({ state: "in care" }), list({ state: "handed back" })]);
        return { ...dueOf([...open.items, ...care.items, ...home.items], { on, today, now: Date.now(), limit: Number(here?.settings["open-limit"] ?? 24), clocks: here?.settings.clocks ?? [], dayOf: (at) => dateIn(at, here?.zone ?? "UTC") }), from: "device", more: Boolean(care.after) };
      });
      const tag = (/** @type {Summary} */ s, /** @type {string} */ said = "") => {
        const kind = known.find((k) => k.kind.id === s.kind_id)?.kind;
        return hang({ summary: s, kind: text(kind?.name) || s.kind_id, drawing: kind?.view[0].drawing, shop: here, place: true, said });
      };
      const days = [...new Set(found.promised.map((p) => p.by))];
      const nothing = found.promised.length + found.waiting.length + found.no_place.length + found.steps.length + found.windows.length === 0;
      return {
        title: t("due.title"),
        wide: true,
        content: [
          h("div", { class: "desk__head" },
            h("h1", null, on === today ? t("due.title") : t("due.title-on", { day: plainDay(on) })),
            field({ id: "on", words: t("due.day"), value: on, input: { type: "date", required: true }, onchange: (day) => day && attempt(() => at.go(day === today ? "/due" : `/due?on=${day}`)) })),
          found.from === "device" ? h("p", { class: "soft", role: "status" }, t("desk.from-device")) : null,
          nothing ? h("p", { class: "empty", role: "status" }, t("due.nothing")) : null,
          h("div", { class: "rails" },
            days.map((day) => rail(day, day < on ? t("due.since", { day: plainDay(day) }) : t("due.for", { day: plainDay(day) }),
              found.promised.filter((p) => p.by === day).map((p) => h("div", { "data-key": `${p.what}-${p.intake.id}` }, tag(p.intake, t(`due.${p.what}`)))))),
            found.windows.length ? rail("windows", t("due.windows"), found.windows.map((w) => h("div", { "data-key": `${w.what}-${w.until}-${w.intake.id}` }, tag(w.intake, t(w.until < on ? "due.window-over" : "due.window", { what: w.what, route: t(`part.route.${w.route}`), day: plainDay(w.until) }))))) : null,
            found.steps.length ? rail("steps", t("due.steps"), found.steps.map((s) => h("div", { "data-key": `${s.name}-${s.intake.id}` }, tag(s.intake, t("due.step", { name: s.name, day: plainDay(s.on) }))))) : null,
            found.waiting.length ? rail("waiting", t("due.waiting"), found.waiting.map((s) => tag(s))) : null,
            found.no_place.length ? rail("no-place", t("due.no-place"), found.no_place.map((s) => tag(s))) : null),
          found.more ? h("p", { class: "soft" }, t("due.more")) : null,
          h("div", { class: "desk__foot" }, footBack({ words: t("act.desk"), href: "/" })),
        ],
      };
    },
  };
}

/** @param {string} key @param {string} name @param {Node[]} tags */
function rail(key, name, tags) {
  return h("section", { class: "rail", "--tags": tags.length, "data-key": `due-${key}` }, h("div", { class: "rail__name" }, h("h2", null, name)), h("div", { class: "rail__tags" }, tags));
}
