// A dispute: the other side's words first, then each of their points beside the evidence that bears on it, and what is missing. It
// takes no side; whether a picture shows what somebody says is for a person to say.

import { history, say, session, shop } from "../core/app.js";
import { bearsOn } from "../core/dispute.js";
import { t, text, valueText } from "../core/words.js";
import { act, footBack } from "../parts/act.js";
import { askedForm, choicesOf, only } from "../parts/asked-form.js";
import { careWords } from "../parts/care-words.js";
import { clocks, howSure } from "../parts/clocks.js";
import { h } from "../parts/dom.js";
import { arrangement, named, quoted, readingWords, slug } from "../parts/facts.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { large } from "../parts/large.js";
import { nameOf } from "../parts/names.js";
import { newId } from "../parts/new-id.js";
import { outsideTime } from "../parts/outside.js";
import { largeUrl } from "../parts/picture.js";
import { photoName, photoTile } from "../parts/tile.js";
import { dayAndTime } from "../parts/times.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Shop} from "../core/app.js" */
/** @import {DisputeFact, Entry, Mark, PhotoFact, PointFact} from "../core/types.js" */

const HOW = ["in person", "by phone", "by message", "in writing"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function dispute(at) {
  const [id] = at.ids;
  const again = () => at.again();
  /** @type {IntakeView} */
  let view;
  let zone = "UTC";
  /** @type {Shop | null} */
  let here = null;
  /** @type {Entry[]} */
  let entries = [];
  let about = "";
  const opening = askedForm({ id: "dispute", submit: t("dispute.say.open"), again, does: (g) => say(id, "dispute-opened", { dispute: newId(), heard_by: session()?.staff ?? "", ...only(g, ["side", "how"]) }, /** @type {any} */ (only(g, ["text", "who"]))) });
  const ending = askedForm({ id: "end", submit: t("dispute.say.end"), again, does: (g) => say(id, "dispute-ended", { dispute: openOne()?.dispute ?? "", ...only(g, ["outcome"]) }, /** @type {any} */ (only(g, ["note"]))) });
  const pointing = askedForm({ id: "point", submit: t("dispute.say.point"), again, does: async (g) => {
    pointed();
    await say(id, "dispute-point", { dispute: openOne()?.dispute ?? "", point: newId(), about }, /** @type {any} */ (only(g, ["text"])));
  } });
  const outside = outsideTime(id, again);
  const openOne = () => view.state.disputes.opened.findLast((d) => !view.state.disputes.ended.some((e) => e.dispute === d.dispute));

  return {
    watch: watching(id),
    async draw() {
      here = await shop();
      zone = here?.zone ?? "UTC";
      view = await load(id);
      entries = await history(id); // after the intake was fetched
      outside.ask(entries);
      const { disputes, custody } = view.state;
      const open = openOne();
      const owner = session()?.roles.includes("owner") ?? false;
      return {
        title: t("dispute.title"),
        wide: true,
        content: [
          head(view),
          h("h1", null, t("dispute.title")),
          ...meanwhile(view),
          h("p", { class: "soft" }, t("dispute.means")),
          custody.hold ? h("p", { class: "quote" }, t("care.held", { because: custody.hold.because })) : open && owner ? act({ words: t("dispute.say.hold"), does: () => say(id, "hold-set", { because: t("dispute.title") }) }) : null,
          ...disputes.opened.map(one),
          // With keys of their own: what is half typed stays when something above comes or goes.
          open ? h("section", { class: "section", "data-key": "new-point" }, h("h2", null, t("dispute.new-point")),
            h("div", { class: "field" }, h("label", { for: "point-about" }, t("dispute.ask.about")), h("select", { id: "point-about", onchange: pointed }, choices().map(([value, words]) => h("option", { value, selected: value === about }, words)))),
            pointing.draw([{ id: "text", words: t("dispute.ask.words"), kind: "long", most: 4000, need: true }])) : h("section", { class: "section", "data-key": "opening" }, h("h2", null, t("dispute.open")),
            opening.draw([
              { id: "side", words: t("dispute.ask.side"), kind: "pick", choices: choicesOf(["customer", "supplier", "somebody else"], (w) => `dispute.side.${w}`), need: true },
              { id: "who", words: t("dispute.ask.who") }, { id: "how", words: t("care.how"), kind: "pick", choices: choicesOf(HOW, (w) => `care.how.${w}`), need: true },
              { id: "text", words: t("dispute.ask.words"), hint: t("dispute.ask.words-hint"), kind: "long", most: 4000, need: true },
            ])),
          open && owner ? h("details", { class: "more", "data-key": "end" }, h("summary", null, t("dispute.end")), ending.draw([
            { id: "outcome", words: t("dispute.ask.outcome"), kind: "pick", choices: choicesOf(["agreed", "not agreed", "withdrawn", "decided elsewhere"], (w) => `dispute.outcome.${w}`), need: true },
            { id: "note", words: t("dispute.ask.note"), kind: "long", most: 4000 },
          ])) : null,
          footBack({ words: t("act.to-machine"), href: `/machine/${id}` }),
        ],
      };
    },
  };

  /** What the next point is about: kept when the page is drawn again. */
  function pointed() {
    about = /** @type {HTMLSelectElement} */ (document.getElementById("point-about")).value;
  }

  /** What a point may be about. @returns {[string, string][]} */
  function choices() {
    const { kind, state } = view;
    return [
      ...(kind?.part ?? []).map((p) => /** @type {[string, string]} */ ([`part:${p.id}`, text(p.name)])),
      ...(kind?.view ?? []).filter((v) => v.due === "at counter").map((v) => /** @type {[string, string]} */ ([`view:${v.id}`, text(v.name)])),
      ...(kind?.accessory ?? []).map((a) => /** @type {[string, string]} */ ([`accessory:${a.id}`, text(a.name)])),
      ...state.parts.parts.map((p) => /** @type {[string, string]} */ ([`suspect:${p.part}`, t("home.part", { what: p.what })])),
      ["money", t("dispute.about.money")], ["time", t("dispute.about.time")], ["other", t("dispute.about.other")],
    ];
  }

  /** @param {DisputeFact} d */
  function one(d) {
    const ended = view.state.disputes.ended.find((e) => e.dispute === d.dispute);
    const by = { when: dayAndTime(Date.parse(d.mark.at ?? d.mark.device_at), zone), name: nameOf(d.heard_by), how: t(`care.how.${slug(d.how)}`), who: d.who ?? t(`dispute.side.${slug(d.side)}`) };
    return h("section", { class: "section", "data-key": d.dispute },
      h("h2", null, t("dispute.by", by)),
      h("blockquote", { class: "quote" }, h("p", { class: "told" }, quoted(view, d.text))),
      sure(d.mark),
      view.state.disputes.points.filter((p) => p.dispute === d.dispute).map(point),
      ended ? h("p", { role: "status" }, t("dispute.ended", { outcome: t(`dispute.outcome.${slug(ended.outcome)}`), name: nameOf(ended.mark.by) }), ended.note ? ` ${ended.note}` : "", sure(ended.mark)) : null);
  }

  /** One point and what bears on it. @param {PointFact} p */
  function point(p) {
    const { kind, state } = view;
    if (!kind) return null;
    const found = bearsOn(kind, state, p);
    const name = choices().find(([v]) => v === p.about)?.[1] ?? p.about;
    const when = (/** @type {Mark} */ mark) => dayAndTime(Date.parse(mark.at ?? mark.device_at), zone);
    const facts = [
      ...found.lines.map((l) => ({ mark: l.mark, words: t("dispute.line", { part: named(kind.part, l.part), word: named(kind.condition, l.word), when: when(l.mark), name: nameOf(l.mark.by) }) })),
      ...[found.thing ?? []].flat().map((x) => ({ mark: x.mark, words: t("dispute.thing", { name, count: x.count, stays: t(`page.stays.${slug(x.stays)}`), who: nameOf(x.mark.by), when: when(x.mark) }) })),
      ...[found.settled ?? []].flat().map((x) => ({ mark: x.mark, words: t("dispute.settled", { name, how: t(`home.how.${slug(x.how)}`), who: nameOf(x.mark.by), when: when(x.mark) }) })),
      ...found.readings.map((r) => ({ mark: r.mark, words: readingWords(r) })),
    ];
    const money = p.about === "money" ? [...Object.entries(state.arrangements).map(([f, a]) => arrangement(f, a.value)), ...careWords(view, zone).money] : [];
    return h("div", { class: "question", "data-key": p.point },
      h("h3", null, name),
      h("p", { class: "told" }, quoted(view, p.text), sure(p.mark)),
      photos("dispute.received", found.received), photos("dispute.opened", found.opened), photos("dispute.left", found.left),
      facts.length || money.length ? h("ul", { class: "sheet__list" }, facts.map((f) => h("li", null, f.words, sure(f.mark))), money.map((w) => h("li", null, w))) : null,
      h("p", { class: "label" }, t("dispute.times")),
      h("ul", { class: "sheet__list", "data-key": "times" }, found.times.map((x) => h("li", null, t(x.key, { when: when(x.mark), name: nameOf(x.mark.by) }), sure(x.mark)))),
      found.missing.length ? h("div", { "data-key": "missing" }, h("p", null, t("dispute.missing")), h("ul", { class: "sheet__list" }, found.missing.map((m) => h("li", null, valueText({ key: m, with: {} }))))) : null);
  }

  /** By whose clock a fact is dated, between when and when, and since when somebody outside says that it was there. @param {Mark} mark */
  function sure(mark) {
    const entry = entries.find((e) => e.said.id === mark.id);
    return entry ? h("span", { class: "sure soft" }, [howSure(entry, zone), outside.words(entry.index, zone)].filter(Boolean).join(" ")) : null;
  }

  /** @param {string} key @param {PhotoFact[]} list */
  function photos(key, list) {
    const shown = list.flatMap((p) => view.photos.find((v) => v.photo === p.photo) ?? []);
    return shown.length ? h("div", null, h("p", { class: "soft" }, t(key)), h("div", { class: "tiles tiles--large" }, shown.map((p) => photoTile({
      photo: p, name: photoName(view, p), under: dayAndTime(Date.parse(p.mark.at ?? p.mark.device_at), zone),
      does: () => large({ picture: largeUrl(p.photo), name: photoName(view, p), under: h("div", { class: "stack stack--close" }, clocks({ view, photo: p, history: entries, shop: here }), h("p", { class: "soft mono" }, p.file)) }),
    }))),
    h("ul", { class: "sheet__list" }, shown.map((p) => h("li", null, photoName(view, p), sure(p.mark))))) : null;
  }
}
