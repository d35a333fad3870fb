// What a pack's page does with the checker: a file is chosen, nothing leaves, what was found is told. Speaks from the words in the page.
// @ts-check

import { VERDICTS, isTelling, keysTyped, worstOf } from "./entries.js";
import { checkFile } from "./pack.js";
import { rootsOf } from "./stamp.js";

/** @import {Item} from "./entries.js" */

/** @param {string} id */
const byId = (id) => document.getElementById(id);
const sentences = JSON.parse(byId("words")?.textContent ?? "{}");
const fileField = /** @type {HTMLInputElement} */ (byId("file"));
const earlierField = /** @type {HTMLInputElement} */ (byId("earlier"));
const keyField = /** @type {HTMLInputElement} */ (byId("key"));
const rootsField = /** @type {HTMLInputElement} */ (byId("roots"));
const foundPlace = /** @type {HTMLElement} */ (byId("found"));
let run = 0;

/** @param {string} key @param {{[name: string]: string | number}} [values] @returns {string} */
function sentence(key, values = {}) {
  return String(sentences[key] ?? key).replace(/\{([a-z]+)\}/g, (_, name) => String(values[name] ?? ""));
}

/** @param {string} tag @param {string} text @param {string} [kind] */
function element(tag, text, kind) {
  const out = document.createElement(tag);
  out.textContent = text;
  if (kind) out.className = kind;
  return out;
}

/** @param {Item[]} items @returns {Node[]} */
function told(items) {
  const worst = worstOf(items);
  const word = (/** @type {string} */ v) => sentence(`verify.verdict.${v.replace(" ", "-")}`);
  const list = document.createElement("ul");
  for (const verdict of VERDICTS.toReversed()) {
    for (const i of items.filter((x) => x.verdict === verdict && (verdict !== "unchanged" || isTelling(x)))) list.append(element("li", `${word(verdict)}: ${i.of}. ${sentence(`verify.code.${i.code}`)}`));
  }
  const count = items.filter((i) => i.verdict === "unchanged").length;
  return [element("p", word(worst), worst === "broken" || worst === "not understood" ? "verdict worse" : "verdict"), element("p", sentence("verify.counted", { count, all: items.length })), list];
}

async function look() {
  const file = fileField.files?.[0];
  if (!file) return;
  const mine = ++run;
  const given = keysTyped(keyField.value);
  if (!given) return foundPlace.replaceChildren(element("p", sentence("verify.no-key")));
  const pem = await rootsField.files?.[0]?.text();
  const roots = pem === undefined ? [] : rootsOf(pem);
  if (!roots) return foundPlace.replaceChildren(element("p", sentence("verify.no-roots")));
  const progress = (/** @type {number} */ done) => {
    if (mine === run) foundPlace.replaceChildren(element("p", sentence("verify.reading", { percent: Math.floor((100 * done) / file.size) })));
  };
  progress(0);
  try {
    const items = await checkFile(file, { ...given, roots }, earlierField.files?.[0] ?? null, progress);
    if (mine === run) foundPlace.replaceChildren(...told(items));
  } catch {
    if (mine === run) foundPlace.replaceChildren(element("p", sentence("verify.code.archive-unread")));
  }
}

for (const field of [fileField, earlierField, keyField, rootsField]) field.addEventListener("change", look);
