// No page, paper or note accuses anybody: the words of every catalogue and every kind are looked through, and what the looking
// finds is tried on sentences that do accuse. A word list is no reader: it holds the line that a reader drew.
import assert from "node:assert/strict";
import { readFileSync, readdirSync } from "node:fs";
import { test } from "node:test";
import { parse } from "smol-toml";

const schema = new URL("../../schema/", import.meta.url);

/** Words that name a fault of somebody, by language. Common practice of the trade, no source. */
const ACCUSES = {
  en: /\b(fakes?|faked|counterfeit\w*|fraud\w*|forge[dr]\w*|forgery|lied|liars?|(is|are|was|were) lying (to|about)|lies about|cheat\w*|dishonest\w*|negligen\w*|careless\w*|guilt\w*|culprit\w*|stole|stolen|thie(f|ves)|tamper\w*|manipulat\w*|your fault|to blame|blame[ds]?|botch\w*|abuse[ds]?|scam\w*|suspicious\w*|your mistake|you broke|you lost)\b/i,
  de: /(gefälscht|fälsch(t|ung|er)|betrug|betrüg|betrogen|gelogen|lüg(t|e|en|ner)\b|täusch|fahrlässig|\bschuldig|\bschuld\b|gestohlen|diebe?\b|manipulier|pfusch|verdächtig|unehrlich|missbrauch|ihr fehler|sie haben .* (verloren|zerbrochen))/i,
};
/** Sentences in which such a word speaks of what did not happen or of nobody: each read by a person. */
const READ = new Set(["care.incident.theft", "report.shows.opinions", "trust.certificate.warning", "trimmer.toml/view/guard/why"]);

/** Every text below a value, with where it stands. @param {any} value @param {string} where @returns {[string, string, string][]} */
function texts(value, where) {
  if (typeof value !== "object" || value === null) return [];
  if (typeof value.en === "string") return Object.entries(value).map(([language, text]) => [where, language, String(text)]);
  return Object.entries(value).flatMap(([k, v]) => texts(v, `${where}/${v?.id ?? k}`));
}

const catalogue = (language) => Object.entries(JSON.parse(readFileSync(new URL(`words/${language}.json`, schema), "utf8"))).map(([key, text]) => /** @type {[string, string, string]} */ ([key, language, String(text)]));
const kinds = readdirSync(new URL("kinds/", schema)).flatMap((f) => texts(parse(readFileSync(new URL(`kinds/${f}`, schema), "utf8")), f));

test("no sentence of a catalogue and no text of a kind accuses", () => {
  const all = [...catalogue("en"), ...catalogue("de"), ...kinds];
  assert.ok(all.length > 3000, `${all.length} texts`);
  const found = all.filter(([where, language, text]) => ACCUSES[language]?.test(text) && !READ.has(where));
  assert.deepEqual(found, []);
});

test("what accuses is found", () => {
  for (const sentence of ["This part is fake.", "A counterfeit cylinder.", "The customer lied about it.", "It is your fault.", "The photo was tampered with.", "You broke the chute."]) assert.match(sentence, ACCUSES.en);
  for (const sentence of ["Das Teil ist gefälscht.", "Das ist Betrug.", "Sie sind schuld.", "Der Kunde hat gelogen.", "Das Foto wurde manipuliert."]) assert.match(sentence, ACCUSES.de);
  for (const sentence of ["No maker's mark seen on faces 1 to 4.", "Believed closed.", "Kein Herstellerzeichen gesehen.", "Noch nicht entschuldigt."]) {
    assert.doesNotMatch(sentence, ACCUSES.en);
    assert.doesNotMatch(sentence, ACCUSES.de);
  }
});

test("both routes speak of what is missing, never of whose failing it is", () => {
  for (const language of ["en", "de"]) {
    const lines = catalogue(language).filter(([key]) => /^(part|dispute)\./.test(key));
    assert.ok(lines.length > 100);
    // "You" would speak to the other side in their own case.
    const said = language === "en" ? /\byou\b/i : /\b(Sie|du)\b/;
    const exceptions = new Set(["care.ask.opinion"]);
    assert.deepEqual(lines.filter(([key, , text]) => said.test(text) && !exceptions.has(key) && !/\bSie (läuft|lief)\b/.test(text)), []);
  }
});
