// The catalogues of sentences as they come from the server and stay on the device, all of them: a customer's language is needed
// where there is no signal too. A catalogue's bytes' digest stands in a sheet.
// @ts-check

import { fromUtf8, utf8 } from "./bytes.js";
import { digestOf } from "./sha256.js";
import { isTrouble, trouble } from "./trouble.js";
import { FIRST, nameOfLanguage, speak, spoken } from "./words.js";

/** @import {Context} from "./context.js" */
/** @import {Catalogue} from "./words.js" */
/** @import {WordsRow} from "./store.js" */

// A catalogue belongs to no shop; the address has one. Before anyone is signed in, none is named.
const NO_SHOP = "00000000-0000-0000-0000-000000000000";
/** Languages of one server that are kept here; no shop has more. */
const MOST = 50;

/** Languages wanted on this device, most first: what was chosen here, the browser's, the one that is always there. @param {Context} ctx @returns {Promise<string[]>} */
async function wanted(ctx) {
  const chosen = await ctx.store.read(["meta"], (w) => w.meta("language"));
  const tags = [...(typeof chosen === "string" ? [chosen] : []), ...ctx.edge.languages(), FIRST];
  return [...new Set(tags.flatMap((l) => [l.toLowerCase(), l.toLowerCase().split("-")[0]]))];
}

/** The first wanted language that is among these. @template {{language: string}} T @param {string[]} tags @param {T[]} there @returns {T | undefined} */
const best = (tags, there) => tags.map((l) => there.find((c) => c.language.toLowerCase() === l)).find((c) => c !== undefined);

/** @param {WordsRow} row @returns {Catalogue} */
function read(row) {
  return { language: row.language, digest: row.digest, texts: JSON.parse(fromUtf8(row.bytes)) };
}

/** @param {Context} ctx @returns {Promise<WordsRow[]>} */
const rows = (ctx) => ctx.store.read(["words"], (w) => w.all("words"));

/** Speaks the best catalogue kept on the device. @param {Context} ctx @returns {Promise<boolean>} whether there is one */
export async function speakKept(ctx) {
  const row = best(await wanted(ctx), await rows(ctx));
  if (row && row.digest !== spoken().digest) speak(read(row));
  return row !== undefined;
}

/** Speaks the catalogue kept on the device, or fetches it; a page waits for no other language. @param {Context} ctx */
export async function keptWords(ctx) {
  if (await speakKept(ctx)) return;
  await fetchWords(ctx, { firstOnly: true }).catch(() => {});
}

/** One language's catalogue as kept here, or null. @param {Context} ctx @param {string} language @returns {Promise<Catalogue | null>} */
export async function wordsOf(ctx, language) {
  if (language === spoken().language) return spoken();
  const row = await ctx.store.read(["words"], (w) => w.get("words", language));
  return row ? read(row) : null;
}

/** Languages kept here, each by its own name. @param {Context} ctx @returns {Promise<{language: string, name: string}[]>} */
export async function languages(ctx) {
  return (await rows(ctx)).map((row) => ({ language: row.language, name: nameOfLanguage(read(row)) }));
}

/** Chooses the language of this device. @param {Context} ctx @param {string} language one that is kept here */
export async function useLanguage(ctx, language) {
  await ctx.store.write(["words", "meta"], async (w) => {
    if (!(await w.get("words", language))) throw trouble("no-words");
    await w.setMeta("language", language);
  });
  await speakKept(ctx);
  ctx.bus.say("language");
}

/** @param {Context} ctx @param {string} path */
const get = (ctx, path) => ctx.transport.send("GET", `/v1/shops/${ctx.session?.shop ?? NO_SHOP}/words${path}`, { patience: 5_000 });

/** Brings the newest catalogues here, the device's own language first. Waits for the network. @param {Context} ctx @param {{firstOnly?: boolean}} [which] */
export async function fetchWords(ctx, { firstOnly = false } = {}) {
  const { json } = await get(ctx, "");
  const listed = /** @type {{language: string, digest: string}[]} */ (json.slice(0, MOST));
  const first = best(await wanted(ctx), listed);
  const held = new Map((await rows(ctx)).map((r) => [r.language, r.digest]));
  const others = firstOnly ? [] : listed.filter((l) => l !== first);
  for (const { language, digest } of [...(first ? [first] : []), ...others]) {
    if (held.get(language) !== digest) await fetchOne(ctx, language);
    if (language === first?.language) await speakKept(ctx);
  }
  if (firstOnly) return;
  const gone = [...held.keys()].filter((l) => !listed.some((c) => c.language === l));
  await ctx.store.write(["words"], async (w) => {
    for (const language of gone) await w.remove("words", language);
  });
}

/** @param {Context} ctx @param {string} language */
async function fetchOne(ctx, language) {
  try {
    const { text } = await get(ctx, `/${encodeURIComponent(language)}`);
    const bytes = utf8(text);
    await ctx.store.write(["words"], (w) => w.put("words", { language, digest: digestOf(bytes), bytes: bytes.buffer }));
  } catch (error) {
    // Taken away since it was listed.
    if (!isTrouble(error, "not-found")) throw error;
  }
}
