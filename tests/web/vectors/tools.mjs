// Assembles the vectors of schema/vectors/check.json: entries from short names, sheets from the names a case lists. What is
// expected is written by hand in the cases, from the rules in schema/vectors/README.md; nothing here uses the app's code.

import { createHash } from "node:crypto";

export const SHOP = "0193b0e8-0000-7000-8000-0000000000a1";
export const INTAKE = "0193b0e8-0000-7000-8000-0000000000b2";
export const INES = "0193b0e8-0000-7000-8000-00000000001e";
export const BO = "0193b0e8-0000-7000-8000-0000000000b0";

/** SHA-256 as entries write it. */
export const sha = (text) => `sha256:${createHash("sha256").update(text).digest("hex")}`;
/** A UUID that stays the same for a name. */
export const id = (name) => `0193b0e8-0000-7000-8000-${createHash("sha256").update(`id ${name}`).digest("hex").slice(0, 12)}`;

export const KIND = sha("the kind's bytes");
export const WORDS = sha("the catalogue's bytes");
export const TERMS = sha("the terms' bytes");
/** Digest of a photo's bytes. */
export const bytesOf = (photo) => sha(`bytes of ${photo}`);
export const STROKES = sha("the strokes' bytes");

/** One entry: its name in the case, its type and body. `local`: not on the server yet. `index`: its place, if not the next. */
export const e = (name, type, body, more = {}) => ({ name, type, body, by: INES, ...more });

// ---- what a complete intake of the small kind says, a name each

export const opened = (kind_id = "small") => e("open", "intake-opened", { kind: KIND, kind_id, tag: "0417", how: "at counter" });
export const machine = (field, value, name = field) => e(name, "machine-described", { field, value, from: "typed" });
export const owner = (card = {}, name = "owner") => e(name, "person-named", { who: "owner", name: "M. Okafor", phone: "0151 2345", ...card });
export const bringer = (card = { same_as_owner: true }, name = "bringer") => e(name, "person-named", { who: "bringer", ...card });
export const complaint = (text = "it dies when I give it gas", name = "complaint") =>
  e(name, "statement-made", { topic: "complaint", heard_by: INES, text });
export const choice = (question, choice_, name = question) => e(name, "question-answered", { question, choice: choice_ });
export const answer = (question, body, name = question) => e(name, "question-answered", { question, ...body });
export const line = (name, part, word, photos = [], entry = name) =>
  e(entry, "condition-noted", { line: id(name), part, word, photos: photos.map(id) });
export const withdrawn = (name, entry = `${name} withdrawn`) => e(entry, "condition-withdrawn", { line: id(name), because: "wrong machine" });
export const safety = (item, seen = "seen", name = item) => e(name, "safety-noted", { item, seen });
export const accessory = (item, stays = "kept here", name = item) => e(name, "accessory-noted", { item, count: stays === "not with it" ? 0 : 1, stays });
export const block = (name) => e(`block ${name}`, "block-answered", { block: name, sentence: `block.${name}.rest` });
export const arranged = (values, name = "arranged") => e(name, "arrangement-made", { values });
export const euro = (minor) => ({ currency: "EUR", minor });
export const leftOpen = (gap, reason = "no time today", more = {}, name = `left ${gap}`) => e(name, "left-open", { gap, reason }, more);

export const taken = (photo, view, more = {}) =>
  e(photo, "photo-taken", { photo: id(photo), file: bytesOf(photo), size: 1000, ...(view ? { view } : {}), stage: "received" }, more);
const server = { by: null };
export const received = (photo) =>
  e(`${photo} received`, "photo-received", { photo: id(photo), file: bytesOf(photo), size: 1000, media_type: "image/jpeg" }, server);
export const SOFT = [{ key: "photo.too-soft", with: {} }, { key: "photo.too-small", with: { width: 320 } }];
export const judged = (photo, verdict = "usable", reasons = [], name = `${photo} judged`) =>
  e(name, "photo-judged", { photo: id(photo), file: bytesOf(photo), by: "1", verdict, reasons, measures: {}, claims: {}, renditions: [] }, server);
