// The strip under the bar: a newer version waits, the server no longer works with this one, or the phone's clock is far off.

import { device, loadNewest, session, watchDevice } from "../core/app.js";
import { lasting } from "../core/clock.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h, put } from "./dom.js";
import { once } from "./once.js";
import { flush } from "./page.js";

const place = () => /** @type {HTMLElement} */ (document.getElementById("strip"));
/** A newer version is offered once a page; one that is needed stays. */
let shut = false;

/** How far a clock is off, in a sentence. @param {{ way: string, ms: number }} clock */
export function clockWords({ way, ms }) {
  const { unit, count } = lasting(ms);
  return t(`strip.clock.${way}`, { time: { key: `strip.length.${unit}`, with: { count } } });
}

const draw = once(async () => {
  const d = await device();
  const late = d.clock && session() ? h("p", null, clockWords(d.clock)) : null;
  const newer = d.too_old || (d.newer && !shut);
  put(place(), late || newer ? h("div", { class: "guide strip", role: "status" },
    late,
    newer ? h("p", null, t(d.too_old ? "strip.too-old" : "strip.newer")) : null,
    newer ? h("div", { class: "row" },
      act({ words: t("act.load-newest"), does: take }),
      d.too_old ? null : act({ words: t("act.later"), does: () => ((shut = true), draw()) })) : null) : null);
});

/** What is half typed is kept first. */
export async function take() {
  await flush();
  await loadNewest();
}

export const strip = {
  start() {
    watchDevice(() => draw().catch(() => {}));
    return draw().catch(() => {});
  },
};
