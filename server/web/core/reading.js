// Readings: what a measured number may be compared with, and whether at all. The value stays as read; the specification is
// brought to where the engine stands, never the reading. Pure. The server runs the same in `server/src/reading/`;
// `schema/vectors/readings.json` holds both to one answer.
// @ts-check

/** @import {Measure, Method} from "./types.js" */

/** Version of the comparison. */
export const VERSION = "compression/1";

/** Units in which a gauge of an engine's pressure is read. */
export const PRESSURE = ["psi", "kPa", "bar", "kgf/cm²"];

/** Readings of a bench beside those a kind asks for, and the units they are read in. @type {Record<string, string[]>} */
export const BENCH = {
  compression: PRESSURE, "leak-down": ["%"], "plug-gap": ["mm", "in"], "ring-end-gap": ["mm", "in"], bore: ["mm", "in"],
  "crankcase-pressure": PRESSURE, "crankcase-vacuum": PRESSURE, hours: ["h"],
};

// NIST SP 811 (2008), Appendix B.8: bar and kgf/cm² exact, psi from its exact definition, the conventional inch of mercury.
const PASCALS = /** @type {Record<string, number>} */ ({
  psi: (0.45359237 * 9.80665) / (0.0254 * 0.0254), kPa: 1000, bar: 100000, "kgf/cm²": 98066.5, hPa: 100, inHg: 3386.389,
});
const METRES = /** @type {Record<string, number>} */ ({ m: 1, ft: 0.3048 });
const SEA_LEVEL = 101325;

/** A table that goes round among enthusiasts: feet and factor. @type {[number, number][]} */
const TABLE = [
  [0, 1], [500, 0.987], [1000, 0.971], [1500, 0.96], [2000, 0.943], [2500, 0.933], [3000, 0.915], [3500, 0.907], [4000, 0.888], [4500, 0.88],
  [5000, 0.862], [5500, 0.853], [6000, 0.836],
];

/** Pascals in a unit of pressure. @param {string} unit @returns {number | undefined} */
export const pascals = (unit) => (Object.hasOwn(PASCALS, unit) ? PASCALS[unit] : undefined);

/** A decimal number as people write it down. @param {string | undefined} text @returns {number | undefined} */
export function number(text) {
  return text !== undefined && /^-?[0-9]{1,9}([.,][0-9]{1,6})?$/.test(text) ? Number(text.replace(",", ".")) : undefined;
}

/** Digits behind the point or comma. @param {string} text */
export const places = (text) => /[.,](.*)$/.exec(text)?.[1].length ?? 0;

/** To the nearest division of an instrument, halves up. @param {number} value @param {number} division @param {number} digits */
export const rounded = (value, division, digits) => (Math.floor(value / division + 1e-9 + 0.5) * division).toFixed(digits);

/** The pressure ratio of the U.S. Standard Atmosphere, 1976, in its lowest layer. @param {number} height metres */
export const ratio = (height) => Math.pow(1 - (0.0065 * height) / 288.15, (9.80665 * 28.9644) / (8.31432 * 6.5));

/** The circulating table's factor; undefined outside its rows. @param {number} height metres */
export function tabled(height) {
  const feet = height / 0.3048;
  const at = TABLE.findIndex(([low], i) => i + 1 < TABLE.length && low <= feet && feet <= TABLE[i + 1][0]);
  if (at < 0) return undefined;
  const [[low, a], [high, b]] = [TABLE[at], TABLE[at + 1]];
  return a + ((b - a) * (feet - low)) / (high - low);
}

/**
 * One way of bringing the specification here. `factor` in ten thousandths.
 * @typedef {{by: string, factor: number, low?: string, high?: string, sea: string, stands: "below" | "within" | "above"}} Compared
 *
 * `why` and `notes` are message keys.
 * @typedef {{verdict: "compared" | "not comparable" | "void" | "not judged", why?: string, record?: string[], against?: "manual" | "shop rule",
 *   compared?: Compared[], spread?: string, notes?: string[]}} Judged
 *
 * The shop's own rule for two-strokes: common practice, no source.
 * @typedef {{good: string, low: string, unit: string}} Rule
 */

/**
 * What may be said about a compression reading, and against what.
 * @param {string} value @param {string} unit @param {Method} method @param {Rule} rule @returns {Judged}
 */
export function compression(value, unit, method, rule) {
  const [read, own] = [number(value), pascals(unit)];
  if (read === undefined || own === undefined) return { verdict: "not comparable", why: "reading.why.unit" };
  const judged = judge(value, read, own, method, rule);
  const repeats = method.repeats ?? [];
  const all = repeats.map(number).filter((n) => n !== undefined);
  if (all.length > 0) {
    const digits = Math.max(places(value), ...repeats.map(places));
    judged.spread = rounded(Math.max(read, ...all) - Math.min(read, ...all), 10 ** -digits, digits);
  }
  const first = judged.compared?.[0];
  const notes = [
    method.valve !== "at the tip" && "reading.note.dead-volume",
    method.engine_is === "cold" && "reading.note.cold",
    reduced(method) && "reading.note.reduced",
    judged.compared?.some((c) => c.stands !== first?.stands) && "reading.note.disagree",
  ].filter((n) => typeof n === "string");
  return notes.length > 0 ? { ...judged, notes } : judged;
}

