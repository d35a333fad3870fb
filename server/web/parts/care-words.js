// What happened in the shop's care as sentences: who, when, in whose words. The same on the bench and on the machine's page.

import { t } from "../core/words.js";
import { h } from "./dom.js";
import { hidden as gone, named, slug } from "./facts.js";
import { shownMoney } from "./money.js";
import { nameOf } from "./names.js";
import { dayAndTime, plainDay, wallTime } from "./times.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Mark, PartFact} from "../core/types.js" */

/** The red tag: what nobody may do, and why. @param {IntakeView} view */
export function keptFrom(view) {
  const kept = Object.values(view.state.custody.quarantine);
  return kept.length ? h("div", { class: "red-tag", role: "status", "data-key": "red-tag" }, kept.map((k) => h("p", null, h("b", null, t(`care.red.${slug(k.word)}`)), ` ${k.because}`))) : null;
}

/** @param {IntakeView} view @param {string} zone */
export function careWords(view, zone) {
  const { custody, home } = view.state;
  const by = (/** @type {Mark} */ mark) => ({ when: dayAndTime(Date.parse(mark.at ?? mark.device_at), zone), name: nameOf(mark.by) });
  const tail = (/** @type {string | undefined} */ note) => (note ? ` ${note}` : "");
  const how = (/** @type {string} */ h) => t(`care.how.${slug(h)}`);
  const hidden = gone(view);
  return {
    opened: custody.opened_up ? [t("care.line.opened", by(custody.opened_up))] : [],
    quarantine: [
      ...Object.values(custody.quarantine).map((q) => t("care.line.quarantined", { ...by(q.mark), word: t(`care.word.${slug(q.word)}`), because: q.because })),
      ...custody.lifted.map((q) => t("care.line.lifted", { ...by(q.mark), word: t(`care.word.${slug(q.word)}`), because: q.because })),
      ...Object.values(home.told).map((q) => t("care.line.told", { ...by(q.mark), word: t(`care.word.${slug(q.word)}`) })),
    ],
    heard: custody.heard.map((s) => t("care.line.heard", { text: s.text ?? hidden, speaker: s.speaker ?? t("care.the-owner"), how: how(s.how), name: nameOf(s.heard_by), when: s.at ? wallTime(s.at) : by(s.mark).when })),
    money: [
      ...custody.prices.map((p, i) => t("care.line.price", { ...by(p.mark), number: String(i + 1), value: shownMoney(p.amount), what: p.what, how: how(p.how) })),
      ...custody.approvals.map((a) => t(`care.line.approval.${slug(a.answer)}`, { name: nameOf(a.mark.by), when: wallTime(a.at), how: how(a.how), who: a.who ?? hidden, value: a.total ? shownMoney(a.total) : "" }) + tail(a.number) + tail(a.added && t("care.line.added", { value: shownMoney(a.added) })) + tail(a.note)),
      ...custody.work.map((w) => t("care.line.work", { ...by(w.mark), what: w.what, value: w.adds ? shownMoney(w.adds) : "–" })),
    ],
    old: custody.old_parts.map((p) => t(`care.line.old.${slug(p.fate)}`, { ...by(p.mark), what: p.what, place: p.place ?? "" }) + tail(p.word && `“${p.word}”`)),
    out: custody.sent.map((s) => t("care.line.out", { ...by(s.mark), what: s.what, to: s.to, because: s.because }) + tail(s.reference) + (custody.back[s.sent] ? ` ${t("care.line.back", by(custody.back[s.sent].mark))}` : "")),
    incidents: custody.incidents.map((i) => t("care.line.incident", { ...by(i.mark), what: t(`care.incident.${slug(i.what)}`), note: i.note ?? hidden, told: t(`care.told.${slug(i.told)}`) + (i.told_at ? `, ${wallTime(i.told_at)}` : "") })),
    contacts: custody.contacts.map((c) => t("care.line.contact", { ...by(c.mark), how: how(c.how), about: c.about, result: t(`care.result.${slug(c.result)}`) }) + tail(c.number)),
    findings: custody.findings.map((f, i) => t("care.line.finding", { ...by(f.mark), number: String(i + 1), part: f.part, word: named(view.kind?.condition, f.word), text: f.text ? `“${f.text}”` : "" })),
  };
}

/** A suspect part in one line. @param {PartFact} p */
export const partWords = (p) => [p.what, t(`part.origin.${slug(p.origin)}`), p.supplier, p.lot && t("part.lot-is", { lot: p.lot }), p.bought && t("part.bought-on", { day: plainDay(p.bought) })].filter(Boolean).join(", ");
