// The shipped kinds: the rules of a kind, and a line drawing for every view.
import assert from "node:assert/strict";
import { existsSync, readFileSync, readdirSync } from "node:fs";
import { test } from "node:test";
import { parse } from "smol-toml";
import { canonText } from "../../server/web/core/canon.js";
import { AFTER, BEFORE } from "../../server/web/core/part.js";

const root = new URL("../../", import.meta.url);
const read = (path) => readFileSync(new URL(path, root), "utf8");
const files = readdirSync(new URL("schema/kinds/", root)).filter((f) => f.endsWith(".toml"));

for (const file of files) {
  const kind = parse(read(`schema/kinds/${file}`));
  const lists = ["view", "question", "part", "condition", "safety", "accessory", "reading"];
  const conditional = [...kind.view, ...kind.question, ...kind.reading, ...kind.note];

  test(`${file}: at most 6 views and 3 questions are due at the counter, whatever was answered`, () => {
    const due = (list) => list.filter((x) => x.due === "at counter").length;
    assert.equal(`${kind.id}.toml`, file);
    assert.ok(due(kind.view) <= 6);
    assert.ok(due(kind.question) <= 3);
  });

  test(`${file}: ids are plain and stand once; every text is there in English and German`, () => {
    for (const list of [...lists, "note"]) {
      const ids = kind[list].map((x) => x.id);
      assert.deepEqual(ids.filter((x) => !/^[a-z0-9 -]{1,64}$/.test(x)), []);
      assert.equal(new Set(ids).size, ids.length, list);
    }
    const texts = [kind.name, kind.caution, ...lists.flatMap((l) => kind[l].map((x) => x.name)), ...kind.view.flatMap((v) => [v.short, v.stand, v.why]),
      ...kind.question.flatMap((q) => [q.why, ...(q.choices ?? []).map((c) => c.name)]), ...kind.reading.flatMap((r) => [r.method, r.why]),
      ...kind.note.map((n) => n.text), ...conditional.flatMap((x) => x.caution ?? [])];
    for (const text of texts) for (const language of ["en", "de"]) assert.ok(text?.[language]?.trim(), `${language} of ${JSON.stringify(text)}`);
    // "OK" is not a condition: it says nothing in a dispute.
    assert.ok(!kind.condition.some((c) => /^(ok|good|fine)$/i.test(c.id)));
  });

  test(`${file}: conditions name what is there`, () => {
    const known = (field) => {
      const [group, id] = [field.slice(0, field.indexOf(":")), field.slice(field.indexOf(":") + 1)];
      const list = { question: kind.question, safety: kind.safety, line: kind.part }[group];
      return group === "block" ? ["questions", "walk-round", "safety", "accessories"].includes(id) : list?.some((x) => x.id === id);
    };
    const walk = (w) => (w.all ?? w.any)?.forEach(walk) ?? (w.field && assert.ok(known(w.field), w.field));
    for (const { when } of conditional) if (when) walk(when);
  });

  test(`${file}: nothing at the counter depends on what is only known at the bench, and nothing is measured there`, () => {
    assert.ok(kind.reading.every((r) => r.due !== "at counter"));
    assert.deepEqual([...kind.view, ...kind.question].filter((x) => x.due === "at counter" && x.when), []);
  });

  test(`${file}: a caution from a regulation names it beside`, () => {
    const lines = read(`schema/kinds/${file}`).split("\n");
    const bare = lines.flatMap((l, i) => (l.startsWith("caution = ") && !lines[i - 1].startsWith("# ") ? [i + 1] : []));
    assert.deepEqual(bare, []);
  });

  test(`${file}: it can be written canonically, so that a phone can keep and compare it`, () => {
    assert.ok(canonText(JSON.parse(JSON.stringify(kind))).length < 256 * 1024);
  });

  for (const view of kind.view) {
    test(`${file}: ${view.id} has a line drawing that takes its page's colour`, () => drawn(view.drawing));
  }
}

for (const view of [...BEFORE, ...AFTER]) test(`a part's ${view} has a line drawing that takes its page's colour`, () => drawn(`part-${view}`));

/** @param {string} name */
function drawn(name) {
  const path = `server/web/drawings/${name}.svg`;
  assert.ok(existsSync(new URL(path, root)), path);
  const svg = read(path);
  assert.match(svg, /^<svg xmlns="http:\/\/www\.w3\.org\/2000\/svg" viewBox="0 0 160 100" fill="none" stroke="currentColor"/);
  assert.doesNotMatch(svg, /<(script|image|text|style|use|a)\b|href|url\(|#[0-9a-f]{3}/i);
  assert.ok(svg.length < 4096);
}
