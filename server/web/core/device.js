// What this device can be relied on for, as a page tells it: whether the app opens without a network, whether what is kept
// here lasts, how full it is, how its clock goes, and whether a newer version waits.
// @ts-check

import { clockOff } from "./clock.js";
import { tooOld } from "./versions.js";

/** @import {Context} from "./context.js" */

/** @param {Context} ctx @returns {Promise<import("./app.js").Device>} */
export async function device(ctx) {
  const { measured } = ctx.transport;
  const space = await ctx.edge.page?.space().catch(() => undefined);
  return {
    kept: ctx.keeper?.kept() ?? false, newer: ctx.keeper?.newer() ?? false, too_old: tooOld(ctx.about),
    clock: clockOff(measured), ...(measured ? { measured } : {}), ...(ctx.lasts === undefined ? {} : { lasts: ctx.lasts }),
    ...(space?.usage !== undefined && space.quota !== undefined ? { used: space.usage, quota: space.quota } : {}),
  };
}
