// Cases of schema/vectors/home.json: what still speaks against handing a machine back. The kind is kinds/small.toml, frozen; what
// is expected is written by hand from the rules in schema/vectors/README.md.
import * as v from "./tools.mjs";

const { e, id } = v;
const BENCH = "at bench";
const ask = (gap, key, names = {}) => ({ gap, due: BENCH, key, with: names });
const NAMES = { front: { en: "Front", de: "Vorne" }, plate: { en: "Plate" } };
const view = (name, what, reasons) => ask(`left-view:${name}`, `gap.left-view.${what}`, { view: NAMES[name], ...(reasons ? { reasons } : {}) });
const settle = (what, name) => ask(`settle:accessory:${what}`, "gap.settle.accessory", { what: name });
const KEY = settle("key", { en: "key" });
const COVER = settle("cover", { en: "cover" });
const trial = ask("trial", "gap.trial");
const collector = ask("collector", "gap.collector");
const signature = (what) => ask("hand-back-signature", `gap.hand-back-signature.${what}`);

const inCare = (and = []) => [...v.done(), e("in care", "taken-in", {}), ...and];
const leftPhoto = (name, of) => ({ ...v.taken(name, of), body: { ...v.taken(name, of).body, stage: "left" } });
const left = (name, of) => [leftPhoto(name, of), v.received(name), v.judged(name)];
const bothViews = [...left("front left", "front"), ...left("plate left", "plate")];
const settled = (line, how, more = {}, name = `settled ${line}`) => e(name, "thing-settled", { line, how, ...more });
const things = [settled("accessory:key", "given back"), settled("accessory:cover", "given back")];
const tried = e("tried", "trial-noted", { how: "tried", what: "ran warm, brake held" });
const collects = e("collects", "collector-noted", { who: "owner", checked: "known here" });
const QUARANTINE = e("quarantine", "quarantined", { word: "do not use", because: "brake failed" });
const told = e("told", "quarantine-told", { word: "do not use", labelled: true });
const all = [...bothViews, ...things, tried, collects];
const ON_SHEET = ["open", "in care", "ack", "front left", "plate left", "settled accessory:key", "settled accessory:cover", "tried", "collects"];
const signedBack = (entries = ON_SHEET, photos = ["front left", "plate left"], name = "signed back") => ({
  ...e(name, "hand-back-shown", { how: "signed", language: "en", words: v.WORDS, strokes: v.sha("the second strokes' bytes") }), sheet: { entries, photos, terms: false },
});
const filesBack = (name = "signed back") => [
  { ...v.fileReceived("", "sheet"), name: "home sheet received", sheetOf: name }, { ...v.fileReceived(v.sha("the second strokes' bytes"), "strokes"), name: "home strokes received" },
];
const one = (name, and, gaps, more = {}) => ({ name, mode: "server", entries: inCare(and), gaps, ...more });
const NOTHING = [view("front", "missing"), view("plate", "missing"), KEY, COVER, trial, collector, signature("missing")];