/** A photo the server has and found good. */
export const good = (photo, view) => [taken(photo, view), received(photo), judged(photo)];
export const fileReceived = (file, of) => e(`${of} received`, "file-received", { file, size: 100, of }, server);

/** Everything a complete intake of the small kind says before the signature. `without` drops names, `and` is said after. */
export function complete({ without = [], and = [] } = {}) {
  const all = [
    opened(), machine("make", "Alder"), machine("model", "A 40"), machine("serial", "AL-1138"), machine("engine-numbers", "40 / 7 / 12"),
    owner(), bringer(), complaint(), ...good("front", "front"), ...good("plate", "plate"), choice("bought", "new"), answer("hours", { text: "12" }),
    line("hood", "hood", "clean"), line("wheel", "wheel", "not seen"), safety("guard"), safety("switch"), accessory("key"), accessory("cover"),
    arranged({ fee: euro(2500), limit: euro(10000), deposit: "none", diagnosis_by: "2026-12-04" }), arranged({ terms: TERMS }, "terms"),
  ];
  return [...all.filter((x) => !without.includes(x.name)), ...and];
}
/** Names of the entries on the sheet of `complete()`. */
export const ON_SHEET = [
  "open", "make", "model", "serial", "engine-numbers", "owner", "bringer", "complaint", "front", "plate", "bought", "hours", "hood", "wheel",
  "guard", "switch", "key", "cover", "arranged", "terms",
];
/** The photos on it, in order. */
export const PHOTOS = ["front", "plate"];
/** A signature on the sheet that lists these names and photos. */
export const signed = (entries = ON_SHEET, photos = PHOTOS, { how = "signed", name = "ack", reader, terms = true, shownReader = reader } = {}) => ({
  ...e(name, "acknowledged", {
    how, language: "en", words: WORDS, ...(reader ? { reader } : {}), ...(how === "signed" ? { strokes: STROKES } : { because: "in a hurry" }),
  }),
  sheet: { entries, photos, terms, reader: shownReader },
});
export const bothFiles = () => [{ ...fileReceived("", "sheet"), sheetOf: "ack" }, fileReceived(STROKES, "strokes")];
/** A complete intake, signed, its files on the server. */
export const done = (changes = {}) => [...complete(changes), signed(), ...bothFiles()];

// ---- what is expected

const AT = "at counter";
const BEFORE = "before opening";
/** Names and reasons of the small kind's views and questions, copied from kinds/small.toml by hand. */
const VIEWS = {
  front: [AT, { en: "Front", de: "Vorne" }, { en: "Shows which machine it is.", de: "Zeigt, welche Maschine es ist." }],
  plate: [AT, { en: "Plate" }, { en: "Shows the serial." }],
  side: [AT, { en: "Side" }, { en: "Used ones hide repairs here." }],
  lid: [BEFORE, { en: "Lid" }, { en: "A crack may go further." }],
  inside: ["at bench", { en: "Inside" }, { en: "The story is checked here." }],
};
const QUESTIONS = {
  bought: [AT, "How did you get it?"], hours: [AT, "How many hours?"], story: [AT, "What were you told?"],
  rebuilt: [BEFORE, "Told rebuilt?"], "why-unasked": ["at bench", "Why were they not asked?"],
};
const gap = (gap, due, key, names = {}) => ({ gap, due, key, with: names });

export const noMachine = (field) => gap(`machine:${field}`, field === "engine-numbers" ? BEFORE : AT, "gap.machine", { field });
export const noOwner = gap("person:owner", AT, "gap.owner");
export const noContact = gap("person:owner-contact", AT, "gap.owner-contact");
export const noBringer = gap("person:bringer", AT, "gap.bringer");
export const noComplaint = gap("statement:complaint", AT, "gap.complaint");
export const view = (name, what, reasons) =>
  gap(`view:${name}`, VIEWS[name][0], `gap.view.${what}`, { view: VIEWS[name][1], why: VIEWS[name][2], ...(reasons ? { reasons } : {}) });
