// Cases: what is left open, the acknowledgement, and the sheet it is bound to.
import * as v from "./tools.mjs";

const { complete, done, signed, bothFiles, good, taken, received, judged, ON_SHEET, PHOTOS, leftOpen, letThrough } = v;
const noAck = v.ack("missing");
const stale = v.ack("stale");
const FRONT = ["front", "front received", "front judged"];
const without = (...names) => ON_SHEET.filter((n) => !names.includes(n));
/** A complete and signed intake, then these. */
const after = (...entries) => [...done(), ...entries.flat()];

export default [
  // ---- left open
  {
    name: "a gap left open moves, with reason and person", mode: "server", entries: complete({ without: FRONT, and: [leftOpen("view:front")] }),
    gaps: [noAck], left_open: [letThrough(v.view("front", "missing"))],
  },
  {
    name: "the latest left-open of a gap counts", mode: "device",
    entries: complete({ without: FRONT, and: [leftOpen("view:front"), leftOpen("view:front", "lens broken", { by: v.BO }, "left again")] }),
    gaps: [noAck], left_open: [letThrough(v.view("front", "missing"), { reason: "lens broken", by: v.BO })],
  },
  { name: "a gap that is filled is not left open", mode: "server", entries: complete({ and: [leftOpen("view:front"), leftOpen("question:bought")] }), gaps: [noAck] },
  { name: "a gap left open and filled later is closed", mode: "server", entries: complete({ without: FRONT, and: [leftOpen("view:front"), ...good("front", "front")] }), gaps: [noAck] },
  {
    name: "several left open stand in the order of the check, not of the entries", mode: "server",
    entries: complete({ without: ["hours", "complaint", ...FRONT], and: [leftOpen("question:hours"), leftOpen("view:front"), leftOpen("statement:complaint")] }),
    gaps: [noAck], left_open: [letThrough(v.noComplaint), letThrough(v.view("front", "missing")), letThrough(v.question("hours"))],
  },
  { name: "the acknowledgement is never left open", mode: "server", entries: complete({ and: [leftOpen("acknowledgement")] }), gaps: [noAck] },
  {
    name: "a poor photo left open keeps its reasons", mode: "server",
    entries: complete({ without: FRONT, and: [taken("front", "front"), received("front"), judged("front", "poor", v.SOFT), leftOpen("view:front", "customer had to go")] }),
    gaps: [noAck], left_open: [letThrough(v.view("front", "poor", v.SOFT), { reason: "customer had to go" })],
  },
  {
    name: "a photo on the phone left open (server)", mode: "server", entries: complete({ without: FRONT, and: [taken("front", "front"), leftOpen("view:front")] }),
    gaps: [noAck], left_open: [letThrough(v.view("front", "on-phone"))],
  },
  { name: "a photo on the phone left open (device): there is no gap", mode: "device", entries: complete({ without: FRONT, and: [taken("front", "front"), leftOpen("view:front")] }), gaps: [noAck] },
  {
    name: "blocks, people, arrangements and lines can be left open", mode: "server",
    entries: complete({
      without: ["hood", "switch", "key", "cover", "owner", "terms"],
      and: [
        v.owner({ phone: undefined }), v.line("hood 2", "wheel", "cracked"),
        ...["person:owner-contact", "walk-round", `line-photo:${v.id("hood 2")}`, "safety", "accessories", "arrangement:terms"].map((g) => leftOpen(g)),
      ],
    }),
    gaps: [noAck],
    left_open: [
      letThrough(v.noContact), letThrough(v.walkRound(1)), letThrough(v.linePhoto("hood 2", "wheel", v.CRACKED)),
      letThrough(v.noSafety(1)), letThrough(v.noAccessories(2)), letThrough(v.noArrangement("terms")),
    ],
  },
  {
    name: "what is due before opening can be left open too", mode: "server", entries: complete({ without: ["engine-numbers"], and: [leftOpen("machine:engine-numbers")] }),
    gaps: [noAck], left_open: [letThrough(v.noMachine("engine-numbers"))],
  },
  { name: "a pattern is not a gap", mode: "server", entries: complete({ without: FRONT, and: [leftOpen("view:*")] }), gaps: [v.view("front", "missing"), noAck] },

  // ---- the acknowledgement
  { name: "signed, sheet still on the phone (server)", mode: "server", entries: [...complete(), signed(), bothFiles()[1]], gaps: [v.ack("on-phone")] },
  { name: "signed, strokes still on the phone (server)", mode: "server", entries: [...complete(), signed(), bothFiles()[0]], gaps: [v.ack("on-phone")] },
  { name: "signed, both still on the phone (device)", mode: "device", entries: [...complete(), signed()], gaps: [] },
  { name: "not signing now needs the sheet alone", mode: "server", entries: [...complete(), signed(ON_SHEET, PHOTOS, { how: "not now" }), bothFiles()[0]], gaps: [] },
  { name: "not signing now, sheet still on the phone", mode: "server", entries: [...complete(), signed(ON_SHEET, PHOTOS, { how: "not now" })], gaps: [v.ack("on-phone")] },
  { name: "not signing now goes stale as a signature does", mode: "device", entries: [...complete(), signed(ON_SHEET, PHOTOS, { how: "not now" }), v.machine("serial", "AL-1139", "serial again")], gaps: [stale] },
  { name: "stale comes before on the phone", mode: "server", entries: [...complete(), signed(), v.machine("serial", "AL-1139", "serial again")], gaps: [stale] },
  ...["server", "device"].map((mode) => ({ name: `stale: a fact changed after signing (${mode})`, mode, entries: after(v.machine("serial", "AL-1139", "serial again")), gaps: [stale] })),
  { name: "stale: the same said again is another entry", mode: "server", entries: after(v.complaint(undefined, "complaint again")), gaps: [stale] },
  { name: "stale: a new photo of a view", mode: "server", entries: after(good("front 2", "front")), gaps: [stale] },
  { name: "stale: a photo of no view", mode: "device", entries: after(taken("loose", undefined, { local: true })), gaps: [stale] },
  { name: "stale: a line withdrawn", mode: "server", entries: after(v.line("wheel", "wheel", "clean", [], "wheel again"), v.withdrawn("hood")), gaps: [v.walkRound(1), stale] },
  { name: "stale: a block answered", mode: "server", entries: after(v.block("safety")), gaps: [stale] },
  { name: "stale: a member arranged anew", mode: "server", entries: after(v.arranged({ limit: v.euro(20000) }, "arranged 2")), gaps: [stale] },
  { name: "stale: an optional member arranged", mode: "server", entries: after(v.arranged({ old_parts: "give back" }, "arranged 2")), gaps: [stale] },
  { name: "stale: signed before the last fact of the log, listed after it", mode: "server", entries: [...complete({ without: ["serial"] }), signed(without("serial")), ...bothFiles(), v.machine("serial", "AL-1138")], gaps: [stale] },
  {
    name: "not stale: the server received and judged what was signed", mode: "server",
    entries: [...complete({ without: ["front received", "front judged"] }), signed(), ...bothFiles(), received("front"), judged("front")], gaps: [],
  },
  { name: "not stale: the machine was moved", mode: "server", entries: after(v.e("moved", "moved", { place: "rack 2" })), gaps: [] },
  { name: "not stale: a left-open that lets nothing through", mode: "server", entries: after(leftOpen("view:front")), gaps: [] },
  { name: "not stale: a line noted and withdrawn", mode: "server", entries: after(v.line("hood 2", "hood", "clean"), v.withdrawn("hood 2")), gaps: [] },
  {
    name: "not stale: what is due before opening left open after signing", mode: "server",
    entries: [...complete({ without: ["engine-numbers"] }), signed(without("engine-numbers")), ...bothFiles(), leftOpen("machine:engine-numbers")],
    gaps: [], left_open: [letThrough(v.noMachine("engine-numbers"))],
  },
  {
    name: "not stale: a photo on the phone left open after signing (only the server misses it)", mode: "server",
    entries: [...complete({ without: ["front received", "front judged"] }), signed(), ...bothFiles(), leftOpen("view:front")],
    gaps: [], left_open: [letThrough(v.view("front", "on-phone"))],
  },
  {
    name: "stale: a missing view left open after signing", mode: "server",
    entries: [...complete({ without: FRONT }), signed(without("front"), ["plate"]), ...bothFiles(), leftOpen("view:front")],
    gaps: [stale], left_open: [letThrough(v.view("front", "missing"))],
  },
  {
    name: "stale: a photo judged poor and left open after signing", mode: "server",
    entries: [...complete({ without: ["front received", "front judged"] }), signed(), ...bothFiles(), received("front"), judged("front", "poor", v.SOFT), leftOpen("view:front")],
    gaps: [stale], left_open: [letThrough(v.view("front", "poor", v.SOFT))],
  },
  { name: "signed again after a change", mode: "server", entries: [...complete(), signed(ON_SHEET, PHOTOS, { name: "ack 1" }), v.machine("serial", "AL-1139", "serial again"), signed([...without("serial"), "serial again"]), ...bothFiles()], gaps: [] },
  { name: "the reader is part of what was shown", mode: "server", entries: [...complete(), signed(ON_SHEET, PHOTOS, { reader: "Ravi" }), ...bothFiles()], gaps: [] },
  { name: "stale: another reader than the sheet names", mode: "device", entries: [...complete(), signed(ON_SHEET, PHOTOS, { reader: "Ravi", shownReader: "Bo" })], gaps: [stale] },
  { name: "taken in, it still checks", mode: "server", entries: after(v.e("taken-in", "taken-in", {})), gaps: [] },

  // ---- the sheet
  { name: "sheet of a complete intake", mode: "server", entries: complete(), gaps: [noAck], sheet: { entries: ON_SHEET, photos: PHOTOS } },
  { name: "sheet: a reader and another language", mode: "device", entries: complete(), gaps: [noAck], sheet: { entries: ON_SHEET, photos: PHOTOS, reader: "Ravi", language: "de" } },
  {
    name: "sheet: without terms", mode: "device", entries: complete({ without: ["terms"] }), gaps: [v.noArrangement("terms"), noAck],
    sheet: { entries: without("terms"), photos: PHOTOS, terms: false },
  },
  { name: "sheet of an intake just opened", mode: "device", entries: [v.opened()], gaps: v.JUST_OPENED, sheet: { entries: ["open"], photos: [], terms: false } },
  {
    name: "sheet: photos on damage lines first, in the order the lines were first noted", mode: "server",
    entries: complete({
      without: ["hood", "wheel"],
      and: [
        ...good("detail"), ...good("detail 2"), v.line("wheel", "wheel", "cracked", ["detail 2", "plate"]), v.line("hood", "hood", "cracked", ["detail"]),
        ...good("lid", "lid"),
      ],
    }),
    gaps: [noAck], sheet: { entries: [...ON_SHEET, "detail", "detail 2", "lid"], photos: ["detail 2", "plate", "detail", "front", "lid"] },
  },
  {
    name: "sheet: a line noted again keeps its place, one withdrawn and noted again goes last", mode: "device",
    entries: complete({
      without: ["hood", "wheel"],
      and: [
        ...good("a"), ...good("b"), ...good("c"), v.line("hood", "hood", "not there", ["a"]), v.line("wheel", "wheel", "cracked", ["b"]),
        v.line("wheel 2", "wheel", "cracked", ["c"]), v.line("wheel", "wheel", "not there", ["b"], "wheel again"), v.withdrawn("hood"), v.line("hood", "hood", "not there", ["a"], "hood again"),
      ],
    }),
    gaps: [noAck], sheet: { entries: [...without("hood", "wheel"), "a", "b", "c", "wheel again", "wheel 2", "hood again"], photos: ["b", "c", "a", "front", "plate"] },
  },
  {
    name: "sheet: a photo on two lines is shown once, an unknown photo not at all", mode: "server",
    entries: complete({ without: ["hood", "wheel"], and: [...good("a"), v.line("hood", "hood", "not there", ["a", "ghost"]), v.line("wheel", "wheel", "cracked", ["front", "a"])] }),
    gaps: [noAck], sheet: { entries: [...ON_SHEET, "a"], photos: ["a", "front", "plate"] },
  },
  {
    name: "sheet: a photo replaced by a newer one of its view is not shown", mode: "server", entries: complete({ and: good("front 2", "front") }),
    gaps: [noAck], sheet: { entries: [...without("front"), "front 2"], photos: ["front 2", "plate"] },
  },
  {
    name: "sheet: a photo replaced, but on a line, is shown", mode: "server", entries: complete({ without: ["wheel"], and: [v.line("wheel", "wheel", "cracked", ["front"]), ...good("front 2", "front")] }),
    gaps: [noAck], sheet: { entries: [...ON_SHEET, "front 2"], photos: ["front", "front 2", "plate"] },
  },
  {
    name: "sheet: views in the kind's order, whenever they were taken; then the rest in order", mode: "device",
    entries: complete({ without: FRONT, and: [...good("loose 2"), ...good("lid", "lid"), ...good("loose"), ...good("front", "front"), ...good("strange", "no view of this kind")] }),
    gaps: [noAck], sheet: { entries: [...ON_SHEET, "loose 2", "lid", "loose", "strange"], photos: ["front", "plate", "lid", "loose 2", "loose", "strange"] },
  },
  {
    name: "sheet: poor photos and photos still on the phone are shown too", mode: "server",
    entries: complete({ without: FRONT, and: [taken("front", "front"), received("front"), judged("front", "poor", v.SOFT), taken("side", "side")] }),
    gaps: [v.view("front", "poor", v.SOFT), noAck], sheet: { entries: [...ON_SHEET, "side"], photos: ["front", "plate", "side"] },
  },
  {
    name: "sheet: the same bytes taken twice are two photos", mode: "device",
    entries: complete({ and: [v.e("twin", "photo-taken", { photo: v.id("twin"), file: v.bytesOf("front"), size: 1000, stage: "received" })] }),
    gaps: [noAck], sheet: { entries: [...ON_SHEET, "twin"], photos: ["front", "plate", { file: v.bytesOf("front") }] },
  },
  {
    name: "sheet: of the arrangements, those that still supply a member", mode: "server",
    entries: complete({ and: [v.arranged({ limit: v.euro(20000), old_parts: "dispose" }, "arranged 2"), v.arranged({ limit: "none" }, "arranged 3"), v.arranged({ old_parts: "give back" }, "arranged 4")] }),
    gaps: [noAck], sheet: { entries: [...ON_SHEET, "arranged 3", "arranged 4"], photos: PHOTOS },
  },
  {
    name: "sheet: facts replaced are not listed", mode: "device",
    entries: complete({ and: [v.owner({}, "owner again"), v.safety("guard", "seen", "guard again"), v.accessory("key", "handed back", "key again"), v.answer("hours", { text: "13" }, "hours again"), v.complaint("it stops", "complaint again")] }),
    gaps: [noAck],
    sheet: { entries: [...without("owner", "guard", "key", "hours", "complaint"), "owner again", "guard again", "key again", "hours again", "complaint again"], photos: PHOTOS },
  },
  {
    name: "sheet: left open at the counter is listed, the latest of each gap", mode: "server",
    entries: complete({ without: ["hours", ...FRONT], and: [leftOpen("view:front"), leftOpen("question:hours"), leftOpen("view:front", "again", {}, "left again"), leftOpen("view:plate")] }),
    gaps: [noAck], left_open: [letThrough(v.view("front", "missing"), { reason: "again" }), letThrough(v.question("hours"))],
    sheet: { entries: [...without("front", "hours"), "left again", "left question:hours"], photos: ["plate"] },
  },
  {
    name: "sheet: what is left open before opening, or only on the server, is not listed", mode: "server",
    entries: complete({ without: ["engine-numbers", "front received", "front judged"], and: [leftOpen("machine:engine-numbers"), leftOpen("view:front")] }),
    gaps: [noAck], left_open: [letThrough(v.noMachine("engine-numbers")), letThrough(v.view("front", "on-phone"))],
    sheet: { entries: without("engine-numbers"), photos: PHOTOS },
  },
  {
    name: "sheet: an answer whose question is no longer asked stays listed", mode: "server",
    entries: complete({ without: ["bought"], and: [v.choice("bought", "used"), v.answer("story", { text: "rebuilt" }), v.choice("bought", "new", "bought again")] }),
    gaps: [noAck], sheet: { entries: [...without("bought"), "story", "bought again"], photos: PHOTOS },
  },
  {
    name: "sheet: blocks are listed, server entries, moves and signatures are not", mode: "server",
    entries: [...complete({ and: [v.block("walk-round")] }), signed([...ON_SHEET, "block walk-round"]), ...bothFiles(), v.e("moved", "moved", { place: "rack 2" })],
    gaps: [], sheet: { entries: [...ON_SHEET, "block walk-round"], photos: PHOTOS },
  },
];