export default [
  one("home: nothing was done yet", [], NOTHING),
  one("home: a received photo of a view is no photo of how it left", v.good("front again", "front"), NOTHING),
  one("home: a left photo that is still on the phone", [leftPhoto("front left", "front")], [view("front", "on-phone"), ...NOTHING.slice(1)]),
  one("home: on the device a photo not judged may fill its view", [leftPhoto("front left", "front")], NOTHING.slice(1), { mode: "device" }),
  one("home: a poor one", [leftPhoto("front left", "front"), v.received("front left"), v.judged("front left", "poor", v.SOFT)], [view("front", "poor", v.SOFT), ...NOTHING.slice(1)]),
  one("home: a photo of how it left that was erased shows nothing", [...left("front left", "front"), e("erased", "photo-erased", { photo: id("front left"), because: "a face" })], NOTHING),
  one("home: a view that cannot be taken again is left open by name", [v.leftOpen("left-view:front", "in parts, agreed")], NOTHING.slice(1), {
    left_open: [v.letThrough(view("front", "missing"), { reason: "in parts, agreed" })],
  }),
  one("home: one thing is settled, one is open", [...bothViews, things[0]], [COVER, trial, collector, signature("missing")]),
  one("home: a thing that was not found is settled, and says so", [...bothViews, things[0], settled("accessory:cover", "not found", { note: "looked on bench 2 and rack A" })], [trial, collector, signature("missing")]),
  one("home: a thing noted as gone with the customer asks for nothing", [...bothViews, v.accessory("cover", "handed back", "cover goes")], [KEY, trial, collector, signature("missing")]),
  one("home: the old plug kept here", [...bothViews, ...things, e("plug", "service-noted", { service: "plug", what: "changed", fitted: "type 7", old: "kept here" }), tried, collects],
    [ask("settle:old:plug", "gap.settle.old"), signature("missing")]),
  one("home: old parts of any kind: what is kept here is open, what was thrown away is not", [
    ...bothViews, ...things, tried, collects,
    e("old chain", "old-part-noted", { old: id("chain"), what: "chain", fate: "kept here", place: "tray 4" }),
    e("old wheel", "old-part-noted", { old: id("wheel"), what: "wheel", fate: "thrown away", word: "Just bin it." }),
    e("old rings", "old-part-noted", { old: id("rings"), what: "piston rings", fate: "kept here", place: "tray 4" }),
    settled(`old:${id("rings")}`, "sent with a claim", {}, "settled rings"),
  ], [ask(`settle:old:${id("chain")}`, "gap.settle.old-part", { what: "chain" }), signature("missing")]),
  one("home: an old part noted again as thrown away asks for nothing", [
    ...all, e("old chain", "old-part-noted", { old: id("chain"), what: "chain", fate: "kept here", place: "tray 4" }),
    e("gone chain", "old-part-noted", { old: id("chain"), what: "chain", fate: "thrown away", word: "Just bin it." }),
  ], [signature("missing")]),
  one("home: old parts stand on the sheet, and a sheet in another language names its reader", [
    ...all, e("old wheel", "old-part-noted", { old: id("wheel"), what: "wheel", fate: "thrown away", word: "Just bin it." }),
    { ...e("signed back", "hand-back-shown", { how: "signed", language: "de", words: v.WORDS, reader: "Ravi", strokes: v.sha("the second strokes' bytes") }),
      sheet: { entries: [...ON_SHEET, "old wheel"], photos: ["front left", "plate left"], terms: false, language: "de", reader: "Ravi" } }, ...filesBack(),
  ], []),
  one("home: a suspect part", [...bothViews, ...things, e("part", "part-noted", { part: id("kit"), what: "cylinder kit", origin: "in it when it came" }), tried, collects],
    [ask(`settle:part:${id("kit")}`, "gap.settle.part", { what: "cylinder kit" }), signature("missing")]),
  one("home: under quarantine, not told", [...all, QUARANTINE], [ask("told:do not use", "gap.told", { because: "brake failed" }), signature("missing")]),
  one("home: told", [...all, QUARANTINE, told], [signature("missing")]),
  one("home: told, then put under quarantine again for something else", [...all, QUARANTINE, told, e("again", "quarantined", { word: "do not use", because: "guard missing" })],
    [ask("told:do not use", "gap.told", { because: "guard missing" }), signature("missing")]),
  one("home: lifted", [...all, QUARANTINE, e("lifted", "quarantine-lifted", { word: "do not use", because: "brake band replaced" })], [signature("missing")]),
  one("home: two words, in order", [...all, QUARANTINE, e("second", "quarantined", { word: "do not start", because: "fuel leak" })],
    [ask("told:do not start", "gap.told", { because: "fuel leak" }), ask("told:do not use", "gap.told", { because: "brake failed" }), signature("missing")]),
  one("home: a part of it is still out", [...all, e("out", "sent-out", { sent: id("out"), what: "cylinder", to: "a grinder", because: "bore" })], [ask(`out:${id("out")}`, "gap.out", { what: "cylinder" }), signature("missing")]),
  one("home: and back", [...all, e("out", "sent-out", { sent: id("out"), what: "cylinder", to: "a grinder", because: "bore" }), e("back", "came-back", { sent: id("out") })], [signature("missing")]),
  one("home: everything but the signature", all, [signature("missing")]),
  one("home: signed, its files not here yet", [...all, signedBack()], [signature("on-phone")]),
  one("home: signed, on the device", [...all, signedBack()], [], { mode: "device" }),
  one("home: signed and here", [...all, signedBack(), ...filesBack()], []),
  one("home: a view was taken again after the signature", [...all, signedBack(), ...filesBack(), ...left("front once more", "front")], [signature("stale")]),
  one("home: a thing settled otherwise after the signature", [...all, signedBack(), ...filesBack(), settled("accessory:key", "not found", { note: "not on its hook" }, "key gone")], [signature("stale")]),
  one("home: a finding after the signature unmakes nothing", [...all, signedBack(), ...filesBack(), e("finding", "finding-noted", { finding: id("f"), photo: id("front"), x: 10, y: 20, part: "chute", word: "cracked" })], []),
  one("home: work and what was approved stand on the sheet", [
    ...all, e("up", "opened-up", {}), e("work", "work-noted", { what: "new brake band", adds: v.euro(4000) }),
    e("yes", "approval-noted", { answer: "yes", how: "in person", at: "2026-11-26T09:10", total: v.euro(12000), who: "M. Okafor" }),
    signedBack([...ON_SHEET, "work", "yes"]), ...filesBack(),
  ], []),
];
