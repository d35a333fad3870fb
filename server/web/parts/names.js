// Names of the shop's staff for the ids in the log. They are kept on the device, so that "heard by" is told offline too.

import { ask, session } from "../core/app.js";
import { t } from "../core/words.js";

const KEY = "counterfoil-staff-names";

/** @returns {Record<string, string>} */
function kept() {
  try {
    return JSON.parse(localStorage.getItem(KEY) ?? "{}");
  } catch {
    return {};
  }
}

/** @type {Promise<void> | null} */
let fetching = null;
/** @type {Record<string, string> | null} */
let held = null;

/** Brings the names here when the server answers; never waited for by a page. @param {() => unknown} [then] */
export function freshNames(then) {
  fetching ??= ask("GET", "/staff").then(({ json }) => {
    const before = JSON.stringify(kept());
    const list = /** @type {{ staff: string, name: string }[]} */ (Array.isArray(json) ? json : json.staff);
    held = Object.fromEntries(list.map((s) => [s.staff, s.name]));
    localStorage.setItem(KEY, JSON.stringify(held));
    if (before !== JSON.stringify(held)) then?.();
  }).catch(() => {
    fetching = null;
  });
}

/** @param {string | undefined} staff */
export function nameOf(staff) {
  const me = session();
  if (!staff) return t("page.the-server");
  if (me?.staff === staff) return me.name;
  held ??= kept();
  return Object.hasOwn(held, staff) ? held[staff] : t("page.somebody");
}

export function forgetNames() {
  held = null;
  fetching = null;
  localStorage.removeItem(KEY);
}
