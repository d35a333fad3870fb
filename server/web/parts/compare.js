// Two photos of one view, one laid over the other: side by side, under a slider, by turns, or their differences. What the
// server bent is never shown without the unbent ones beside it, and a box is a place to look, nothing more.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";
import { act, picks } from "./act.js";
import { h, put } from "./dom.js";
import { close } from "./icons.js";
import { largeUrl } from "./picture.js";

/** @typedef {{photo: string, name: string}} Shot */
/** @typedef {[number, number, number, number]} Box left, top, across, down */
/**
 * @typedef {{compared: boolean, why?: string, first: [number, number], second: [number, number], shown: number, hidden: number,
 *   places: {first: Box, second: Box, pixels: number}[], more: number, bent?: string, differences?: string}} Said
 */

/** Time each picture stands, milliseconds: slower than what may disturb people (WCAG 2.2, 2.3.1: three a second). */
const TURN = 900;

/** More boxes than this go without numbers: they would cover the picture. */
const MANY = 9;

/** @param {{ intake: string, first: Shot, second: Shot }} what the earlier photo first */
export async function compare({ intake, first, second }) {
  let mode = "side";
  /** @type {Said | null} */
  let said = null;
  let fault = "";
  /** @type {ReturnType<typeof setInterval> | undefined} */
  let turns;
  const [one, two] = await Promise.all([largeUrl(first.photo), largeUrl(second.photo)]);
  const body = h("div", { class: "compare" });
  const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "large", "aria-label": t("compare.title") },
    h("div", { class: "stack stack--close" }, h("h2", null, t("compare.title"))),
    body,
    h("div", { class: "row" }, act({ words: t("act.close"), icon: close(), does: () => dialog.close() }))));
  dialog.addEventListener("close", () => {
    clearInterval(turns);
    dialog.remove();
  });
  document.body.append(dialog);
  dialog.showModal();
  draw();
  try {
    const query = new URLSearchParams({ first: first.photo, second: second.photo });
    said = (await ask("GET", `/intakes/${intake}/compare?${query}`)).json;
    if (said?.compared) mode = "slider";
  } catch (error) {
    fault = error instanceof Error ? error.message : String(error);
  }
  draw();

  function draw() {
    clearInterval(turns);
    const modes = ["side", "slider", "blink", "differences"].map((id) => ({ id, words: t(`compare.${id}`) }));
    const over = said?.compared ? said : null;
    put(body, [
      over ? picks({ name: t("compare.how"), chosen: mode, choices: modes, does: (id) => { mode = id; draw(); } }) : null,
      h("p", { class: "soft", role: "status" }, status()),
      over && mode !== "side"
        ? h("div", { class: "compare__pair", "data-key": "pair" }, h("div", { class: "stack stack--close" }, stage(over), h("p", { class: "soft" }, t("compare.caption"))), sides(over, true))
        : sides(over, false),
      over ? notes(over, mode === "differences") : null,
    ]);
  }

  /** What there is to say above the picture. */
  function status() {
    if (fault) return fault;
    if (!said) return t("compare.busy");
    if (!said.compared) return t(`compare.no.${said.why ?? "unreadable"}`);
    return said.places.length ? t("compare.places", { count: said.places.length + said.more }) : t("compare.none");
  }

  /** @param {Said} over */
  function stage(over) {
    if (mode === "differences") return h("figure", { class: "over", "data-key": "differences" }, img(jpeg(over.differences), t("compare.differences")));
    const bent = h("img", { class: "over__bent", src: jpeg(over.bent), alt: second.name });
    const figure = h("figure", { class: "over", "data-key": mode }, img(one, first.name), bent, boxes(over.places.map((p) => p.first), over.first));
    return mode === "slider" ? slider(figure) : byTurns(figure);
  }

  /** @param {HTMLElement} figure */
  function slider(figure) {
    const set = (/** @type {string} */ at) => figure.style.setProperty("--at", `${at}%`);
    set("50");
    return h("div", { class: "stack stack--close", "data-key": "slider" }, figure,
      h("label", { for: "compare-at", class: "compare__ends" }, h("span", null, first.name), h("span", null, second.name)),
      h("input", { id: "compare-at", class: "compare__at", type: "range", min: "0", max: "100", value: "50", "aria-label": t("compare.slide"), oninput: (/** @type {Event} */ e) => set(/** @type {HTMLInputElement} */ (e.target).value) }));
  }

  /** @param {HTMLElement} figure */
  function byTurns(figure) {
    const which = h("p", { class: "compare__which" });
    let later = false;
    const turn = () => {
      later = !later;
      figure.toggleAttribute("data-first", !later);
      which.textContent = later ? second.name : first.name;
    };
    const run = () => { clearInterval(turns); turns = setInterval(turn, TURN); };
    turn();
    if (!matchMedia("(prefers-reduced-motion: reduce)").matches) run();
    return h("div", { class: "stack stack--close", "data-key": "blink" }, figure, which, h("div", { class: "row" },
      act({ words: t("compare.turn"), does: () => { clearInterval(turns); turn(); } }), act({ words: t("compare.by-itself"), does: run })));
  }

  /** The unbent ones. @param {Said | null} over @param {boolean} small */
  function sides(over, small) {
    const side = (/** @type {string | null} */ url, /** @type {Shot} */ shot, /** @type {"first" | "second"} */ which) =>
      h("figure", { class: "compare__side" },
        h("div", { class: "over" }, img(url, shot.name), over ? boxes(over.places.map((p) => p[which]), over[which]) : null),
        h("figcaption", null, shot.name));
    return h("div", { class: `compare__sides${small ? " compare__sides--small" : ""}`, "data-key": small ? "unbent" : "sides" }, side(one, first, "first"), side(two, second, "second"));
  }
}

/** @param {string | null | undefined} src @param {string} alt */
function img(src, alt) {
  return src ? h("img", { src, alt }) : h("p", { class: "empty" }, t("page.photo.no-picture"));
}

/** @param {string | undefined} base64 */
function jpeg(base64) {
  return base64 ? `data:image/jpeg;base64,${base64}` : null;
}

/** @param {Box[]} all @param {[number, number]} size */
function boxes(all, [across, down]) {
  const part = (/** @type {number} */ of, /** @type {number} */ whole) => `${(of * 100) / whole}%`;
  return all.map(([x, y, w, h_], n) => h("span", {
    class: "over__box", "aria-hidden": "true",
    "--x": part(x, across), "--y": part(y, down), "--w": part(w, across), "--h": part(h_, down),
  }, all.length > MANY ? null : h("span", null, n + 1)));
}

/** @param {Said} over @param {boolean} whole whether the picture shown has a frame for every place */
function notes(over, whole) {
  const share = (/** @type {number} */ perMille) => Math.max(1, Math.round(perMille / 10));
  const all = [
    over.more && !whole ? t("compare.more", { count: over.more }) : "",
    over.shown < 995 ? t("compare.shown", { percent: share(over.shown) }) : "",
    over.hidden > 4 ? t("compare.hidden", { percent: share(over.hidden) }) : "",
  ].filter(Boolean);
  return all.length ? h("ul", { class: "sheet__list" }, all.map((w) => h("li", null, w))) : null;
}
