// The desk: the shop's places are rails, the machines' tags hang from them, oldest first.

import { kinds, list, search, session, shop, watchList } from "../core/app.js";
import { dueOf } from "../core/due.js";
import { t, text } from "../core/words.js";
import { actLink, foot } from "../parts/act.js";
import { h } from "../parts/dom.js";
import { hang } from "../parts/hang.js";
import { freshNames } from "../parts/names.js";
import { attempt } from "../parts/notice.js";
import { movable, placeName } from "../parts/places.js";
import { dateIn } from "../parts/times.js";

/** @import {Shop, Summary} from "../core/app.js" */

/** Pages of a list that are read for the rails; what is older is found by searching. */
const PAGES = 4;
const PAUSE = 250;
/** A machine that comes in is some forty entries: the first is drawn at once, the others together, this often, milliseconds. */
const OFTEN = 1_000;

/** @param {() => void} again @returns {{ told: () => void, stop: () => void }} */
function calmly(again) {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let resting;
  let more = false;
  function told() {
    more = resting !== undefined;
    if (more) return;
    again();
    resting = setTimeout(() => {
      resting = undefined;
      if (more) told();
    }, OFTEN);
  }
  return { told, stop: () => clearTimeout(resting) };
}

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function desk(at) {
  let q = at.query.get("q") ?? "";
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let soon;

  /** @param {Event} e */
  function typed(e) {
    q = /** @type {HTMLInputElement} */ (e.target).value.trim();
    clearTimeout(soon);
    soon = setTimeout(() => {
      history.replaceState(null, "", q ? `/?q=${encodeURIComponent(q)}` : "/");
      attempt(() => at.again());
    }, PAUSE);
  }

  return {
    watch(again) {
      freshNames(again);
      const calm = calmly(again);
      return [watchList(calm.told), calm.stop, () => clearTimeout(soon)];
    },
    async draw() {
      const [here, known] = await Promise.all([shop(), kinds()]);
      const found = q ? await search(q) : null;
      // What was found stands before the counter until its owner comes.
      const [left, open, care] = found ? [null, null, null] : await Promise.all([whole("found"), whole("open"), whole("in care")]);
      const from = (found ?? care)?.from ?? "device";
      const kindName = (/** @type {string} */ kindId) => text(known.find((k) => k.kind.id === kindId)?.kind.name) || kindId;
      const draws = (/** @type {Summary} */ s) => known.find((k) => k.kind.id === s.kind_id)?.kind.view[0].drawing;
      const tags = (/** @type {Summary[]} */ items, /** @type {boolean} */ places) =>
        items.map((s) => movable(hang({ summary: s, kind: kindName(s.kind_id), drawing: draws(s), shop: here, place: places }), s, here, () => at.again()));
      const today = dateIn(Date.now(), here?.zone ?? "UTC");
      const due = found ? 0 : dueOf([...(open?.items ?? []), ...(care?.items ?? [])], { on: today, today, now: Date.now(), limit: Number(here?.settings["open-limit"] ?? 24) }).promised.length;
      return {
        title: t("desk.title"),
        wide: true,
        content: [
          h("div", { class: "desk__head" },
            h("h1", null, care ? t("desk.in-care", { count: care.items.length }) : t("desk.found", { count: found?.items.length ?? 0 })),
            h("form", { role: "search", onsubmit: (/** @type {Event} */ e) => e.preventDefault() },
              h("label", { class: "hide", for: "search" }, t("desk.search")),
              h("input", { id: "search", class: "box", type: "search", value: q, placeholder: t("desk.search"), autocomplete: "off", maxlength: "200", oninput: typed })),
            h("div", { class: "desk__act" }, actLink({ words: t("act.take-in"), href: "/take-in", heavy: true }))),
          due ? h("p", null, h("a", { class: "link link--gaps", href: "/due" }, t("desk.due", { count: due }))) : null,
          keyPrompt(here),
          from === "device" ? h("p", { class: "soft", role: "status" }, t("desk.from-device")) : null,
          found ? results(found.items, tags) : rails(here, [...(left?.items ?? []), ...(open?.items ?? [])], care?.items ?? [], tags),
          found?.after ? h("p", { class: "soft" }, t("desk.more-found")) : null,
          found ? erasable(found.items) : null,
          care?.more ? h("p", { class: "soft" }, t("desk.more")) : null,
          h("div", { class: "desk__foot" }, foot(actLink({ words: t("act.take-in"), href: "/take-in", heavy: true }))),
        ],
      };
    },
  };
}

