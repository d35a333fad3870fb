// One suspect part: its card, guided views, what was looked for and seen or not, and the two ways it may go. Observations only:
// what a picture or a number means is for a person to say.

import { say, session, shop } from "../core/app.js";
import { ABOUT, AFTER, BEFORE, disagreements, missing, until } from "../core/part.js";
import { t, valueText } from "../core/words.js";
import { actLink, footBack } from "../parts/act.js";
import { askedForm, choicesOf, only } from "../parts/asked-form.js";
import { band } from "../parts/band.js";
import { camera } from "../parts/camera.js";
import { h, keep } from "../parts/dom.js";
import { readingWords, slug } from "../parts/facts.js";
import { paper } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { nameOf } from "../parts/names.js";
import { newId } from "../parts/new-id.js";
import { drawing, picture } from "../parts/picture.js";
import { dateIn, plainDay } from "../parts/times.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {ClaimFact, PartFact, Sentence} from "../core/types.js" */

const CARD = ["what", "origin", "supplier", "invoice", "on_bag", "on_invoice", "on_casting", "lot", "made", "bought", "fitted", "failed", "count", "count_fitted"];
const TEXTS = ["supplier", "invoice", "on_bag", "on_invoice", "on_casting", "lot"];
const DAYS = ["made", "bought", "fitted", "failed"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function part(at) {
  const [id, of] = at.ids;
  const again = () => at.again();
  /** The guided view the next photo is meant for. */
  let aimed = "";
  /** @type {IntakeView} */
  let view;
  /** @type {PartFact} */
  let card;
  const lens = camera(id, async ({ photo }) => {
    if (aimed) await say(id, "part-pictured", { part: of, view: aimed, photo });
    aimed = "";
    return again();
  });
  const cardForm = askedForm({ id: "card", submit: t("part.say.card"), again, does: (g) => say(id, "part-noted", { part: of, what: card.what, origin: card.origin, ...only(g, CARD) }, /** @type {any} */ (only(g, ["note"]))) });
  const seenForm = askedForm({ id: "seen", submit: t("part.say.seen"), again, does: (g) => say(id, "part-observed", { part: of, ...only(g, ["about", "seen"]), photos: pictures().map((p) => p.photo).slice(-20) }, /** @type {any} */ (only(g, ["note"]))) });
  const claimForm = askedForm({ id: "claim", submit: t("part.say.claim"), again, does: (g) => say(id, "claim-opened", { claim: newId(), part: of, ...only(g, ["route", "days", "from"]) }) });
  const posted = askedForm({ id: "posted", submit: t("part.say.posted"), again, does: (g) => say(id, "part-posted", only(g, ["claim", "on", "tracking"])) });
  const ended = askedForm({ id: "ended", submit: t("part.say.ended"), again, does: (g) => say(id, "claim-ended", only(g, ["claim", "outcome"]), /** @type {any} */ (only(g, ["note"]))) });

  const pictures = () => view.state.parts.pictures.filter((p) => p.part === of);

  return {
    watch: watching(id),
    async draw() {
      const here = await shop();
      view = await load(id);
      const found = view.state.parts.parts.find((p) => p.part === of);
      if (!found) return { title: t("part.title"), content: [head(view), h("p", { class: "empty" }, t("part.none"))] };
      card = found;
      const readings = view.state.readings.filter((r) => r.part === of);
      const claims = view.state.parts.claims.filter((c) => c.part === of);
      const open = claims.filter((c) => !view.state.parts.ended.some((e) => e.claim === c.claim));
      const today = dateIn(Date.now(), here?.zone ?? "UTC");
      const which = () => ({ id: "claim", words: t("part.ask.claim"), kind: /** @type {const} */ ("pick"), choices: open.map((c) => ({ id: c.claim, words: t(`part.route.${c.route}`) })), need: true });
      const value = (/** @type {string} */ name) => String(/** @type {any} */ (card)[name] ?? "");
      const seen = view.state.parts.observed.filter((o) => o.part === of);
      return {
        title: card.what,
        content: [
          head(view),
          h("h1", null, card.what),
          h("p", { class: "soft" }, t(`part.origin.${slug(card.origin)}`)),
          ...meanwhile(view),
          questions(disagreements(card)),
          section("card", t("part.card"), [cardForm.draw([
            ...TEXTS.map((n) => ({ id: n, words: t(`part.field.${slug(n)}`), value: value(n), most: 120 })),
            ...DAYS.map((n) => ({ id: n, words: t(`part.field.${n}`), kind: /** @type {const} */ ("day"), value: value(n) })),
            ...["count", "count_fitted"].map((n) => ({ id: n, words: t(`part.field.${slug(n)}`), kind: /** @type {const} */ ("count"), value: value(n) })),
            { id: "note", words: t("part.field.note"), kind: "long", value: card.note ?? "" },
          ])]),
          section("before", t("part.before"), [h("p", { class: "soft" }, t("part.before-means")), guided(BEFORE)]),
          section("after", t("part.after"), [h("p", { class: "soft" }, t("part.after-means")),
            // Engine makers' manuals: tester on the lead, no cranking with the plug out.
            h("p", { class: "foot__caution" }, t("caution.plug")), guided(AFTER)]),
          section("seen", t("part.seen"), [
            h("p", { class: "soft" }, t("part.seen-means")),
            seen.length ? h("ul", { class: "sheet__list" }, seen.map((o) => h("li", { "data-key": o.mark.id }, t(`part.observed.${slug(o.seen)}`, { about: t(`part.about.${o.about}`), count: (o.photos ?? []).length, name: nameOf(o.mark.by) }) + (o.note ? ` ${o.note}` : "")))) : null,
            seenForm.draw([
              { id: "about", words: t("part.ask.about"), kind: "pick", choices: choicesOf(ABOUT, (w) => `part.about.${w}`), need: true },
              { id: "seen", words: t("part.ask.seen"), kind: "pick", choices: choicesOf(["seen", "not seen", "not looked for"], (w) => `part.seen.${w}`), need: true },
              { id: "note", words: t("part.ask.in-words"), most: 400 },
            ]),
          ]),
          readings.length ? section("readings", t("page.bench.readings"), [h("ul", { class: "sheet__list" }, readings.map((r) => h("li", null, readingWords(r), r.reading === "compression" && r.value ? band(r, here) : null)))]) : h("p", { class: "soft" }, t("part.no-reading")),
          section("claims", t("part.claims"), [
            h("p", { class: "soft" }, t("part.claims-mean")),
            ...claims.map((c) => claimed(c, today)),
            h("h3", null, t(claims.length ? "part.another-claim" : "part.new-claim")),
            claimForm.draw([
              { id: "route", words: t("part.ask.route"), kind: "pick", choices: choicesOf(["return", "warranty"], (w) => `part.route.${w}`), need: true },
              { id: "days", words: t("part.ask.days"), hint: t("part.ask.days-hint"), kind: "count", need: true },
              { id: "from", words: t("part.ask.from"), kind: "pick", choices: choicesOf(["bought", "fitted", "failed"], (w) => `part.from.${w}`), need: true },
            ]),
            open.length ? h("details", { class: "more" }, h("summary", null, t("part.say.posted")), posted.draw([which(), { id: "on", words: t("part.ask.on"), kind: "day", value: today, need: true }, { id: "tracking", words: t("part.ask.tracking"), most: 120, need: true }])) : null,
            open.length ? h("details", { class: "more" }, h("summary", null, t("part.say.ended")), ended.draw([which(), { id: "outcome", words: t("part.ask.outcome"), kind: "pick", choices: choicesOf(["replaced", "refunded", "refused", "let go", "something else"], (w) => `part.outcome.${w}`), need: true }, { id: "note", words: t("part.ask.their-words"), kind: "long" }])) : null,
          ]),
          keep(lens.element),
          footBack({ words: t("part.all"), href: `/intake/${id}/parts` }),
        ],
      };
    },
  };

  /** @param {string} key @param {string} name @param {import("../parts/dom.js").Child[]} content */
  function section(key, name, content) {
    return h("section", { class: "section", "data-key": key, id: key }, h("h2", null, name), h("div", { class: "stack stack--close" }, content));
  }

  /** What does not agree, as questions. @param {Sentence[]} all */
  function questions(all) {
    return all.length ? h("div", { class: "quote", "data-key": "questions" }, h("p", null, t("part.look-again")), h("ul", { class: "sheet__list" }, all.map((s) => h("li", null, inWords(s))))) : null;
  }

  /** Names of fields and places in the device's language. @param {Sentence} s */
  function inWords(s) {
    const names = Object.fromEntries(Object.entries(s.with).map(([k, v]) => [k, ["field"].includes(k) ? t(`part.field.${slug(String(v))}`) : ["earlier", "later"].includes(k) ? t(`part.field.${v}`) : ["a", "b"].includes(k) ? t(`part.on.${v}`) : v]));
    return valueText({ key: s.key, with: names });
  }

  /** @param {string[]} views */
  function guided(views) {
    return h("div", { class: "tiles" }, views.map((v) => {
      const photo = pictures().findLast((p) => p.view === v)?.photo;
      return h("button", {
        type: "button", class: "tile", "data-look": photo ? "taken" : "missing", "data-key": v, id: `guided-${v}`,
        onclick: () => {
          aimed = v;
          lens.shoot({ stage: "opened" });
        },
      }, h("span", { class: "tile__picture" }, photo ? picture(photo, t(`part.view.${v}`)) : drawing(`part-${v}`)),
      h("span", { class: "tile__words" }, h("span", { class: "tile__name" }, t(`part.view.${v}`)), photo ? null : h("span", { class: "soft" }, t(`part.stand.${v}`))));
    }));
  }

  /** A claim: its window, what it lacks. @param {ClaimFact} c @param {string} today */
  function claimed(c, today) {
    const end = until(card, c);
    const lacks = missing(view.state, card, c.route);
    const closed = view.state.parts.ended.find((e) => e.claim === c.claim);
    const sent = view.state.parts.posted.filter((p) => p.claim === c.claim);
    return h("div", { class: "question", "data-key": c.claim },
      h("h3", null, t(`part.route.${c.route}`)),
      h("p", null, end ? t(end < today ? "part.window-over" : "part.window", { day: plainDay(end), days: c.days, from: t(`part.field.${c.from}`) }) : t("part.no-window", { from: t(`part.field.${c.from}`) })),
      closed ? h("p", null, t("part.closed", { outcome: t(`part.outcome.${slug(closed.outcome)}`), name: nameOf(closed.mark.by) })) : lacks.length ? h("div", null, h("p", null, t("part.lacks")), h("ul", { class: "sheet__list" }, lacks.map((s) => h("li", null, inWords(s))))) : h("p", null, t("part.complete")),
      sent.map((p) => h("p", { class: "mono" }, t("part.sent", { day: plainDay(p.on), tracking: p.tracking }))),
      leaving(c));
  }

  /** What goes to the supplier: the archive without the customer, and the letter out of it to print. Only of what the shop's server holds. @param {ClaimFact} c */
  function leaving(c) {
    if (!c.mark.at) return h("p", { class: "soft" }, t("part.pack-later"));
    const base = `/v1/shops/${session()?.shop}/intakes/${id}`;
    return h("div", { class: "row" },
      actLink({ words: t("act.pack-claim"), href: `${base}/pack?claim=${c.claim}`, icon: paper(), download: "" }),
      h("a", { class: "link", href: `${base}/claims/${c.claim}/letter`, target: "_blank" }, t("act.letter")));
  }
}
