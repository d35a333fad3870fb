// A question of the kind with its answers: at the counter, and later on the machine's page.

import { numberOf } from "../core/kind.js";
import { t, text } from "../core/words.js";
import { field, picks } from "./act.js";
import { h } from "./dom.js";
import { slug } from "./facts.js";
import { notice } from "./notice.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {JsonObject, Question} from "../core/types.js" */

/**
 * @param {IntakeView} view
 * @param {Question} q
 * @param {(body: JsonObject, personal?: JsonObject) => unknown} give says the answer
 */
export function questionPart(view, q, give) {
  const fact = view.state.answers[q.id];
  const say = (/** @type {JsonObject} */ body, /** @type {JsonObject | undefined} */ personal = undefined) => give({ question: q.id, ...body }, personal);
  const unknown = { id: "not:does not know", words: t("page.not.does-not-know") };
  const choices = (q.choices ?? []).map((c) => ({ id: `choice:${c.id}`, words: text(c.name) }));

  /** @param {string} typed */
  function typedIn(typed) {
    if (!typed || typed === fact?.text) return undefined;
    // The server refuses anything else here; better said at once than after sending.
    if (q.kind === "number" && numberOf(typed) === null) return notice(t("page.bench.no-number", { typed }));
    return say({}, { text: typed });
  }

  return h("div", { class: "question", id: `question-${q.id}`, "data-key": q.id },
    q.kind === "choice" ? h("h3", null, text(q.name)) : field({
      id: `answer-${q.id}`, words: text(q.name), value: fact?.text ?? "", input: q.kind === "number" ? { inputmode: "decimal" } : {}, onchange: typedIn,
    }),
    picks({
      name: text(q.name), choices: [...choices, unknown], three: choices.every((c) => c.words.length <= 18) && choices.length > 3,
      chosen: fact?.choice ? `choice:${fact.choice}` : fact?.not ? `not:${fact.not}` : undefined,
      does: (chosen) => (chosen.startsWith("choice:") ? say({ choice: chosen.slice(7) }) : say({ not: chosen.slice(4) })),
    }),
    fact?.not && fact.not !== "does not know" ? h("p", { class: "soft" }, t(`page.not.${slug(fact.not)}`)) : null);
}
