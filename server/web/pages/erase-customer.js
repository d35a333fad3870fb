// A customer erased, by the owner: whose data, in which intakes, what goes and what stays is shown first; the tag is typed to mean it.

import { ask, session, shop } from "../core/app.js";
import { t, text } from "../core/words.js";
import { act, actLink, field, foot, footBack, picks, toggle } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { slug } from "../parts/facts.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { newId } from "../parts/new-id.js";
import { notice } from "../parts/notice.js";
import { filmMark, picture } from "../parts/picture.js";
import { save, shareReceipt } from "../parts/receipt.js";
import { day } from "../parts/times.js";

/** @import {IntakeView} from "../core/app.js" */

/**
 * @typedef {{photo: string, view?: string, stage: string, film: boolean, always: boolean}} Photo
 * @typedef {{intake: string, tag: string, state: string, machine: string, opened_at: number, same: string[], people: {[member: string]: string}[],
 *   details: {of: string, member: string, count: number}[], signatures: number, photos: Photo[], stays: string[], refused?: string, erasures: {erasure: string, at: number}[]}} Of
 */

const WHY = ["customer asked", "kept long enough", "should not have been kept"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function eraseCustomer(at) {
  const [id] = at.ids;
  /** @type {Of[]} */
  let all = [];
  /** Intakes that go. @type {Set<string>} */
  const chosen = new Set([id]);
  /** Photos that go. @type {Set<string>} */
  const photos = new Set();
  let why = "";
  /** The same tap again is the same erasure. */
  let erasure = newId();
  let done = "";
  let zone = "UTC";

  const flip = (/** @type {Set<string>} */ set, /** @type {string} */ key) => {
    if (!set.delete(key)) set.add(key);
    return at.again();
  };

  return {
    watch: watching(id),
    async draw() {
      const view = await load(id);
      zone = (await shop())?.zone ?? "UTC";
      const owner = session()?.roles.includes("owner") ?? false;
      if (owner && !done) all = (await ask("GET", `/intakes/${id}/customer`)).json.intakes;
      return {
        title: t("page.erase-customer.title"),
        content: [head(view), h("h1", null, t("page.erase-customer.title")), ...meanwhile(view), ...(done ? finished() : owner ? asking(view) : [h("p", null, t("refused.owner-erases-customer")), back()])],
      };
    },
  };

  function back() {
    return foot(h("a", { class: "link", href: `/machine/${id}` }, t("act.back")));
  }

  /** @param {IntakeView} view */
  function asking(view) {
    const [own, ...others] = all;
    const tag = own?.tag ?? view.state.tag ?? "";
    const going = all.filter((i) => chosen.has(i.intake));
    const stopped = going.find((i) => i.refused);
    const empty = going.every((i) => i.details.length + i.signatures + i.photos.filter((p) => p.always || photos.has(p.photo)).length === 0);
    return [
      h("p", null, t("page.erase-customer.words")),
      own ? section(own, view) : null,
      others.length ? h("section", { class: "section", "data-key": "others" }, h("h2", null, t("page.erase-customer.others")), h("p", { class: "soft" }, t("page.erase-customer.others-words")), others.map((o) => section(o, view))) : null,
      h("section", { class: "section", "data-key": "stays" }, h("h2", null, t("erased.stays-title")),
        h("ul", { class: "sheet__list" }, ["entries", "photos", "free", "receipts"].map((k) => h("li", null, t(`page.erase-customer.stays.${k}`))))),
      ...(stopped ? [h("p", { class: "fault", role: "status" }, t("refused.erase-of", { tag: stopped.tag, why: stopped.refused ?? "" })), back()]
        : empty ? [h("p", { role: "status" }, t("refused.nothing-personal")), back()]
          : [
            h("section", { class: "section", "data-key": "why" }, h("h2", null, t("page.erase-customer.why")),
              picks({ name: t("page.erase-customer.why"), chosen: why, choices: WHY.map((w) => ({ id: w, words: t(`erased.why.${slug(w)}`) })), does: (w) => { why = w; return at.again(); } })),
            field({ id: "tag", words: t("page.erase-customer.type-tag", { tag }), hint: t("page.erase-customer.for-ever"), input: { maxlength: "12", inputmode: "text" } }),
            // Not at the thumb: it is read down to here first.
            h("div", { class: "row" }, act({ words: t("act.erase-customer", { count: going.length }), mark: true, id: "erase", does: () => erase(going, tag) })),
            back(),
          ]),
    ];
  }

  /** One intake: who, what goes, which photos, what stays. @param {Of} of @param {IntakeView} view */
  function section(of, view) {
    const on = chosen.has(of.intake);
    const name = [t("erased.tag", { tag: of.tag }), of.machine, t(`state.${slug(of.state)}`), day(of.opened_at, zone)].join(", ");
    const people = of.people.map((p) => [t(`page.erase-customer.who.${p.who}`), [p.name, p.phone, p.email, p.address].filter(Boolean).join(", ")].join(": "));
    const before = of.erasures.map((e) => t("page.erase-customer.before", { day: day(e.at, zone) }));
    return h("section", { class: "section stack stack--close", "data-key": of.intake },
      of.intake === id ? h("h2", null, name) : toggle({ words: name, on, sentence: true, id: `of-${of.tag}`, does: () => flip(chosen, of.intake) }),
      of.same.length ? h("p", { class: "soft" }, t("page.erase-customer.same", { list: of.same.map((s) => t(`page.erase-customer.by.${s}`)).join(", ") })) : null,
      [...people, ...before].length ? h("ul", { class: "sheet__list" }, [...people, ...before].map((w) => h("li", null, w))) : null,
      on ? [
        of.refused ? h("p", { class: "fault" }, of.refused) : null,
        h("h3", null, t("page.erase-customer.goes")),
        h("p", null, counts(of).join(" · ") || t("erased.nothing-left")),
        pictures(of, view),
        of.stays.length ? h("details", { class: "more" }, h("summary", null, t("page.erase-customer.free", { count: of.stays.length })), h("ul", { class: "sheet__list" }, of.stays.map((w) => h("li", null, `“${w}”`)))) : null,
      ] : null);
  }

  /** "2 × name", each member under one word. @param {Of} of */
  function counts(of) {
    /** @type {Map<string, number>} */
    const sums = new Map();
    for (const d of of.details) sums.set(d.member, (sums.get(d.member) ?? 0) + d.count);
    const line = (/** @type {string} */ what, /** @type {number} */ count) => t("erased.line", { count, what });
    return [...[...sums].map(([member, n]) => line(t(`erased.member.${slug(member)}`), n)), ...(of.signatures ? [line(t("erased.signatures"), of.signatures)] : [])];
  }

  /** @param {Of} of @param {IntakeView} view */
  function pictures(of, view) {
    if (of.photos.length === 0) return null;
    const named = (/** @type {Photo} */ p) => (of.intake === id && p.view ? text(view.kind?.view.find((v) => v.id === p.view)?.short) : "") || t(`lane.${p.stage}`);
    return h("div", { class: "stack stack--close" },
      h("p", null, t("page.erase-customer.photos")),
      h("div", { class: "tiles" }, of.photos.map((p) => h("button", {
        type: "button", class: "tile", "data-look": "taken", "data-key": p.photo, "aria-pressed": String(p.always || photos.has(p.photo)), "aria-disabled": p.always ? "true" : undefined,
        onclick: () => (p.always ? notice(t("page.erase-customer.paper")) : flip(photos, p.photo)),
      },
      h("span", { class: "tile__picture" }, p.film ? filmMark({}) : picture(p.photo, "")),
      h("span", { class: "tile__words" }, h("span", { class: "tile__name" }, named(p)),
        h("span", { class: "soft" }, t(p.always ? "page.erase-customer.paper" : photos.has(p.photo) ? "page.erase-customer.photo-goes" : "page.erase-customer.photo-stays")))))));
  }

  /** @param {Of[]} going @param {string} tag */
  async function erase(going, tag) {
    const typed = /** @type {HTMLInputElement} */ (document.getElementById("tag")).value.trim();
    if (!why) return notice(t("page.erase-customer.needs-why"));
    if (typed !== tag) return notice(t("page.erase-customer.needs-tag", { tag }));
    const intakes = going.map((i) => ({ intake: i.intake, photos: i.photos.map((p) => p.photo).filter((p) => photos.has(p)) }));
    await ask("POST", "/erasures", { json: { erasure, why, intakes } });
    done = erasure;
    erasure = newId();
    return at.again();
  }

  function finished() {
    const base = `/v1/shops/${session()?.shop}/erasures/${done}/receipt`;
    const file = async () => {
      const { text: html } = await ask("GET", `/erasures/${done}/receipt`, { accept: "text/html" });
      return new File([html], `${t("page.erase-customer.file")}.html`, { type: "text/html" });
    };
    return [
      h("p", { role: "status" }, t("page.erase-customer.done")),
      h("p", { class: "soft" }, t("page.erase-customer.done-words")),
      h("div", { class: "row" },
        actLink({ words: t("act.open-erasure-receipt"), href: base }),
        act({ words: t("act.share-receipt"), does: async () => shareReceipt(await file()) }),
        act({ words: t("act.save-receipt"), does: async () => save(await file()) })),
      footBack({ words: t("act.to-machine"), href: `/machine/${id}` }),
    ];
  }
}
