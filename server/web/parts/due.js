// What the server says is due, as pages show it.

import { ask } from "../core/app.js";

/** @import {Summary} from "../core/app.js" */

/** @param {string} on YYYY-MM-DD @returns {Promise<import("../core/due.js").Due & {from: string, more: boolean}>} */
export async function fetchDue(on) {
  const { json } = await ask("GET", `/due?on=${on}`);
  const flat = (/** @type {any} */ { summary, ...rest }) => /** @type {Summary} */ ({ ...summary, ...rest });
  return {
    promised: json.promised.map((/** @type {any} */ p) => ({ ...p, intake: flat(p.intake) })),
    waiting: json.waiting.map(flat), no_place: json.no_place.map(flat),
    steps: json.steps.map((/** @type {any} */ x) => ({ ...x, intake: flat(x.intake) })), windows: json.windows.map((/** @type {any} */ x) => ({ ...x, intake: flat(x.intake) })), more: json.more, from: "server",
  };
}
