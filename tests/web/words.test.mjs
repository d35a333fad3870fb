// The catalogues that are shipped: every sentence of each can be said, and nothing is left in braces.
import assert from "node:assert/strict";
import { readFileSync, readdirSync } from "node:fs";
import { test } from "node:test";
import { speak, spoken, t } from "../../server/web/core/words.js";
import { shownMoney, typedMoney } from "../../server/web/parts/money.js";
import { dayAndTime, plainDay } from "../../server/web/parts/times.js";

const folder = new URL("../../schema/words/", import.meta.url);
const catalogues = readdirSync(folder).filter((f) => f.endsWith(".json")).map((f) => ({
  language: f.slice(0, -5), digest: "", texts: JSON.parse(readFileSync(new URL(f, folder), "utf8")),
}));
const first = catalogues.find((c) => c.language === "en");
const names = (text) => [...text.matchAll(/\{([^{}]*)\}/g)].map((m) => m[1]);
/** What a placeholder stands for, as the code gives it: numbers, texts, tables, lists of sentences. */
const sample = (name, count) => ({
  count, index: count, limit: 48, percent: 40, seconds: 3, view: { en: "bar side", de: "Schwertseite" }, reasons: [{ key: "photo.blurred", with: {} }, { key: "photo.too-dark" }],
}[name] ?? `[${name}]`);

test("the languages that are shipped", () => {
  assert.deepEqual(catalogues.map((c) => c.language).sort(), ["de", "en"]);
});

for (const catalogue of catalogues) {
  test(`${catalogue.language}: every sentence, for none, one and several`, () => {
    for (const key of Object.keys(catalogue.texts)) {
      for (const count of [0, 1, 2, 21]) {
        // The names that the English sentence has are those that the code gives.
        const base = first.texts[key.replace(/\.one$/, "")] ?? "";
        const given = Object.fromEntries([...names(base), ...names(first.texts[key])].map((n) => [n, sample(n, count)]));
        const said = t(key, given, catalogue);
        assert.doesNotMatch(said, /[{}]|undefined|\[object|NaN/, `${key}: ${said}`);
        assert.notEqual(said.trim(), "", key);
        assert.notEqual(said, key);
      }
    }
  });

  test(`${catalogue.language}: no straight quotes, no double blanks, no sentence that is another language's`, () => {
    for (const [key, text] of Object.entries(catalogue.texts)) {
      assert.doesNotMatch(text, / {2}|^ | $|\.\.\./, key);
      if (catalogue.language === "de") assert.doesNotMatch(text, /"|'|”|\b(the|this|and|not|with)\b/, key);
    }
  });
}

test("money and days follow the language", () => {
  const before = spoken();
  const shown = (language) => {
    speak({ language, digest: "", texts: {} });
    return [shownMoney({ minor: 123450, currency: "EUR" }), typedMoney({ minor: 5, currency: "EUR" }), shownMoney({ minor: 900, currency: "JPY" }), plainDay("2026-12-02"), dayAndTime(Date.UTC(2026, 2, 29, 0, 30), "Europe/Berlin")];
  };
  // Unicode CLDR, as the browser has it; the receipt writes the same (server/src/receipt).
  assert.deepEqual(shown("en"), ["EUR\u00a01234.50", "0.05", "JPY\u00a0900", "Wed, 2 Dec 2026", "29 Mar 2026, 01:30"]);
  assert.deepEqual(shown("de"), ["1234,50\u00a0EUR", "0,05", "900\u00a0JPY", "Mi., 2. Dez. 2026", "29. März 2026, 01:30"]);
  // Back to English: nothing made for one language is used for another.
  assert.equal(shown("en")[4], "29 Mar 2026, 01:30");
  speak(before);
});
