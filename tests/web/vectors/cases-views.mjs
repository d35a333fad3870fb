// Cases: views by their newest photo, in both modes; and the chainsaw as it was first.
import { readFileSync } from "node:fs";
import { parse } from "smol-toml";
import * as v from "./tools.mjs";

const { complete, taken, received, judged, good, view } = v;
const noAck = v.ack("missing");
const FRONT = ["front", "front received", "front judged"];
/** A complete intake but for the front view, then these entries. */
const front = (...entries) => complete({ without: FRONT, and: entries.flat(Infinity) });
const local = { local: true };

const states = [
  ["no photo", [], [view("front", "missing")], [view("front", "missing")]],
  ["taken, still on the phone", [taken("front", "front")], [view("front", "on-phone")], []],
  ["received, not judged yet", [taken("front", "front"), received("front")], [view("front", "waiting")], []],
  ["could not be judged", [taken("front", "front"), received("front"), judged("front", "not judged", [{ key: "photo.heic", with: {} }])], [view("front", "not-judged")], []],
  ["poor, with its reasons", [taken("front", "front"), received("front"), judged("front", "poor", v.SOFT)], [view("front", "poor", v.SOFT)], [view("front", "poor", v.SOFT)]],
  ["usable", good("front", "front"), [], []],
  ["judged usable before it is said to be received", [taken("front", "front"), judged("front")], [], []],
  ["poor, then judged again and usable", [taken("front", "front"), received("front"), judged("front", "poor", v.SOFT), judged("front", "usable", [], "front judged again")], [], []],
  ["poor, then a usable one", [taken("front", "front"), received("front"), judged("front", "poor", v.SOFT), good("front 2", "front")], [], []],
  ["usable, then a poor one: the newest counts", [good("front", "front"), taken("front 2", "front"), received("front 2"), judged("front 2", "poor", v.SOFT)], [view("front", "poor", v.SOFT)], [view("front", "poor", v.SOFT)]],
  ["usable, then one still on the phone", [good("front", "front"), taken("front 2", "front")], [view("front", "on-phone")], []],
  ["poor, then one still on the phone", [taken("front", "front"), received("front"), judged("front", "poor", v.SOFT), taken("front 2", "front")], [view("front", "on-phone")], []],
  ["the judgement of an older photo comes after the newer photo", [taken("front", "front"), taken("front 2", "front"), received("front 2"), judged("front 2"), received("front"), judged("front", "poor", v.SOFT)], [], []],
  ["a photo of no view fills none", [good("loose")], [view("front", "missing")], [view("front", "missing")]],
  ["a judgement of a photo nobody took is nothing", [judged("ghost")], [view("front", "missing")], [view("front", "missing")]],
];

/** The frozen chainsaw's texts are looked up, its order and dues are written here. */
const saw = parse(readFileSync(new URL("../../../schema/vectors/kinds/chainsaw.toml", import.meta.url), "utf8"));
const sawView = (name, due, what = "missing") => {
  const { name: named, why } = saw.view.find((x) => x.id === name);
  return v.gap(`view:${name}`, due, `gap.view.${what}`, { view: { ...named }, why: { ...why } });
};
const sawQuestion = (name, due) => v.gap(`question:${name}`, due, "gap.question", { question: { ...saw.question.find((x) => x.id === name).name } });
const counterViews = ["bar-side", "starter-side", "machine-plate", "hand-guard", "underside", "left-with-it"].map((n) => sawView(n, v.AT));
const benchViews = ["brake-pushed", "brake-pulled", "controls", "chain-on-ruler", "muffler-outlet", "air-filter", "tank"].map((n) => sawView(n, v.BEFORE));
const rest = [v.noArrangement("fee"), v.noArrangement("limit"), v.noArrangement("deposit"), v.noArrangement("diagnosis_by"), v.noArrangement("terms"), noAck];
const record = [
  v.noMachine("make"), v.noMachine("model"), v.noMachine("serial"), v.noMachine("engine-numbers"), v.noOwner, v.noContact, v.noBringer, v.noComplaint,
];

