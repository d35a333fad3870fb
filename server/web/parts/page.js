// What a page is, and how it comes onto the screen: drawn, drawn again when the record changes, left.

import { isTrouble } from "../core/trouble.js";
import { language, t } from "../core/words.js";
import { act, actLink } from "./act.js";
import { h, put } from "./dom.js";
import { sentenceOf } from "./notice.js";
import { once } from "./once.js";

/**
 * @typedef {{ title: string, content: import("./dom.js").Children, wide?: boolean, focus?: string }} Drawn
 *   `focus`: id of the field that takes the focus when the page opens; its heading otherwise.
 * @typedef {{ draw: () => Drawn | Promise<Drawn>, watch?: (again: () => void) => (() => void)[], leave?: () => unknown, open?: boolean }} Page
 * @typedef {{ ids: string[], query: URLSearchParams, hash: string, go: (path: string, replace?: boolean) => void, again: () => Promise<void> }} At
 */

/** How long a page may take before it says that it is opening, milliseconds. */
const PATIENCE = 200;
/** And before it says that the signal is poor, and offers the way back. */
const LONG = 3_000;

/** @type {{ page: Page, stops: (() => void)[], again: () => Promise<void> } | null} */
let current = null;

/** Draws the page that is open again, e.g. when a picture has come. */
export const redraw = () => current?.again() ?? Promise.resolve();

/**
 * Opens a page in `main`.
 * @param {(at: At) => Page} make
 * @param {Omit<At, "again">} where
 */
export async function open(make, where) {
  await leave();
  const main = /** @type {HTMLElement} */ (document.getElementById("page"));
  /** @type {{ page: Page, stops: (() => void)[], again: () => Promise<void> }} */
  const mine = { page: /** @type {any} */ (null), stops: [], again: once(() => draw(false)) };
  current = mine;
  main.setAttribute("aria-busy", "true");
  // What came with the document stays on the screen until the page is drawn over it.
  const opening = [false, true].map((long) => setTimeout(() => current === mine && !early(main) && show(main, { title: t("page.opening"), content: waiting(long) }, true), long ? LONG : PATIENCE));

  let drawnOnce = false;
  let changed = false;

  /** Watched from before the first look on: what changes while the page is drawn is drawn after it. */
  function made() {
    const page = make({ ...where, again: () => mine.again() });
    mine.stops = page.watch?.(() => (drawnOnce ? mine.again() : (changed = true))) ?? [];
    return page;
  }

  /** @param {boolean} first */
  async function draw(first) {
    /** @type {Drawn} */
    let drawn;
    try {
      mine.page ??= made();
      drawn = await mine.page.draw();
    } catch (error) {
      // Nothing was done that could be sent later: the page alone is not there.
      const away = isTrouble(error, "device/no-network") || isTrouble(error, "device/too-slow");
      drawn = failing(away ? t("page.needs-server") : sentenceOf(error), () => mine.again());
    }
    if (current !== mine) return;
    if (first) opening.forEach(clearTimeout);
    show(main, drawn, first);
    if (first) arrive(main, drawn, where.hash);
  }

  await draw(true);
  if (current !== mine) return;
  main.removeAttribute("aria-busy");
  drawnOnce = true;
  if (changed) mine.again();
}

/** Leaves the open page: what is half typed is kept first. */
export async function leave() {
  const left = current;
  current = null;
  left?.stops.forEach((stop) => stop());
  await left?.page?.leave?.();
}

/** Keeps what is half typed when the phone goes to sleep. */
export const flush = () => current?.page?.leave?.();

/** @param {HTMLElement} main @param {Drawn} drawn @param {boolean} first */
function show(main, { title, content, wide }, first) {
  document.title = `${title} · Counterfoil`;
  document.documentElement.lang = language();
  main.classList.toggle("wide", Boolean(wide));
  // The form that came with the document becomes the page's own, with what was typed into it.
  if (first && !early(main)) main.replaceChildren();
  put(main, content);
}

/** @param {HTMLElement} main */
const early = (main) => main.querySelector("[data-early]") !== null;

/** Focus and scroll as after loading a document. @param {HTMLElement} main @param {Drawn} drawn @param {string} hash */
function arrive(main, { focus }, hash) {
  // Who types already is not disturbed.
  if (main.querySelector(":focus") instanceof HTMLInputElement) return;
  const target = hash ? document.getElementById(hash) : focus ? document.getElementById(focus) : null;
  const heading = main.querySelector("h1");
  window.scrollTo({ top: 0, behavior: "instant" });
  if (target) {
    target.scrollIntoView({ block: "center", behavior: "instant" });
    const inner = target.matches("input, textarea, button, a, [tabindex]") ? target : target.querySelector("input, textarea, button, a");
    if (inner instanceof HTMLElement) inner.focus({ preventScroll: true });
  } else {
    heading?.setAttribute("tabindex", "-1");
    (heading ?? main).focus({ preventScroll: true });
  }
}

/** @param {boolean} long */
function waiting(long) {
  return [h("p", { class: "empty", role: "status" }, t(long ? "page.opening-long" : "page.opening")), long ? h("div", { class: "row" }, actLink({ words: t("act.desk"), href: "/" })) : null];
}

/** @param {string} sentence @param {() => unknown} again @returns {Drawn} */
function failing(sentence, again) {
  return {
    title: t("page.failing"),
    content: [
      h("h1", null, t("page.failing")),
      h("p", { class: "fault" }, sentence),
      h("div", { class: "row" }, act({ words: t("act.again"), does: again }), actLink({ words: t("act.desk"), href: "/" })),
    ],
  };
}
