// Sentences: every shown text is a message key with one catalogue a language; a kind's own texts are tables by language.
// @ts-check

/** @import {Text} from "./types.js" */

/** The language that is always there. */
export const FIRST = "en";

/** @typedef {{language: string, digest: string, texts: {[key: string]: string}}} Catalogue */

/** @type {Catalogue} */
let current = { language: FIRST, digest: "", texts: {} };

/** Makes a catalogue the one that is spoken. @param {Catalogue} catalogue */
export function speak(catalogue) {
  current = catalogue;
}

/** The catalogue that is spoken. @returns {Catalogue} */
export function spoken() {
  return current;
}

/** Language tag of what is spoken. @returns {string} */
export function language() {
  return current.language;
}

/**
 * Draws something in another catalogue, then speaks as before. Only what `draw` does at once is in it: nothing after an await.
 * @template T
 * @param {Catalogue} catalogue @param {() => T} draw @returns {T}
 */
export function spokenIn(catalogue, draw) {
  const before = current;
  current = catalogue;
  try {
    return draw();
  } finally {
    current = before;
  }
}

/** What a catalogue's language calls itself. @param {Catalogue} catalogue @returns {string} */
export function nameOfLanguage({ language, texts }) {
  return Object.hasOwn(texts, "language.name") ? texts["language.name"] : language;
}

/** Whether there is a sentence for a key. @param {string} key @returns {boolean} */
export function has(key) {
  return Object.hasOwn(current.texts, key);
}

/**
 * The sentence of a key with its names put in. An unknown key shows itself, an unnamed name its braces. Where a name is a
 * number and the catalogue has `<key>.one`, that is taken for one (and so for each plural category of the language).
 * @param {string} key
 * @param {{[name: string]: any}} [names] strings, numbers, texts by language, sentences `{key, with}`, or lists of these
 * @param {Catalogue} [catalogue]
 * @returns {string}
 */
export function t(key, names = {}, catalogue = current) {
  const texts = catalogue.texts;
  const number = Object.values(names).find((v) => typeof v === "number");
  const plural = number === undefined ? key : `${key}.${new Intl.PluralRules(catalogue.language).select(number)}`;
  const text = Object.hasOwn(texts, plural) ? texts[plural] : Object.hasOwn(texts, key) ? texts[key] : undefined;
  if (text === undefined) return key;
  return text.replace(/\{([^{}]*)\}/g, (whole, name) => (Object.hasOwn(names, name) ? valueText(names[name], catalogue) : whole));
}

/** A value as text in the language that is spoken. @param {any} value @param {Catalogue} [catalogue] @returns {string} */
export function valueText(value, catalogue = current) {
  if (Array.isArray(value)) return value.map((v) => valueText(v, catalogue)).join("; ");
  if (typeof value !== "object" || value === null) return String(value ?? "");
  if (typeof value.key === "string") return t(value.key, value.with ?? {}, catalogue);
  return text(value, catalogue);
}

/** A kind's text in the language that is spoken, else in the first one. @param {Text | undefined} table @param {Catalogue} [catalogue] @returns {string} */
export function text(table, catalogue = current) {
  if (!table) return "";
  // A region speaks its language: `de-AT` has the texts of `de`.
  for (const tag of [catalogue.language, catalogue.language.split("-")[0]]) if (Object.hasOwn(table, tag)) return table[tag];
  return table[FIRST] ?? Object.values(table)[0] ?? "";
}
