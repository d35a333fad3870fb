// Cases of schema/vectors/shipped.json: every shipped kind when nothing is answered, when the counter is done, and when the
// answers ask for all they can. What is asked, when and in which order is written here; texts are looked up in the kinds.
import { readFileSync } from "node:fs";
import { parse } from "smol-toml";
import { reading } from "./cases-bench.mjs";
import * as v from "./tools.mjs";

const { AT, BEFORE, gap } = v;
const BENCH = "at bench";

/** Views in their order, `four`: always a four-stroke, and how many parts, devices and accessories. */
const KINDS = {
  "two-stage-snow-thrower": {
    counter: ["front-left", "rear-right", "machine-plate", "handle-panel", "auger-mouth", "left-with-it"],
    before: ["engine-numbers", "chute", "scraper-skids", "wheels", "starter-side"],
    four: true, parts: 11, safety: 6, accessories: 10,
  },
  "single-stage-snow-thrower": {
    counter: ["front-left", "rear-right", "machine-plate", "paddles", "handle-bar", "left-with-it"],
    before: ["engine-numbers", "paddle-edges", "scraper-bar", "chute", "housing-inside"],
    four: false, parts: 10, safety: 5, accessories: 7,
  },
  "chainsaw": {
    counter: ["bar-side", "starter-side", "machine-plate", "hand-guard", "underside", "left-with-it"],
    before: ["brake-pushed", "brake-pulled", "controls", "chain-on-ruler", "muffler-outlet", "air-filter"],
    four: false, parts: 10, safety: 7, accessories: 8,
  },
  "cut-off-saw": {
    counter: ["belt-side", "starter-side", "machine-plate", "guard", "wheel-face", "left-with-it"],
    before: ["air-filter", "water-fittings", "controls", "muffler-outlet"],
    four: false, parts: 12, safety: 5, accessories: 6,
  },
  "trimmer": {
    counter: ["whole", "engine-end", "machine-plate", "head-face", "guard", "left-with-it"],
    before: ["handle-eye", "controls", "shaft-joint", "air-filter", "muffler-outlet"],
    four: false, parts: 10, safety: 6, accessories: 7,
  },
  "blower": {
    counter: ["front", "harness", "machine-plate", "fan-inlet", "tubes", "left-with-it"],
    before: ["controls", "air-filter", "muffler-outlet", "housing-seam"],
    four: false, parts: 10, safety: 5, accessories: 7,
  },
  "walk-behind-mower": {
    counter: ["front-left", "rear-right", "machine-plate", "rear-flap", "bail", "left-with-it"],
    before: ["engine-numbers", "under-deck", "wheels", "air-filter"],
    four: true, parts: 10, safety: 5, accessories: 5,
  },
  "riding-mower": {
    counter: ["front-left", "rear-right", "machine-plate", "panel", "chute-guard", "left-with-it"],
    before: ["engine-numbers", "seat-brake", "deck-belts", "blades", "battery", "tyres"],
    four: true, parts: 12, safety: 7, accessories: 8,
  },
  "generator": {
    counter: ["front", "rear", "machine-plate", "labels", "cords", "left-with-it"],
    before: ["engine-numbers", "outlets", "frame-corners", "muffler-outlet", "oil-filler", "fuel-valve"],
    four: true, parts: 10, safety: 7, accessories: 8,
  },
  "pressure-washer": {
    counter: ["front-left", "rear-right", "machine-plate", "pump", "gun-lance", "left-with-it"],
    before: ["engine-numbers", "unloader", "inlet", "hose", "thermal-relief", "wheels-frame"],
    four: true, parts: 11, safety: 6, accessories: 7,
  },
};
const COUNTER_QUESTIONS = ["bought", "last-ran", "stored"];
const ARRANGED = ["fee", "limit", "deposit", "diagnosis_by", "terms"];
/** Readings that no answer asks for: what, when. */
const ALWAYS = { "walk-behind-mower": [["blade-stop", BENCH]], "riding-mower": [["hours", BEFORE]] };
/** What runs and gives nothing is measured. */
const OUTPUT = { generator: ["no output", ["voltage", "frequency"]], "pressure-washer": ["no pressure", ["pressure"]] };

/** @param {string} id */
function tools(id) {
  const toml = parse(readFileSync(new URL(`../../../schema/kinds/${id}.toml`, import.meta.url), "utf8"));
  const find = (list, name) => toml[list].find((x) => x.id === name) ?? fail(`${id} has no ${list} "${name}"`);
  const text = (t) => ({ ...t });
  return {
    view: (name, due) => gap(`view:${name}`, due, "gap.view.missing", { view: text(find("view", name).name), why: text(find("view", name).why) }),
    question: (name, due) => gap(`question:${name}`, due, "gap.question", { question: text(find("question", name).name) }),
    reading: (name, due) => gap(`reading:${name}`, due, "gap.reading", { reading: text(find("reading", name).name), why: text(find("reading", name).why) }),
  };
}

/** @param {string} why @returns {never} */
function fail(why) {
  throw new Error(why);
}

