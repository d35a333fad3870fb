// Questions, the walk-round, the safety devices, what was left with it: each block by its own answers or by one printed
// sentence. An answer that completes a block brings the next open one into view.

import { say, session } from "../core/app.js";
import { holds } from "../core/kind.js";
import { t } from "../core/words.js";
import { toggle } from "./act.js";
import { h } from "./dom.js";
import { openIn } from "./flow.js";
import { linesPart } from "./lines.js";
import { nameOf } from "./names.js";
import { questionPart } from "./questions.js";
import { accessoriesPart, safetyPart } from "./things.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Question} from "../core/types.js" */

/** Blocks in the order they stand on the page, and the gaps that keep each open. */
const BLOCKS = ["question", "walk-round", "safety", "accessories"];

/**
 * @param {string} id the intake
 * @param {ReturnType<typeof import("./camera.js").camera>} lens
 * @param {() => Promise<unknown>} again draws the page again
 */
export function askingPart(id, lens, again) {
  const walk = linesPart(id, lens, again);
  /** @type {IntakeView} */
  let view;

  /** Says something, then shows the block that is open next when this one is complete. @param {() => Promise<unknown>} does @param {string} block */
  async function answer(does, block) {
    await does();
    await again();
    const open = new Set(openIn(view, "asked").map((g) => g.gap.split(":")[0]));
    if (open.has(block)) return;
    const next = BLOCKS.slice(BLOCKS.indexOf(block) + 1).find((b) => open.has(b));
    document.getElementById(`block-${next ?? "end"}`)?.scrollIntoView({ block: next ? "start" : "end" });
  }

  /** @param {string} block @param {string} sentence */
  const blockBy = (block, sentence) => answer(() => say(id, "block-answered", { block, sentence }), block === "questions" ? "question" : block);

  /** One tap, one printed sentence. @param {string} block @param {string} sentence */
  function byOne(block, sentence) {
    const fact = view.state.blocks[block];
    return toggle({
      id: sentence.replaceAll(".", "-"), sentence: true, on: fact?.sentence === sentence, words: t(sentence, { name: nameOf(fact?.sentence === sentence ? fact.mark.by : session()?.staff) }),
      does: () => (fact?.sentence === sentence ? undefined : blockBy(block, sentence)),
    });
  }

  /** @param {IntakeView} now @param {{ lasting?: boolean }} [which] `lasting: false` leaves out answers that are taken over from an earlier intake */
  function draw(now, { lasting = true } = {}) {
    view = now;
    const questions = (view.kind?.question ?? []).filter((q) => q.due === "at counter" && holds(q.when, view.state) && (lasting || !q.lasting));
    const openQuestions = openIn(view, "asked").some((g) => g.gap.startsWith("question:"));
    return [
      h("section", { class: "stack", id: "block-question" },
        h("h2", { class: "hide" }, t("page.asked.questions")),
        questions.map((q) => question(q)),
        openQuestions || view.state.blocks.questions ? byOne("questions", "block.questions.rest-not-asked") : null,
        whileHere(lasting)),
      h("section", { class: "section", id: "block-walk-round" },
        h("h2", { id: "walk-round" }, t("page.asked.walk-round")),
        byOne("walk-round", "block.walk-round.photographed"),
        walk.draw(view)),
      h("section", { class: "section", id: "block-safety" },
        h("h2", { id: "safety" }, t("page.asked.safety")),
        byOne("safety", "block.safety.not-tested"),
        safetyPart(view, (item, seen) => answer(() => say(id, "safety-noted", { item, seen }), "safety"))),
      h("section", { class: "section", id: "block-accessories" },
        h("h2", { id: "accessories" }, t("page.asked.accessories")),
        byOne("accessories", "block.accessories.nothing-else"),
        byOne("accessories", "block.accessories.rest-not-asked"),
        accessoriesPart(view, (item, count, stays) => answer(() => say(id, "accessory-noted", { item, count, stays }), "accessories"))),
      h("div", { id: "block-end" }),
    ];
  }

  /** @param {Question} q */
  function question(q) {
    return questionPart(view, q, (body, personal) => answer(() => say(id, "question-answered", body, personal), "question"));
  }

  /** What is due before opening, asked now because the customer is gone then. Nothing waits for it. @param {boolean} lasting */
  function whileHere(lasting) {
    const later = (view.kind?.question ?? []).filter((q) => q.due !== "at counter" && holds(q.when, view.state) && (lasting || !q.lasting));
    return later.length === 0 ? null : h("details", { class: "more", "data-key": "while-here" },
      h("summary", null, t("page.asked.while-here")),
      h("div", { class: "stack" }, h("p", { class: "soft" }, t("page.asked.while-here-words")), later.map((q) => question(q))));
  }

  return { draw };
}
