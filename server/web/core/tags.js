// Tags set apart for this device: what it offers where there is no network, and no other device does.
// @ts-check

import { signedIn } from "./context.js";
import { givenTags, openedTags } from "./write.js";

/** @import {Context} from "./context.js" */

/** Tags a device has set apart, and how few may be left before it asks for more. */
const BLOCK = 20;
const FEW = 12;
/** How long a page waits for more before it offers what there is, milliseconds. */
const PATIENCE = 3_000;

/** Tags set apart here that hang on nothing this device knows of, in order. @param {Context} ctx @returns {Promise<string[]>} */
export async function freeTags(ctx) {
  const { shop } = signedIn(ctx);
  return ctx.store.read(["meta", "intakes", "queue", "entries"], async (w) => {
    const leased = await w.meta(`tags:${shop}`);
    if (!Array.isArray(leased)) return [];
    const given = (await w.by("intakes", "shop", shop)).flatMap((i) => [i.tag, ...(i.summary?.tags_before ?? [])]);
    const used = new Set([...given, ...(await openedTags(w, shop)), ...(await givenTags(w, shop))]);
    return leased.filter((tag) => !used.has(tag));
  });
}

/** Has tags set apart while there is a network, when few are left. Waits for it. @param {Context} ctx */
export async function leaseTags(ctx) {
  const { shop } = signedIn(ctx);
  if ((await freeTags(ctx)).length >= FEW) return;
  const { json } = await ctx.transport.send("POST", `/v1/shops/${shop}/tags/lease`, { json: { count: BLOCK }, patience: PATIENCE });
  const tags = /** @type {string[]} */ (json.tags.filter((/** @type {unknown} */ tag) => typeof tag === "string").slice(0, BLOCK));
  await ctx.store.write(["meta"], (w) => w.setMeta(`tags:${shop}`, tags));
}

/** As `leaseTags`, for a device that gave out tags before. @param {Context} ctx */
export async function keepTags(ctx) {
  const { shop } = signedIn(ctx);
  if (await ctx.store.read(["meta"], (w) => w.meta(`tags:${shop}`))) await leaseTags(ctx);
}
