// What happens to a machine in the shop's care: opened up, put under quarantine, what was said, prices and approvals, work, sent out,
// incidents, attempts to reach its owner, a legal hold. Each is one entry and stays; a later one never rewrites an earlier.

import { say, session, shop } from "../core/app.js";
import { limitOf, withinLimit } from "../core/care.js";
import { t } from "../core/words.js";
import { act, footBack } from "../parts/act.js";
import { askedForm, choicesOf, only } from "../parts/asked-form.js";
import { camera } from "../parts/camera.js";
import { careWords, keptFrom } from "../parts/care-words.js";
import { h, keep } from "../parts/dom.js";
import { gapSentence } from "../parts/flow.js";
import { camera as cameraIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { shownMoney } from "../parts/money.js";
import { notice } from "../parts/notice.js";
import { newId } from "../parts/new-id.js";
import { picture } from "../parts/picture.js";
import { wallIn } from "../parts/times.js";

/** @import {IntakeView, Shop} from "../core/app.js" */

const HOW = ["in person", "by phone", "by message", "in writing"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function care(at) {
  const [id] = at.ids;
  /** @type {Shop | null} */
  let here = null;
  /** @type {IntakeView} */
  let view;
  const again = () => at.again();
  /** What is being noted, by section: its form is open. @type {Set<string>} */
  const noting = new Set(at.hash ? [at.hash] : []);
  /** Photos of an incident that is being noted. @type {string[]} */
  let pictured = [];
  const lens = camera(id, ({ photo }) => {
    pictured = [...pictured, photo];
    return again();
  });
  const currency = () => here?.currency ?? "EUR";
  /** @param {string} name @param {string} key @param {(given: import("../parts/asked-form.js").Given) => unknown} does */
  const form = (name, key, does) => askedForm({ id: name, submit: t(key), again, currency, does });
  const how = (words = t("care.how")) => ({ id: "how", words, kind: /** @type {const} */ ("pick"), choices: choicesOf(HOW, (w) => `care.how.${w}`), need: true });
  const when = () => ({ id: "at", words: t("care.when"), kind: /** @type {const} */ ("wall"), value: wallIn(Date.now(), here?.zone ?? "UTC"), need: true });

  const quarantine = form("quarantine", "care.say.quarantine", (g) => say(id, "quarantined", only(g, ["word", "because"])));
  const lift = form("lift", "care.say.lift", (g) => say(id, "quarantine-lifted", only(g, ["word", "because"])));
  const heard = form("heard", "care.say.heard", (g) => say(id, "words-heard", { heard_by: session()?.staff ?? "", ...only(g, ["how", "at"]) }, /** @type {any} */ (only(g, ["text", "speaker"]))));
  const price = form("price", "care.say.price", (g) => say(id, "price-told", { price: newId(), ...only(g, ["amount", "what", "how"]) }));
  const approval = form("approval", "care.say.approval", (g) => {
    const last = view.state.custody.prices.at(-1);
    return say(id, "approval-noted", { ...only(g, ["answer", "how", "at", "added", "total"]), ...(last ? { price: last.price } : {}) }, /** @type {any} */ (only(g, ["who", "number", "note"])));
  });
  const work = form("work", "care.say.work", async (g) => {
    if (!withinLimit(view.state, g.adds)) return notice(t("refused.over-limit"));
    return say(id, "work-noted", only(g, ["what", "adds"]));
  });
  const old = form("old", "care.say.old-part", (g) => say(id, "old-part-noted", { old: newId(), ...only(g, ["what", "fate", "place"]) }, /** @type {any} */ (only(g, ["word"]))));
  const out = form("out", "care.say.out", (g) => say(id, "sent-out", { sent: newId(), ...only(g, ["what", "to", "because", "reference"]) }));
  const incident = form("incident", "care.say.incident", async (g) => {
    await say(id, "incident-noted", { ...only(g, ["what", "told", "told_at"]), ...(pictured.length ? { photos: pictured } : {}) }, /** @type {any} */ (only(g, ["note"])));
    pictured = [];
  });
  const contact = form("contact", "care.say.contact", (g) => say(id, "contact-tried", only(g, ["how", "result", "about"]), /** @type {any} */ (only(g, ["number"]))));
  const hold = form("hold", "care.say.hold", (g) => say(id, "hold-set", only(g, ["because"])));
  const unhold = form("unhold", "care.say.unhold", (g) => say(id, "hold-lifted", only(g, ["because"])));

  return {
    watch: watching(id),
    async draw() {
      [view, here] = await Promise.all([load(id), shop()]);
      const { custody } = view.state;
      const zone = here?.zone ?? "UTC";
      const words = careWords(view, zone);
      const inCare = view.state.state === "in care";
      const owner = session()?.roles.includes("owner") ?? false;
      const kept = Object.values(custody.quarantine);
      return {
        title: t("care.title"),
        content: [
          head(view),
          h("h1", null, t("care.title")),
          ...meanwhile(view),
          keptFrom(view),
          custody.hold ? h("p", { class: "fault" }, t("care.held", { because: custody.hold.because })) : null,
          inCare ? part("open", t("care.open"), words.opened, opening(), true) : null,
          inCare ? part("quarantine", t("care.quarantine"), words.quarantine, h("div", { class: "stack" },
            // Labelled and handed back disabled: OSHA CPL 2-1.22. Batteries: common practice, no source.
            h("p", { class: "foot__caution" }, t("caution.quarantine")),
            quarantine.draw([{ id: "word", words: t("care.ask.word"), kind: "pick", choices: choicesOf(["do not start", "do not use"], (w) => `care.word.${w}`), need: true }, { id: "because", words: t("care.ask.red-tag"), need: true }]),
            kept.length ? lift.draw([{ id: "word", words: t("care.ask.lift"), kind: "pick", choices: choicesOf(kept.map((k) => k.word), (w) => `care.word.${w}`), need: true }, { id: "because", words: t("care.ask.done-about-it"), need: true }]) : null)) : null,
          part("heard", t("care.heard"), words.heard, heard.draw([
            { id: "text", words: t("care.ask.words"), kind: "long", most: 4000, need: true }, { id: "speaker", words: t("care.ask.speaker"), hint: t("care.ask.speaker-hint") }, how(), { ...when(), need: false },
          ])),
          inCare ? part("money", t("care.money"), [limitWords(), ...words.money], h("div", { class: "stack" },
            h("h3", null, t("care.price")),
            price.draw([{ id: "amount", words: t("care.ask.amount"), kind: "money", need: true }, { id: "what", words: t("care.ask.for-what"), most: 400, need: true }, how()]),
            h("h3", null, t("care.approval")),
            approval.draw([
              { id: "answer", words: t("care.ask.answer"), kind: "pick", choices: choicesOf(["yes", "no", "no answer"], (w) => `care.answer.${w}`), need: true }, how(), when(),
              { id: "who", words: t("care.ask.who"), need: (g) => g.answer !== "no answer" }, { id: "number", words: t("care.ask.number"), need: (g) => g.how === "by phone", most: 60 },
              { id: "added", words: t("care.ask.added"), kind: "money" },
              { id: "total", words: t("care.ask.total"), kind: "money", when: (g) => g.answer === "yes", need: true }, { id: "note", words: t("care.ask.conditions"), most: 400 },
            ]),
            h("h3", null, t("care.work")),
            // No gasoline for cleaning: an engine maker's manual. Injection above 100 psi: CDC.
            h("p", { class: "foot__caution" }, t("caution.work")),
            custody.opened_up ? work.draw([{ id: "what", words: t("care.ask.step"), most: 400, need: true }, { id: "adds", words: t("care.ask.adds"), kind: "money" }]) : h("p", { class: "soft" }, t("refused.not-opened-up")))) : null,
          inCare ? part("old-parts", t("care.old-parts"), words.old, h("div", { class: "stack" },
            h("p", { class: "soft" }, t("care.old-parts-mean")),
            old.draw([
              { id: "what", words: t("care.ask.old-what"), most: 200, need: true },
              { id: "fate", words: t("care.ask.old-fate"), kind: "pick", choices: choicesOf(["kept here", "thrown away"], (w) => `care.old-fate.${w}`), need: true },
              { id: "place", words: t("care.ask.old-place"), most: 120, when: (g) => g.fate === "kept here", need: true },
              { id: "word", words: t("care.ask.old-word"), hint: t("care.ask.old-word-hint"), most: 400, when: (g) => g.fate === "thrown away", need: view.state.arrangements.old_parts?.value !== "dispose" },
            ]))) : null,
          inCare ? part("out", t("care.out"), words.out, h("div", { class: "stack" },
            ...custody.sent.filter((s) => !custody.back[s.sent]).map((s) => act({ words: t("care.say.back", { what: s.what }), does: () => say(id, "came-back", { sent: s.sent }) })),
            out.draw([{ id: "what", words: t("care.ask.what-went"), need: true }, { id: "to", words: t("care.ask.to"), need: true }, { id: "because", words: t("care.ask.because"), need: true }, { id: "reference", words: t("care.ask.reference"), most: 80 }]))) : null,
          part("incident", t("care.incident"), words.incidents, h("div", { class: "stack" },
            thumbs(pictured),
            act({ words: t(pictured.length ? "act.another-photo" : "care.say.incident-photo"), icon: cameraIcon(), does: () => lens.shoot({ stage: "opened" }) }),
            incident.draw([
            { id: "what", words: t("care.ask.incident"), kind: "pick", choices: choicesOf(["loss", "damage", "theft", "something else"], (w) => `care.incident.${w}`), need: true },
            { id: "note", words: t("care.ask.happened"), kind: "long", need: true },
            { id: "told", words: t("care.ask.told"), kind: "pick", choices: choicesOf(["told", "not reached", "not told yet"], (w) => `care.told.${w}`), need: true },
            { id: "told_at", words: t("care.ask.told-at"), kind: "wall", when: (g) => g.told === "told", need: true },
          ])), false, thumbs(custody.incidents.flatMap((i) => i.photos ?? []))),
          part("contact", t("care.contact"), words.contacts, contact.draw([
            how(t("care.how-tried")), { id: "result", words: t("care.ask.result"), kind: "pick", choices: choicesOf(["reached", "message left", "no answer", "not theirs"], (w) => `care.result.${w}`), need: true },
            { id: "about", words: t("care.ask.about"), need: true }, { id: "number", words: t("care.ask.number"), most: 60 },
          ])),
          owner ? part("hold", t("care.hold"), [], h("div", { class: "stack" }, h("p", { class: "soft" }, t("care.hold-means")),
            (custody.hold ? unhold : hold).draw([{ id: "because", words: t("care.ask.because"), most: 400, need: true }]))) : null,
          keep(lens.element),
          footBack({ words: t("act.to-machine"), href: `/machine/${id}` }),
        ],
      };
    },
  };

  /** @param {string[]} photos */
  function thumbs(photos) {
    return photos.length ? h("div", { class: "thumbs" }, photos.map((p) => h("span", { class: "thumb", "data-key": p }, picture(p, t("care.incident-picture"))))) : null;
  }

  /** @param {string} key @param {string} name @param {string[]} said @param {Node | null} form @param {boolean} [open] @param {Node | null} [shown] */
  function part(key, name, said, form, open, shown = null) {
    const shut = form && !open && !noting.has(key);
    return h("section", { class: "section", "data-key": key, id: key },
      h("div", { class: "section__head" }, h("h2", { id: `${key}-head` }, name),
        form && !open ? h("button", {
          type: "button", class: "link noting", id: `note-${key}`, "aria-expanded": String(!shut), "aria-describedby": `${key}-head`,
          onclick: () => {
            if (!noting.delete(key)) noting.add(key);
            return again();
          },
        }, t("care.note-one")) : null),
      said.length ? h("ul", { class: "sheet__list" }, said.map((w) => h("li", null, w))) : null,
      shown,
      form ? h("div", { class: "stack", hidden: shut ? true : undefined, "data-key": `noting-${key}` }, form) : null);
  }

  /** Covers come off only when what was due before that stands. */
  function opening() {
    if (view.state.custody.opened_up) return null;
    const due = view.check.gaps.filter((g) => g.due === "before opening");
    return h("div", { class: "stack stack--close" },
      due.length ? h("p", null, t("care.locked", { count: due.length })) : h("p", { class: "soft" }, t("care.unlocked")),
      due.length ? h("ul", { class: "steps" }, due.map((g) => h("li", null, h("a", { href: `/machine/${id}#bench` }, gapSentence(g))))) : null,
      // Plug lead: engine makers' manuals and 16 CFR 1205.5; heat above 65 °C: an engine maker's operator manual.
      h("p", { class: "foot__caution" }, t("caution.opening")),
      act({ words: t("care.say.opened-up"), id: "open-up", off: due.length ? t("care.locked", { count: due.length }) : undefined, does: () => say(id, "opened-up", {}) }));
  }

  function limitWords() {
    const limit = limitOf(view.state);
    return limit ? t("care.limit", { value: shownMoney(limit) }) : t("care.no-limit");
  }
}
