// Cases of schema/vectors/parts.json: how a suspect part's card agrees with itself, what a claim lacks, its last day. Written by
// hand from the rules; days are those of the Gregorian calendar.
import { id } from "./tools.mjs";

const KIT = id("kit");
const card = (more) => ["part-noted", { part: KIT, what: "cylinder kit", origin: "bought by us", ...more }];
const said = (key, names = {}) => ({ key, with: names });
const field = (name) => said("part.missing.field", { field: name });
const FULL = { supplier: "Reedmere Parts", invoice: "R-1188", on_bag: "KX-46-2", bought: "2026-11-03", count: 1 };
const pictured = (view) => [
  ["photo-taken", { photo: id(view), file: `sha256:${"1".repeat(64)}`, size: 1, stage: "opened" }], ["part-pictured", { part: KIT, view, photo: id(view) }],
];
const LOOKED = ["part-observed", { part: KIT, about: "makers-mark", seen: "not seen" }];
const [BEFORE, AFTER, READING, ELSEWHERE, MARK] = ["before", "after", "reading", "elsewhere", "makers-mark"].map((w) => said(`part.missing.${w}`));
const one = (name, entries, route, expect, claim = { days: 30, from: "bought" }) => ({
  name, part: KIT, entries, route, claim: { claim: id("claim"), part: KIT, route, ...claim }, expect: { disagreements: [], missing: [], until: null, ...expect },
});

export default [
  one("an empty card", [card({})], "return", { missing: [field("supplier"), field("invoice"), field("on_bag"), field("bought"), field("count"), BEFORE, MARK] }),
  one("a return with all it needs", [card(FULL), ...pictured("bag-label"), LOOKED], "return", { until: "2026-12-03" }),
  one("a fitted part cannot go back as unused", [card({ ...FULL, fitted: "2026-11-10" }), ...pictured("face-1"), LOOKED], "return", { missing: [said("part.missing.unused")], until: "2026-12-03" }),
  one("a warranty claim asks for more", [card(FULL)], "warranty", { missing: [field("fitted"), field("failed"), BEFORE, AFTER, READING, ELSEWHERE, MARK], until: "2026-12-03" }),
  one("a warranty claim with all it needs", [
    card({ ...FULL, fitted: "2026-11-10", failed: "2026-11-20" }), ...pictured("bore"), ...pictured("piston-exhaust"), LOOKED,
    ["reading-noted", { reading: "compression", value: "92", unit: "psi", part: KIT }],
    ["finding-noted", { finding: id("f"), photo: id("bore"), x: 1, y: 1, part: "air filter", word: "clean" }],
  ], "warranty", { until: "2027-11-20" }, { days: 365, from: "failed" }),
  one("a reading of the machine, not of the part, is none of it", [card({ ...FULL, fitted: "2026-11-10", failed: "2026-11-20" }), ...pictured("bore"), ...pictured("crown"), LOOKED, ["reading-noted", { reading: "compression", value: "92", unit: "psi" }]],
    "warranty", { missing: [READING, ELSEWHERE], until: "2026-12-10" }, { days: 30, from: "fitted" }),
  one("a window that runs from a day not known", [card(FULL), ...pictured("bag-label"), LOOKED], "return", { until: null }, { days: 30, from: "failed" }),
  one("over a leap day", [card({ ...FULL, bought: "2028-02-20" }), ...pictured("bag-label"), LOOKED], "return", { until: "2028-03-01" }, { days: 10, from: "bought" }),
  one("a photo that was erased pictures nothing", [card(FULL), ...pictured("bag-label"), ["photo-erased", { photo: id("bag-label"), because: "an address on it" }], LOOKED], "return", { missing: [BEFORE], until: "2026-12-03" }),
  one("bought before it was made", [card({ ...FULL, made: "2026-11-05" }), ...pictured("bag-label"), LOOKED], "return", { disagreements: [said("part.order", { earlier: "made", later: "bought" })], until: "2026-12-03" }),
  one("failed before it was fitted, the day of making not known", [card({ ...FULL, fitted: "2026-11-20", failed: "2026-11-10" }), ...pictured("bag-label"), ...pictured("pin"), LOOKED],
    "warranty", { disagreements: [said("part.order", { earlier: "fitted", later: "failed" })], missing: [READING, ELSEWHERE], until: "2026-12-03" }),
  one("all on one day is in order", [card({ ...FULL, made: "2026-11-03", fitted: "2026-11-03", failed: "2026-11-03" }), ...pictured("bag-label"), LOOKED], "return", { missing: [said("part.missing.unused")], until: "2026-12-03" }),
  one("more fitted than bought", [card({ ...FULL, count: 1, count_fitted: 2 }), ...pictured("bag-label"), LOOKED], "return", { disagreements: [said("part.more-fitted", { fitted: 2, bought: 1 })], until: "2026-12-03" }),
  one("numbers that agree but for their dashes", [card({ ...FULL, on_bag: "kx 46-2", on_invoice: "KX-46/2", on_casting: "KX462" }), ...pictured("bag-label"), LOOKED], "return", { until: "2026-12-03" }),
  one("the casting says another number", [card({ ...FULL, on_invoice: "KX-46-2", on_casting: "KX-44" }), ...pictured("bag-label"), LOOKED], "return", {
    disagreements: [said("part.numbers-differ", { a: "bag", one: "KX-46-2", b: "casting", other: "KX-44" }), said("part.numbers-differ", { a: "invoice", one: "KX-46-2", b: "casting", other: "KX-44" })],
    until: "2026-12-03",
  }),
];
