// The record as sentences: the same ones on the sheet that is signed and on the machine's page. Blank never means "fine".

import { t, text } from "../core/words.js";
import { lostTags } from "../core/fold.js";
import { shownMoney } from "./money.js";
import { nameOf } from "./names.js";
import { dayAndTime, plainDay, wallTime } from "./times.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Kind, MachineFact, ReadingFact, ServiceFact} from "../core/types.js" */

/** @param {readonly { id: string, name: import("../core/types.js").Text }[] | undefined} list @param {string} id */
export const named = (list, id) => {
  const found = list?.find((x) => x.id === id);
  return found ? text(found.name) : id;
};

/** Ids of entries are words of the trade with spaces; keys have hyphens. @param {string} word */
export const slug = (word) => word.replaceAll(" ", "-").replaceAll("_", "-");

/** What stands where something personal is not there: withheld from here, or erased. @param {IntakeView} view */
export const hidden = (view) => t(view.state.erasures.length ? "page.erased" : "page.withheld");

/** Words in quotation marks; where they are not there, why. @param {IntakeView} view @param {string | undefined} words */
export const quoted = (view, words) => (words === undefined ? hidden(view) : t("sheet.quoted", { text: words }));

/** Words of a list where it is one of them, else as somebody wrote it. @type {Record<string, string>} */
const ERASED = { "customer asked": "customer-asked", "kept long enough": "kept-long-enough", "should not have been kept": "should-not-have-been-kept", "restored from a backup": "restored-from-a-backup" };

/** Why something was erased. @param {string} why */
export const whyErased = (why) => (Object.hasOwn(ERASED, why) ? t(`erased.why.${ERASED[why]}`) : why);

/** @param {string} field @param {MachineFact | undefined} fact */
export function machineField(field, fact) {
  if (!fact) return "";
  return fact.value ?? t(`page.machine.${slug(fact.not ?? "not-known")}`, { field: t(`page.field.${field}`) });
}

/** "Chainsaw, Alder 46". @param {IntakeView} view */
export function machineName(view) {
  const { make, model } = view.state.machine;
  const name = [make?.value, model?.value].filter(Boolean).join(" ");
  return [text(view.kind?.name) || view.state.kind_id, name].filter(Boolean).join(", ");
}

/** "before 0007": the tags it had and that were lost. @param {IntakeView} view */
export function tagBefore(view) {
  const before = lostTags(view.state);
  return before.length ? t("page.tag-before", { list: before.join(", ") }) : "";
}

/** "Written 14:05 by Ines, entered 17:30 by Bo": what stood on paper first. @param {IntakeView} view @param {string} zone */
export function writtenWords(view, zone) {
  const opened = view.state.opened;
  if (!opened?.written) return "";
  const { at, by } = opened.written;
  return t("page.written", { at: wallTime(at), by, when: dayAndTime(Date.parse(opened.mark.at ?? opened.mark.device_at), zone), name: nameOf(opened.mark.by) });
}

/** Where and when it was found, and what its owner answered. @param {IntakeView} view @param {string} zone */
export function foundWords(view, zone) {
  const { found, owner_answers: answers } = view.state;
  const note = (/** @type {string | undefined} */ n) => (n ? ` ${n}` : "");
  return [
    ...(found ? [t("page.found.line", { place: found.place, when: wallTime(found.seen_at), name: nameOf(found.mark.by) }) + note(found.note)] : []),
    ...answers.map((a) => t(`page.answered.line.${slug(a.how)}`, { when: dayAndTime(Date.parse(a.mark.device_at), zone), name: nameOf(a.mark.by) }) + note(a.note)),
  ];
}

/** "serial 7K-20931 (typed)": who says so, and whether a code on a photo says it. @param {IntakeView} view */
export function serial(view) {
  const fact = view.state.machine.serial;
  if (!fact) return "";
  if (!fact.value) return machineField("serial", fact);
  const key = fact.from === "told" ? "page.serial.told" : fact.from === "code" ? "page.serial.code" : "page.serial.typed";
  return t(key, { serial: fact.value, name: nameOf(fact.mark.by) });
}

/** What was said about the machine's other numbers, where it is. @param {IntakeView} view */
export function otherNumbers(view) {
  const { make, model, "engine-numbers": engine } = view.state.machine;
  return [
    make && !make.value ? machineField("make", make) : "",
    model && !model.value ? machineField("model", model) : "",
    engine ? `${t("page.field.engine-numbers")}: ${machineField("engine-numbers", engine)}` : "",
  ].filter(Boolean);
}

/** The people's cards. @param {IntakeView} view */
export function people(view) {
  const { owner, bringer } = view.state.people;
  const out = [];
  if (owner) {
    const none = (owner.none ?? []).map((n) => t(`page.person.no-${n}`));
    out.push([owner.name ?? hidden(view), owner.phone, owner.email, owner.address, ...none].filter(Boolean).join(", "));
  }
  if (bringer) out.push(bringer.same_as_owner ? t("page.person.owner-brings") : [t("page.person.bringer", { name: bringer.name ?? hidden(view) }), bringer.standing && t(`page.standing.${slug(bringer.standing)}`)].filter(Boolean).join(", "));
  return out;
}

