// Cases: the record (machine, people, complaint), questions, walk-round, things, arrangements.
import * as v from "./tools.mjs";

const { complete, done } = v;
/** Nobody signed yet: the cases here look at the record alone. */
const noAck = v.ack("missing");
const both = (name, entries, gaps, more = {}) => ["server", "device"].map((mode) => ({ name: `${name} (${mode})`, mode, entries, gaps, ...more }));

export default [
  ...both("an intake just opened lacks everything, in order", [v.opened()], v.JUST_OPENED),
  ...both("a complete and signed intake lacks nothing", done(), []),

  ...["make", "model", "serial", "engine-numbers"].map((field) => ({
    name: `without ${field}`, mode: "server", entries: complete({ without: [field] }), gaps: [v.noMachine(field), noAck],
  })),
  {
    name: "a field that says why there is no value is answered", mode: "server",
    entries: complete({ without: ["serial"], and: [v.e("serial", "machine-described", { field: "serial", not: "no plate" })] }), gaps: [noAck],
  },

  { name: "without an owner there is no contact either", mode: "server", entries: complete({ without: ["owner"] }), gaps: [v.noOwner, v.noContact, noAck] },
  { name: "an owner with an email only can be reached", mode: "server", entries: complete({ without: ["owner"], and: [v.owner({ phone: undefined, email: "m@okafor.example" })] }), gaps: [noAck] },
  { name: "an owner who has neither phone nor email", mode: "server", entries: complete({ without: ["owner"], and: [v.owner({ phone: undefined, none: ["phone", "email"] })] }), gaps: [noAck] },
  { name: "an owner who has no phone, email not asked", mode: "server", entries: complete({ without: ["owner"], and: [v.owner({ phone: undefined, none: ["phone"] })] }), gaps: [v.noContact, noAck] },
  { name: "an owner who has no email, phone not asked", mode: "device", entries: complete({ without: ["owner"], and: [v.owner({ phone: undefined, none: ["email"] })] }), gaps: [v.noContact, noAck] },
  { name: "a later card replaces the whole earlier card", mode: "server", entries: complete({ and: [v.owner({ phone: undefined, name: "Mary Okafor" }, "owner again")] }), gaps: [v.noContact, noAck] },
  { name: "an address alone is no contact", mode: "server", entries: complete({ without: ["owner"], and: [v.owner({ phone: undefined, address: "Tarn Street 4" })] }), gaps: [v.noContact, noAck] },
  { name: "without a bringer", mode: "server", entries: complete({ without: ["bringer"] }), gaps: [v.noBringer, noAck] },
  { name: "a bringer who is not the owner needs no contact", mode: "server", entries: complete({ without: ["bringer"], and: [v.bringer({ name: "A neighbour" })] }), gaps: [noAck] },
  { name: "a bringer who is the owner, without an owner", mode: "server", entries: complete({ without: ["owner"] }), gaps: [v.noOwner, v.noContact, noAck] },
  { name: "without a complaint", mode: "server", entries: complete({ without: ["complaint"] }), gaps: [v.noComplaint, noAck] },

  { name: "a question not answered", mode: "server", entries: complete({ without: ["hours"] }), gaps: [v.question("hours"), noAck] },
  { name: "does not know is an answer", mode: "server", entries: complete({ without: ["hours"], and: [v.answer("hours", { not: "does not know" })] }), gaps: [noAck] },
  { name: "not asked, with the reason, is an answer", mode: "device", entries: complete({ without: ["hours"], and: [v.answer("hours", { not: "not asked", because: "customer in a hurry" })] }), gaps: [noAck] },
  {
    name: "the questions' sentence answers those due at the counter and opens what asks why", mode: "server",
    entries: complete({ without: ["bought", "hours"], and: [v.block("questions")] }), gaps: [v.question("why-unasked"), noAck],
  },
  {
    name: "the questions' sentence does not answer what is due before opening", mode: "server",
    entries: complete({ without: ["bought", "hours"], and: [v.choice("bought", "gift"), v.block("questions")] }),
    gaps: [v.question("rebuilt"), v.question("why-unasked"), noAck],
  },
  {
    name: "is: a view is asked for by an answer, and stands in the kind's order", mode: "server",
    entries: complete({ without: ["bought", "plate", "plate received", "plate judged"], and: [v.choice("bought", "used")] }),
    gaps: [v.view("plate", "missing"), v.view("side", "missing"), v.question("story"), v.question("rebuilt"), noAck],
  },
  { name: "is: another answer does not ask for it", mode: "server", entries: complete({ without: ["bought"], and: [v.choice("bought", "gift")] }), gaps: [v.question("story"), v.question("rebuilt"), noAck] },
  { name: "is-not holds for does not know, one-of does not", mode: "server", entries: complete({ without: ["bought"], and: [v.answer("bought", { not: "does not know" })] }), gaps: [v.question("story"), noAck] },
  { name: "is-not needs an answer", mode: "server", entries: complete({ without: ["bought", "hours"] }), gaps: [v.question("bought"), v.question("hours"), noAck] },
  { name: "an answer that is changed takes its conditions back", mode: "server", entries: complete({ without: ["bought"], and: [v.choice("bought", "used"), v.choice("bought", "new", "bought again")] }), gaps: [noAck] },
  {
    name: "all: both hold", mode: "server",
    entries: complete({ without: ["bought"], and: [v.choice("bought", "gift"), v.answer("story", { text: "just serviced" })] }),
    gaps: [v.view("inside", "missing"), v.question("rebuilt"), noAck],
  },
  {
    name: "all: one does not hold", mode: "server",
    entries: complete({ and: [v.answer("story", { text: "just serviced" })] }), gaps: [noAck],
  },
  { name: "any: by a safety device", mode: "server", entries: complete({ without: ["guard"], and: [v.safety("guard", "not with it")] }), gaps: [v.view("lid", "missing"), noAck] },
  { name: "any: a safety device nobody looked at is no answer", mode: "server", entries: complete({ without: ["guard"] }), gaps: [v.noSafety(1), noAck] },
  { name: "any: by a line", mode: "server", entries: complete({ without: ["hood"], and: [v.line("hood", "hood", "cracked", ["front"])] }), gaps: [v.view("lid", "missing"), noAck] },
  {
    name: "a condition takes the line of a part that was first noted last", mode: "server",
    entries: complete({ without: ["hood"], and: [v.line("hood", "hood", "cracked", ["front"]), v.line("hood 2", "hood", "clean")] }), gaps: [noAck],
  },
  {
    name: "a line noted again keeps its place among the lines of its part", mode: "server",
    entries: complete({ and: [v.line("hood 2", "hood", "cracked", ["front"]), v.line("hood", "hood", "not seen", [], "hood again")] }),
    gaps: [v.view("lid", "missing"), noAck],
  },
  {
    name: "a line withdrawn takes its condition along", mode: "server",
    entries: complete({ and: [v.line("hood 2", "hood", "cracked", ["front"]), v.withdrawn("hood 2")] }), gaps: [noAck],
  },

  { name: "parts without a line are counted", mode: "server", entries: complete({ without: ["hood"] }), gaps: [v.walkRound(1), noAck] },
  { name: "a line withdrawn leaves its part open", mode: "device", entries: complete({ and: [v.withdrawn("wheel")] }), gaps: [v.walkRound(1), noAck] },
  { name: "the walk-round's sentence answers the rest", mode: "server", entries: complete({ without: ["hood", "wheel"], and: [v.block("walk-round")] }), gaps: [noAck] },
  {
    name: "lines that need a photo and have none, in the order first noted", mode: "server",
    entries: complete({ without: ["hood", "wheel"], and: [v.line("wheel", "wheel", "not there"), v.line("hood", "hood", "cracked")] }),
    gaps: [v.view("lid", "missing"), v.linePhoto("wheel", "wheel", { en: "not there" }), v.linePhoto("hood", "hood", v.CRACKED), noAck],
  },
  {
    name: "the walk-round's sentence answers no line's photo", mode: "device",
    entries: complete({ without: ["hood", "wheel"], and: [v.line("wheel", "wheel", "cracked"), v.block("walk-round")] }),
    gaps: [v.linePhoto("wheel", "wheel", v.CRACKED), noAck],
  },
  {
    name: "open parts come before lines without photos", mode: "server",
    entries: complete({ without: ["hood", "wheel"], and: [v.line("wheel", "wheel", "cracked")] }),
    gaps: [v.walkRound(1), v.linePhoto("wheel", "wheel", v.CRACKED), noAck],
  },
  { name: "a line noted again with a photo is closed", mode: "server", entries: complete({ without: ["wheel"], and: [v.line("wheel", "wheel", "cracked"), v.line("wheel", "wheel", "cracked", ["front"], "wheel again")] }), gaps: [noAck] },
  { name: "a line withdrawn asks for no photo", mode: "server", entries: complete({ and: [v.line("wheel 2", "wheel", "cracked"), v.withdrawn("wheel 2")] }), gaps: [noAck] },
  {
    name: "a poor photo on a line is a photo", mode: "server",
    entries: complete({ without: ["wheel"], and: [v.taken("detail"), v.received("detail"), v.judged("detail", "poor", v.SOFT), v.line("wheel", "wheel", "cracked", ["detail"])] }), gaps: [noAck],
  },

  { name: "safety devices not noted are counted", mode: "server", entries: complete({ without: ["switch"] }), gaps: [v.noSafety(1), noAck] },
  { name: "not tested here is noted", mode: "server", entries: complete({ without: ["switch"], and: [v.safety("switch", "not tested here")] }), gaps: [noAck] },
  { name: "the safety sentence answers the rest, for no condition", mode: "device", entries: complete({ without: ["guard", "switch"], and: [v.block("safety")] }), gaps: [noAck] },
  { name: "accessories not noted are counted", mode: "server", entries: complete({ without: ["key", "cover"] }), gaps: [v.noAccessories(2), noAck] },
  { name: "an accessory that is not with it is noted", mode: "server", entries: complete({ without: ["key"], and: [v.accessory("key", "not with it")] }), gaps: [noAck] },
  { name: "the accessories' sentence answers the rest", mode: "server", entries: complete({ without: ["key", "cover"], and: [v.block("accessories")] }), gaps: [noAck] },
  { name: "a sentence answers only its own block", mode: "server", entries: complete({ without: ["key", "cover", "guard", "switch"], and: [v.block("accessories")] }), gaps: [v.noSafety(2), noAck] },

  {
    name: "arrangements missing, in their order", mode: "server", entries: complete({ without: ["arranged", "terms"], and: [v.arranged({ deposit: "none", over_limit: "ask first" })] }),
    gaps: [v.noArrangement("fee"), v.noArrangement("limit"), v.noArrangement("diagnosis_by"), v.noArrangement("terms"), noAck],
  },
  {
    name: "none and no promise are arrangements", mode: "server",
    entries: complete({ without: ["arranged"], and: [v.arranged({ fee: "none", limit: "none" }), v.arranged({ deposit: "none", diagnosis_by: "no promise" }, "arranged 2")] }), gaps: [noAck],
  },
  { name: "what is done if it costs more, old parts and a ready date are not asked for", mode: "server", entries: done(), gaps: [] },
];
