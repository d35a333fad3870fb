// What was kept as long as the shop's own rules say: listed, then erased because the owner means it. Nothing goes by itself.

import { ask, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, field, footBack, toggle } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { slug } from "../parts/facts.js";
import { newId } from "../parts/new-id.js";
import { notice } from "../parts/notice.js";
import { day } from "../parts/times.js";

/** @typedef {{intake: string, tag: string, state: string, classes: string[], since: number, personal: boolean, photos: number}} Kept */
/** @typedef {{intake: string, tag: string, index?: number, photos: number, stays?: string}} Done */

/** Intakes that one tap erases at most. */
const MOST = 50;

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function kept(at) {
  /** Intakes that go: nothing is chosen beforehand. @type {Set<string>} */
  const chosen = new Set();
  /** @type {Kept[]} */
  let due = [];
  /** @type {Done[]} */
  let done = [];
  let next = "";
  /** The same tap again is the same erasure. */
  let erasure = newId();
  let last = "";

  /** The first page that lists anything. */
  async function load() {
    let after = "";
    do {
      const { json } = await ask("GET", `/kept-long-enough${after && `?after=${after}`}`);
      due = json.due;
      after = json.next === undefined ? "" : String(json.next);
    } while (due.length === 0 && after);
    next = after;
  }

  return {
    async draw() {
      const owner = session()?.roles.includes("owner") ?? false;
      const zone = (await shop())?.zone ?? "UTC";
      if (owner) await load();
      return {
        title: t("page.kept.title"),
        content: [
          h("h1", null, t("page.kept.title")),
          ...(owner ? [h("p", null, t("page.kept.words")), finished(), ...listed(zone)] : [h("p", null, t("refused.owner-erases-customer"))]),
          footBack({ words: t("act.settings"), href: "/settings#keep" }),
        ],
      };
    },
  };

  /** @param {string} zone */
  function listed(zone) {
    if (due.length === 0) return [h("p", { class: "empty", role: "status" }, t("page.kept.nothing"))];
    const going = due.filter((k) => chosen.has(k.intake)).slice(0, MOST);
    return [
      h("section", { class: "section stack stack--close", id: "due" },
        h("h2", null, t("page.kept.due")), h("p", { class: "soft" }, t("page.kept.tap")),
        due.map((k) => toggle({ words: line(k, zone), on: chosen.has(k.intake), sentence: true, id: `kept-${k.tag}`, does: () => (chosen.delete(k.intake) || chosen.add(k.intake), at.again()) })),
        next ? h("p", { class: "soft" }, t("page.kept.more")) : null,
        due.length > 1 ? h("div", { class: "row" }, act({ words: t("act.choose-all"), id: "all", does: () => (due.slice(0, MOST).forEach((k) => chosen.add(k.intake)), at.again()) })) : null),
      ...(going.length ? [
        field({ id: "count", words: t("page.kept.type-count", { count: going.length }), hint: t("page.erase-customer.for-ever"), input: { maxlength: "3", inputmode: "numeric" } }),
        // Not at the thumb: it is read down to here first.
        h("div", { class: "row" }, act({ words: t("act.erase-customer", { count: going.length }), mark: true, id: "erase", does: () => erase(going) })),
      ] : []),
    ];
  }

  /** Which machine, by which rule, and what goes. @param {Kept} k @param {string} zone */
  function line(k, zone) {
    const what = [k.personal ? t("page.kept.personal") : "", k.photos ? t("page.kept.photos", { count: k.photos }) : ""].filter(Boolean).join(", ");
    return [t("erased.tag", { tag: k.tag }), t(`state.${slug(k.state)}`), t("page.kept.since", { day: day(k.since, zone) }), what].join(" · ");
  }

  /** @param {Kept[]} going */
  async function erase(going) {
    const typed = /** @type {HTMLInputElement} */ (document.getElementById("count")).value.trim();
    if (typed !== String(going.length)) return notice(t("page.kept.needs-count", { count: going.length }));
    const intakes = going.map((k) => ({ intake: k.intake, personal: k.personal, photos: k.photos > 0 }));
    const { json } = await ask("POST", "/kept-long-enough", { json: { erasure, intakes } });
    done = json.intakes;
    last = done.some((d) => d.index !== undefined) ? erasure : "";
    erasure = newId();
    chosen.clear();
    return at.again();
  }

  function finished() {
    if (done.length === 0) return null;
    return h("section", { class: "section", id: "done", role: "status" },
      h("h2", null, t("page.kept.done")),
      h("ul", { class: "sheet__list" }, done.map((d) => h("li", null, t("erased.tag", { tag: d.tag }), ": ", d.stays ?? [d.index === undefined ? "" : t("page.kept.personal"), d.photos ? t("page.kept.photos", { count: d.photos }) : ""].filter(Boolean).join(" · ")))),
      last ? h("div", { class: "row" }, actLink({ words: t("act.open-erasure-receipt"), href: `/v1/shops/${session()?.shop}/erasures/${last}/receipt` })) : null);
  }
}
