// Readings: the number exactly as read, its unit, and how it was measured, member by member. What the method allows is said
// beside it: drawn on its band when it can be compared, else what has to be recorded. The number itself is never changed.

import { say } from "../core/app.js";
import { holds } from "../core/kind.js";
import { BENCH } from "../core/reading.js";
import { t, text } from "../core/words.js";
import { act, field } from "./act.js";
import { AS_READ, askedForm, choicesOf, only } from "./asked-form.js";
import { band } from "./band.js";
import { h } from "./dom.js";
import { readingWords } from "./facts.js";
import { camera as cameraIcon } from "./icons.js";
import { notice, say as tell } from "./notice.js";
import { picture } from "./picture.js";

/** @import {IntakeView, Shop} from "../core/app.js" */
/** @import {Method, Reading, ReadingFact} from "../core/types.js" */
/** @import {Given} from "./asked-form.js" */

/** What a reading of an engine's pressure is recorded with. */
const WORDS = /** @type {[string, string[]][]} */ ([
  ["engine", ["two-stroke", "four-stroke"]], ["release", ["none", "closed", "pulled open", "automatic", "not known"]], ["throttle", ["wide open", "closed"]],
  ["engine_is", ["cold", "warm"]], ["cylinder", ["dry", "wet"]], ["valve", ["at the tip", "at the gauge", "not known"]],
]);

/**
 * @param {string} id
 * @param {(then: (photo: string) => void) => void} shootFor
 * @param {() => unknown} again
 */