function cases(id) {
  const { counter, before, four, parts, safety, accessories } = KINDS[id];
  const say = tools(id);
  const single = id === "single-stage-snow-thrower";
  const views = (names, due) => names.map((n) => say.view(n, due));
  const questions = (names) => names.map((n) => say.question(n, BEFORE));
  const always = (ALWAYS[id] ?? []).map(([n, due]) => say.reading(n, due));
  /** Readings in the kind's order: only the riding mower's stands before the compression. */
  const readings = (compression) => (id === "riding-mower" ? [...always, ...compression] : [...compression, ...always]);
  const usual = ["use", "serviced", "how-runs", ...(single ? ["oil-apart"] : []), ...(four ? ["oil-age"] : [])];
  const record = (fields) => fields.map((f) => v.noMachine(f));
  const people = [v.noOwner, v.noContact, v.noBringer, v.noComplaint];
  const blocks = ["walk-round", "safety", "accessories"].map((b) => v.block(b));
  const money = ARRANGED.map((f) => v.noArrangement(f));

  const answered = [
    v.opened(id), ...["make", "model", "serial"].map((f) => v.machine(f, `${f} 1`)), v.owner(), v.bringer(), v.complaint(),
    ...counter.flatMap((name) => v.good(name, name)), v.choice("bought", "used"), v.choice("last-ran", "longer"), v.choice("stored", "outside"), ...blocks,
    v.arranged({ fee: v.euro(2500), limit: v.euro(10000), deposit: "none", diagnosis_by: "2026-12-04" }), v.arranged({ terms: v.TERMS }, "terms"),
  ];
  const onSheet = answered.map((x) => x.name).filter((n) => !/ (received|judged)$/.test(n));
  const done = [...answered, v.signed(onSheet, counter), ...v.bothFiles()];
  const rebuilt = [v.choice("told-rebuilt", "yes"), v.answer("price-paid", { text: "120" }), v.answer("kit-cost", { text: "310" })];
  const faces = [...(four || single ? [] : ["exhaust-port"]), "cylinder-faces"];

  const out = [
    {
      name: `${id}: nothing answered`, kind: id, mode: "server", entries: [v.opened(id)],
      gaps: [
        ...record(["make", "model", "serial", "engine-numbers"]), ...people, ...views(counter, AT), ...views(before, BEFORE),
        ...COUNTER_QUESTIONS.map((q) => say.question(q, AT)), ...questions(usual.filter((q) => !(single && q === "oil-age"))),
        v.walkRound(parts), v.noSafety(safety), v.noAccessories(accessories), ...readings([]), ...money, v.ack("missing"),
      ],
    },
    {
      name: `${id}: everything answered at the counter`, kind: id, mode: "server", entries: done,
      gaps: [v.noMachine("engine-numbers"), ...views([...before, "tank", ...(four ? ["oil"] : [])], BEFORE), ...questions([...usual, "told-rebuilt"]), ...readings([])],
    },
    {
      name: `${id}: told rebuilt, surging, used for work, its oil three months old`, kind: id, mode: "server",
      entries: [
        ...done.map((x) => (x.name === "stored" ? v.choice("stored", "in use") : x)), v.e("in care", "taken-in", {}),
        v.choice("use", "commercial"), v.choice("serviced", "this season"), v.choice("how-runs", "surges"), ...(single ? [v.choice("oil-apart", "apart")] : []),
        ...(four || single ? [v.answer("oil-age", { text: "3" })] : []), ...rebuilt,
      ],
      gaps: [
        v.noMachine("engine-numbers"), ...views([...before, ...(four || single ? ["oil"] : []), "carburettor", ...faces], BEFORE),
        ...readings([say.reading("compression", BEFORE)]),
      ],
    },
    {
      name: `${id}: no power, used at home, its oil eleven months old; measured`, kind: id, mode: "server",
      entries: [
        ...done.map((x) => (x.name === "stored" ? v.choice("stored", "indoors empty") : x)), v.e("in care", "taken-in", {}),
        v.choice("use", "home"), v.choice("serviced", "last season"), v.choice("how-runs", "no power"), ...(single ? [v.choice("oil-apart", "apart")] : []),
        ...(four || single ? [v.answer("oil-age", { text: "11" })] : []), v.choice("told-rebuilt", "no"), reading("compression", { value: "118", unit: "psi", method: "cold, 6 pulls" }),
      ],
      gaps: [v.noMachine("engine-numbers"), ...views(before, BEFORE), say.view("plug", BENCH), ...readings([])],
    },
  ];
  if (OUTPUT[id]) {
    const [word, names] = OUTPUT[id];
    out.push({
      name: `${id}: runs and gives nothing`, kind: id, mode: "device",
      entries: [...done.map((x) => (x.name === "stored" ? v.choice("stored", "in use") : x)), v.e("in care", "taken-in", {}), v.choice("how-runs", word)],
      gaps: [v.noMachine("engine-numbers"), ...views(before, BEFORE), ...questions([...usual.filter((q) => q !== "how-runs"), "told-rebuilt"]), ...names.map((n) => say.reading(n, BENCH))],
    });
  }
  return out;
}

export default Object.keys(KINDS).flatMap(cases);