/** @param {string} value @param {number} read @param {number} own @param {Method} method @param {Rule} rule @returns {Judged} */
function judge(value, read, own, method, rule) {
  const { release, engine, manual } = method;
  if (release === "pulled open") return { verdict: "void", why: "reading.why.release-open" };
  const record = missing(method);
  if (record.length > 0) return { verdict: "not comparable", why: "reading.why.method", record };
  if (method.throttle !== "wide open") return { verdict: "not comparable", why: "reading.why.throttle" };
  if (method.cylinder === "wet") return { verdict: "not comparable", why: "reading.why.wet" };
  // A release that opens by itself lets a sound engine read 28 to 57 psi: no rule of thumb fits.
  if (!manual && engine !== "two-stroke") return { verdict: "not judged", why: "reading.why.four-stroke" };
  if (!manual && release !== "none" && release !== "closed") return { verdict: "not judged", why: "reading.why.release" };
  const against = manual ? "manual" : "shop rule";
  const unit = pascals(manual ? manual.unit : rule.unit);
  if (unit === undefined) return manual ? { verdict: "not comparable", why: "reading.why.unit" } : { verdict: "not judged", why: "reading.why.rule" };
  const to = unit / own;
  const [low, high] = (manual ? [manual.least, manual.most] : [rule.low, rule.good]).map((end) => {
    const n = number(end);
    return n === undefined ? undefined : n * to;
  });
  const marked = number(method.division);
  const division = marked !== undefined && marked > 0 ? marked : 10 ** -places(value);
  const digits = places(method.division ?? value);
  const compared = factors(method).map(([by, factor]) => {
    // The specification times the factor; to say what the reading would be at sea level, it is divided.
    const here = (/** @type {number | undefined} */ end) => (end === undefined ? undefined : rounded(end * factor, division, digits));
    const [from, until] = [here(low), here(high)];
    const [least, most] = [number(from), number(until)];
    const stands = least !== undefined && read < least ? "below" : most !== undefined && (read > most || (against === "shop rule" && read >= most)) ? "above" : "within";
    return /** @type {Compared} */ ({
      by, factor: Math.round(factor * 10000), ...(from === undefined ? {} : { low: from }), ...(until === undefined ? {} : { high: until }),
      sea: rounded(read / factor, division, digits), stands,
    });
  });
  return { verdict: "compared", against, compared };
}

/** What of the method has to be recorded still, in the order it is asked for. @param {Method} method @returns {string[]} */
export function missing(method) {
  const known = (/** @type {string | undefined} */ field) => field !== undefined && field !== "not known";
  const release = known(method.release) || (method.release !== undefined && method.engine === "four-stroke");
  const asked = /** @type {[string, boolean][]} */ ([
    ["engine", known(method.engine)], ["release", release], ["gauge", known(method.gauge)], ["valve", method.valve !== undefined],
    ["throttle", known(method.throttle)], ["pulls", method.pulls !== undefined], ["engine_is", known(method.engine_is)], ["cylinder", known(method.cylinder)],
    ["altitude", height(method) !== undefined || station(method) !== undefined],
  ]);
  return asked.filter(([, there]) => !there).map(([name]) => name);
}

/** @param {Measure | undefined} measure @param {Record<string, number>} units @param {number} least @param {number} most @returns {number | undefined} */
function within(measure, units, least, most) {
  const n = number(measure?.value);
  if (!measure || n === undefined || !Object.hasOwn(units, measure.unit)) return undefined;
  const value = n * units[measure.unit];
  return value >= least && value <= most ? value : undefined;
}

/** Height of the place in metres, where it can be one. @param {Method} method */
const height = (method) => within(method.altitude, METRES, -500, 6000);

/** Pressure of the air in pascals, where it can be one. @param {Method} method */
const station = (method) => within(method.station, { hPa: PASCALS.hPa, kPa: PASCALS.kPa, inHg: PASCALS.inHg }, 40000, 110000);

/** Whether the air's pressure looks brought to sea level, as a forecast shows it. @param {Method} method */
function reduced(method) {
  const [h, p] = [height(method), station(method)];
  return h !== undefined && p !== undefined && Math.abs(p / SEA_LEVEL / ratio(h) - 1) > 0.05;
}

/** The ways to bring a specification here, the one to go by first. @param {Method} method @returns {[string, number][]} */
function factors(method) {
  const [h, p] = [height(method), station(method)];
  /** @type {[string, number][]} */
  const out = [];
  if (p !== undefined) out.push(["station pressure", p / SEA_LEVEL]);
  if (h === undefined) return out;
  if (out.length === 0) out.push(["standard atmosphere", ratio(h)]);
  const table = tabled(h);
  if (table !== undefined) out.push(["circulating table", table]);
  return out;
}
