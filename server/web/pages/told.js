// What the customer tells, and what the plate says: words, machine, person. One page to scroll; Return goes to the next field.

import { say, sayAll, session } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, field, foot, picks } from "../parts/act.js";
import { before, beforePart } from "../parts/before.js";
import { h } from "../parts/dom.js";
import { slug } from "../parts/facts.js";
import { onward } from "../parts/flow.js";
import { onward as onwardIcon } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { attempt } from "../parts/notice.js";
import { personPart } from "../parts/person.js";
import { similarPart, similarTo } from "../parts/similar.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Fact} from "../core/journal.js" */

const FIELDS = ["make", "model", "serial"];
/** The most codes that are offered. */
const CODES = 4;
const NOT = ["no plate", "not readable", "not known"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function told(at) {
  const [id] = at.ids;
  const person = personPart(id, () => at.again());
  const others = similarTo(id, () => at.again());
  /** @type {IntakeView} */
  let view;

  /** Says what stands in the fields and is not said yet, in one go: a phone that goes to sleep gives no second turn. */
  async function flush() {
    const words = value("complaint");
    /** @type {Fact[]} */
    const facts = [];
    if (words && words !== view.state.statements.complaint?.text) {
      facts.push({ type: "statement-made", body: { topic: "complaint", heard_by: session()?.staff ?? "" }, personal: { text: words } });
    }
    for (const f of FIELDS) {
      const typed = value(`machine-${f}`);
      if (typed && typed !== view.state.machine[f]?.value) facts.push({ type: "machine-described", body: { field: f, value: typed, from: "typed" } });
    }
    facts.push(...person.facts());
    if (facts.length > 0) await sayAll(id, facts);
  }

  /** @param {string} name @param {{ value: string, from: string } | { not: string }} what */
  const describe = (name, what) => say(id, "machine-described", { field: name, ...what });

  return {
    watch: watching(id),
    leave: () => attempt(flush),
    async draw() {
      view = await load(id);
      const earlier = view.state.opened?.earlier;
      const was = earlier?.again === "same customer" ? before(view, await load(earlier.intake), null) : null;
      const similar = others.alike(view);
      const on = onward(view, "told");
      return {
        title: t("page.told.title"),
        focus: view.state.statements.complaint ? undefined : "complaint",
        content: [
          head(view),
          h("h1", null, t("page.told.title")),
          ...meanwhile(view),
          h("section", { class: "section", id: "statement-complaint" },
            h("h2", { class: "hide" }, t("page.told.words")),
            field({
              id: "complaint", words: t("page.told.words"), hint: t("page.told.words-hint"), long: true, value: view.state.statements.complaint?.text ?? "",
              input: { autocapitalize: "sentences", maxlength: "4000" }, onchange: () => flush(),
            })),
          h("section", { class: "section" },
            h("h2", null, t("page.told.machine")),
            fromCodes(),
            FIELDS.map((f) => machineField(f)),
            similarPart(similar, t("page.similar.alike", { tag: view.state.tag }))),
          was ? beforePart(view, was) : null,
          person.draw(view),
          foot(actLink({ words: on.words, href: on.href, icon: onwardIcon(), heavy: true })),
        ],
      };
    },
  };

  /** What codes on the photos say, to be taken by a tap: a suggestion, never filled in by itself. */
  function fromCodes() {
    const texts = [...new Set(view.photos.flatMap((p) => (p.judged ?? p.status.judged)?.codes.map((c) => c.text) ?? []))];
    const taken = new Set(FIELDS.map((f) => view.state.machine[f]?.value));
    const open = texts.filter((w) => !taken.has(w)).slice(0, CODES);
    if (open.length === 0) return null;
    return h("div", { class: "stack stack--close", id: "from-codes", "data-key": "codes" },
      h("p", { class: "soft" }, t("page.told.from-code")),
      open.map((w) => h("div", { class: "stack stack--close", "data-key": `code-${w}` },
        h("p", { class: "mono" }, w),
        h("div", { class: "row" }, [...FIELDS].reverse().map((f) => act({
          words: t("page.told.take-code", { field: t(`page.field.${f}`) }),
          does: () => describe(f, { value: w, from: "code" }),
        }))))));
  }

  /** @param {string} f */
  function machineField(f) {
    const fact = view.state.machine[f];
    return h("div", { class: "stack stack--close", id: `machine-${f}-place`, "data-key": f },
      field({
        id: `machine-${f}`, words: t(`page.field.${f}`), value: fact?.value ?? "", onchange: () => flush(),
        input: { autocapitalize: f === "make" ? "words" : "characters", spellcheck: "false", maxlength: "200", class: f === "make" ? undefined : "mono" },
      }),
      picks({
        name: t("page.told.instead", { field: t(`page.field.${f}`) }), three: true, chosen: fact?.not,
        choices: NOT.map((n) => ({ id: n, words: t(`page.not.${slug(n)}`) })),
        does: async (not) => {
          const input = /** @type {HTMLInputElement} */ (document.getElementById(`machine-${f}`));
          input.value = "";
          await describe(f, { not });
        },
      }));
  }
}

/** @param {string} id */
const value = (id) => /** @type {HTMLInputElement | null} */ (document.getElementById(id))?.value.trim() ?? "";
