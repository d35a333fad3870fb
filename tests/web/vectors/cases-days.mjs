// Cases of schema/vectors/days.json: found outside hours, lost tags, photos of the wrong machine, who brings it, paper.
import * as v from "./tools.mjs";

const { complete, e, gap, AT } = v;
const noAck = v.ack("missing");
const OTHER = "0193b0e8-0000-7000-8000-0000000000c3";
const replaceOpened = (body, rest) => [{ ...v.opened(), body: { ...v.opened().body, ...body } }, ...rest.filter((x) => x.name !== "open")];
const foundAs = (rest) => replaceOpened({ how: "found" }, rest);
const noFind = gap("found", AT, "gap.found");
const find = e("find", "found-noted", { place: "in front of the door", seen_at: "2026-11-25T06:40", note: "with a bag" });
const answered = (how, name = how) => e(name, "owner-answered", { how });
const tag = (number, name = `tag ${number}`, more = {}) => e(name, "tag-replaced", { tag: number, because: "it fell off" }, more);
const moved = (photo, more = {}) => e(`${photo} moved`, "photo-moved", { photo: v.id(photo), to: OTHER, because: "the wrong intake was open" }, more);
const erased = (photo) => e(`${photo} erased`, "photo-erased", { photo: v.id(photo), because: "a passer-by is in it" });
const came = (photo, view, name = `${photo} came`) =>
  e(name, "photo-came", { photo: v.id(photo), from: OTHER, file: v.bytesOf(photo), size: 1000, stage: "received", ...(view ? { view } : {}) });
const inCare = e("in care", "taken-in", {});
const withFind = ["open", "find", "came in", ...v.ON_SHEET.slice(1)];

