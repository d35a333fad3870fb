// Cases of schema/vectors/bench.json: numbers in conditions, readings, and what is said once the shop has the machine.
// The kind is kinds/bench.toml, frozen.
import * as v from "./tools.mjs";

const { AT, BEFORE, gap, e } = v;
const BENCH = "at bench";
const CARE = ["make", "model", "serial"];

export const reading = (id, body, name = `${id} noted`) => e(name, "reading-noted", { reading: id, ...body });
const lid = gap("view:lid", BEFORE, "gap.view.missing", { view: { en: "Lid" }, why: { en: "A crack may go further." } });
const oil = gap("view:oil", BEFORE, "gap.view.missing", { view: { en: "Oil", de: "Öl" }, why: { en: "Old oil wears.", de: "Altes Öl verschleißt." } });
const oilAge = gap("question:oil-age", BEFORE, "gap.question", { question: { en: "How many months ago was the oil changed?" } });
const rebuilt = gap("question:rebuilt", BEFORE, "gap.question", { question: { en: "Told rebuilt?" } });
const paid = gap("question:paid", BEFORE, "gap.question", { question: { en: "What was paid?" } });
const compression = gap("reading:compression", BEFORE, "gap.reading", { reading: { en: "Compression", de: "Kompression" }, why: { en: "Before it runs.", de: "Vor dem Lauf." } });
const stopTime = gap("reading:stop-time", BENCH, "gap.reading", { reading: { en: "Stop time" }, why: { en: "Noted before work." } });
const numbers = v.noMachine("engine-numbers");

/** Everything due at the counter, in the order it is said. */
const counter = (use = "home") => [
  v.opened("bench"), ...CARE.map((f) => v.machine(f, `${f} 1`)), v.owner(), v.bringer(), v.complaint(), ...v.good("front", "front"), v.choice("use", use),
  v.block("walk-round"), v.block("safety"), v.block("accessories"),
  v.arranged({ fee: v.euro(2500), limit: v.euro(10000), deposit: "none", diagnosis_by: "2026-12-04" }), v.arranged({ terms: v.TERMS }, "terms"),
];
const ON_SHEET = ["open", ...CARE, "owner", "bringer", "complaint", "front", "use", "block walk-round", "block safety", "block accessories", "arranged", "terms"];
const signed = () => [v.signed(ON_SHEET, ["front"]), ...v.bothFiles()];
const inCare = () => [...counter(), ...signed(), e("in care", "taken-in", {})];

/** The oil's age as typed, and whether the oil is asked for. */
const ages = [
  ["home", "11", false], ["home", "12", true], ["home", "12.0", true], ["home", "11,999", false], ["home", "120", true], ["home", "012", true],
  ["work", "2,5", true], ["work", "2.499", false], ["work", "3", true], ["work", "999999999", true], ["work", "1000000000", false],
  ["home", "12 months", false], ["home", "about 20", false], ["home", " 12", false], ["home", "-12", false], ["home", "1e9", false], ["home", "12.", false],
  ["home", ".5", false], ["home", "12.0000", false], ["home", "١٢", false],
];