export const question = (name) => gap(`question:${name}`, QUESTIONS[name][0], "gap.question", { question: { en: QUESTIONS[name][1] } });
export const walkRound = (count) => gap("walk-round", AT, "gap.walk-round", { count });
export const linePhoto = (name, part, word) => gap(`line-photo:${id(name)}`, AT, "gap.line-photo", { part: { en: part }, word });
export const CRACKED = { en: "cracked", de: "gerissen" };
export const noSafety = (count) => gap("safety", AT, "gap.safety", { count });
export const noAccessories = (count) => gap("accessories", AT, "gap.accessories", { count });
export const noArrangement = (field) => gap(`arrangement:${field}`, AT, "gap.arrangement", { field });
export const ack = (what) => gap("acknowledgement", AT, `gap.acknowledgement.${what}`);
export const letThrough = (g, { reason = "no time today", by = INES } = {}) => ({ ...g, reason, by });
/** What an intake of the small kind lacks when it was just opened, in order. */
export const JUST_OPENED = [
  noMachine("make"), noMachine("model"), noMachine("serial"), noMachine("engine-numbers"), noOwner, noContact, noBringer, noComplaint,
  view("front", "missing"), view("plate", "missing"), question("bought"), question("hours"), walkRound(2), noSafety(2), noAccessories(2),
  noArrangement("fee"), noArrangement("limit"), noArrangement("deposit"), noArrangement("diagnosis_by"), noArrangement("terms"), ack("missing"),
];
export { gap, AT, BEFORE };

// ---- assembling

const canonical = (v) =>
  Array.isArray(v) ? `[${v.map(canonical).join(",")}]`
  : typeof v === "object" ? `{${Object.keys(v).sort().map((k) => `${JSON.stringify(k)}:${canonical(v[k])}`).join(",")}}`
  : JSON.stringify(v);

/** The sheet that lists these entries and photos, put together from their digests alone. */
function sheetOf({ entries, photos, terms = true, reader, words = WORDS, language = "en" }, digests) {
  const named = (name) => digests.get(name) ?? fail(`no entry is called "${name}"`);
  const sheet = {
    entries: [...new Set(entries.map(named))].sort(), files: photos.map((p) => p.file ?? bytesOf(p)), intake: INTAKE, kind: KIND, language,
    ...(reader ? { reader } : {}), shop: SHOP, ...(terms ? { terms: TERMS } : {}), v: 1, words,
  };
  return { sheet, digest: sha(canonical(sheet)) };
}

function fail(why) {
  throw new Error(why);
}

/** One vector of the file. */
export function assemble({ name, mode, kind = "small", entries, gaps = [], left_open = [], sheet }) {
  const digests = new Map(entries.map((x) => [x.name, sha(`entry ${x.name}`)]));
  if (digests.size !== entries.length) fail(`${name}: two entries have one name`);
  const signatures = new Map(entries.filter((x) => x.sheet).map((x) => [x.name, sheetOf(x.sheet, digests).digest]));
  let next = 10;
  const rows = entries.map((x) => {
    const body = { ...x.body };
    if (x.sheet) body.sheet = signatures.get(x.name);
    if (x.sheetOf) body.file = signatures.get(x.sheetOf);
    return {
      index: x.local ? null : x.index ?? next++, type: x.type, body, digest: digests.get(x.name), ...(x.by ? { by: x.by } : {}),
    };
  });
  const vector = { name, kind, mode, shop: SHOP, intake: INTAKE, entries: rows, expect: { gaps, left_open } };
  if (sheet) {
    const built = sheetOf(sheet, digests);
    vector.sheet = {
      language: sheet.language ?? "en", words: WORDS, ...(sheet.reader ? { reader: sheet.reader } : {}),
      digest: built.digest, files: built.sheet.files, entries: built.sheet.entries,
    };
  }
  return vector;
}