export default [
  ...states.flatMap(([name, entries, server, device]) => [
    { name: `front view: ${name} (server)`, mode: "server", entries: front(entries), gaps: [...server, noAck] },
    { name: `front view: ${name} (device)`, mode: "device", entries: front(entries), gaps: [...device, noAck] },
  ]),
  {
    name: "a photo not sent yet is newer than any in the log", mode: "device",
    entries: [taken("front 2", "front", local), ...front(taken("front", "front"), received("front"), judged("front", "poor", v.SOFT))], gaps: [noAck],
  },
  {
    name: "of two photos not sent yet the later of the two counts", mode: "device",
    entries: front(taken("front", "front", local), taken("front 2", "front", local), judged("front", "poor", v.SOFT)), gaps: [noAck],
  },
  {
    name: "log index, not the order of the list, says which is newer", mode: "server",
    entries: [
      { ...taken("front 2", "front"), index: 900 }, { ...received("front 2"), index: 901 }, { ...judged("front 2"), index: 902 },
      ...front({ ...taken("front", "front"), index: 800 }, { ...received("front"), index: 801 }, { ...judged("front", "poor", v.SOFT), index: 802 }),
    ],
    gaps: [noAck],
  },
  {
    name: "a later fact in the log wins over an earlier one, however they are listed", mode: "server",
    entries: [{ ...v.choice("bought", "new", "bought again"), index: 950 }, ...complete({ without: ["bought"], and: [{ ...v.choice("bought", "used"), index: 940 }] })],
    gaps: [noAck],
  },
  {
    name: "a fact not sent yet wins over the log", mode: "device",
    entries: [{ ...v.choice("bought", "used", "bought again"), local: true }, ...complete()],
    gaps: [view("side", "missing"), v.question("story"), v.question("rebuilt"), noAck],
  },
  {
    name: "a view asked for by an answer, its photo still on the phone", mode: "server",
    entries: complete({ without: ["bought"], and: [v.choice("bought", "used"), taken("side", "side"), v.answer("story", { not: "refused" }), v.choice("rebuilt", "no")] }),
    gaps: [view("side", "on-phone"), view("inside", "missing"), noAck],
  },
  {
    name: "chainsaw: just opened", kind: "chainsaw", mode: "server", entries: [v.opened("chainsaw")],
    gaps: [
      ...record, ...counterViews, ...benchViews,
      sawQuestion("bought", v.AT), sawQuestion("last-ran", v.AT), sawQuestion("stored", v.AT), v.walkRound(10), v.noSafety(7), v.noAccessories(8), ...rest,
    ],
  },
  {
    name: "chainsaw: bought used, told rebuilt, leaking below; blocks answered", kind: "chainsaw", mode: "device",
    entries: [
      v.opened("chainsaw"), v.choice("bought", "used"), v.choice("told-rebuilt", "yes"), taken("below", "underside"), v.line("leak", "underside", "leaking", ["below"]),
      v.block("questions"), v.block("walk-round"), v.block("safety"), v.block("accessories"),
    ],
    gaps: [
      ...record, ...counterViews.filter((g) => g.gap !== "view:underside"), ...benchViews,
      sawView("exhaust-port", v.BEFORE), sawView("cylinder-faces", v.BEFORE), sawView("leak", v.BEFORE), ...rest,
    ],
  },
  {
    name: "chainsaw: bought used, not told yet", kind: "chainsaw", mode: "server",
    entries: [v.opened("chainsaw"), v.choice("bought", "used"), v.block("questions"), v.block("walk-round"), v.block("safety"), v.block("accessories")],
    gaps: [...record, ...counterViews, ...benchViews, sawQuestion("told-rebuilt", v.BEFORE), ...rest],
  },
];
