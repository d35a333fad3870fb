// What an earlier intake says that may still be right, as one sentence and as the facts it would say: of the same machine
// everything that lasts and the shop's usual arrangement, of another machine its owner only.

import { sayAll } from "../core/app.js";
import { language, t } from "../core/words.js";
import { toggle } from "./act.js";
import { h } from "./dom.js";
import { arrangement, ARRANGED, named } from "./facts.js";
import { usualValues } from "../pages/agreed.js";

/** @import {IntakeView, Shop} from "../core/app.js" */
/** @import {JsonObject} from "../core/types.js" */
/** @typedef {{ type: string, body: JsonObject, personal?: JsonObject }} Fact */

/**
 * @param {IntakeView} view the intake being taken in
 * @param {IntakeView} old the earlier one
 * @param {Shop | null} shop whose usual arrangement is offered with it
 * @returns {{ sentence: string, facts: Fact[], said: boolean } | null} null when the earlier one says nothing that could be taken over
 */
export function before(view, old, shop) {
  /** @type {Fact[]} */
  const facts = [];
  /** @type {string[]} */
  const words = [];
  let said = true;
  const { machine, people, answers, arrangements } = view.state;
  const whole = view.state.opened?.earlier?.again !== "same customer";

  for (const field of ["make", "model", "serial", "engine-numbers"]) {
    const value = old.state.machine[field]?.value;
    if (!whole || value === undefined) continue;
    facts.push({ type: "machine-described", body: { field, value, from: "earlier intake" } });
    words.push(field === "serial" ? t("page.again.serial", { serial: value }) : value);
    said &&= machine[field]?.value === value;
  }
  const machineWords = words.splice(0).join(", ");
  if (machineWords) words.push(`${machineWords}.`);

  const { owner, bringer } = old.state.people;
  if (owner?.name) {
    const personal = Object.fromEntries(Object.entries({ name: owner.name, phone: owner.phone, email: owner.email, address: owner.address }).filter(([, v]) => v));
    facts.push({ type: "person-named", body: { who: "owner", ...(owner.none?.length ? { none: owner.none } : {}) }, personal: /** @type {JsonObject} */ (personal) });
    words.push(`${Object.values(personal).join(", ")}.`);
    said &&= people.owner?.name === owner.name;
    if (bringer?.same_as_owner) {
      facts.push({ type: "person-named", body: { who: "bringer", same_as_owner: true } });
      words.push(`${t("page.person.owner-brings")}.`);
      said &&= people.bringer?.same_as_owner === true;
    }
  }

  for (const q of view.kind?.question ?? []) {
    const choice = old.state.answers[q.id]?.choice;
    if (!whole || !q.lasting || choice === undefined || !q.choices?.some((c) => c.id === choice)) continue;
    facts.push({ type: "question-answered", body: { question: q.id, choice } });
    words.push(`${capital(named(q.choices, choice))}.`);
    said &&= answers[q.id]?.choice === choice;
  }

  const values = whole && shop ? usualValues(shop, Date.now()) : {};
  if (Object.keys(values).length > 0) {
    facts.push({ type: "arrangement-made", body: { values } });
    words.push(...ARRANGED.filter((f) => f in values).map((f) => arrangement(f, values[f])));
    said &&= Object.entries(values).every(([f, v]) => JSON.stringify(arrangements[f]?.value) === JSON.stringify(v));
  }
  return facts.length > 0 ? { sentence: words.join(" "), facts, said } : null;
}

/** The sentence, read out and confirmed by one tap. @param {IntakeView} view @param {NonNullable<ReturnType<typeof before>>} was */
export function beforePart(view, was) {
  return h("section", { class: "section", id: "as-before-part" },
    h("h2", null, t("page.again.as-before")),
    h("p", { class: "soft" }, t(view.state.opened?.earlier?.again === "same customer" ? "page.again.same-owner-hint" : "page.again.as-before-hint", { tag: view.state.opened?.earlier?.tag ?? "" })),
    toggle({ id: "as-before", sentence: true, on: was.said, words: was.sentence, does: () => (was.said ? undefined : sayAll(view.id, was.facts)) }));
}

/** @param {string} word */
const capital = (word) => word.charAt(0).toLocaleUpperCase(language()) + word.slice(1);
