// The upper half of the sheet: every fact and photo that is signed, damage first, nothing else.

import { spoken, spokenIn, t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { accessories, answers, arrangements, blockSentence, foundWords, leftOpen, lines, machineName, otherNumbers, people, quoted, safety, serial, slug, tagBefore, writtenWords } from "./facts.js";
import { large } from "./large.js";
import { nameOf } from "./names.js";
import { shown, whole } from "./picture.js";
import { showText } from "./text.js";
import { photoName } from "./tile.js";
import { dayAndTime } from "./times.js";

/** @import {IntakeView, PhotoView, Sheet, Shop} from "../core/app.js" */

/** A title of more characters than this is written smaller: a long name would fill half a phone. */
const LONG = 48;

/** @param {{ view: IntakeView, sheet: Sheet, shop: Shop | null }} what */
export function paper({ view, sheet, shop }) {
  const zone = shop?.zone ?? "UTC";
  const opened = view.state.opened?.mark;
  const earlier = view.state.opened?.earlier;
  const who = shownTo(view);
  const title = who ? t("page.sheet.shown-to", { name: who, shop: shop?.name ?? "" }) : t("page.sheet.shown-at", { shop: shop?.name ?? "" });
  return h("div", { class: "stack" },
    h("header", { class: "paper__head" },
      h("h1", { class: title.length > LONG ? "paper__long" : undefined }, title),
      h("span", { class: "paper__tag mono" }, view.state.tag, tagBefore(view) ? ` (${tagBefore(view)})` : "")),
    h("p", null, h("b", null, machineName(view)), [serial(view), ...otherNumbers(view)].filter(Boolean).map((w) => `, ${w}`).join(""), ". ",
      opened ? t("page.sheet.brought", { when: dayAndTime(Date.parse(opened.at ?? opened.device_at), zone), zone }) : "",
      writtenWords(view, zone) ? ` ${writtenWords(view, zone)}` : "",
      earlier ? ` ${t(`page.again.${slug(earlier.again)}`, { tag: earlier.tag })}.` : ""),
    view.state.opened?.how === "found" ? h("ul", { class: "sheet__list" }, foundWords(view, zone).map((w) => h("li", null, w))) : null,
    h("ol", { class: "sheet__photos", "aria-label": t("page.sheet.photos", { count: sheet.photos.length }) }, sheet.photos.map((p, i) => numbered(view, p, i + 1))),
    conditions(view, sheet),
    statement(view, zone),
    section("page.sheet.answers", answers(view)),
    section("page.sheet.safety", safety(view)),
    section("page.sheet.accessories", accessories(view)),
    section("page.sheet.money", arrangements(view), termsLink(view, shop)),
    section("page.sheet.people", people(view)),
    sheet.reader ? h("p", null, t("page.sheet.read-by", { name: sheet.reader })) : null);
}

/** Who stands at the counter. @param {IntakeView} view */
export function shownTo(view) {
  const { owner, bringer } = view.state.people;
  return (bringer && !bringer.same_as_owner ? bringer.name : owner?.name) ?? "";
}

/** @param {IntakeView} view @param {PhotoView} photo @param {number} number */
function numbered(view, photo, number) {
  const name = `${number}. ${photoName(view, photo)}`;
  // A tap comes later, when the device speaks its own language again.
  const words = spoken();
  return h("li", { "data-key": photo.photo },
    h("button", { type: "button", class: "sheet__photo", onclick: () => spokenIn(words, () => large({ ...whole(photo), name })) },
      h("span", { class: "hide" }, `${t("act.open-large", { name })} `), shown(photo, ""), h("span", { class: "tile__number", "aria-hidden": "true" }, number)));
}

/** Damage, what was not looked at, and what is left open: one list, none of it hidden. @param {IntakeView} view @param {Sheet} sheet */
function conditions(view, sheet) {
  const number = (/** @type {string} */ id) => sheet.photos.findIndex((p) => p.photo === id) + 1;
  const noted = lines(view).map((l) => h("li", null, `${l.part}: `, h("b", null, l.word), l.note ? `, ${l.note}` : "",
    l.photos.length ? ` (${t("page.sheet.photo-numbers", { count: l.photos.length, list: l.photos.map(number).filter(Boolean).join(", ") })})` : ""));
  const rest = [blockSentence(view, "walk-round"), ...leftOpen(view, sheet.left_open)].filter(Boolean).map((w) => h("li", null, w));
  if (noted.length + rest.length === 0) return null;
  return h("section", null, h("h2", { class: "paper__title" }, t("page.sheet.condition")), h("ul", { class: "sheet__list" }, noted, rest));
}

/** @param {IntakeView} view @param {string} zone */
function statement(view, zone) {
  const fact = view.state.statements.complaint;
  if (!fact) return null;
  return h("blockquote", { class: "quote" },
    h("p", null, quoted(view, fact.text)),
    h("p", { class: "soft" }, t("page.sheet.heard", { name: nameOf(fact.heard_by), when: dayAndTime(Date.parse(fact.mark.device_at), zone) })));
}

/** @param {string} title @param {string[]} items @param {Node | null} [more] */
function section(title, items, more) {
  if (items.length === 0) return null;
  return h("section", null, h("h2", { class: "paper__title" }, t(title)), h("ul", { class: "sheet__list" }, items.map((w) => h("li", null, w))), more ?? null);
}

/** @param {IntakeView} view @param {Shop | null} shop */
function termsLink(view, shop) {
  const given = view.state.arrangements.terms?.value;
  const text = given && given === shop?.settings.terms_digest ? String(shop?.settings.terms ?? "") : "";
  const title = t("page.field.terms");
  return text.trim() ? act({ words: t("act.read-terms"), does: () => showText(title, text) }) : null;
}