/**
 * Condition lines, each with the numbers of its photos, then the sentence that answers for the rest.
 * @param {IntakeView} view
 * @returns {{ part: string, word: string, note?: string, photos: string[], numbers: number[] }[]}
 */
export function lines(view) {
  return view.state.lines.map((l) => ({
    part: named(view.kind?.part, l.part),
    word: named(view.kind?.condition, l.word),
    note: l.note,
    photos: l.photos,
    numbers: l.photos.flatMap((p) => view.photos.find((v) => v.photo === p)?.number ?? []),
  }));
}

/** The sentence a block was answered by. @param {IntakeView} view @param {string} block */
export function blockSentence(view, block) {
  const fact = view.state.blocks[block];
  return fact ? t(fact.sentence, { name: nameOf(fact.mark.by) }) : "";
}

/** @param {IntakeView} view */
export function safety(view) {
  const said = (view.kind?.safety ?? []).flatMap((s) => {
    const fact = view.state.safety[s.id];
    return fact ? [`${text(s.name)}: ${t(`page.safety.${slug(fact.seen)}`)}`] : [];
  });
  return [...said, blockSentence(view, "safety")].filter(Boolean);
}

/** @param {IntakeView} view */
export function accessories(view) {
  const said = (view.kind?.accessory ?? []).flatMap((a) => {
    const fact = view.state.accessories[a.id];
    if (!fact) return [];
    const count = fact.stays === "not with it" || fact.count === 1 ? "" : `${fact.count} × `;
    return [`${count}${text(a.name)}: ${t(`page.stays.${slug(fact.stays)}`)}${fact.note ? `, ${fact.note}` : ""}`];
  });
  return [...said, blockSentence(view, "accessories")].filter(Boolean);
}

/** What was answered to a question, in words; empty where nothing was. @param {IntakeView} view @param {string} id */
export function answerOf(view, id) {
  const fact = view.state.answers[id];
  if (!fact) return "";
  return fact.choice ? named(view.kind?.question?.find((q) => q.id === id)?.choices, fact.choice) : fact.not ? t(`page.not.${slug(fact.not)}`) : fact.text ?? hidden(view);
}

/** @param {IntakeView} view */
export function answers(view) {
  const said = (view.kind?.question ?? []).flatMap((q) => {
    const fact = view.state.answers[q.id];
    return fact ? [`${text(q.name)} ${answerOf(view, q.id)}${fact.because ? ` (${fact.because})` : ""}`] : [];
  });
  return [...said, blockSentence(view, "questions")].filter(Boolean);
}

/** "118 psi, cold, 6 pulls (Bo)": as read. @param {ReadingFact} r */
export function readingWords(r) {
  const what = r.value === undefined ? t("page.bench.reading-not-taken", { because: r.because ?? "" }) : `${r.value} ${r.unit}`;
  return `${[what, r.method].filter(Boolean).join(", ")} (${nameOf(r.mark.by)})`;
}

/** "changed, type 7, old one kept here (Bo)". @param {ServiceFact} s */
export function serviceWords(s) {
  const words = [t(`page.service.what.${slug(s.what)}`), s.fitted, s.old && t(`page.service.old.${slug(s.old)}`), s.level && t(`page.service.level.${slug(s.level)}`), s.note];
  return `${words.filter(Boolean).join(", ")} (${nameOf(s.mark.by)})`;
}

/** Fields of money and dates, in the order they are told. */
export const ARRANGED = /** @type {const} */ (["fee", "limit", "over_limit", "deposit", "diagnosis_by", "ready_by", "old_parts", "terms"]);

/**
 * One arrangement as a sentence.
 * @param {string} field @param {any} value as in the log
 */
export function arrangement(field, value) {
  const key = `page.arranged.${slug(field)}`;
  if (typeof value === "object" && value !== null) return t(key, { value: shownMoney(value) });
  if (field === "terms") return t(key);
  if (/^\d{4}-\d{2}-\d{2}$/.test(value)) return t(key, { value: plainDay(value) });
  return t(`${key}.${slug(String(value))}`);
}

/** @param {IntakeView} view */
export function arrangements(view) {
  return ARRANGED.flatMap((f) => {
    const fact = view.state.arrangements[f];
    return fact ? [arrangement(f, fact.value)] : [];
  });
}

/** What a gap is called in a list. @param {Kind | null} kind @param {string} gap */
export function gapName(kind, gap) {
  const [group, id] = gap.split(":");
  if (group === "view") return named(kind?.view, id);
  if (group === "question") return named(kind?.question, id);
  if (group === "reading") return named(kind?.reading, id);
  if (group === "machine" || group === "arrangement") return t(`page.field.${slug(id)}`);
  return t(`gap.name.${slug(gap.startsWith("line-photo") ? group : gap.replace(":", "-"))}`);
}

/** What was left open: what, why, who. @param {IntakeView} view @param {import("../core/types.js").LetThrough[]} left */
export const leftOpen = (view, left) => left.map((l) => t("page.left-open", { what: gapName(view.kind, l.gap), reason: l.reason, name: nameOf(l.by) }));