export default [
  {
    name: "just opened: a reading due at the bench is asked for, one under a condition is not", kind: "bench", mode: "server", entries: [v.opened("bench")],
    gaps: [
      ...CARE.map((f) => v.noMachine(f)), numbers, v.noOwner, v.noContact, v.noBringer, v.noComplaint,
      gap("view:front", AT, "gap.view.missing", { view: { en: "Front", de: "Vorne" }, why: { en: "Shows which machine it is.", de: "Zeigt, welche Maschine es ist." } }), lid,
      gap("question:use", AT, "gap.question", { question: { en: "What is it used for?" } }), oilAge, rebuilt, v.walkRound(1), v.noSafety(1), v.noAccessories(1), stopTime,
      ...["fee", "limit", "deposit", "diagnosis_by", "terms"].map((f) => v.noArrangement(f)), v.ack("missing"),
    ],
  },
  ...ages.map(([use, text, asked]) => ({
    name: `oil age ${JSON.stringify(text)}, ${use}: the oil is ${asked ? "" : "not "}asked for`, kind: "bench", mode: "device",
    entries: [...counter(use), v.answer("oil-age", { text })],
    gaps: [numbers, lid, ...(asked ? [oil] : []), rebuilt, stopTime, v.ack("missing")],
  })),
  {
    name: "a number that is not known is at least nothing", kind: "bench", mode: "server",
    entries: [...counter(), v.answer("oil-age", { not: "does not know" })], gaps: [numbers, lid, rebuilt, stopTime, v.ack("missing")],
  },
  {
    name: "told rebuilt: a reading and another question", kind: "bench", mode: "server", entries: [...counter(), v.choice("rebuilt", "yes")],
    gaps: [numbers, lid, oilAge, paid, compression, stopTime, v.ack("missing")],
  },
  {
    name: "a reading fills its own gap only, whatever it reads", kind: "bench", mode: "server",
    entries: [...counter(), v.choice("rebuilt", "yes"), reading("compression", { value: "0", unit: "psi" })], gaps: [numbers, lid, oilAge, paid, stopTime, v.ack("missing")],
  },
  {
    name: "a reading that was not taken, with its reason, fills it too", kind: "bench", mode: "device",
    entries: [...counter(), v.choice("rebuilt", "yes"), reading("compression", { not: "not taken", because: "no adapter for this thread" })],
    gaps: [numbers, lid, oilAge, paid, stopTime, v.ack("missing")],
  },
  {
    name: "a reading not sent yet counts on the device", kind: "bench", mode: "device",
    entries: [...counter(), { ...reading("stop-time", { value: "2,8", unit: "s", method: "film, three times" }), local: true }], gaps: [numbers, lid, oilAge, rebuilt, v.ack("missing")],
  },
  {
    name: "a reading left open", kind: "bench", mode: "server", entries: [...counter(), v.leftOpen("reading:stop-time", "the bar is bent")],
    gaps: [numbers, lid, oilAge, rebuilt, v.ack("missing")], left_open: [v.letThrough(stopTime, { reason: "the bar is bent" })],
  },
  {
    name: "the block of questions answers no question that is due later", kind: "bench", mode: "server",
    entries: [...counter().filter((x) => x.name !== "use"), v.block("questions")], gaps: [numbers, lid, oilAge, rebuilt, stopTime, v.ack("missing")],
  },
  {
    name: "readings and service entries stand on no sheet", kind: "bench", mode: "server",
    entries: [...counter(), ...signed(), reading("stop-time", { value: "2.8", unit: "s" }), e("plug", "service-noted", { service: "plug", what: "changed", fitted: "type 7", old: "given back" })],
    gaps: [numbers, lid, oilAge, rebuilt],
  },
  {
    name: "an answer given after the signature, before the acceptance: it is to be shown", kind: "bench", mode: "server",
    entries: [...counter(), ...signed(), v.choice("rebuilt", "no")], gaps: [numbers, lid, oilAge, stopTime, v.ack("stale")],
  },
  {
    name: "in care: what the bench says leaves the signature as it was", kind: "bench", mode: "server",
    entries: [...inCare(), v.choice("rebuilt", "yes"), v.answer("oil-age", { text: "14" }), ...v.good("lid", "lid"), v.machine("engine-numbers", "4 / 2")],
    gaps: [oil, paid, compression, stopTime],
  },
  {
    name: "in care on the device only: the signature is still checked", kind: "bench", mode: "device",
    entries: [...counter(), ...signed(), { ...e("in care", "taken-in", {}), local: true }, { ...v.choice("rebuilt", "no"), local: true }], gaps: [numbers, lid, oilAge, stopTime, v.ack("stale")],
  },
  {
    name: "sheet: photos taken in care are numbered after those that were shown", kind: "bench", mode: "server",
    entries: [...counter(), v.taken("loose"), ...inCare().slice(counter().length), ...v.good("lid", "lid"), v.taken("lid again", "lid")],
    gaps: [numbers, gap("view:lid", BEFORE, "gap.view.on-phone", lid.with), oilAge, rebuilt, stopTime],
    sheet: { entries: [...ON_SHEET, "loose", "lid again"], photos: ["front", "loose", "lid again"] },
  },
];