export default [
  { name: "found: where and when is asked for first", mode: "server", entries: foundAs([v.opened()]), gaps: [noFind, ...v.JUST_OPENED] },
  { name: "found and noted: the rest is asked for as ever", mode: "server", entries: foundAs([v.opened(), find]), gaps: v.JUST_OPENED },
  { name: "brought to the counter: nobody asks where it was found", mode: "device", entries: complete(), gaps: [noAck] },
  { name: "found, no answer: it asks as before", mode: "server", entries: foundAs([...complete(), find, answered("no answer")]), gaps: [noAck] },
  {
    name: "found, then the owner came: find and answer are on the sheet", mode: "server", entries: [...foundAs([...complete(), find, answered("came in")]), v.signed(withFind), ...v.bothFiles()], gaps: [],
    sheet: { entries: withFind, photos: v.PHOTOS },
  },
  { name: "a find noted after the signature: it is to be shown", mode: "device", entries: [...foundAs(v.done()), find], gaps: [v.ack("stale")] },

  { name: "another tag before the signature is on the sheet", mode: "server", entries: [...complete(), tag("0031"), v.signed([...v.ON_SHEET, "tag 0031"]), ...v.bothFiles()], gaps: [], sheet: { entries: [...v.ON_SHEET, "tag 0031"], photos: v.PHOTOS } },
  { name: "another tag after the signature: it is to be shown", mode: "server", entries: [...v.done(), tag("0031")], gaps: [v.ack("stale")] },
  { name: "a tag lost in care leaves the sheet as it was", mode: "server", entries: [...v.done(), inCare, tag("0031")], gaps: [], sheet: { entries: v.ON_SHEET, photos: v.PHOTOS } },
  { name: "every tag it had is on the sheet", mode: "device", entries: [...complete(), tag("0031"), tag("0032")], gaps: [noAck], sheet: { entries: [...v.ON_SHEET, "tag 0031", "tag 0032"], photos: v.PHOTOS } },

  {
    name: "a moved photo fills no view", mode: "server", entries: complete({ and: [moved("front")] }), gaps: [v.view("front", "missing"), noAck],
    sheet: { entries: v.ON_SHEET.filter((n) => n !== "front"), photos: ["plate"] },
  },
  { name: "nor on the device", mode: "device", entries: complete({ and: [moved("front", { local: true })] }), gaps: [v.view("front", "missing"), noAck] },
  {
    name: "the photo before it counts again", mode: "server", entries: complete({ and: [...v.good("front 2", "front"), moved("front 2")] }), gaps: [noAck],
    sheet: { entries: v.ON_SHEET, photos: v.PHOTOS },
  },
  {
    name: "a moved photo shows no damage here", mode: "server", entries: complete({ without: ["wheel"], and: [...v.good("detail"), v.line("wheel", "wheel", "cracked", ["detail"]), moved("detail")] }),
    gaps: [v.linePhoto("wheel", "wheel", v.CRACKED), noAck],
  },
  { name: "beside another photo the line stays shown", mode: "server", entries: complete({ without: ["wheel"], and: [...v.good("detail"), v.line("wheel", "wheel", "cracked", ["detail", "front"]), moved("detail")] }), gaps: [noAck] },
  {
    name: "moved in care: what was signed keeps its numbers, and the view is open", mode: "server", entries: [...v.done(), inCare, moved("front")], gaps: [v.view("front", "missing")],
    sheet: { entries: v.ON_SHEET, photos: v.PHOTOS },
  },
  { name: "a photo that came waits for its judgement here", mode: "server", entries: complete({ without: ["front", "front received", "front judged"], and: [came("front", "front")] }), gaps: [v.view("front", "on-phone"), noAck] },
  { name: "on the device it fills its view at once", mode: "device", entries: complete({ without: ["front", "front received", "front judged"], and: [came("front", "front")] }), gaps: [noAck] },
  {
    name: "judged here it fills its view", mode: "server", entries: complete({ without: ["front", "front received", "front judged"], and: [came("front", "front"), v.received("front"), v.judged("front")] }), gaps: [noAck],
    sheet: { entries: v.ON_SHEET.map((n) => (n === "front" ? "front came" : n)), photos: v.PHOTOS },
  },
  { name: "came without a view: it fills none", mode: "server", entries: complete({ without: ["front", "front received", "front judged"], and: [came("front"), v.received("front"), v.judged("front")] }), gaps: [v.view("front", "missing"), noAck] },
  {
    name: "moved away and back: it is judged anew", mode: "server", entries: complete({ and: [moved("front"), came("front", "front")] }), gaps: [v.view("front", "on-phone"), noAck],
  },
  { name: "a photo that is here does not come twice", mode: "server", entries: complete({ and: [came("front", "plate")] }), gaps: [noAck], sheet: { entries: v.ON_SHEET, photos: v.PHOTOS } },

  {
    name: "an erased photo fills no view", mode: "server", entries: complete({ and: [erased("front")] }), gaps: [v.view("front", "missing"), noAck],
    sheet: { entries: v.ON_SHEET.filter((n) => n !== "front"), photos: ["plate"] },
  },
  { name: "erased after the signature, before the acceptance: it is to be shown again", mode: "server", entries: [...v.done(), erased("front")], gaps: [v.view("front", "missing"), v.ack("stale")] },
  {
    name: "erased in care: what was signed keeps its numbers", mode: "server", entries: [...v.done(), inCare, erased("front")], gaps: [v.view("front", "missing")],
    sheet: { entries: v.ON_SHEET, photos: v.PHOTOS },
  },

  { name: "a bringer's standing asks for nothing more", mode: "server", entries: complete({ without: ["bringer"], and: [v.bringer({ name: "Jonas", standing: "minor" })] }), gaps: [noAck] },
  {
    name: "written on paper: the paper's photo is on the sheet and fills no view", mode: "server",
    entries: replaceOpened({ how: "on paper", written: { at: "2026-11-25T14:05", by: "Ines" } }, complete({ without: ["plate", "plate received", "plate judged"], and: [{ ...v.taken("paper"), body: { ...v.taken("paper").body, of_paper: true } }, v.received("paper"), v.judged("paper")] })),
    gaps: [v.view("plate", "missing"), noAck], sheet: { entries: [...v.ON_SHEET.filter((n) => n !== "plate"), "paper"], photos: ["front", "paper"] },
  },
];