/** All intakes in a state, as far as the rails go, oldest first. @param {string} state */
async function whole(state) {
  /** @type {Summary[]} */
  const items = [];
  /** @type {string | undefined} */
  let after;
  /** @type {"server" | "device"} */
  let from = "device";
  for (let page = 0; page < PAGES; page += 1) {
    const got = await list({ state, ...(after ? { after } : {}) });
    items.push(...got.items);
    from = got.from;
    after = got.after;
    if (!after) break;
  }
  items.sort((a, b) => (a.taken_in_at ?? a.opened_at) - (b.taken_in_at ?? b.opened_at));
  return { items, from, more: Boolean(after) };
}

/** @param {Summary[]} items @param {(items: Summary[], places: boolean) => Node[]} tags */
function results(items, tags) {
  if (items.length === 0) return h("p", { class: "empty", role: "status" }, t("desk.nothing-found"));
  return h("section", { class: "rail", "--tags": items.length }, h("h2", { class: "hide" }, t("desk.results")), h("div", { class: "rail__name" }), h("div", { class: "rail__tags" }, tags(items, true)));
}

/** Who asks for it gives a name or a number: from what was found, the owner goes to what went home and still names somebody. @param {Summary[]} items */
function erasable(items) {
  const gone = session()?.roles.includes("owner") ? items.filter((s) => s.owner && ["handed back", "not taken in"].includes(s.state)) : [];
  if (gone.length === 0) return null;
  return h("details", { class: "more", "data-key": "erasable" }, h("summary", null, t("act.to-erase-customer")),
    h("div", { class: "row" }, gone.map((s) => actLink({ words: `${s.tag}, ${s.owner}`, href: `/intake/${s.id}/erase-customer` }))));
}

/** @param {Shop | null} here @param {Summary[]} open @param {Summary[]} care @param {(items: Summary[], places: boolean) => Node[]} tags */
function rails(here, open, care, tags) {
  const places = /** @type {string[]} */ (here?.settings.places ?? []);
  const at = (/** @type {Summary} */ s) => placeName(s.place, here);
  const others = [...new Set(care.map((s) => at(s) ?? ""))].filter((p) => !places.includes(p)).sort();
  const all = [...places, ...others.filter(Boolean)].map((p) => ({ name: p, items: care.filter((s) => at(s) === p) }));
  const homeless = care.filter((s) => !s.place);
  const empty = all.filter((r) => r.items.length === 0).map((r) => r.name);
  if (open.length + care.length === 0) {
    return h("section", { class: "rail" }, h("div", { class: "rail__name" }, h("h2", null, t("desk.counter"))), h("p", { class: "empty" }, t("desk.empty")));
  }
  return h("div", { class: "rails" },
    open.length ? rail(t("desk.counter"), t("desk.being-taken-in"), open, tags) : null,
    homeless.length ? rail(t("desk.no-place"), t("desk.no-place-words"), homeless, tags) : null,
    all.filter((r) => r.items.length > 0).map((r) => rail(r.name, t("desk.machines", { count: r.items.length }), r.items, tags)),
    empty.length ? h("p", { class: "empty rails__empty" }, t("desk.empty-places", { list: empty.join(", ") })) : null);
}

/** @param {string} name @param {string} under @param {Summary[]} items @param {(items: Summary[], places: boolean) => Node[]} tags */
function rail(name, under, items, tags) {
  return h("section", { class: "rail", "--tags": items.length, "data-key": `rail-${name}` },
    h("div", { class: "rail__name" }, h("h2", null, name), h("p", { class: "soft" }, under)),
    h("div", { class: "rail__tags" }, tags(items, false)));
}

/** Asked until it is done: a copy of the log's key kept apart. @param {Shop | null} here */
function keyPrompt(here) {
  if (!here || here.key_exported || !session()?.roles.includes("owner")) return null;
  return h("p", { class: "quote" }, t("desk.key"), " ", h("a", { class: "link", href: "/settings#key" }, t("act.export-key")));
}
