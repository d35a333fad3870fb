// The catalogue of sentences as it comes from the server and stays on the device. Its bytes' digest stands in a sheet.
// @ts-check

import { fromUtf8, utf8 } from "./bytes.js";
import { digestOf } from "./sha256.js";
import { isTrouble } from "./trouble.js";
import { FIRST, speak } from "./words.js";

/** @import {Context} from "./context.js" */
/** @import {Catalogue} from "./words.js" */

// The catalogue belongs to no shop; the address has one. Before anyone is signed in, none is named.
const NO_SHOP = "00000000-0000-0000-0000-000000000000";

/** Languages wanted, most first, the one that is always there last. @param {Context} ctx @returns {string[]} */
function wanted(ctx) {
  return [...new Set([...ctx.edge.languages().map((l) => l.toLowerCase().split("-")[0]), FIRST])].filter((l) => /^[a-z]{2,3}$/.test(l));
}

/** @param {{language: string, digest: string, bytes: ArrayBuffer}} row @returns {Catalogue} */
function read(row) {
  return { language: row.language, digest: row.digest, texts: JSON.parse(fromUtf8(row.bytes)) };
}

/** Speaks the catalogue kept on the device, or fetches the first. @param {Context} ctx */
export async function keptWords(ctx) {
  const rows = await ctx.store.read(["words"], (w) => w.all("words"));
  const row = wanted(ctx).map((l) => rows.find((r) => r.language === l)).find((r) => r !== undefined);
  if (row) speak(read(row));
  else await fetchWords(ctx).catch(() => {});
}

/** One language's catalogue as kept here, or null. @param {Context} ctx @param {string} language @returns {Promise<Catalogue | null>} */
export async function wordsOf(ctx, language) {
  const row = await ctx.store.read(["words"], (w) => w.get("words", language));
  return row ? read(row) : null;
}

/** Brings the newest catalogue here. Waits for the network. @param {Context} ctx */
export async function fetchWords(ctx) {
  for (const language of wanted(ctx)) {
    try {
      const { text } = await ctx.transport.send("GET", `/v1/shops/${ctx.session?.shop ?? NO_SHOP}/words/${language}`, { patience: 5_000 });
      const bytes = utf8(text);
      const row = { language, digest: digestOf(bytes), bytes: bytes.buffer };
      await ctx.store.write(["words"], (w) => w.put("words", row));
      speak(read(row));
      return;
    } catch (error) {
      if (!isTrouble(error, "not-found")) throw error;
    }
  }
}