export function readingsPart(id, shootFor, again) {
  /** Photos of a gauge taken and not yet noted, by reading. @type {Map<string, string>} */
  const photos = new Map();
  /** @type {Shop | null} */
  let here = null;
  /** @type {IntakeView} */
  let view;
  /** @type {Map<string, ReturnType<typeof askedForm>>} */
  const forms = new Map();

  /** @param {string} of */
  const input = (of) => /** @type {HTMLInputElement | null} */ (document.getElementById(of));

  /** @param {Reading} r */
  const form = (r) => {
    let made = forms.get(r.id);
    if (!made) forms.set(r.id, (made = askedForm({ id: `reading-${r.id}`, submit: t("act.note-reading"), again, does: (given) => note(r, given) })));
    return made;
  };

  /** @param {Reading} r @param {Given} given */
  async function note(r, given) {
    const how = methodOf(given);
    const photo = photos.get(r.id);
    /** @type {import("../core/types.js").JsonObject} */
    const body = { reading: r.id, value: given.value, unit: given.unit, ...only(given, ["method"]) };
    if (Object.keys(how).length) body.how = /** @type {any} */ (how);
    if (photo) body.photo = photo;
    if (given.part && given.part !== "none") body.part = given.part;
    await say(id, "reading-noted", body);
    photos.delete(r.id);
    tell(t("page.bench.noted"));
    return again();
  }

  /** @param {Reading} r */
  async function notTaken(r) {
    const because = input(`because-${r.id}`)?.value.trim();
    if (!because) return notice(t("page.bench.needs-reason"));
    await say(id, "reading-noted", { reading: r.id, not: "not taken", because });
    tell(t("page.bench.noted"));
    return again();
  }

  /** @param {Reading} r @returns {import("./asked-form.js").Ask[]} */
  function asks(r) {
    const units = BENCH[r.id] ?? [];
    const parts = view.state.parts.parts;
    const height = here?.settings.height;
    const pressure = r.id === "compression";
    /** @type {import("./asked-form.js").Ask[]} */
    const first = [
      { id: "value", words: t("page.bench.value"), kind: "number", need: true },
      units.length > 1 ? { id: "unit", words: t("page.bench.unit"), kind: "pick", choices: units.map((u) => ({ id: u, words: u })), need: true } : { id: "unit", words: t("page.bench.unit"), value: r.unit, most: 20, need: true },
    ];
    /** @type {import("./asked-form.js").Ask[]} */
    const method = pressure ? [
      ...WORDS.map(([name, words]) => /** @type {import("./asked-form.js").Ask} */ ({ id: name, words: t(`reading.ask.${name.replaceAll("_", "-")}`), kind: "pick", choices: choicesOf(words, (w) => `reading.${name.replaceAll("_", "-")}.${w}`) })),
      { id: "gauge", words: t("reading.ask.gauge"), most: 40 },
      { id: "gauge_checked", words: t("reading.ask.gauge-checked"), kind: "day" },
      { id: "pulls", words: t("reading.ask.pulls"), kind: "count" },
      { id: "first", words: t("reading.ask.first"), kind: "number" },
      { id: "repeats", words: t("reading.ask.repeats"), hint: t("reading.ask.repeats-hint"), most: 80 },
      { id: "division", words: t("reading.ask.division"), kind: "number" },
      { id: "height", words: t("reading.ask.altitude"), kind: "number", value: height?.value ?? "", hint: t("reading.ask.altitude-hint") },
      { id: "height_unit", words: t("reading.ask.altitude-unit"), kind: "pick", choices: ["m", "ft"].map((u) => ({ id: u, words: u })), need: (g) => g.height !== undefined && !height },
      { id: "station", words: t("reading.ask.station"), kind: "number", hint: t("reading.ask.station-hint") },
      { id: "least", words: t("reading.ask.least"), kind: "number" },
      { id: "most", words: t("reading.ask.most"), kind: "number" },
      { id: "manual_unit", words: t("reading.ask.manual-unit"), kind: "pick", choices: units.map((u) => ({ id: u, words: u })), need: (g) => g.least !== undefined || g.most !== undefined },
      { id: "page", words: t("reading.ask.page"), need: (g) => g.least !== undefined || g.most !== undefined },
    ] : [];
    return [...first, ...method.map((a) => ({ ...a, more: t("reading.how") })),
      ...(parts.length ? [/** @type {import("./asked-form.js").Ask} */ ({ id: "part", words: t("reading.ask.part"), kind: "pick", choices: [...parts.map((p) => ({ id: p.part, words: p.what })), { id: "none", words: t("reading.no-part") }] })] : []),
      { id: "method", words: t("page.bench.method") }];
  }

  /** The recorded method. @param {Given} given @returns {Method} */
  function methodOf(given) {
    const height = here?.settings.height;
    const unit = given.height_unit ?? (given.height === height?.value ? height?.unit : undefined);
    return /** @type {Method} */ ({
      ...only(given, ["engine", "release", "gauge", "gauge_checked", "division", "valve", "throttle", "pulls", "first", "engine_is", "cylinder"]),
      ...(given.repeats ? { repeats: given.repeats.split(/[\s;]+/).filter((/** @type {string} */ r) => AS_READ.test(r)).slice(0, 10) } : {}),
      ...(given.height && unit ? { altitude: { value: given.height, unit } } : {}),
      ...(given.station ? { station: { value: given.station, unit: "hPa" } } : {}),
      ...(given.manual_unit && (given.least || given.most) ? { manual: { ...only(given, ["least", "most"]), unit: given.manual_unit, page: given.page } } : {}),
    });
  }

  /** What was read, and what may be said of it. @param {ReadingFact} x @param {string} name */
  function noted(x, name) {
    return h("li", { "data-key": x.mark.id }, readingWords(x), x.photo ? h("span", { class: "thumb" }, picture(x.photo, name)) : null, x.reading === "compression" && x.value ? band(x, here) : null);
  }

  /** @param {Reading} r @param {boolean} asked */
  function one(r, asked) {
    const all = view.state.readings.filter((x) => x.reading === r.id);
    const photo = photos.get(r.id);
    const body = h("div", { class: "stack stack--close" },
      photo ? h("span", { class: "thumb" }, picture(photo, t("page.bench.gauge"))) : null,
      act({ words: t(photo ? "act.another-photo" : "act.gauge-photo"), icon: cameraIcon(), does: () => shootFor((taken) => photos.set(r.id, taken)) }),
      form(r).draw(asks(r)));
    return h("div", { class: "question", id: `reading-${r.id}`, "data-key": r.id },
      h("h3", null, text(r.name)),
      r.caution ? h("p", { class: "foot__caution" }, text(r.caution)) : null,
      text(r.method) ? h("p", { class: "soft" }, text(r.method)) : null,
      all.length ? h("ul", { class: "sheet__list" }, all.map((x) => noted(x, text(r.name)))) : text(r.why) ? h("p", { class: "soft" }, text(r.why)) : null,
      h("details", { class: "more", "data-key": "take", open: asked && all.length === 0 }, h("summary", null, t("reading.take")), body),
      asked ? h("details", { class: "more", "data-key": "not" },
        h("summary", null, t("page.bench.not-taken")),
        h("div", { class: "stack stack--close" },
          field({ id: `because-${r.id}`, words: t("page.bench.why-not"), input: { maxlength: "200" } }),
          act({ words: t("act.not-taken"), does: () => notTaken(r) }))) : null);
  }

  /** A reading of a bench that this kind does not ask for. @param {string} name @returns {Reading} */
  const general = (name) => ({ id: name, due: "at bench", unit: BENCH[name][0], name: { en: t(`reading.name.${name}`) }, method: {}, why: {} });

  return {
    /** @param {IntakeView} now @param {Shop | null} shop */
    draw(now, shop) {
      view = now;
      here = shop;
      const known = view.kind?.reading ?? [];
      const shown = (/** @type {Reading} */ r) => holds(r.when, view.state) || view.state.readings.some((x) => x.reading === r.id);
      const asked = known.filter(shown);
      const others = Object.keys(BENCH).filter((n) => !asked.some((r) => r.id === n)).map((n) => known.find((r) => r.id === n) ?? general(n));
      const noted = others.filter((r) => view.state.readings.some((x) => x.reading === r.id));
      const rest = others.filter((r) => !noted.includes(r));
      return h("section", { class: "stack", "data-key": "readings" },
        h("h3", null, t("page.bench.readings")), asked.map((r) => one(r, true)), noted.map((r) => one(r, false)),
        h("details", { class: "more", "data-key": "others" }, h("summary", null, t("reading.others")), h("div", { class: "stack" }, rest.map((r) => one(r, false)))));
    },
  };
}
